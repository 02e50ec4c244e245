"""Jobs that follow the advice to the end while the machine answers as it most often would.

What is wrong is given; a test shows the likeliest outcome under it, new parts are good, and trying
the machine after a repair shows what it most likely does then.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from diagnose.faults.tried import check_results
from diagnose.job import Job
from diagnose.trial.shop import Shop, Truth

if TYPE_CHECKING:
    from diagnose.machine.model import Machine

MOST_STEPS = 60
"""No job comes near it."""

OVER = ("done", "escalate")


@dataclass(frozen=True)
class Answered:
    """A job at its end.

    Attributes:
        job: as it stands.
        steps: (verdict, target) one after the other, the last one included.
        shown: what trying the machine showed after each repair.
    """

    job: Job
    steps: tuple[tuple[str, str], ...]
    shown: tuple[str, ...]

    @property
    def end(self) -> str:
        return self.steps[-1][0]

    @property
    def repairs(self) -> list[str]:
        return [target for verdict, target in self.steps if verdict == "repair"]


def answered(machine: str | Machine, complaint: str, *faults: tuple[str, str]) -> Answered:
    """The job of a machine with these faults."""
    job = Job.open(machine, complaint)
    ready, shop = job.prepared, Shop(job.prepared, complaint)
    truth = Truth(tuple(sorted(ready.faults.index(fault) for fault in faults)), 0)
    steps, shown = list[tuple[str, str]](), list[str]()
    for _ in range(MOST_STEPS):
        said = job.advise().verdict
        steps.append((said.action, said.target))
        if said.action in OVER:
            break
        if said.action == "recheck":
            job = job.confirm(said.target)
        elif said.action == "test":
            number = ready.costs.tests.names.index(said.target)
            test = job.machine.tests[said.target]
            job = job.record(test.id, test.outcomes[shop.answer(truth, number, 0.5)].id)
            job = job if test.area is None else job.open_area(test.area)
        else:
            truth = shop.mend(truth, ready.costs.repairs.names.index(said.target), 1.0)
            result = int(shop.checks(truth).argmax())
            shown.append(check_results(job.machine, complaint)[result])
            job = job.repair(*said.target.split("."), shown[-1])
    return Answered(job, tuple(steps), tuple(shown))
