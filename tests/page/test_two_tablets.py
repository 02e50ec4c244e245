"""Two tablets on one job, and a tablet whose connection is lost and comes back."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tests.page.conftest import tablet

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Route

    from tests.page.conftest import Service, Tablet

MOWER = "push_mower"


def begun(bench: Tablet, complaint: str = "turns_no_start") -> str:
    """A job on the mower, its first card on the screen; its id."""
    job = bench.service.open(MOWER, complaint)
    bench.go(f"job/{job}")
    bench.page.locator("#do").wait_for()
    return job


@dataclass(slots=True)
class Line:
    """A connection over which some requests get through only while it is whole."""

    whole: bool = False

    @classmethod
    def cut(cls, bench: Tablet, addresses: str) -> Line:
        """Requests to these addresses are lost from now on."""
        line = cls()
        bench.page.route(
            addresses, lambda route: route.continue_() if line.whole else route.abort()
        )
        return line


def kinds(service: Service, job: str) -> list[tuple[str, str]]:
    return [(step["kind"], step.get("test", "")) for step in service.steps(job)]


def test_a_step_of_another_tablet_shows_within_two_seconds(browser: Browser, bench: Tablet) -> None:
    job = begun(bench)
    first = bench.card()
    with tablet(browser, bench.service) as other:
        other.go(f"job/{job}")
        other.page.locator("#do").wait_for()
        other.page.locator("button.answer").first.click()
        end = time.monotonic() + 2.0
        while bench.card() == first:
            assert time.monotonic() < end
            bench.page.wait_for_timeout(20)
    assert bench.page.get_by_text("Another tablet:").is_visible()


def test_two_at_once_shows_both_and_overwrites_neither(bench: Tablet) -> None:
    """The other tablet's step is held up on its way here, so that both tap on the same card."""
    job = begun(bench)
    line = Line.cut(bench, "**/v1/jobs/*")  # the watch, not the steps
    bench.service.record(job, {"kind": "finding", "test": "look_lead", "outcome": "nothing_seen"})
    bench.page.locator("button.answer").first.click()
    held = bench.page.get_by_role("alert").filter(has_text="Two at once")
    held.wait_for()
    theirs, mine = held.locator(".both > div").all()
    title = bench.service.ask("GET", f"/v1/jobs/{job}/tests/look_lead")["title"]
    assert title in theirs.inner_text()
    assert mine.locator("p").inner_text() != ""
    assert kinds(bench.service, job) == [("finding", "look_lead")]
    line.whole = True
    bench.tap("Keep mine as well")
    held.wait_for(state="detached")
    bench.calm()
    after = kinds(bench.service, job)
    assert after[0] == ("finding", "look_lead")
    assert len(after) == 2


def test_what_was_left_out_is_not_kept(bench: Tablet) -> None:
    job = begun(bench)
    line = Line.cut(bench, "**/v1/jobs/*")
    bench.service.record(job, {"kind": "finding", "test": "look_lead", "outcome": "nothing_seen"})
    bench.page.locator("button.answer").first.click()
    bench.page.get_by_role("alert").filter(has_text="Two at once").wait_for()
    line.whole = True
    bench.tap("Leave mine out")
    bench.calm()
    bench.page.locator("#do").wait_for()
    assert kinds(bench.service, job) == [("finding", "look_lead")]


def test_offline_in_the_middle_and_back_loses_no_tap(bench: Tablet) -> None:
    job = begun(bench)
    page, context = bench.page, bench.context
    page.wait_for_timeout(2_000)  # by then every view has been fetched
    context.set_offline(True)
    page.locator("button.answer").first.click()
    page.get_by_text("1 step waits in this tablet").wait_for()
    page.get_by_text("Your answer is kept in this tablet").wait_for()
    bench.tap("Another test")
    page.locator("a.row").nth(2).click()
    assert service_steps(bench, job) == 0
    context.set_offline(False)
    bench.calm()
    assert service_steps(bench, job) == 1
    bench.go(f"job/{job}")
    page.locator("#do").wait_for()


def service_steps(bench: Tablet, job: str) -> int:
    return len(bench.service.steps(job))


def test_a_tap_survives_the_page_being_closed_before_it_was_sent(bench: Tablet) -> None:
    """Nothing is sent, the page is loaded anew, and then the connection comes back."""
    job = begun(bench)
    line = Line.cut(bench, "**/v1/jobs/*/steps")
    bench.page.locator("button.answer").first.click()
    bench.page.get_by_text("1 step waits in this tablet").wait_for()
    bench.page.reload()
    bench.page.get_by_text("1 step waits in this tablet").wait_for()
    assert service_steps(bench, job) == 0
    line.whole = True
    bench.calm()
    assert service_steps(bench, job) == 1


def test_an_answer_that_is_lost_on_its_way_back_writes_nothing_twice(bench: Tablet) -> None:
    """The service has kept the step, the tablet hears nothing and sends it again."""
    job = begun(bench)
    lost: list[str] = []

    def lose(route: Route) -> None:
        if lost:
            route.continue_()
            return
        headers = route.request.headers
        lost.append(headers["idempotency-key"])
        sent = {name: headers[name] for name in ("if-match", "idempotency-key")}
        bench.service.ask("POST", f"/v1/jobs/{job}/steps", route.request.post_data_buffer, **sent)
        route.abort()

    bench.page.route("**/v1/jobs/*/steps", lose)
    bench.page.locator("button.answer").first.click()
    bench.page.get_by_text("1 step waits in this tablet").wait_for()
    bench.calm()
    assert len(lost) == 1
    assert service_steps(bench, job) == 1


def test_what_the_service_does_not_take_is_told_and_left_out(bench: Tablet) -> None:
    """The job is closed by another before the tap arrives, and nobody has seen it yet."""
    job = begun(bench)
    line = Line.cut(bench, "**/v1/jobs/*/steps")
    bench.page.locator("button.answer").first.click()
    bench.page.get_by_text("1 step waits in this tablet").wait_for()
    bench.service.record(job, {"kind": "closed", "ended": "given_up"})
    line.whole = True
    held = bench.page.get_by_role("alert").filter(has_text="Two at once")
    held.wait_for()
    bench.tap("Keep mine as well")
    refused = bench.page.get_by_role("alert").filter(has_text="Not taken")
    refused.wait_for()
    bench.tap("Leave it out")
    refused.wait_for(state="detached")
    assert [step["kind"] for step in bench.service.steps(job)] == ["closed"]
