"""Dirty tables: usable rows go on, every other one is told with its place."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.errors import TableError
from diagnose.refit.tables import read_tables
from diagnose.steps.columns import columns
from tests.refit.rows import CART, MACHINE, changed, order, read, said, steps

if TYPE_CHECKING:
    from pathlib import Path


def test_sound_tables_come_through_as_they_are() -> None:
    tables = read([order()], steps())
    assert said(tables) == []
    assert list(tables.orders.columns) == [c.name for c in columns()["orders"]]
    assert list(tables.steps.columns) == [c.name for c in columns()["steps"]]
    assert tables.counts["orders"] == {"read": 1, "used": 1, "refused": 0, "of_other_machines": 0}
    assert tables.counts["steps"]["used"] == 6
    assert tables.orders.loc[0, "opened_at"] == pd.Timestamp("2025-01-07T07:00Z")
    assert tables.steps.loc[2, "reading"] == 10.4
    assert tables.refused_orders.empty
    assert tables.unmapped.empty


ORDERS: dict[str, tuple[dict[str, Any], str, str, str]] = {
    "no_id": ({"order_id": ""}, "order_id", "is empty", "refused"),
    "no_complaint": ({"complaint_told": None}, "complaint_told", "is empty", "refused"),
    "complaint": ({"complaint_told": "sillent"}, "complaint_told", "no such complaint", "refused"),
    "seen": ({"complaint_seen": "loud"}, "complaint_seen", "no such complaint", "set aside"),
    "machine": ({"machine": "barn_kart"}, "machine", "no such machine", "refused"),
    "spelled_machine": ({"machine": "Barn Cart"}, "machine", "is spelled another way", "put right"),
    "version": ({"machine_version": "3"}, "machine_version", "the file has version 1", "refused"),
    "backwards": ({"closed_at": "2025-01-06T09:30:00Z"}, "closed_at",
                  "closed before it was opened", "refused"),
    "no_time": ({"opened_at": "Tuesday"}, "opened_at", "is no time in ISO 8601", "refused"),
    "no_offset": ({"opened_at": "2025-01-07T08:00:00"}, "opened_at",
                  "has no offset, or is not in ISO 8601", "put right"),
    "ended": ({"ended": "exploded"}, "ended", "is none of them", "refused"),
    "ended_spelled": ({"ended": "Handed Over"}, "ended", "is spelled another way", "put right"),
    "minutes": ({"labour_minutes": "much"}, "labour_minutes", "is no number", "set aside"),
    "negative": ({"labour_minutes": "-3"}, "labour_minutes", "is out of range", "set aside"),
    "comma": ({"labour_minutes": "40,5"}, "labour_minutes", "has a comma, or a unit of its own",
              "put right"),
    "hot": ({"temperature_celsius": "400"}, "temperature_celsius", "is out of range", "set aside"),
    "cause": ({"cause_part": "gremlins", "cause_mode": ""}, "cause_part", "no such cause",
              "set aside"),
    "mode": ({"cause_mode": "tired"}, "cause_part", "no such mode", "set aside"),
    "ok_is_no_cause": ({"cause_mode": "ok"}, "cause_part", "no such mode", "set aside"),
    "mode_alone": ({"cause_part": ""}, "cause_mode", "a mode without its part", "set aside"),
    "two_causes": ({"cause_part": "battery; main_fuse", "cause_mode": ""}, "cause_part",
                   "several causes in one order", "set aside"),
    "itself": ({"comeback_of": "A1"}, "comeback_of", "names itself", "set aside"),
    "lost": ({"comeback_of": "A0"}, "comeback_of", "the earlier order is not in the table",
             "noted"),
}  # fmt: skip


@pytest.mark.parametrize("name", ORDERS)
def test_each_fault_of_an_order_is_told(name: str) -> None:
    cells, column, problem, done = ORDERS[name]
    tables = read([order("A0b"), order(**cells)], [*steps("A0b"), *steps()])
    told = [line for line in said(tables, "orders") if line[3] != "put right" or done == line[3]]
    assert told == [(3, column, problem, done)]
    remark = tables.problems.iloc[0]
    assert remark["what_to_do"]
    assert remark["file"] == "orders"
    assert len(tables.orders) == (1 if done == "refused" else 2)
    assert len(tables.refused_orders) == (done == "refused")
    if done == "refused":
        assert problem in tables.refused_orders["reasons"].iloc[0]
        assert len(tables.steps) == 6
        assert len(tables.refused_steps) == 6


STEPS: dict[str, tuple[int, dict[str, Any], list[tuple[str, str, str]]]] = {
    "no_kind": (2, {"kind": ""}, [("kind", "is empty", "refused")]),
    "kind": (2, {"kind": "fnding"}, [("kind", "is none of them", "refused")]),
    "kind_spelled": (2, {"kind": "Finding"}, [("kind", "is spelled another way", "put right")]),
    "no_test": (2, {"test": ""}, [("test", "is empty", "refused")]),
    "test": (2, {"test": "hear_relais"}, [("test", "no such test", "refused")]),
    "test_title": (2, {"test": MACHINE.tests["hear_relay"].title.upper()},
                   [("test", "shop's own words", "put right")]),
    "outcome": (2, {"outcome": "loud"}, [
        ("outcome", "no outcome of hear_relay", "set aside"),
        ("outcome", "neither outcome nor reading", "refused")]),
    "number_nowhere": (2, {"reading": "3", "unit": "V"},
                       [("reading", "a number where the test gives none", "set aside")]),
    "millivolts": (3, {"reading": "10400", "unit": "mV"},
                   [("unit", "a reading in another unit than V", "put right")]),
    "in_one_cell": (3, {"reading": "10,4 V", "unit": ""},
                    [("reading", "has a comma, or a unit of its own", "put right")]),
    "as_outcome": (3, {"reading": "", "unit": "", "outcome": "10.4 V"},
                   [("outcome", "a reading in the column of outcomes", "put right")]),
    "ohms": (3, {"unit": "ohm"}, [
        ("outcome", "neither outcome nor reading", "refused"),
        ("unit", "no unit of a reading in V", "set aside")]),
    "too_high": (3, {"reading": "10400"}, [
        ("outcome", "neither outcome nor reading", "refused"),
        ("reading", "no meter shows this here", "set aside")]),
    "unsure": (2, {"sure": "0"}, [("sure", "is out of range", "refused")]),
    "percent_sure": (2, {"sure": "70 %"}, [("sure", "has a comma, or a unit of its own",
                                            "put right")]),
    "minutes": (2, {"minutes": "-1"}, [("minutes", "is out of range", "set aside")]),
    "result": (5, {"result": "sings"}, [("result", "no such result", "refused"),
                                        ]),
    "no_order": (6, {"order_id": "B9"}, [("order_id", "no order has this id", "refused")]),
    "part_seq": (6, {"seq": "6.5"}, [("seq", "is no whole number", "refused")]),
    "word_seq": (6, {"seq": "last"}, [("seq", "is no number", "refused")]),
}  # fmt: skip


@pytest.mark.parametrize("name", STEPS)
def test_each_fault_of_a_step_is_told(name: str) -> None:
    seq, cells, remarks = STEPS[name]
    tables = read([order()], changed(steps(), seq, **cells))
    told = [line for line in said(tables, "steps") if line[2] != "no check after the repair"]
    assert told == [(seq + 1, *remark) for remark in remarks]
    out = any(done == "refused" for _, _, done in remarks)
    assert len(tables.steps) == 6 - out
    assert len(tables.refused_steps) == out
    if name in ("millivolts", "in_one_cell", "as_outcome"):
        found = tables.steps.iloc[2]
        assert (found["reading"], found["unit"]) == (pytest.approx(10.4), "V")


def test_what_follows_a_repair_that_cannot_be_read_is_left_out() -> None:
    tables = read([order()], changed(steps(), 4, repair="fixed"))
    assert said(tables, "steps") == [
        (5, "repair", "no such repair", "refused"),
        (6, "seq", "comes after a repair that cannot be read", "refused"),
    ]
    assert tables.steps["kind"].tolist() == ["told", "finding", "finding", "closed"]


def test_a_repair_without_a_check_is_noted_and_kept() -> None:
    rows = [row for row in steps() if row["kind"] != "tried"]
    tables = read([order()], rows)
    assert said(tables) == [(5, "result", "no check after the repair", "noted")]
    assert len(tables.steps) == 5


def test_rows_that_are_there_twice_count_once() -> None:
    tables = read([order(), order()], [*steps(), *steps()])
    assert tables.counts["orders"]["used"] == 1
    assert tables.counts["steps"]["used"] == 6
    assert {problem for _, _, problem, _ in said(tables)} == {"the same row again"}


def test_the_latest_state_of_an_order_is_the_one_that_holds() -> None:
    earlier = order(ended="given_up", closed_at="2025-01-07T08:10:00+01:00")
    tables = read([order(), earlier], steps())
    assert tables.orders["ended"].tolist() == ["runs"]
    assert said(tables) == [(3, "order_id", "an earlier state of the same order", "refused")]


def test_two_states_of_which_none_is_later_are_both_out() -> None:
    tables = read([order(), order(ended="given_up")], steps())
    assert tables.orders.empty
    assert [p for _, _, p, _ in said(tables, "orders")] == ["rows of one order differ"] * 2
    assert [p for _, _, p, _ in said(tables, "steps")] == ["its order cannot be used"] * 6


def test_a_second_job_in_one_order_is_left_out_and_the_first_is_used() -> None:
    other = [row | {"outcome": "pulls_in"} for row in steps()[1:3]]
    other = [row | {"seq": str(seq), "reading": ""} for seq, row in enumerate(other, 1)]
    tables = read([order()], [*steps(), *other])
    assert tables.counts["steps"]["used"] == 6
    assert {p for _, _, p, _ in said(tables, "steps")} == {"a second job in one order"}
    more = [row | {"seq": str(int(row["seq"]) + 6)} for row in steps()[1:3]]
    tables = read([order()], [*steps(), *more])
    assert tables.counts["steps"]["used"] == 6
    assert {p for _, _, p, _ in said(tables)} == {"comes after the order was closed"}
    back = {"order_id": "A1", "seq": "6.9", "kind": "reopened"} | {"seq": "7"}
    more = [row | {"seq": str(int(row["seq"]) + 7)} for row in steps()[1:3]]
    assert read([order()], [*steps(), back, *more]).counts["steps"]["used"] == 9


def test_two_different_steps_with_one_number_are_both_out() -> None:
    twice = {"order_id": "A1", "seq": "2", "kind": "finding", "test": "see_fuse",
             "outcome": "nothing_seen"}  # fmt: skip
    rows = steps()
    tables = read([order()], [*rows[:2], twice, *rows[2:]])
    assert [line[2] for line in said(tables)] == ["two steps with one number"] * 2
    assert tables.counts["steps"]["used"] == 5


def test_orders_of_other_machines_are_counted_not_refused() -> None:
    other = order("B1", machine="push_mower")
    tables = read([order(), other], [*steps(), *steps("B1")])
    assert tables.counts["orders"]["of_other_machines"] == 1
    assert tables.counts["steps"]["of_other_machines"] == 6
    assert said(tables) == []


def test_own_words_go_through_the_mapping() -> None:
    own = order(cause_part="batt. leer", cause_mode="", complaint_told="tut nichts")
    rows = changed(steps(), 2, test="Relais hoeren", outcome="nix")
    before = read([own, order("A2")], [*rows, *steps("A2")])
    assert before.unmapped["text"].tolist() == ["batt. leer", "tut nichts"]
    mapping = [
        {"what": "complaint", "machine": "", "text": "Tut  Nichts", "id": "silent"},
        {"what": "cause", "machine": "barn_cart", "text": "Batt. leer", "id": "battery.flat"},
        {"what": "test", "machine": "barn_cart", "text": "relais_hoeren", "id": "hear_relay"},
        {"what": "outcome", "machine": "", "text": "hear_relay: nix", "id": "silent"},
    ]
    after = read([own, order("A2")], [*rows, *steps("A2")], mapping)
    assert after.counts["orders"]["used"] == 2
    assert after.unmapped.empty
    assert after.orders.loc[0, ["cause_part", "cause_mode"]].tolist() == ["battery", "flat"]
    assert after.steps.loc[1, ["test", "outcome"]].tolist() == ["hear_relay", "silent"]
    assert {done for *_, done in said(after)} == {"put right"}


def test_unmapped_words_come_by_frequency_with_the_nearest_ids_and_are_a_mapping() -> None:
    orders = [order(f"A{k}", cause_part="flat batteri", cause_mode="") for k in range(3)]
    orders.append(order("B", cause_part="seized starter", cause_mode=""))
    unmapped = read(orders, steps("A0")).unmapped
    assert unmapped["times"].tolist() == [3, 1]
    assert unmapped["text"].tolist() == ["flat batteri", "seized starter"]
    near = [line.split(" | ") for line in unmapped["nearest"]]
    assert "battery.flat" in near[0]
    assert "starter_motor.seized" in near[1]
    filled = unmapped.assign(id=[names[0] for names in near]).to_dict("records")
    again = read(orders, steps("A0"), filled)
    assert again.unmapped.empty
    assert again.orders["cause_part"].notna().all()


def test_words_that_mean_nothing_are_set_aside_and_not_asked_for_again() -> None:
    mapping = [{"what": "cause", "machine": "", "text": "gremlins", "id": "-"}]
    tables = read([order(cause_part="gremlins", cause_mode="")], steps(), mapping)
    assert tables.unmapped.empty
    assert tables.orders["cause_part"].isna().all()
    assert said(tables)[0][2:] == ("words without a meaning, by the mapping", "set aside")


def test_a_version_can_be_mapped_to_this_one() -> None:
    mapping = [{"what": "version", "machine": "barn_cart", "text": "3", "id": "1"}]
    tables = read([order(machine_version="3")], steps(), mapping)
    assert tables.orders["machine_version"].tolist() == ["1"]


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ({"what": "complain", "text": "a", "id": "b"}, "row 2: met 'complain'; nearest is"),
        ({"what": "cause", "text": "", "id": "b"}, "row 2: no text"),
        ({"wat": "cause", "text": "a", "id": "b"}, "what: has no such column"),
    ],
)
def test_a_mapping_that_means_nothing_is_refused(line: dict[str, str], words: str) -> None:
    with pytest.raises(TableError, match=words):
        read([order()], steps(), [line])


def test_one_text_with_two_ids_is_refused() -> None:
    lines = [{"what": "cause", "text": "x", "id": id_} for id_ in ("battery.flat", "battery.low")]
    with pytest.raises(TableError, match=r"row 3: 'x' is .* keep one of the two"):
        read([order()], steps(), lines)


# Files


def write(folder: Path, name: str, frame: pd.DataFrame, **how: Any) -> str:
    file = folder / name
    frame.to_csv(file, index=False, **how)
    return str(file)


@pytest.mark.parametrize("sep", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252"])
def test_files_of_any_separator_and_encoding(tmp_path: Path, sep: str, encoding: str) -> None:
    orders = write(
        tmp_path, "o.csv", pd.DataFrame([order(note="für; die, Grube")]), sep=sep, encoding=encoding
    )
    done = write(tmp_path, "s.csv", pd.DataFrame(steps()), sep=sep, encoding=encoding)
    tables = read_tables(orders, done, CART)
    assert said(tables) == []
    assert tables.orders["note"].tolist() == ["für; die, Grube"]
    assert len(tables.steps) == 6


def test_parquet_gives_what_csv_gives(tmp_path: Path) -> None:
    orders, done = pd.DataFrame([order()]), pd.DataFrame(steps())
    typed = done.assign(
        seq=done["seq"].astype(int),
        reading=pd.to_numeric(done["reading"]),
        minutes=pd.to_numeric(done["minutes"]),
    )
    dated = orders.assign(
        opened_at=pd.to_datetime(orders["opened_at"]), machine_version=[1], labour_minutes=[40.0]
    )
    dated.to_parquet(tmp_path / "o.parquet")
    typed.to_parquet(tmp_path / "s.parquet")
    tables = read_tables(tmp_path / "o.parquet", tmp_path / "s.parquet", CART)
    plain = read([order()], steps())
    pd.testing.assert_frame_equal(tables.orders, plain.orders)
    pd.testing.assert_frame_equal(tables.steps, plain.steps)
    assert said(tables) == []


def test_a_row_with_too_many_cells_is_told_by_its_number(tmp_path: Path) -> None:
    orders = write(tmp_path, "o.csv", pd.DataFrame([order("A0"), order(), order("A2")]))
    with open(orders) as file:  # noqa: PTH123
        lines = file.read().splitlines()
    lines[2] += ",more"
    (tmp_path / "o.csv").write_text("\n".join(lines), "utf-8")
    done = write(tmp_path, "s.csv", pd.DataFrame([*steps("A0"), *steps("A2")]))
    tables = read_tables(orders, done, CART)
    assert tables.counts["orders"] == {
        "read": 3, "used": 2, "refused": 1, "of_other_machines": 0
    }  # fmt: skip
    broken = tables.problems.iloc[0]
    assert (broken["row"], broken["done"]) == (3, "refused")
    assert "double quotes" in broken["what_to_do"]
    assert tables.refused_orders["row"].tolist() == [3]
    bad = [order("A0"), order("A2", ended="boom")]
    lines[3] = lines[3].replace("runs", "boom")
    (tmp_path / "o.csv").write_text("\n".join(lines), "utf-8")
    tables = read_tables(orders, done, CART)
    assert sorted(tables.refused_orders["row"]) == [3, 4]
    assert len(bad) == 2


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (None, "cannot be read: No such file"),
        ("", "is empty"),
        (
            "order,shop\n1,2\n",
            r"has no column 'order_id'; nearest is 'order'.*column,,order,order_id",
        ),
    ],
)
def test_a_file_that_is_no_such_table(tmp_path: Path, content: str | None, words: str) -> None:
    file = tmp_path / "o.csv"
    if content is not None:
        file.write_text(content, "utf-8")
    with pytest.raises(TableError, match=words):
        read_tables(file, pd.DataFrame(steps()), CART)


def test_columns_by_other_names_and_columns_nobody_knows() -> None:
    rows = pd.DataFrame([order(colour="red")]).rename(
        columns={"order_id": "Order-ID", "complaint_told": "Klage"}
    )
    mapping = pd.DataFrame([{"what": "column", "text": "Klage", "id": "complaint_told"}])
    tables = read_tables(rows, pd.DataFrame(steps()), MACHINE, mapping)
    assert tables.counts["orders"]["used"] == 1
    assert tables.not_known == {"orders": ("colour",), "steps": ()}


def test_a_column_that_is_there_twice_is_refused() -> None:
    rows = pd.DataFrame([order()]).assign(**{"Order Id": "A1"})
    with pytest.raises(TableError, match="order_id: stands there more than once"):
        read_tables(rows, pd.DataFrame(steps()), MACHINE)


def test_a_wrong_time_zone_is_refused() -> None:
    with pytest.raises(TableError, match="no time zone"):
        read_tables(pd.DataFrame([order()]), pd.DataFrame(steps()), CART, time_zone="Barn/Yard")


def test_what_was_wrong_is_written_beside_each_other(tmp_path: Path) -> None:
    tables = read([order(), order("A2", ended="boom"), order("A3", cause_part="imps")], steps())
    written = tables.write(tmp_path / "out")
    assert [file.name for file in written] == ["problems.csv", "refused_orders.csv", "unmapped.csv"]
    assert pd.read_csv(written[1])["reasons"].tolist() == ["ended: is none of them"]
    assert tables.tally()["times"].sum() == len(tables.problems)


# Laws


CELLS = st.one_of(
    st.none(),
    st.text(max_size=8),
    st.sampled_from(["A1", "A2", "barn_cart", "1", "silent", "runs", "yes", "2025-01-07", "12,5"]),
    st.floats(allow_nan=True, allow_infinity=True),
    st.integers(-5, 10**12),
)


@settings(max_examples=20, deadline=None)
@given(st.data())
def test_whatever_stands_in_the_cells_every_row_is_used_or_refused_with_a_reason(
    data: st.DataObject,
) -> None:
    orders, rows = [order(), order("A2")], [*steps(), *steps("A2")]
    for table in (orders, rows):
        for _ in range(data.draw(st.integers(0, 4))):
            row = data.draw(st.integers(0, len(table) - 1))
            column = data.draw(st.sampled_from(sorted(table[0])))
            table[row] = table[row] | {column: data.draw(CELLS)}
    tables = read(orders, rows)
    for name, frame, refused in (
        ("orders", tables.orders, tables.refused_orders),
        ("steps", tables.steps, tables.refused_steps),
    ):
        counts = tables.counts[name]
        assert counts["read"] == counts["used"] + counts["refused"] + counts["of_other_machines"]
        assert len(frame) == counts["used"]
        assert refused["reasons"].notna().all()
        numbers = frame.select_dtypes("number").to_numpy(dtype=float)
        assert not np.isinf(numbers).any()
    assert tables.steps["order_id"].isin(tables.orders["order_id"]).all()
    assert tables.orders["order_id"].is_unique
    assert not tables.steps.duplicated(["order_id", "seq"]).any()


@settings(max_examples=6, deadline=None)
@given(st.permutations(list(range(12))), st.permutations([0, 1]))
def test_the_order_of_rows_is_irrelevant(rows: list[int], firsts: list[int]) -> None:
    orders, done = [order(), order("A2", cause_part="imps")], [*steps(), *steps("A2")]
    done[2] |= {"reading": "10,4"}
    plain = read(orders, done)
    mixed = read([orders[k] for k in firsts], [done[k] for k in rows])
    pd.testing.assert_frame_equal(mixed.orders, plain.orders)
    pd.testing.assert_frame_equal(mixed.steps, plain.steps)
    pd.testing.assert_frame_equal(mixed.tally(), plain.tally())
