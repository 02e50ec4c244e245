"""The engine's answers against the referee's, on states of played jobs.

`python -m tests.referees.compare standby_pump 300 --seed 1` prints the figures of one machine.
A state in which the two differ by more than the referee's noise explains is weighed again, with
more draws and other ones; only what still differs then is counted. `--shrink` takes steps away
from the worst stories as long as the difference stays.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from diagnose.errors import ClashError
from diagnose.machine.load import load_machine
from tests.referees.bench import Bench
from tests.referees.pool import Pool
from tests.referees.story import Repaired, Story
from tests.referees.walks import Walk, job_of
from tests.referees.weighing import ENOUGH, Effort, Figures, weigh

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from diagnose.advice.advice import Advice
    from tests.referees.story import Written
    from tests.referees.walks import State

POOL = 3000
MOST_REPAIRS = 4
SHARE_COMPARED = 0.4
"""Of the states that a job goes through."""
ALLOWED, ALLOWED_AT_WORST = 0.01, 0.03
"""Bars for the 99th percentile, the referee's noise besides, and for the worst."""
STANDARD_ERRORS = 3.0
AGAIN = Effort(rounds=3, draws=1200, afar=2, batch=4000, error=0.0008, batches=5)


@dataclass(frozen=True)
class Compared:
    """One state.

    Attributes:
        state: the state.
        error: largest difference of any figure.
        suspects_error: the same of the suspects alone.
        figure: its name, and what engine and referee say.
        noise: largest standard error of the referee.
        excess: largest difference less three standard errors.
        bound: what the engine says it may be off by.
        log_off: engine's log evidence less the referee's.
        summed: how much of the probability the referee had met.
    """

    state: State
    error: float
    suspects_error: float
    figure: tuple[tuple[str, str], float, float]
    noise: float
    excess: float
    bound: float
    log_off: float
    summed: float

    @property
    def broken(self) -> bool:
        """The engine is further off than it says."""
        return self.excess > self.bound


def compare(pool: Pool, state: State, effort: Effort, again: Effort, seed: int) -> Compared:
    """One state, weighed again where it looks wrong."""
    first = _against(state, weigh(pool, state.story, effort, seed, [state.course]))
    if first.excess > min(first.bound, ALLOWED) or not np.isfinite(first.error):
        return _against(state, weigh(pool, state.story, again, seed + 1, [state.course]))
    return first


def said(advice: Advice) -> dict[tuple[str, str], float]:
    """All chances in an answer."""
    found = {(one.part, one.mode): one.probability for one in advice.suspects}
    for test in advice.tests:
        found |= {(test.test, one.outcome): one.probability for one in test.outcomes}
    return found


def _against(state: State, figures: Figures) -> Compared:
    if state.advice is None:
        none = (("clash", ""), np.nan, figures.log_evidence)
        return Compared(state, np.inf, np.inf, none, 0.0, np.inf, 0.0, np.nan, figures.summed)
    engine = said(state.advice)
    rows = [i for i, name in enumerate(figures.names) if name in engine]
    off = np.array([abs(engine[figures.names[i]] - figures.chance[i]) for i in rows])
    error = figures.error[rows]
    at = int(off.argmax())
    name = figures.names[rows[at]]
    return Compared(
        state=state,
        error=float(off[at]),
        suspects_error=float(off[: len(state.advice.suspects)].max()),
        figure=(name, engine[name], float(figures.chance[rows[at]])),
        noise=float(error.max()),
        excess=float((off - STANDARD_ERRORS * error).max()),
        bound=float(getattr(state.advice, "mass_left_out", 0.0)),
        log_off=float(state.advice.log_evidence - figures.log_evidence),
        summed=figures.summed,
    )


def states(pool: Pool, machine: str, n: int, seed: int) -> Iterator[State]:
    """So many states, with no repair up to four in like numbers."""
    rng = np.random.default_rng(seed)
    left = np.full(MOST_REPAIRS + 1, n // (MOST_REPAIRS + 1))
    left[np.linspace(0, MOST_REPAIRS, n % (MOST_REPAIRS + 1)).astype(int)] += 1
    while left.any():
        wanted = int(left.argmax())
        for state in Walk(pool, machine, wanted, rng).states():
            repairs = len(state.story.repairs)
            if left[repairs] and rng.random() < SHARE_COMPARED:
                left[repairs] -= 1
                yield state
                if not left[wanted]:
                    break


def run(
    machine: str,
    n: int,
    seed: int,
    effort: Effort = ENOUGH,
    again: Effort = AGAIN,
    pool: Pool | None = None,
    progress: Callable[[Compared], None] | None = None,
) -> list[Compared]:
    """So many states of a machine compared."""
    pool = pool or Pool(Bench(load_machine(machine)), POOL, seed)
    found = []
    for number, state in enumerate(states(pool, machine, n, seed)):
        found.append(compare(pool, state, effort, again, 1000 * seed + number))
        pool.bench.forget()
        if progress is not None:
            progress(found[-1])
    return found


def in_words(machine: str, found: list[Compared]) -> str:
    """A table: all states, then by number of repairs."""
    head = f"{machine}\n{'repairs':>8}{'states':>8}{'median':>9}{'90 %':>9}{'99 %':>9}{'worst':>9}"
    head += f"{'susp. 99':>9}{'worst':>9}"
    lines = [head + f"{'noise 99':>10}{'bound 50':>10}{'bound 99':>10}{'broken':>8}{'ln off':>8}"]
    by_repairs = {
        str(n): [one for one in found if len(one.state.story.repairs) == n]
        for n in range(MOST_REPAIRS + 1)
    }
    for name, some in {"all": found, **by_repairs}.items():
        if some:
            lines.append(f"{name:>8}{len(some):>8}{_line(some)}")
    return "\n".join(lines)


def _line(some: list[Compared]) -> str:
    error = np.array([one.error for one in some])
    bound = np.array([one.bound for one in some])
    noise = np.percentile([one.noise for one in some], 99)
    centiles = "".join(
        f"{np.percentile(error, p, method='higher'):>9.4f}" for p in (50, 90, 99, 100)
    )
    broken = sum(one.broken for one in some)
    off = np.nanmax(np.abs([one.log_off for one in some] or [np.nan]))
    bounds = f"{np.median(bound):>10.5f}{np.percentile(bound, 99):>10.5f}"
    suspects = np.array([one.suspects_error for one in some])
    centiles += "".join(f"{np.percentile(suspects, p, method='higher'):>9.4f}" for p in (99, 100))
    return f"{centiles}{noise:>10.5f}{bounds}{broken:>8}{off:>8.3f}"


def story_in_words(story: Story) -> str:
    """A story, one step a line."""
    lines = [f"  {story.complaint}, {story.celsius:g} C"]
    return "\n".join([*lines, *(f"  {_step_in_words(step)}" for step in story.steps)])


def _step_in_words(step: Written | Repaired) -> str:
    if isinstance(step, Repaired):
        return f"repair {step.part}.{step.repair}, then {step.shown or 'not tried'}"
    shown = step.outcome if step.number is None else f"{step.number:g}"
    return f"{step.test}: {shown}" + (f" (sure {step.sure:g})" if step.sure < 1 else "")


def case_in_words(one: Compared) -> str:
    """One state with what differs."""
    name, engine, referee = one.figure
    return (
        f"{'.'.join(name)}: engine {engine:.5f}, referee {referee:.5f} (noise {one.noise:.5f}, "
        f"bound {one.bound:.5f}, ln off {one.log_off:.4f}, summed {one.summed:.3f})\n"
        f"  wrong now: {one.state.wrong}\n{story_in_words(one.state.story)}"
    )


def shrink(
    pool: Pool, machine: str, worst: Compared, effort: Effort, share: float = 0.5
) -> Compared:
    """The same with as few steps as keep so much of the difference."""
    least = share * worst.error if np.isfinite(worst.error) else np.inf
    shrinks = True
    while shrinks:
        shrinks = False
        for story in _shorter(worst.state.story):
            try:
                advice = job_of(machine, story).advise()
            except ClashError:
                advice = None
            tried = _against(
                replace(worst.state, story=story, advice=advice), weigh(pool, story, effort, 5)
            )
            if tried.error >= least and tried.excess > 0:
                worst, shrinks = tried, True
                break
    return worst


def _shorter(story: Story) -> Iterator[Story]:
    if story.celsius != 20.0:
        yield replace(story, celsius=20.0)
    for k, step in enumerate(story.steps):
        rest = replace(story, steps=(*story.steps[:k], *story.steps[k + 1 :]))
        if _can_be(rest):
            yield rest
        if not isinstance(step, Repaired) and step.sure < 1:
            yield replace(
                story, steps=(*story.steps[:k], replace(step, sure=1.0), *story.steps[k + 1 :])
            )


def _can_be(story: Story) -> bool:
    """No test twice between two repairs."""
    seen: set[str] = set()
    for step in story.steps:
        if isinstance(step, Repaired):
            seen = set()
        elif step.test in seen:
            return False
        else:
            seen.add(step.test)
    return True


def _progress(one: Compared) -> None:
    name, engine, referee = one.figure
    sys.stderr.write(
        f"{len(one.state.story.repairs)} repairs, {len(one.state.story.steps)} steps: "
        f"{one.error:.5f} ({one.suspects_error:.5f}) {'.'.join(name)} "
        f"{engine:.4f} {referee:.4f}, excess {one.excess:.5f}, "
        f"bound {one.bound:.5f}, noise {one.noise:.5f}, ln off {one.log_off:.4f}\n"
    )


def main() -> None:
    """The command."""
    ask = argparse.ArgumentParser()
    ask.add_argument("machine")
    ask.add_argument("states", nargs="?", type=int, default=300)
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--show", type=int, default=3, help="so many of the worst states in words")
    ask.add_argument("--shrink", action="store_true", help="with as few steps as show it")
    given = ask.parse_args()
    start = time.perf_counter()
    pool = Pool(Bench(load_machine(given.machine)), POOL, given.seed)
    found = run(given.machine, given.states, given.seed, pool=pool, progress=_progress)
    out = [in_words(given.machine, found), f"{time.perf_counter() - start:.0f} s"]
    suspect = [one for one in found if one.broken or one.error > ALLOWED]
    for one in sorted(suspect, key=lambda one: -one.excess)[: given.show]:
        out.append(case_in_words(one))
        if given.shrink:
            out.append("shrunk: " + case_in_words(shrink(pool, given.machine, one, ENOUGH)))
    sys.stdout.write("\n".join(out) + "\n")


if __name__ == "__main__":
    main()
