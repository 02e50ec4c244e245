"""Hostile files by what their entries say: each is the good file with something changed."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from tests.machine.hostile_file import GOOD, MARK, Hostile, edited, of_bytes, of_text

if TYPE_CHECKING:
    from collections.abc import Iterator


def numbers() -> Iterator[Hostile]:
    """Numbers that no machine has."""
    kind = "number"
    for name, value, rule in (
        ("infinite", ".inf", "out_of_range"),
        ("minus infinite", "-.inf", "out_of_range"),
        ("no number", ".nan", "out_of_range"),
        ("beyond doubles", "1e400", "out_of_range"),
        ("near infinite", "1e308", "out_of_range"),
        ("near zero", "1e-320", "out_of_range"),
        ("zero", "0", "out_of_range"),
        ("below zero", "-0.8", "out_of_range"),
        ("three hundred digits", "9" * 299, "out_of_range"),
        ("a thousand digits", "9" * 1000, "out_of_range"),
        ("hexadecimal", f"0x{'f' * 250}", "out_of_range"),
        ("a date", "2026-01-02", "number_as_text"),
        ("with its unit", "0.8 m", "number_as_text"),
        ("truth", "true", "wrong_type"),
        ("nothing", "null", "wrong_type"),
        ("a list", "[1]", "wrong_type"),
    ):
        yield edited(kind, name, rule, ("metres: 0.8", f"metres: {MARK}{value}"))
    yield edited(
        kind, "minutes below zero", "negative_minutes", ("minutes: 30,", "minutes: @@-30,")
    )
    yield edited(kind, "volts of lightning", "out_of_range", ("volts: 12\n", "volts: @@1e300\n"))
    yield edited(
        kind, "a gauge of thousands", "out_of_range", ("awg: 18\n", "awg: @@999999999999\n")
    )
    yield edited(kind, "labour", "out_of_range", ("per_hour: 78", "per_hour: @@1e-300"))
    yield edited(kind, "a prior of dust", "out_of_range", ("jobs: 180", "jobs: @@1e-320"))
    yield edited(
        kind,
        "a factor of dust",
        "out_of_range",
        ("shorted], factor: 8", "shorted], factor: @@1e-300"),
    )


def texts() -> Iterator[Hostile]:
    """Texts that do not show as they are, and names that are none."""
    kind, old = "text", "title: Work lamp"
    for name, value in (
        ("bell", '"Work \\alamp"'),
        ("escape", '"\\e[2JWork lamp"'),
        ("zero", '"Work\\0lamp"'),
        ("backspace", '"Work lamp\\b\\b\\b"'),
        ("delete", '"Work \\x7flamp"'),
        ("C1", '"Work \\x9b2Jlamp"'),
        ("right to left", '"Work \\u202elamp"'),
        ("isolate", '"Work \\u2066lamp"'),
        ("mark", '"Work \\u200flamp"'),
        ("zero width", '"Work\\u200blamp"'),
        ("half a letter", '"Work \\ud800lamp"'),
        ("line separator", '"Work\\u2028lamp"'),
        ("tag letters", '"Work \\U000e0041lamp"'),
        ("private", '"Work \\ue000lamp"'),
        ("direct", "Work \u202elamp"),
    ):
        yield edited(kind, name, "hidden_character", (old, f"title: {MARK}{value}"))
    yield edited(
        kind,
        "hidden in a name",
        "hidden_character",
        ("  spark: {text", '  @@"spa\\u202erk": {text'),
    )
    yield edited(kind, "long", "text_too_long", (old, f"title: {MARK}{'x' * 5000}"))
    yield edited(kind, "empty", "wrong_type", (old, f'title: {MARK}""'))
    yield edited(
        kind, "a long name", "text_too_long", ("  lamp_in: the", f"  {MARK}{'n' * 300}: the")
    )
    yield edited(kind, "capitals", "id_pattern", ("  lamp_in: the", f"  {MARK}Lamp_In: the"))
    yield edited(
        kind, "a long reference", "unknown_net", ("to: lamp_in", f"to: {MARK}{'n' * 3000}")
    )


def commas() -> Iterator[Hostile]:
    """Commas inside braces."""
    kind, rule = "comma", "comma_in_text"
    near = "No sparks near the battery."
    yield edited(kind, "in a caution", rule, (near, "No sparks, @@near the battery."))
    yield edited(kind, "twice", rule, (near, "No sparks, @@no flames, near the battery."))
    yield edited(kind, "in a title", rule, ("{title: Seat,", "{title: Seat, @@left,"))
    yield edited(
        kind, "in a title of a test", rule, ("{title: Key off}", "{title: Key off, @@out}")
    )


def priors() -> Iterator[Hostile]:
    """Priors that add up to nothing or too much."""
    kind = "prior"
    yield edited(kind, "above certainty", "prior_too_high", ("jobs: 180", "jobs: @@1001"))
    yield edited(
        kind,
        "sum",
        "prior_sum",
        ("modes:\n      low", "@@modes:\n      low"),
        ("jobs: 180", "jobs: 900"),
    )
    raised = "shorted], factor: 8"
    rare = ("    per_1000_jobs: 120\n", "    per_1000_jobs: 0.5\n")
    yield edited(kind, "raised", "prior_certain", rare, (raised, "shorted], factor: @@9999"))
    sure = ("    per_1000_jobs: 120\n", "    per_1000_jobs: 1000\n")
    yield edited(kind, "lowered", "prior_certain", sure, (raised, "shorted], factor: @@0.0001"))
    nothing = _without_priors(GOOD)
    line = nothing[: nothing.index("\nparts:\n")].count("\n") + 2
    yield of_text(kind, "nothing", nothing, "prior_nothing", line, 1)
    many = "".join(f"  c{i}: {{title: Silent, says: {{cranks: [none]}}}}\n" for i in range(5))
    yield edited(
        kind,
        "unlisted",
        "prior_sum",
        ("unlisted_per_1000_jobs: 4", "unlisted_per_1000_jobs: @@1000"),
        ("\ncomplaints:\n", f"\ncomplaints:\n{many}"),
    )


def _without_priors(text: str) -> str:
    head, parts, rest = text.partition("\nparts:\n")
    modes, causes, more = rest.partition("\nshared_causes:\n")
    return (
        head + parts + re.sub(r"per_1000_jobs: [\d.]+", "per_1000_jobs: 0", modes) + causes + more
    )


CAUSES, PARTS, TESTS = "\nshared_causes:\n", "\nparts:\n", "\ntests:\n"
NEST = (
    "title: Nest, per_1000_jobs: 1, raises: [{parts: [lamp], modes: [open], factor: 1.1}], "
    "source: e"
)


def circles() -> Iterator[Hostile]:
    """What needs, raises or contains itself."""
    kind = "circle"
    hot = (
        "  hot: {title: Hot, part: @@lamp, modes: [open], source: e, raises: "
        "[{parts: [lamp_wire], modes: [open], factor: 2}]}\n"
        "  dim: {title: Dim, part: lamp_wire, modes: [open], source: e, raises: "
        "[{parts: [lamp], modes: [open], factor: 2}]}\n"
    )
    yield edited(kind, "causes", "cause_cycle", (CAUSES, f"{CAUSES}{hot}"))
    own = (
        "  hot: {title: Hot, part: @@lamp, modes: [open], source: e, raises: "
        "[{parts: [lamp], modes: [open], factor: 2}]}\n"
    )
    yield edited(kind, "a cause of itself", "cause_cycle", (CAUSES, f"{CAUSES}{own}"))
    yield edited(kind, "areas", "area_cycle", ("inside: null", "inside: @@tray"))
    yield edited(
        kind, "functions", "needs_cycle", ("needs: {cranks: [normal], ", "needs: @@{runs: [yes], ")
    )
    yield edited(
        kind,
        "tests",
        "needs_cycle",
        ("title: Battery at rest", "title: Battery\n    needs: @@[trigger_ohms]"),
    )
    yield edited(
        kind,
        "units",
        "unit_name",
        ("title: Key switch\n", "title: Key switch\n    unit: @@start_button\n"),
        ("title: Start button\n", "title: Start button\n    unit: key_switch\n"),
    )
    around = "".join(
        f"  f{i}: {{kind: all_of, title: F, needs: {{f{(i + 1) % 300}: [yes]}}}}\n"
        for i in range(300)
    ).replace("needs: ", f"needs: {MARK}", 1)
    yield edited(
        kind,
        "three hundred functions",
        "needs_cycle",
        ("\nfunctions:\n", f"\nfunctions:\n{around}"),
    )


def sizes() -> Iterator[Hostile]:
    """More than any machine has."""
    kind, rule = "size", "too_large"
    yield edited(kind, "20 causes", rule, (CAUSES, _section(CAUSES, f"{{{NEST}}}", 18)))
    wire = "{kind: wire}"
    yield edited(kind, "5 000 parts", rule, (PARTS, _section(PARTS, wire, 5_000)))
    yield edited(kind, "6 000 tests", rule, (TESTS, _section(TESTS, "{kind: look}", 6_000)))
    yield Hostile(
        kind, "100 000 tests", of_bytes((GOOD + "  t: {}\n" * 140_000).encode()), "file_unreadable"
    )
    yield edited(kind, "9 000 nets", rule, ("\nnets:\n", _section("\nnets:\n", "a net", 9_000)))
    condition = "{title: C, closes: [key_switch]}"
    yield edited(
        kind,
        "500 conditions",
        rule,
        ("\nconditions:\n", _section("\nconditions:\n", condition, 500)),
    )
    said = "{title: Silent, says: {cranks: [none]}}"
    yield edited(
        kind, "500 complaints", rule, ("\ncomplaints:\n", _section("\ncomplaints:\n", said, 500))
    )
    closes = ", ".join(["key_switch"] * 5_000)
    yield edited(
        kind,
        "a switch 5 000 times",
        rule,
        ("on, closes: [key_switch]}", f"on, @@closes: [{closes}]}}"),
    )
    yield edited(
        kind,
        "dear by its causes",
        rule,
        (
            CAUSES,
            f"{CAUSES}  {MARK}any: {{{NEST}}}\n"
            + _section("", f"{{{NEST}}}", 11).replace(MARK, ""),
        ),
        ("\ncomplaints:\n", _section("\ncomplaints:\n", said, 90).replace(MARK, "")),
    )


def _section(head: str, entry: str, count: int) -> str:
    """A section's first line, marked, and many entries."""
    marked = head.replace("\n", f"\n{MARK}", 1)
    return marked + "".join(f"  many_{i}: {entry}\n" for i in range(count))


def shapes() -> Iterator[Hostile]:
    """Entries of another shape."""
    kind = "shape"
    for name, text in (
        ("numbers for sections", "machine: 1\nparts: 2\nnets: 3\ntests: 4\n"),
        ("lists for sections", "machine: []\nparts: [1]\nnets: [a]\ntests: [[]]\n"),
        ("nothing in sections", "machine:\nparts:\nnets:\ntests:\n"),
        ("texts for entries", "machine: {}\nparts: {a: b}\nnets: {a: 1}\ntests: {a: b}\n"),
    ):
        yield of_text(kind, name, text, "wrong_type", 2 if name[0] == "t" else 1)


def misspellings() -> Iterator[Hostile]:
    """Names misspelt by the hundred."""
    kind = "misspelt"
    joints = "".join(
        f"  joint_{i}: {{kind: connector, title: J, from: juntcion_{i}, to: junctoin_{i + 1}, "
        f"source: e, modes: {{open: {{per_1000_jobs: 0.01}}}}}}\n"
        for i in range(600)
    )
    nets = "".join(f"  junction_{i}: a junction\n" for i in range(600))
    yield edited(
        kind,
        "100 kB of misspelt nets",
        "unknown_net",
        ("\nnets:\n", f"\nnets:\n{nets}"),
        (PARTS, f"{PARTS}{joints}".replace("from: juntcion_0,", f"from: {MARK}juntcion_0,")),
    )
    keys = "".join(f"  k{i}: {{kind: wire, lenght: 1, titel: W}}\n" for i in range(1_000))
    yield edited(
        kind,
        "misspelt keys",
        "unknown_key",
        (PARTS, f"{PARTS}{keys}".replace("lenght", "@@lenght", 1)),
    )
    kinds = "".join(f"  k{i}: {{kind: conector_{i}}}\n" for i in range(1_000))
    yield edited(
        kind,
        "misspelt kinds",
        "wrong_choice",
        (PARTS, f"{PARTS}{kinds}".replace("conector_0}", "@@conector_0}")),
    )
    relays = "".join(
        f"  relay_{i}: {{kind: relay, title: R, coil_in: out_{i}, coil_out: frame, contact_in: "
        f"key_out, contact_out: out_{i + 1}, source: e, "
        "modes: {stuck_open: {per_1000_jobs: 1}}}\n"
        for i in range(300)
    )
    yield edited(
        kind,
        "a chain of relays",
        "unknown_net",
        (PARTS, f"{PARTS}{relays}".replace("coil_in: out_0", "coil_in: @@out_0")),
    )
