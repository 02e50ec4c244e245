"""The referee itself: against complete sums, and against jobs that are simply played and counted.

Source of both: the definitions of a conditional probability and of a relative frequency.
"""

from __future__ import annotations

from collections import Counter
from functools import cache
from itertools import chain, product
from pathlib import Path

import numpy as np
import pytest

from diagnose.machine.load import load_machine
from tests.referees import technician
from tests.referees.bench import Bench
from tests.referees.pool import Met, Pool
from tests.referees.proposals import Backgrounds
from tests.referees.shop import World
from tests.referees.stand import Stand
from tests.referees.story import Repaired, Story, Teller, Written
from tests.referees.weighing import Effort, _choose, _estimate, names_of, weigh

LAMP = Path(__file__).with_name("yard_lamp.yaml")
TWICE = Story(
    "no_light",
    (
        Written("look", "dark"),
        Written("rest_volts", None, 12.5),
        Repaired("plug", "replace", "no_light"),
        Written("look_rain", "found", sure=0.7),
        Written("lamp_volts", "unsteady"),
        Repaired("fuse", "replace", None),
        Repaired("plug", "clean", "quite_dark"),
        Written("look_burnt", "found"),
        Written("plug_ohms", None, 6.2, sure=0.9),
    ),
    celsius=-10.0,
)
STORIES = {
    "told": Story("no_light"),
    "told of all": Story("not_right", (Written("fuse_lamp", "dark"),)),
    "number": Story("no_light", (Written("rest_volts", None, 11.4),)),
    "repaired": Story(
        "no_light", (Written("look", "dim"), Repaired("battery", "charge", "no_light"))
    ),
    "it runs": Story("not_right", (Repaired("switch", "replace", "runs"),)),
    "something else now": Story(
        "no_light",
        (
            Written("try_it", "quite_dark"),
            Repaired("switch", "replace", "other"),
            Written("watch", "not_possible", sure=0.8),
            Written("lug_drop", "normal"),
        ),
    ),
    "shows in a week": Story(
        "not_right", (Written("lug_drop", None, 0.05), Repaired("plug", "clean", "not_right"))
    ),
    "repaired thrice": TWICE,
}


@cache
def pool() -> Pool:
    return Pool(Bench(load_machine(LAMP)), 30, seed=2)


def complete(teller: Teller) -> tuple[np.ndarray, float]:
    """Every figure, and the chance of all that was told, by summing over all courses."""
    slots = [((), *((f,) for f in slot)) for slot in Backgrounds(teller).slots]
    courses = [tuple(sorted(chain(*one))) for one in product(*slots)]
    weighed = teller.weigh(courses)
    figures = dict.fromkeys(names_of(teller.bench), 0.0)
    for weight, faults in zip(weighed.weight, weighed.sets, strict=True):
        for fault in faults:
            figures[teller.bench.faults[fault]] += weight
    for test in teller.bench.machine.tests.values():
        if test.cause is None:
            shown = teller.outcomes(test, weighed)
        else:
            seen = 0.85 * weighed.causes[:, teller.causes.index(test.cause)]
            shown = 0.98 * np.stack([seen, 1 - seen], axis=1) + 0.01
        for number, outcome in enumerate(test.outcomes):
            figures[test.id, outcome.id] += weighed.weight @ shown[:, number]
    total = float(weighed.weight.sum())
    return np.array(list(figures.values())) / total, total


@pytest.mark.parametrize("name", STORIES)
def test_weighed_draws_agree_with_complete_sums(name: str) -> None:
    """Every figure within five standard errors, and the errors small."""
    story = STORIES[name]
    truth, total = complete(pool().teller(story))
    found = weigh(pool(), story, Effort(error=0.002, draws=300))
    off = np.abs(found.chance - truth)
    assert off.max() < 0.006
    assert (off <= 5 * found.error + 1e-4).all()
    assert found.log_evidence == pytest.approx(np.log(total), abs=0.02)


def test_draws_alone_carry_the_sum() -> None:
    """With next to nothing met before, what is drawn stands for nearly everything."""
    teller = pool().teller(TWICE)
    truth, _ = complete(teller)
    met = Met(teller)
    met.meet([(), *((f,) for f in range(len(teller.bench.faults)))])
    effort = Effort(batch=4000, batches=1, alone=1.0)
    each = [
        _estimate(met, Backgrounds(teller), effort, np.random.default_rng(seed))
        for seed in range(20)
    ]
    assert np.mean([summed for _, _, summed, _ in each]) < 0.5
    chance = np.array([total[1:] / total[0] for total, _, _, _ in each])
    error = np.array([error for _, error, _, _ in each])
    told, real = np.sqrt((error**2).mean(axis=0)), chance.std(axis=0, ddof=1)
    assert (np.abs(chance.mean(axis=0) - truth) < 4.5 * real / np.sqrt(len(each)) + 1e-4).all()
    wide = real > 1e-3
    assert wide.sum() > 5
    assert 0.7 < np.median(told[wide] / real[wide]) < 1.4


def test_chance_of_drawing_is_how_often_it_is_drawn() -> None:
    """The proposal's own chances against counts."""
    teller = pool().teller(TWICE)
    backgrounds, rng = Backgrounds(teller), np.random.default_rng(5)
    cores = {(): 0.2, (1,): 0.3, (1, 8): 0.1, (8,): 0.4}
    n = 60_000
    counts = Counter(backgrounds.add(_choose(cores, n, rng), rng))
    for course, count in counts.most_common(25):
        expected = n * backgrounds.chance(course, cores)
        assert abs(count - expected) < 5 * np.sqrt(expected)


SCRIPT = (
    ("no_light", "look", ("switch", "replace"), "no_light", "rest_volts"),
    ("not_right", "look_rain", ("battery", "charge"), "runs", "plug_ohms"),
    ("not_right", "look", ("lamp", "replace"), "not_right", "wiggle_plug"),
    ("quite_dark", "look_burnt", ("plug", "clean"), "other", "watch"),
    ("no_light", "try_it", ("plug", "replace"), "quite_dark", "lug_drop"),
)
"""Complaint, test, repair, what is looked for on trying, test."""
N_PLAYED = 4000


@pytest.mark.parametrize("script", SCRIPT)
def test_played_jobs_are_as_frequent_as_weighed(script: tuple) -> None:
    """Complaint, test, repair, trial, test: each way it can go, counted against its chance.

    And in the ways that come up most, how often each fault is there at the end. Several complaints
    may fit, and which of them is said is no matter of chance; so the one who tries the machine is
    asked about one thing, and whether he sees it is.
    """
    complaint, first, (part, repair), asked, second = script
    bench, priors = pool().bench, pool().priors
    tests = bench.machine.tests
    rng = np.random.default_rng(11)
    ways: Counter[tuple] = Counter()
    wrong: dict[tuple, Counter[int]] = {}
    for _ in range(N_PLAYED):
        stand = Stand(bench, priors, priors.draw(rng), rng)
        told = stand.complained_about(complaint)
        one = stand.outcome(tests[first]).outcome
        stand.repair(part, repair)
        seen = stand.seen(asked, complaint)
        way = (told, one, seen, stand.outcome(tests[second], sure=0.9).outcome)
        ways[way] += 1
        wrong.setdefault(way, Counter()).update(stand.world.faults)
    surprise = 0.0
    for one, two in product(tests[first].outcomes, tests[second].outcomes):
        before, after = Written(first, one.id), Written(second, two.id, sure=0.9)
        (figures, chance), (_, either) = (
            complete(
                pool().teller(Story(complaint, (before, Repaired(part, repair, shown), after)))
            )
            for shown in (asked, None)
        )
        way = (True, one.id, True, two.id)
        for seen, share in ((True, chance), (False, either - chance)):
            counted, expected = ways[True, one.id, seen, two.id], N_PLAYED * share
            surprise = max(surprise, abs(counted - expected) / np.sqrt(expected + 1.0))
        if ways[way] > 100:
            for fault, share in enumerate(figures[: len(bench.faults)]):
                deviation = np.sqrt(ways[way] * max(share * (1 - share), 1e-3))
                assert abs(wrong[way][fault] - ways[way] * share) < 4.5 * deviation + 1
    assert surprise < 4.5


def test_what_the_check_shows_is_as_frequent_as_the_joint_touches() -> None:
    """A loose plug: half of the time it runs, half of the time it is quite dark; always the one or
    always the other where it stays as it is.

    Five in 1 000 are taken for any of the four; about a complaint that takes a week, of the five.
    """
    bench, priors, rng = pool().bench, pool().priors, np.random.default_rng(4)
    loose = World(frozenset(), (bench.number["plug", "loose"],))
    stand, n = Stand(bench, priors, loose, rng), 20_000
    jobs = (("no_light", {}), ("not_right", {"not_right": 0.001}))
    for (complaint, last), (stand.way, runs) in product(jobs, enumerate((0.5, 1.0, 0.0))):
        slip = 0.005 / len(bench.results(complaint))
        light, dark = 0.995 * runs + slip, 0.995 * (1.0 - runs) + slip
        wanted = {"runs": light, "quite_dark": dark, "no_light": slip, "other": slip, **last}
        counts = Counter(stand.shows(complaint) for _ in range(n))
        assert set(counts) <= set(wanted)
        for shown, share in wanted.items():
            assert abs(counts[shown] - n * share) < 5 * np.sqrt(n * share)


def test_drawn_numbers_have_the_density_they_are_weighed_with() -> None:
    """Share of the numbers in each of many bins against the density summed over the bin."""
    test = pool().bench.machine.tests["rest_volts"]
    rng = np.random.default_rng(3)
    values = np.array([12.4, 7.1])
    drawn = np.array([technician.draw_number(test, values, rng) for _ in range(20_000)])
    edges = np.linspace(6.5, 13.5, 29)
    counts, _ = np.histogram(drawn, edges)
    fine = np.linspace(6.5, 13.5, 28 * 40 + 1)
    density = [technician.number_density(test, x, values[None])[0] for x in fine]
    mass = np.add.reduceat(
        (np.array(density)[:-1] + density[1:]) / 2 * (fine[1] - fine[0]), range(0, 1120, 40)
    )
    expected = 20_000 * mass
    assert (np.abs(counts - expected) < 5 * np.sqrt(expected) + 2).all()
