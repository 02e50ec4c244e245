"""Counters of several processes of one service: each tells its own in a file, one scrape sums them.

The files lie in a folder of this run of the service. A process that has ended leaves its file; what
it counted goes into one file with those before it, so that sums never fall and files stay few.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import secrets
from typing import IO, TYPE_CHECKING, Any

from prometheus_client.metrics_core import Metric

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

Labels = tuple[tuple[str, str], ...]
Samples = dict[tuple[str, Labels], float]
Families = dict[str, Samples]
"""Name of a family -> its samples by name and labels."""

ENDED = "ended"
COMMON = (("cache", "disk"),)
"""Labels of what all processes share: the most that one of them tells, no sum."""

GAUGES = frozenset({"nostart_cache_bytes"})

WRITTEN_EVERY_SECONDS = 1.0


class Counts:
    """The counters of one process beside those of the others."""

    def __init__(self, folder: Path) -> None:
        """In a folder that only this service writes into."""
        self._folder = folder
        self._name = f"{os.getpid()}-{secrets.token_hex(4)}"
        # Held until this process ends, however it does: by that the others tell.
        self._held = os.open(folder / f"{self._name}.held", os.O_CREAT | os.O_RDWR, 0o600)
        fcntl.flock(self._held, fcntl.LOCK_EX)
        with self._alone():
            self._gather_ended()

    def tell(self, families: Iterable[Metric]) -> None:
        """Write the counters of this process for the others to read."""
        self._write(self._name, _plain(families))

    def summed(self, families: Iterable[Metric]) -> list[Metric]:
        """The same families with what all processes have counted.

        What is told here is written first, so that the next sum, whoever makes it, is no smaller.
        """
        own = list(families)
        mine = _plain(own)
        with self._alone():
            with contextlib.suppress(OSError):
                self._write(self._name, mine)
            ended = self._gather_ended()
            names = {path.stem for path in self._files()} - {self._name}
            others = [self._read(name) for name in sorted(names)]
        total = _sum([ended, mine, *others], {family.name: family.type for family in own})
        return [_family(family, total.get(family.name, {})) for family in own]

    def close(self) -> None:
        """Leave what was counted to the others."""
        os.close(self._held)

    def _files(self) -> list[Path]:
        return sorted(path for path in self._folder.glob("*-*.json"))

    @contextlib.contextmanager
    def _alone(self) -> Iterator[IO[str]]:
        """Nobody else sums or gathers meanwhile."""
        with (self._folder / "all.lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            yield lock

    def _gather_ended(self) -> Families:
        """What ended processes have counted, all of it in one file from now on."""
        kept = self._load(ENDED)
        ended, gone = _families(kept.get("families", [])), set(kept.get("gathered", []))
        new = [path for path in self._files() if self._has_ended(path.stem)]
        told = [_counted(self._read(path.stem)) for path in new if path.stem not in gone]
        if new:
            ended = _sum([ended, *told], {})
            with contextlib.suppress(OSError):  # a full disk: they stay, and are read again
                self._write(ENDED, ended, gathered=sorted(path.stem for path in new))
                for path in new:
                    path.with_suffix(".held").unlink(missing_ok=True)
                    path.unlink(missing_ok=True)
        return ended

    def _has_ended(self, name: str) -> bool:
        if name == self._name:
            return False
        try:
            with (self._folder / f"{name}.held").open("r") as held:
                fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        except FileNotFoundError:
            return True
        return True

    def _read(self, name: str) -> Families:
        return _families(self._load(name).get("families", []))

    def _load(self, name: str) -> dict[str, Any]:
        try:
            content = json.loads((self._folder / f"{name}.json").read_text("utf-8"))
        except (OSError, ValueError):
            return {}
        return content if isinstance(content, dict) else {}

    def _write(self, name: str, families: Families, **more: Any) -> None:
        rows = [
            [family, sample, list(labels), value]
            for family, samples in families.items()
            for (sample, labels), value in samples.items()
        ]
        place = self._folder / f"{name}.json"
        beside = place.with_suffix(".part")
        beside.write_text(json.dumps({"families": rows, **more}), "utf-8")
        beside.replace(place)


def _plain(families: Iterable[Metric]) -> Families:
    return {
        family.name: {
            (sample.name, tuple(sorted(sample.labels.items()))): float(sample.value)
            for sample in family.samples
        }
        for family in families
    }


def _counted(families: Families) -> Families:
    """What is left of a process that has ended: what it counted, not what it held."""
    return {name: samples for name, samples in families.items() if name not in GAUGES}


def _families(rows: Iterable[Any]) -> Families:
    told: Families = {}
    for family, sample, labels, value in rows:
        key = (sample, tuple((name, text) for name, text in labels))
        told.setdefault(family, {})[key] = value
    return told


def _sum(several: Iterable[Families], kinds: dict[str, str]) -> Families:
    """All of them together.

    Args:
        several: of each process.
        kinds: name -> `counter`, `histogram` or `gauge`.
    """
    total: Families = {}
    for families in several:
        for family, samples in families.items():
            into = total.setdefault(family, {})
            for key, value in samples.items():
                into[key] = _both(into.get(key), value, key, kinds.get(family, ""))
    return total


def _both(before: float | None, value: float, key: tuple[str, Labels], kind: str) -> float:
    if before is None:
        return value
    if key[0].endswith("_created"):
        return min(before, value)
    if kind == "gauge" and key[1] == COMMON:
        return max(before, value)
    return before + value


def _family(own: Metric, samples: Samples) -> Metric:
    made = Metric(own.name, own.documentation, own.type, own.unit)
    for (name, labels), value in samples.items():
        made.add_sample(name, dict(labels), value)
    return made
