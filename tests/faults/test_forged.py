"""A bundle with numbers that point outside their tables counts as absent; nothing follows them."""

from __future__ import annotations

import os
import subprocess
import sys
from typing import TYPE_CHECKING

import numpy as np
import pytest

from diagnose.faults.base import make_solved_sets, pack, solve_base, unpack
from diagnose.faults.behaviour import make_behaviour
from diagnose.faults.priors import make_priors
from diagnose.machine.load import load_machine
from tests.commands.carts import put_cart

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("forged")
    put_cart(folder)
    behaviour = make_behaviour(load_machine("barn_cart", folder=folder))
    priors = make_priors(behaviour)
    return behaviour, priors, pack(solve_base(behaviour, priors))


def forged(arrays, name, change):
    copy = {known: array.copy() for known, array in arrays.items()}
    copy[name] = change(copy[name])
    return copy


def put(place, value):
    """A change of one entry."""

    def change(array):
        array[place] = value
        return array

    return change


MANY = 2**30
FORGERIES = [
    ("which", put((3, 0), MANY)),
    ("which", put((3, 0), -1)),
    ("which", lambda array: array[:, :-1]),
    ("which", lambda array: array.astype(np.int64)),
    ("which", lambda array: array[:-1]),
    ("numbers", put(0, MANY)),
    ("numbers", put(0, -MANY)),
    ("numbers", lambda array: array[:-1]),
    ("members", put((5, 0), MANY)),
    ("members", put((5, 1), -2)),
    ("members", lambda array: array[:, :1]),
    ("members", lambda array: np.concatenate([array, array], axis=1)),
    ("place", put((0, 4), 60_000)),
    ("place", lambda array: array.astype(np.int16)),
    ("place", lambda array: array[:-1]),
    ("counts", put(0, MANY)),
    ("counts", put(0, -1)),
    ("counts", lambda array: array + np.array([2**62, -(2**62)] + [0] * (len(array) - 2))),
    ("counts", lambda array: array[::-1].copy()),
    ("chances", lambda array: array[:, :-1]),
    ("chances", lambda array: array[:-3]),
    ("chances", put((0, 0), 1.5)),
    ("chances", put((0, 0), np.nan)),
    ("noise", lambda array: array[:-1]),
    ("near", put(0, np.inf)),
    ("prior", put(0, np.nan)),
    ("prior", put(0, np.inf)),
    ("prior", lambda array: array[:-1]),
    ("values", put((0, 0), np.nan)),
    ("values", lambda array: array[:-1]),
]


@pytest.mark.parametrize(("name", "change"), FORGERIES)
def test_a_forged_array_is_refused(made, name, change):
    behaviour, priors, arrays = made
    with pytest.raises((ValueError, KeyError, IndexError)):
        unpack(forged(arrays, name, change), behaviour, priors)


def test_what_is_sound_is_taken(made):
    behaviour, priors, arrays = made
    base = unpack(arrays, behaviour, priors)
    assert len(make_solved_sets(behaviour, priors, base).now().prior) == len(arrays["prior"])


CODE = """
import sys
from pathlib import Path
import numpy as np
from diagnose import cache
from diagnose.job import Job

folder = Path(sys.argv[1])
job = Job.open("barn_cart", "silent", folder=folder)
first = job.advise()
(file,) = cache.directory().glob("machine-*.npz")
key = file.stem.partition("-")[2]
arrays = cache.load("machine", key)
which = arrays["which"].copy()
which[:] = 2**30
assert cache.store("machine", key, {**arrays, "which": which})
from diagnose.rule import prepared
prepared._prepared.clear()
assert Job.open("barn_cart", "silent", folder=folder).advise() == first
print("same")
"""


def test_a_forged_bundle_with_a_right_checksum_does_not_end_the_process(tmp_path: Path) -> None:
    put_cart(tmp_path)
    done = subprocess.run(
        [sys.executable, "-c", CODE, tmp_path],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "NOSTART_CACHE_DIR": str(tmp_path / "cache")},
    )
    assert (done.returncode, done.stdout.strip()) == (0, "same"), done.stderr
