"""What is counted: one registry for each application, in the text format of Prometheus."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, generate_latest
from prometheus_client.registry import Collector

from .counts import Counts

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping
    from pathlib import Path

    from prometheus_client.metrics_core import Metric

MEDIA_TYPE = "text/plain; version=0.0.4; charset=utf-8"

SECONDS = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0)


class Metrics:
    """The counters of one application."""

    def __init__(self, folder: Path | None = None) -> None:
        """Everything at zero.

        Args:
            folder: where the processes of one service tell each other what they counted; None
                where there is only this one.
        """
        self.registry = CollectorRegistry()
        self._counts = None if folder is None else Counts(folder)
        self._requests = Counter(
            "nostart_requests",
            "Requests by route template, method and status.",
            ("route", "method", "status"),
            registry=self.registry,
        )
        self._seconds = Histogram(
            "nostart_request_seconds",
            "Seconds from request to the end of the answer, by route template.",
            ("route",),
            buckets=SECONDS,
            registry=self.registry,
        )
        self.advice_seconds = Histogram(
            "nostart_advice_seconds",
            "Seconds of working out one piece of advice.",
            buckets=SECONDS,
            registry=self.registry,
        )
        self.verdicts = Counter(
            "nostart_verdicts",
            "Jobs that were advised on, by verdict.",
            ("action",),
            registry=self.registry,
        )
        self._bytes = Gauge(
            "nostart_cache_bytes",
            "Bytes that are kept, by what is kept.",
            ("cache",),
            registry=self.registry,
        )

    def answered(self, route: str, method: str, status: int, seconds: float) -> None:
        """Count a request."""
        self._requests.labels(route, method, str(status)).inc()
        self._seconds.labels(route).observe(seconds)

    def text(self, held: Mapping[str, Callable[[], int]]) -> bytes:
        """All of it, of all processes, with the bytes that the caches hold now."""
        self.note(held)
        if self._counts is None:
            return generate_latest(self.registry)
        told = CollectorRegistry()
        told.register(_Told(self._counts.summed(self.registry.collect())))
        return generate_latest(told)

    def note(self, held: Mapping[str, Callable[[], int]]) -> None:
        """Note the bytes that the caches hold now."""
        for name, count in held.items():
            self._bytes.labels(name).set(count())

    def tell(self) -> None:
        """Let the other processes know what was counted here; nothing where there are none."""
        if self._counts is not None:
            with contextlib.suppress(OSError):  # counting must not be why something fails
                self._counts.tell(self.registry.collect())

    def close(self) -> None:
        """Tell for the last time."""
        self.tell()
        if self._counts is not None:
            self._counts.close()


class _Told(Collector):
    """Families as they were summed."""

    def __init__(self, families: Iterable[Metric]) -> None:
        self._families = families

    def collect(self) -> Iterable[Metric]:
        return self._families
