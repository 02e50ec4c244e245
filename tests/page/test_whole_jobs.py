"""Whole jobs in the browser, from the customer's words to the sheet in the folder.

What is wrong and what each test gives stands in the walks; common practice, no source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from diagnose.machine.load import load_machine, machine_names
from tests.page.at_hand import Technician
from tests.page.conftest import put_machines, served, tablet
from tests.walks.walk import all_walks

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Browser

    from tests.page.conftest import Service, Tablet
    from tests.walks.walk import Walk

WALKS = {walk.id: walk for walk in all_walks()}

ONE_FAULT = "push_mower_kill_lead_chafed"
TWO_FAULTS = "push_mower_stale_petrol_and_a_fouled_plug"
OTHER_MACHINE = "pump_burnt_contacts_and_weak_battery"
LARGE = (
    *("tractor_fusible_link", "vehicle_starter_open"),
    *("boat_kill_wire_chewed", "mower_left_lap_bar_switch"),
)
"""One job on each of the larger machines."""


def opened(bench: Tablet, walk: Walk) -> str:
    """A job opened at the page; its id."""
    machine, page = load_machine(walk.machine), bench.page
    bench.go("new")
    page.get_by_label(machine.title, exact=True).check()
    page.get_by_label(machine.complaints[walk.told].title, exact=True).check()
    page.get_by_label("The shop's number for it").fill(walk.id)
    bench.tap("Start")
    page.wait_for_url("**/#/job/*")
    return page.url.rpartition("/")[2]


def closed(bench: Tablet, minutes: str) -> None:
    """The job closed in two questions, and its sheet on the screen."""
    bench.tap("Close the job")
    page = bench.page
    page.locator("fieldset").first.get_by_role("radio").first.check()
    page.get_by_label("Yes", exact=True).check()
    page.get_by_role("button", name="Next").click()
    page.locator("#labour").fill(minutes)
    page.locator("#why-failed").fill("stood all winter")
    page.get_by_role("button", name="Close it").click()
    page.locator(".paper").get_by_text("it runs").wait_for()


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """A service with the larger machines."""
    top = tmp_path_factory.mktemp("large")
    put_machines(top / "machines", *(WALKS[name].machine for name in LARGE))
    with served(top / "machines", top / "jobs.sqlite") as running:
        yield running


@pytest.mark.parametrize("name", LARGE)
def test_on_each_large_machine(browser: Browser, large: Service, name: str) -> None:
    with tablet(browser, large) as bench:
        whole_job(bench, WALKS[name])


@pytest.mark.parametrize("name", [ONE_FAULT, TWO_FAULTS, OTHER_MACHINE])
def test_from_words_to_sheet(bench: Tablet, name: str) -> None:
    whole_job(bench, WALKS[name])


def test_together_they_are_all_machines() -> None:
    names = {WALKS[name].machine for name in (ONE_FAULT, TWO_FAULTS, OTHER_MACHINE, *LARGE)}
    assert names == set(machine_names())
    assert len(WALKS[TWO_FAULTS].faults) == 2


def whole_job(bench: Tablet, walk: Walk) -> None:
    """From what the customer says to the sheet in the folder."""
    job = opened(bench, walk)
    technician = Technician(bench, walk, job)
    assert technician.work() == "done"
    repairs = {step.partition(" ")[2] for step in technician.done if step.startswith("repair")}
    assert set(walk.repairs) <= repairs
    closed(bench, "42")
    kept = bench.service.ask("GET", f"/v1/jobs/{job}")
    assert (kept["status"], kept["ended"], kept["labour_minutes"]) == ("closed", "runs", 42.0)
    assert kept["shop_reference"] == walk.id
    assert (kept["cause_seen"], kept["note"]) == (True, "stood all winter")


def test_loaded_anew_at_every_step_it_keeps_its_place(bench: Tablet) -> None:
    walk = WALKS["push_mower_pawls"]
    job = opened(bench, walk)
    assert Technician(bench, walk, job, reload=True).work() == "done"
    assert bench.service.ask("GET", f"/v1/jobs/{job}")["status"] == "runs"
