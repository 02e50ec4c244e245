"""What is counted: one registry for each application, in the text format of Prometheus."""

from __future__ import annotations

from typing import TYPE_CHECKING

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, generate_latest

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

MEDIA_TYPE = "text/plain; version=0.0.4; charset=utf-8"

SECONDS = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0)


class Metrics:
    """The counters of one application."""

    def __init__(self) -> None:
        """Everything at zero."""
        self.registry = CollectorRegistry()
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
        """All of it, with the bytes that the caches hold now."""
        for name, count in held.items():
            self._bytes.labels(name).set(count())
        return generate_latest(self.registry)
