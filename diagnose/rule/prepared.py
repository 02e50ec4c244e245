"""A machine made ready for advice: its solved fault sets and its costs, kept between runs.

Reading YAML and solving thousands of circuits takes seconds; what comes out depends only on the
machine file and on this program. So it is stored under the hash of both, and a warm start reads
one file.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from diagnose import cache
from diagnose.belief.belief import Belief, believe
from diagnose.belief.situation import Situation
from diagnose.faults.base import make_solved_sets, pack, solve_base, unpack
from diagnose.faults.behaviour import make_behaviour
from diagnose.faults.outcomes import FITS
from diagnose.faults.priors import make_priors
from diagnose.faults.tried import check_shares
from diagnose.kept import Kept
from diagnose.machine.archive import machine_from_json, machine_to_json
from diagnose.rule.blame import blamed
from diagnose.rule.machine_costs import machine_costs

if TYPE_CHECKING:
    from collections.abc import Mapping

    from diagnose.faults.behaviour import Behaviour
    from diagnose.faults.solved import Solved, SolvedSets
    from diagnose.machine.model import Machine
    from diagnose.rule.costs import Costs

Floats = NDArray[np.float64]
Progress = Callable[[str], None]

KIND = "machine"
LAYERS = ("circuit", "faults", "machine")
"""Packages whose source decides what a machine's fault sets look like."""

MACHINE_BYTES = 256_000_000
"""Prepared machines kept in memory; one takes some 20 to 40 megabytes."""

BELIEF_BYTES = 8_000_000
"""Beliefs kept in memory for each machine; one takes half a megabyte."""


@dataclass(frozen=True, slots=True, eq=False)
class Prepared:
    """All that advice needs of one machine.

    Attributes:
        machine: the machine.
        sets: its solved fault sets.
        costs: what everything costs.
        explains: complaint -> (faults,) share of the time that the fault alone gives it.
        gives: complaint -> (results, faults) whether the fault alone ever gives each result of
            trying the machine, see `diagnose.faults.tried.check_results`.
        hides: complaint -> (faults,) share of the time that the machine runs with the fault alone.
    """

    machine: Machine
    sets: SolvedSets
    costs: Costs
    explains: Mapping[str, Floats]
    gives: Mapping[str, NDArray[np.bool_]]
    hides: Mapping[str, Floats]
    _beliefs: Kept[Belief] = field(
        default_factory=lambda: Kept(BELIEF_BYTES, lambda belief: belief.nbytes)
    )

    @property
    def behaviour(self) -> Behaviour:
        """Its circuit and what can be observed."""
        return self.sets.behaviour

    @property
    def faults(self) -> tuple[tuple[str, str], ...]:
        """(part, mode) of every fault, the unlisted ones last."""
        return self.sets.behaviour.faults

    @property
    def nbytes(self) -> int:
        """Memory that it holds, grown sets and beliefs included."""
        return self.sets.nbytes + self._beliefs.nbytes()

    def belief(self, situation: Situation, *, bound: bool = False) -> Belief:
        """What is believed in a situation; the latest ones are kept.

        Args:
            situation: what was told, seen and done.
            bound: whether to work out what was left out; it changes nothing else.

        Raises:
            UnknownNameError: a repair that the machine does not have.
            ClashError: the findings cannot all be true.
        """
        key = replace(situation, open_areas=frozenset(), tools=frozenset())
        return self._beliefs.get((key, bound), lambda: believe(self.sets, key, bound=bound))

    def stopping(self, complaint: str) -> Floats:
        """(faults,) 1 where a fault alone keeps the job from being done, now and then at least.

        Whatever the customer said, the machine has to run; and what he said has to be gone.
        """
        return np.asarray(self.gives[complaint][1:].any(axis=0), dtype=np.float64)

    def blamed(self, complaint: str, belief: Belief) -> Floats:
        """(faults,) 1 where a fault counts when it is repaired now; see `diagnose.rule.blame`."""
        faults = belief.survey.faults
        return blamed(self.gives[complaint], self.stopping(complaint), belief.shows, faults)


_prepared: Kept[Prepared] = Kept(MACHINE_BYTES, lambda prepared: prepared.nbytes)


def prepared(machine: Machine, progress: Progress | None = None) -> Prepared:
    """A machine made ready: from memory, from the cache on disk, else worked out and stored.

    Args:
        machine: a checked machine with its `content_hash`.
        progress: called with a sentence before each long step.

    Raises:
        CircuitError, NetworkError: the machine cannot be solved.
    """
    return prepared_from(machine.content_hash, lambda: machine, progress)


def prepared_from(
    content_hash: str, read: Callable[[], Machine], progress: Progress | None = None
) -> Prepared:
    """The same for a machine that is only read when it must be.

    Args:
        content_hash: of the machine file.
        read: reads and checks the file.
        progress: as in `prepared`.
    """
    told = progress or (lambda _: None)
    return _prepared.get(content_hash, lambda: _make(content_hash, read, told))


def hash_of(text: bytes) -> str:
    """Content hash of a machine file, as `load_machine` notes it."""
    return hashlib.sha256(text).hexdigest()


def _make(content_hash: str, read: Callable[[], Machine], progress: Progress) -> Prepared:
    key = cache.content_hash(content_hash.encode(), cache.source_hash(LAYERS))
    found = _stored(key)
    if found is None:
        with cache.one_at_a_time(progress):
            found = _stored(key) or _solved(key, read, progress)
    return found


def _stored(key: str) -> Prepared | None:
    """A machine from the cache on disk, None where there is no sound one."""
    stored = cache.load(KIND, key)
    try:
        return None if stored is None else _unpacked(stored)
    except (KeyError, IndexError, TypeError, ValueError):
        return None


def _solved(key: str, read: Callable[[], Machine], progress: Progress) -> Prepared:
    progress("reading the machine file")
    machine = read()
    behaviour = make_behaviour(machine)
    priors = make_priors(behaviour)
    progress(f"{machine.id}: solving the circuit for every fault and the pairs that matter")
    base = solve_base(behaviour, priors, _each_tenth(machine.id, progress))
    text = np.frombuffer(machine_to_json(machine).encode(), np.uint8)
    cache.store(KIND, key, {**pack(base), "text": text})
    made = _with_costs(make_solved_sets(behaviour, priors, base))
    for complaint in list(machine.complaints)[:1]:
        made.belief(Situation(complaint), bound=True)  # compiles what the others wait for
    return made


def _each_tenth(name: str, progress: Progress) -> Callable[[int, int], None]:
    """Progress of the solving, at most ten sentences of it."""
    told = 0

    def tell(done: int, total: int) -> None:
        nonlocal told
        if done * 10 // total > told:
            told = done * 10 // total
            progress(f"{name}: {done} of {total} fault sets solved")

    return tell


def _unpacked(stored: Mapping[str, NDArray[Any]]) -> Prepared:
    machine = machine_from_json(bytes(stored["text"]).decode())
    behaviour = make_behaviour(machine)
    priors = make_priors(behaviour)
    return _with_costs(make_solved_sets(behaviour, priors, unpack(stored, behaviour, priors)))


def _with_costs(sets: SolvedSets) -> Prepared:
    behaviour, solved = sets.behaviour, sets.now()
    shares = {
        complaint: check_shares(behaviour, solved, complaint, _singles(solved)).T
        for complaint in behaviour.machine.complaints
    }
    return Prepared(
        machine=behaviour.machine,
        sets=sets,
        costs=machine_costs(behaviour.machine, behaviour.faults),
        explains={
            complaint: _share(solved, behaviour.column[complaint], FITS)
            for complaint in behaviour.machine.complaints
        },
        gives={complaint: share > 0.0 for complaint, share in shares.items()},
        hides={complaint: np.ascontiguousarray(share[0]) for complaint, share in shares.items()},
    )


def _singles(solved: Solved) -> NDArray[np.int64]:
    """(faults,) row of each fault alone."""
    rows: NDArray[np.int64] = solved.pair_row[np.arange(solved.n_faults), -1].astype(np.int64)
    return rows


def _share(solved: Solved, column: int, shown: float) -> Floats:
    """(faults,) share of the time that an observable shows something under each fault alone."""
    rows = _singles(solved)
    found: Floats = (solved.readings(column, rows) == shown).mean(axis=-1)
    return found
