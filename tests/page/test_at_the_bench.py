"""What a technician does beside the answers: out of turn, back, by keyboard, in the picture."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tests.page.conftest import tablet

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

    from tests.page.conftest import Tablet

PUMP, MOWER = "standby_pump", "push_mower"
TRIED = {"kind": "finding", "test": "try_it", "outcome": "one_click"}


def begun(bench: Tablet, machine: str = MOWER, complaint: str = "turns_no_start") -> str:
    job = bench.service.open(machine, complaint)
    bench.go(f"job/{job}")
    bench.page.locator("#do").wait_for()
    return job


def kept(bench: Tablet, job: str, *kinds: str) -> dict[str, Any]:
    """The last step, once it is of one of these kinds."""
    for _ in range(1_000):
        steps = bench.service.steps(job)
        if steps and steps[-1]["kind"] in kinds:
            return steps[-1]
        bench.page.wait_for_timeout(20)
    raise AssertionError(steps)


def test_the_page_is_opened_where_the_browser_trusts_it_least(bench: Tablet) -> None:
    """Plain http on a LAN is no secure context (W3C Secure Contexts): no `randomUUID` there."""
    job = begun(bench)
    assert bench.page.evaluate("isSecureContext") is False
    assert bench.page.evaluate("typeof crypto.randomUUID") == "undefined"
    bench.page.locator("button.answer").first.click()
    kept(bench, job, "finding", "area_opened")


def test_a_reading_is_typed_with_its_unit(bench: Tablet) -> None:
    job = bench.service.open(PUMP, "one_click")
    bench.go(f"job/{job}/test/battery_rest")
    page = bench.page
    for key in ("1", "2", "Decimal point", "6"):
        page.locator(".keys").get_by_role("button", name=key, exact=True).click()
    page.reload()  # what was typed is still there
    page.locator(".digits").get_by_text("12.6").wait_for()
    page.get_by_role("button", name="Unit: V. Change.").click()
    page.get_by_text("Between 0 and").wait_for(state="hidden")
    page.get_by_role("button", name="Unit: mV. Change.").click()
    page.get_by_role("button", name="Take 12.6 V").click()
    kept(bench, job, "finding", "area_opened")
    found = next(step for step in bench.service.steps(job) if step["kind"] == "finding")
    assert (found["test"], found["reading"], found["unit"]) == ("battery_rest", 12.6, "V")


def test_a_reading_no_meter_shows_there_is_not_taken(bench: Tablet) -> None:
    job = bench.service.open(PUMP, "one_click")
    bench.go(f"job/{job}/test/battery_rest")
    for _ in range(4):
        bench.page.locator(".keys").get_by_role("button", name="9", exact=True).click()
    assert "Between" in bench.page.locator(".pad .warn").inner_text()
    assert bench.page.locator(".take").is_disabled()


def test_a_test_out_of_turn_marks_its_probes_in_the_drawing(bench: Tablet) -> None:
    job = bench.service.open(PUMP, "one_click")
    bench.go(f"job/{job}/test/battery_rest")
    bench.page.locator(".sheet .probe[data-probe=red]").wait_for()
    nets = bench.service.ask("GET", f"/v1/jobs/{job}/tests/battery_rest")["probes"]
    for probe, kind in zip(nets, ("red", "black"), strict=True):
        mark = bench.page.locator(f".sheet g.net[data-net={probe['net']}] .probe")
        assert mark.first.get_attribute("data-probe") == kind


def test_the_drawing_opens_at_the_probe(browser: Browser, bench: Tablet) -> None:
    """At 360 px the red probe stands within the window that the drawing has on the page."""
    job = bench.service.open(PUMP, "one_click")
    with tablet(browser, bench.service, 360) as phone:
        phone.go(f"job/{job}/test/battery_rest")
        disc = phone.page.locator(".sheet .probe circle").first
        disc.wait_for()
        box, window = disc.bounding_box(), phone.page.locator(".sheet").bounding_box()
        assert box is not None
        assert window is not None
        assert window["x"] <= box["x"] <= window["x"] + window["width"]
        assert window["y"] <= box["y"] <= window["y"] + window["height"]
        assert box["width"] >= 16.0  # large enough to be seen at arm's length


def view_box(page: Page) -> list[float]:
    text = page.locator(".sheet svg").get_attribute("viewBox") or ""
    return [float(number) for number in text.split()]


def test_the_drawing_is_moved_and_zoomed(bench: Tablet) -> None:
    begun(bench, PUMP, "one_click")
    page = bench.page
    page.locator(".sheet svg").wait_for()
    before = view_box(page)
    page.get_by_role("button", name="Larger").click()
    larger = view_box(page)
    assert larger[2] < before[2]
    window = page.locator(".sheet").bounding_box()
    assert window is not None
    x, y = window["x"] + window["width"] / 2.0, window["y"] + window["height"] / 2.0
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x - 60.0, y - 40.0, steps=3)
    page.mouse.up()
    moved = view_box(page)
    assert moved[0] > larger[0] or moved[1] > larger[1]
    assert moved[2] == larger[2]


def test_a_part_that_is_tapped_tells_modes_tests_and_repairs(bench: Tablet) -> None:
    job = begun(bench, PUMP, "one_click")
    bench.page.locator(".sheet g.part[data-part=starter_motor]").first.click()
    panel = bench.page.locator(".part-panel")
    panel.wait_for()
    told = bench.service.ask("GET", f"/v1/jobs/{job}/parts/starter_motor")
    text = panel.inner_text()
    for kind in ("modes", "tests", "repairs"):
        assert told[kind]
        assert all(one["title"] in text for one in told[kind]), kind
    bench.page.reload()
    panel.wait_for()


def test_suspects_carry_a_pattern_and_a_number_besides_colour(bench: Tablet) -> None:
    """WCAG 2.2, 1.4.1: colour alone tells nothing."""
    begun(bench, PUMP, "one_click")
    part = bench.page.locator(".sheet g.part[data-part=starter_motor]").first
    part.locator(".hatch").wait_for(state="attached")
    assert "%" in (part.locator("text").last.text_content() or "")


def test_what_is_proven_good_is_marked(bench: Tablet) -> None:
    job = bench.service.open(PUMP, "one_click")
    full = {"kind": "finding", "test": "battery_load", "outcome": "good"}
    outcomes = bench.service.ask("GET", f"/v1/jobs/{job}/tests/battery_load")["results"]
    full["outcome"] = outcomes[0]["outcome"]
    bench.service.record(job, full)
    bench.go(f"job/{job}")
    bench.page.locator(".sheet g.part.proven[data-part=battery] .proven-tick").wait_for()


def test_what_moved_is_told_and_is_still_told_after_loading_anew(bench: Tablet) -> None:
    job = begun(bench, PUMP, "one_click")
    bench.page.locator("button.answer", has_text="One clunk when called").click()
    bench.calm()
    bench.go(f"job/{job}/suspects")
    bench.page.locator(".movement").wait_for()
    before = bench.page.locator(".movement").inner_text()
    assert "→" in before
    bench.page.reload()
    bench.page.locator(".movement").wait_for()
    assert bench.page.locator(".movement").inner_text() == before


def test_cannot_do_it_sets_it_aside_with_the_reason(bench: Tablet) -> None:
    job = begun(bench)
    first = bench.card()
    bench.tap("Cannot do it")
    bench.tap("Tool is not here")
    assert kept(bench, job, "set_aside")["note"] == "tool not here"
    bench.page.locator("#do").filter(has_not_text=first).wait_for()


def test_history_takes_back_and_withdraws(bench: Tablet) -> None:
    job = bench.service.open(MOWER, "turns_no_start")
    seen = {"kind": "finding", "test": "look_lead", "outcome": "nothing_seen"}
    smelt = {"kind": "finding", "test": "smell_fuel", "outcome": "in_order"}
    bench.service.record(job, seen)
    bench.service.record(job, smelt)
    bench.go(f"job/{job}/history")
    bench.page.locator(".steps button").first.click()
    bench.page.get_by_text("Withdrawn:").wait_for()
    assert kept(bench, job, "withdrawn")["test"] == "look_lead"
    bench.tap("Take back the last thing")
    bench.page.get_by_text("(taken back)").wait_for()
    kept(bench, job, "undone")
    kinds = [step["kind"] for step in bench.service.steps(job)]
    assert kinds == ["finding", "finding", "withdrawn", "undone"]


def test_an_area_opened_for_a_test_is_taken_back_with_it(bench: Tablet) -> None:
    job = bench.service.open(PUMP, "one_click")
    bench.go(f"job/{job}/test/battery_rest")
    bench.page.locator(".keys").get_by_role("button", name="9", exact=True).click()
    bench.page.locator(".take").click()
    kept(bench, job, "area_opened")
    bench.go(f"job/{job}/history")
    bench.tap("Take back the last thing")
    bench.page.get_by_text("(taken back)").nth(1).wait_for()
    bench.calm()
    assert [s["kind"] for s in bench.service.steps(job)][2:] == ["undone", "undone"]


def test_what_surrounds_a_job_is_changed_while_it_goes_on(bench: Tablet) -> None:
    job = bench.service.open(PUMP, "one_click")
    bench.go(f"job/{job}/around")
    bench.page.locator("#means").select_option("silent")
    assert kept(bench, job, "told")["complaint"] == "silent"
    bench.page.get_by_label("Battery box lid off").click()
    assert kept(bench, job, "area_opened")["area"] == "battery_box"
    bench.page.locator("label", has_text="Battery box lid off").locator(":checked").wait_for()
    bench.page.locator("fieldset").last.get_by_role("checkbox").first.uncheck()
    bench.tap("Keep these tools")
    assert kept(bench, job, "tools")["tools"]


def test_not_sure_means_that_it_is_tried(bench: Tablet) -> None:
    bench.go("new")
    page = bench.page
    page.get_by_label("Unattended standby pump, diesel, 12 V").check()
    page.get_by_label("Not sure. Try it now").check()
    page.get_by_label("One clunk when called").check()
    page.reload()  # what was chosen is still there
    page.get_by_text("What does it do?").wait_for()
    bench.tap("Start")
    page.wait_for_url("**/#/job/*")
    page.locator("#do").wait_for()
    step = kept(bench, page.url.rpartition("/")[2], "finding")
    assert (step["test"], step["outcome"]) == ("try_it", "one_click")
    assert step.get("sure", 1.0) == 1.0


def test_a_job_goes_on_by_keyboard_alone(bench: Tablet) -> None:
    """WCAG 2.2, 2.1.1 and 2.4.7: every answer is reached by Tab, and where one is can be seen."""
    job = begun(bench)
    page = bench.page
    first = bench.card()
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.classList.contains('answer')"):
            break
    outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    assert outline == "solid"
    page.keyboard.press("Enter")
    kept(bench, job, "finding", "area_opened")
    page.locator("#do").filter(has_not_text=first).wait_for()
    told = page.locator("main > .hidden[aria-live=polite]").inner_text()
    assert told.startswith("Next:")
    assert bench.card() in told


def test_a_job_is_handed_over_and_opened_again(bench: Tablet) -> None:
    job = bench.service.open(MOWER, "rope_broken")
    bench.go(f"job/{job}/around")
    bench.page.locator("#hand-note").fill("no time")
    bench.page.get_by_role("button", name="Hand over").click()
    bench.page.get_by_text("Close the job").wait_for()
    assert kept(bench, job, "handed_over")["note"] == "no time"
    bench.go(f"job/{job}")
    bench.tap("Open it again")
    bench.page.locator(".stamp").get_by_text("Do next").wait_for()
    kept(bench, job, "reopened")


def test_the_shop_tells_what_each_job_wants_and_what_to_order(bench: Tablet) -> None:
    job = bench.service.open(MOWER, "rope_broken", "shop-77")
    bench.go("")
    order = bench.page.locator(f".order a[href='#/job/{job}']")
    order.locator(".do").filter(has_text="Do next:").wait_for()
    text = order.inner_text()
    assert "shop-77" in text
    assert "min since opened" in text
    assert "min left" in text
    parts = bench.page.locator("section", has_text="Likely to be ordered today").last
    assert "Rope starter: Fit a new rope or spring" in parts.inner_text()
    cause = {"cause_part": "recoil", "cause_mode": "broken", "cause_seen": True}
    bench.service.record(job, {"kind": "closed", "ended": "runs", **cause})
    bench.page.reload()
    bench.page.locator("#search").fill("shop-77")
    bench.page.locator(f"a.row[href='#/job/{job}']").wait_for()
    assert bench.page.locator("section", has_text="Closed").last.locator("a.row").count() == 1


def test_why_tells_bits_and_what_each_answer_would_mean(bench: Tablet) -> None:
    job = bench.service.open(PUMP, "one_click")
    bench.service.record(job, TRIED)
    bench.go(f"job/{job}")
    bench.page.locator("details.why summary").click()
    bench.page.get_by_text("What each answer would mean").wait_for()
    text = bench.page.locator("details.why").inner_text()
    assert "bits" in text
    assert "a minute" in text
    assert "The meter would read" in text


def test_closed_jobs_are_searched_in_all_pages(bench: Tablet) -> None:
    """The one that is looked for lies behind more jobs than the page has read."""
    hidden = bench.service.open(MOWER, "rope_broken", "medlar-1")
    bench.service.record(hidden, {"kind": "closed", "ended": "given_up", "note": "owner sold it"})
    for number in range(52):
        other = bench.service.open(MOWER, "rope_broken", f"row-{number}")
        bench.service.record(other, {"kind": "closed", "ended": "given_up"})
    bench.go("")
    rows = bench.page.locator("section", has_text="Closed").last.locator("a.row")
    rows.first.wait_for()
    assert rows.filter(has_text="medlar-1").count() == 0
    bench.page.locator("#search").fill("sold medlar")
    bench.page.locator(f"a.row[href='#/job/{hidden}']").wait_for()
    assert rows.count() == 1
    bench.page.locator("#search").fill("no such thing")
    bench.page.get_by_text("None.", exact=True).wait_for()
    bench.page.locator("#search").fill("")
    bench.page.get_by_role("button", name="More", exact=True).click()
    rows.filter(has_text="medlar-1").wait_for()
