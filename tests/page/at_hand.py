"""A technician at the page: does what the card says, and taps what the machine at hand gives."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from tests.walks.machine_at_hand import MachineAtHand

if TYPE_CHECKING:
    from tests.page.conftest import Tablet
    from tests.walks.walk import Walk

PRESSED = {".": "Decimal point", "-": "Plus or minus"}


@dataclass(slots=True)
class Technician:
    """One job at one tablet.

    Attributes:
        reload: whether the page is loaded anew before each answer.
    """

    tablet: Tablet
    walk: Walk
    job: str
    reload: bool = False
    done: list[str] = field(default_factory=list)

    def work(self, most: int = 40) -> str:
        """To the end of the job; its last verdict."""
        machine = MachineAtHand.of(self.walk)
        for _ in range(most):
            version, advice = self._version(), self.advice()
            action, target = advice["verdict"]["action"], advice["verdict"]["target"]
            self._stands(advice)
            if action in ("done", "escalate"):
                return str(action)
            if action == "repair":
                part, repair = target.split(".")
                machine, shown = machine.repair(part, repair)
                self._repair(shown)
            else:
                answer = machine.answer(target)
                self._test(machine, target, answer)
                if machine.machine.tests[target].kind == "try":
                    machine = machine.tried(answer)
            self.done.append(f"{action} {target}")
            while self._version() == version:
                self.tablet.page.wait_for_timeout(20)
        raise AssertionError(self.done)

    def _version(self) -> int:
        return len(self.tablet.service.steps(self.job))

    def advice(self) -> Any:
        """What the service advises."""
        return self.tablet.service.ask("GET", f"/v1/jobs/{self.job}/advice?tests=1&suspects=1")

    def _stands(self, advice: Any) -> None:
        """The card shows what is advised; after loading it anew as well."""
        if self.reload:
            self.tablet.page.reload()
        shown = self.tablet.page.locator("#do")
        title = self._title(advice)
        shown.filter(has_text=title).wait_for()

    def _title(self, advice: Any) -> str:
        machine = MachineAtHand.of(self.walk).machine
        action, target = advice["verdict"]["action"], advice["verdict"]["target"]
        if action in ("test", "recheck"):
            return machine.tests[target].title[1:]
        if action == "repair":
            part, name = target.split(".")
            repair = next(r for r in machine.parts[part].repairs if r.id == name)
            return f"{machine.parts[part].title}: {repair.title}"
        return "Hand this machine over" if action == "escalate" else "Try every interlock"

    def _test(self, machine: MachineAtHand, test: str, answer: str) -> None:
        known = machine.machine.tests[test]
        outcome = next(one for one in known.outcomes if one.id == answer)
        if known.unit is not None and answer not in ("open", "unsteady", "not_possible"):
            self._type(reading_for(known, answer))
            return
        title = self.tablet.service.ask("GET", f"/v1/jobs/{self.job}/tests/{test}")
        words = next(r["words"] for r in title["results"] if r["outcome"] == outcome.id)
        name = words[:1].upper() + words[1:]
        button = self.tablet.page.locator(".answers").get_by_role("button", name=name, exact=True)
        if button.count() == 0:
            self.tablet.page.locator(".answers").get_by_text("more results").click()
        button.click()

    def _type(self, reading: str) -> None:
        for digit in reading:
            pad = self.tablet.page.locator(".keys")
            pad.get_by_role("button", name=PRESSED.get(digit, digit), exact=True).click()
        self.tablet.page.locator(".take").click()

    def _repair(self, shown: str) -> None:
        self.tablet.tap("Done. Now try it")
        self.tablet.page.get_by_text("Try it, and every interlock").wait_for()
        if self.reload:
            self.tablet.page.reload()
        machine = MachineAtHand.of(self.walk).machine
        before = self.tablet.service.ask("GET", f"/v1/jobs/{self.job}")
        words = {"runs": "Starts and runs", "other": "Something else", "same": "The same"}
        words |= {known.id: known.title for known in machine.complaints.values()}
        words[before["complaint_seen"] or before["complaint_told"]] = "The same"
        self.tablet.tap(words[shown])
        while self.tablet.service.steps(self.job)[-1]["kind"] != "tried":
            self.tablet.page.wait_for_timeout(20)


def reading_for(test: Any, answer: str) -> str:
    """A number within the range that an outcome stands for, in few digits."""
    place = [one.id for one in test.outcomes].index(answer)
    low = test.outcomes[place].at_least
    above = [one.at_least for one in test.outcomes[:place] if one.at_least is not None]
    low, high = (test.low if low is None else low), (min(above) if above else test.high)
    middle = (low + high) / 2.0 if above else low + (high - low) * 0.02
    text = f"{max(middle, low):.4g}"
    return text if "e" not in text else f"{middle:f}"
