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
from diagnose.errors import NetworkError
from diagnose.faults.base import make_solved_sets, pack, solve_base, unpack, with_priors
from diagnose.faults.behaviour import make_behaviour
from diagnose.faults.outcomes import FITS
from diagnose.faults.priors import make_priors
from diagnose.faults.tried import check_shares
from diagnose.kept import Kept
from diagnose.machine.archive import machine_from_json, machine_to_json
from diagnose.rule.apart import compiled_before, solved_apart
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

    _notes: dict[str, str] = field(default_factory=dict)

    @property
    def archive_hash(self) -> str:
        """Sha256 in hex of the machine as `machine_to_json` writes it; worked out once."""
        if "archive" not in self._notes:
            self._notes["archive"] = hash_of(machine_to_json(self.machine).encode())
        return self._notes["archive"]

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


_prepared: Kept[Prepared] = Kept(MACHINE_BYTES, lambda prepared: prepared.nbytes, growing=True)


def prepared(machine: Machine, progress: Progress | None = None) -> Prepared:
    """A machine made ready: from memory, from the cache on disk, else worked out and stored.

    Args:
        machine: a checked machine with its `content_hash`, with priors laid over it or without.
        progress: called with a sentence before each long step.

    Raises:
        CircuitError, NetworkError: the machine cannot be solved.
    """
    if machine.priors_version:
        return _laid_over(machine, None, progress or _silent)
    return prepared_from(machine.content_hash, lambda: machine, progress)


def prepared_like(ready: Prepared, machine: Machine) -> Prepared:
    """The same machine with other priors, made ready without solving anything.

    Kept in memory like any other, so its content hash must differ from that of the file.

    Args:
        ready: the machine as its file has it.
        machine: the same with other priors, words, slips or minutes.

    Raises:
        NetworkError: its faults are others, or its priors are none.
    """

    def make() -> Prepared:
        behaviour = make_behaviour(machine)
        if behaviour.faults != ready.faults or list(machine.tests) != list(ready.machine.tests):
            raise NetworkError(f"{machine.id}: its faults or tests are not those of the file")
        priors = make_priors(behaviour)
        if _slips(machine) == _slips(ready.machine):
            return _with_costs(ready.sets.with_priors(behaviour, priors))
        base = with_priors(ready.sets.base, behaviour, priors, ready.machine)
        return _with_costs(make_solved_sets(behaviour, priors, base))

    return _prepared.get((machine.content_hash, machine.priors_version), make)


def _slips(machine: Machine) -> list[float]:
    return [test.slip_percent for test in machine.tests.values()]


def prepared_from(
    content_hash: str,
    read: Callable[[], Machine],
    progress: Progress | None = None,
    lay_over: Callable[[Machine], Machine] | None = None,
) -> Prepared:
    """The same for a machine that is only read when it must be.

    Args:
        content_hash: of the machine file.
        read: reads and checks the file.
        progress: as in `prepared`.
        lay_over: lays priors over the machine; what is solved is the machine's own all the same.
    """
    told = progress or _silent
    if lay_over is None:
        key = (content_hash, "")
        return _prepared.get(key, lambda: _make(content_hash, read, told))
    solved = cache.load(KIND, key_of(content_hash))
    if solved is None:
        plain = prepared_from(content_hash, read, progress)
        solved = _packed(plain.machine, plain.sets.base)
    return _laid_over(lay_over(_machine_in(solved)), solved, told)


def _laid_over(
    machine: Machine, solved: Mapping[str, NDArray[Any]] | None, progress: Progress
) -> Prepared:
    """A machine with priors laid over it, on the fault sets that its own file had solved.

    Where the file itself was never made ready, it is solved with these priors; that is kept under
    them, since the pairs in it are those that matter with them.
    """

    def make() -> Prepared:
        stored = solved or cache.load(KIND, key_of(machine.content_hash))
        try:
            if stored is not None:
                return _unpacked(stored, machine)
        except BROKEN:
            pass
        return _make(machine.content_hash, lambda: machine, progress, machine.priors_version)

    return _prepared.get((machine.content_hash, machine.priors_version), make)


def _silent(_: str) -> None:
    """Tell nobody."""


def prepared_bytes() -> int:
    """Bytes of all machines that are kept in memory."""
    return _prepared.nbytes()


def hash_of(text: bytes) -> str:
    """Content hash of a machine file, as `load_machine` notes it."""
    return hashlib.sha256(text).hexdigest()


def key_of(content_hash: str, priors_version: str = "") -> str:
    """What the bundle of a machine is found again by, as this program's source is now."""
    parts = (content_hash, priors_version) if priors_version else (content_hash,)
    return cache.content_hash(*(part.encode() for part in parts), cache.source_hash(LAYERS))


def _make(
    content_hash: str, read: Callable[[], Machine], progress: Progress, priors_version: str = ""
) -> Prepared:
    key = key_of(content_hash, priors_version)
    found = _stored(key)
    if found is None:
        with cache.one_at_a_time(progress):
            found = _stored(key) or _first(key, read, progress)
    return found


BROKEN = (KeyError, IndexError, TypeError, ValueError)
"""What reading a bundle of other contents raises."""


def _stored(key: str) -> Prepared | None:
    """A machine from the cache on disk, None where there is no sound one."""
    stored = cache.load(KIND, key)
    try:
        return None if stored is None else _unpacked(stored, _machine_in(stored))
    except BROKEN:
        return None


def _first(key: str, read: Callable[[], Machine], progress: Progress) -> Prepared:
    """A machine that is on disk nowhere; see `diagnose.rule.apart`."""
    progress("reading the machine file")
    machine = read()
    found = None
    if not compiled_before() and solved_apart(machine, progress):
        found = _stored(key)
    return found or solve(machine, key, progress)


def solve(machine: Machine, key: str, progress: Progress) -> Prepared:
    """Solve a machine in this process and keep it on disk.

    Args:
        machine: the machine.
        key: what its bundle is found again by.
        progress: called with a sentence before each long step.

    Raises:
        CircuitError, NetworkError: it cannot be solved.
    """
    behaviour = make_behaviour(machine)
    priors = make_priors(behaviour)
    progress(f"{machine.id}: solving the circuit for every fault and the pairs that matter")
    base = solve_base(behaviour, priors, _each_tenth(machine.id, progress))
    if not cache.store(KIND, key, _packed(machine, base)):
        progress(f"it is not kept: {cache.directory()} cannot be written, or others may write it")
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


def _packed(machine: Machine, base: Solved) -> dict[str, NDArray[Any]]:
    text = np.frombuffer(machine_to_json(machine).encode(), np.uint8)
    return {**pack(base), "text": text}


def _machine_in(stored: Mapping[str, NDArray[Any]]) -> Machine:
    return machine_from_json(bytes(stored["text"]).decode())


def _unpacked(stored: Mapping[str, NDArray[Any]], machine: Machine) -> Prepared:
    """A bundle made ready for its machine, or for that with other priors laid over it."""
    behaviour = make_behaviour(machine)
    priors = make_priors(behaviour)
    base = unpack(stored, behaviour, priors)
    own = _machine_in(stored) if machine.priors_version else machine
    if own.priors_version != machine.priors_version:
        base = with_priors(base, behaviour, priors, own)
    return _with_costs(make_solved_sets(behaviour, priors, base))


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
