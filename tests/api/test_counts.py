"""Counters of several processes in one scrape."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from typing import TYPE_CHECKING

from diagnose.api.metrics import Metrics
from prometheus_client.parser import text_string_to_metric_families

if TYPE_CHECKING:
    from pathlib import Path

REQUESTS = "nostart_requests_total"

ELSEWHERE = """
import sys
from pathlib import Path
from diagnose.api.metrics import Metrics
metrics = Metrics(Path(sys.argv[1]))
for _ in range(int(sys.argv[2])):
    metrics.answered("/v1/jobs", "GET", 200, 0.02)
metrics.advice_seconds.observe(0.3)
metrics.note({"disk": lambda: 700, "machines": lambda: 5})
metrics.tell()
print("told", flush=True)
sys.stdin.read()
"""


def samples(text: bytes) -> dict[str, float]:
    """Name with labels -> value, read by the library's own parser."""
    told = {}
    for family in text_string_to_metric_families(text.decode()):
        for sample in family.samples:
            labels = ",".join(f"{name}={value}" for name, value in sorted(sample.labels.items()))
            told[f"{sample.name}[{labels}]"] = sample.value
    return told


def elsewhere(folder: Path, requests: int) -> subprocess.Popen[str]:
    """A process that has counted so many requests, and stays until its input ends."""
    process = subprocess.Popen(
        [sys.executable, "-c", ELSEWHERE, str(folder), str(requests)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "told\n"
    return process


def test_one_scrape_tells_the_sums_of_all_processes(tmp_path: Path) -> None:
    """Those that have ended among them: a counter never falls, a gauge ends with its process."""
    own, kept = Metrics(tmp_path), "nostart_cache_bytes"
    own.answered("/v1/jobs", "GET", 200, 0.02)
    own.answered("/v1/jobs", "GET", 404, 0.001)
    held = {"disk": lambda: 900, "machines": lambda: 2}
    others = [elsewhere(tmp_path, count) for count in (3, 4)]
    first = samples(own.text(held))
    jobs = "method=GET,route=/v1/jobs"
    assert first[f"{REQUESTS}[{jobs},status=200]"] == 8.0
    assert first[f"{REQUESTS}[{jobs},status=404]"] == 1.0
    assert first["nostart_request_seconds_count[route=/v1/jobs]"] == 9.0
    assert first["nostart_request_seconds_bucket[le=0.025,route=/v1/jobs]"] == 9.0
    assert first["nostart_request_seconds_bucket[le=0.001,route=/v1/jobs]"] == 1.0
    assert first["nostart_advice_seconds_sum[]"] == 0.6
    assert (first[f"{kept}[cache=machines]"], first[f"{kept}[cache=disk]"]) == (12.0, 900.0)
    assert samples(own.text(held)) == first
    for process in others:
        process.kill()
        process.communicate()
    after = samples(own.text(held))
    assert after.pop(f"{kept}[cache=machines]") == 2.0
    assert after == {name: first[name] for name in after}
    assert {file.suffix for file in tmp_path.iterdir()} == {".json", ".held", ".lock"}
    assert len(list(tmp_path.iterdir())) == 4  # own, its lock, those that ended, the lock of all
    another = samples(Metrics(tmp_path).text(held))
    assert another[f"{REQUESTS}[{jobs},status=200]"] == 8.0


def test_what_another_has_told_never_counts_less_later(tmp_path: Path) -> None:
    """Whichever of two is asked, and whether or not it has told by itself since."""
    pair, told = [Metrics(tmp_path), Metrics(tmp_path)], 0.0
    for turn in range(20):
        pair[turn % 3 % 2].answered("/v1/jobs", "GET", 200, 0.01)
        now = samples(pair[turn % 2].text({}))
        count = now.get(f"{REQUESTS}[method=GET,route=/v1/jobs,status=200]", 0.0)
        assert count >= told
        told = count
    assert told >= 19.0


def test_files_that_cannot_be_read_are_passed_over(tmp_path: Path) -> None:
    own = Metrics(tmp_path)
    own.answered("/v1/jobs", "GET", 200, 0.01)
    (tmp_path / f"{os.getpid()}-half.json").write_text('{"families": [["nost', "utf-8")
    (tmp_path / "7-list.json").write_text(json.dumps([1]), "utf-8")
    assert samples(own.text({}))[f"{REQUESTS}[method=GET,route=/v1/jobs,status=200]"] == 1.0
