"""What the check says of priors is what the engine would say, before it is asked."""

from __future__ import annotations

import re

import pytest

from diagnose.errors import MachineFileError, NetworkError
from diagnose.faults import priors as engine
from diagnose.faults import words
from diagnose.faults.behaviour import make_behaviour
from diagnose.faults.priors import make_priors
from diagnose.machine import check_priors, check_size, checks
from diagnose.machine.build import build_machine
from diagnose.machine.load import read_machine

CAUSES = "\nshared_causes:\n"


def test_the_copies_of_constants_are_equal() -> None:
    assert check_priors.SHARE_OF_MACHINES == words.SHARE_OF_MACHINES
    assert check_size.MOST_CAUSES == engine.MOST_CAUSES


def test_priors_that_add_up_to_nothing(larkfield_text: str) -> None:
    head, _, rest = larkfield_text.partition("\nparts:\n")
    parts, _, more = rest.partition(CAUSES)
    parts = re.sub(r"per_1000_jobs: [\d.]+", "per_1000_jobs: 0", parts)
    with pytest.raises(MachineFileError) as caught:
        read_machine(f"{head}\nparts:\n{parts}{CAUSES}{more}")
    (problem,) = caught.value.problems
    assert (problem.rule, problem.line) == ("prior_nothing", head.count("\n") + 2)


@pytest.mark.parametrize("share", [0.5, 10.0, 120.0, 990.0, 1000.0])
@pytest.mark.parametrize("factor", [0.001, 0.5, 1.0, 8.0, 60.0, 700.0, 9_000.0])
@pytest.mark.parametrize("mixed", [False, True])
def test_above_certainty_where_the_engine_says_so(
    larkfield_text: str, monkeypatch: pytest.MonkeyPatch, share: float, factor: float, mixed: bool
) -> None:
    """The oracle is `make_priors` on the same machine, built without the check."""
    other = "modes: [shorted], factor: 0.2" if mixed else "modes: [shorted], factor: 3"
    text = larkfield_text.replace("    per_1000_jobs: 120\n", f"    per_1000_jobs: {share}\n")
    more = f"      - {{parts: [lamp_wire], {other}}}\n"
    text = text.replace(
        "modes: [open, shorted], factor: 8}\n",
        f"modes: [open, shorted], factor: {factor}}}\n{more}",
    )
    _, problems = checks.check_text(text)
    with monkeypatch.context() as patched:
        patched.setattr(checks, "check_priors", lambda _: ())
        file, _ = checks.check_text(text)
    assert file is not None
    try:
        make_priors(make_behaviour(build_machine(file, "")))
        fine = True
    except NetworkError:
        fine = False
    assert {p.rule for p in problems} == (set() if fine else {"prior_certain"})


def test_both_answers_come_up_above(larkfield_text: str) -> None:
    """Guards the test above: one of its machines is refused, another is not."""
    low = larkfield_text.replace("    per_1000_jobs: 120\n", "    per_1000_jobs: 0.5\n")
    assert read_machine(low).id == "barn_cart"
    high = low.replace("shorted], factor: 8", "shorted], factor: 9000")
    with pytest.raises(MachineFileError, match="prior_certain"):
        read_machine(high)
