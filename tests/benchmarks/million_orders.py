"""A million orders from Parquet to priors: seconds and memory, a long run, not a test.

    python -m tests.benchmarks.million_orders draw 10000 100 FOLDER
    python -m tests.benchmarks.million_orders refit FOLDER
    python -m tests.benchmarks.million_orders refit FOLDER --workers 2

`draw` simulates so many orders of a machine and writes each so many times, with ids of their own:
drawing a million different ones takes hours. A million real orders would have more patterns; what
each further pattern costs is printed. `refit` counts the patterns, works out what each tells, and
fits the rates. Memory is the most that the process ever held, its workers beside it.
"""

from __future__ import annotations

import argparse
import resource
import sys
from concurrent.futures import ProcessPoolExecutor
from contextlib import nullcontext
from multiprocessing import get_context
from pathlib import Path
from time import perf_counter, process_time

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from diagnose.machine.load import load_machine
from diagnose.refit.large import counted_from
from diagnose.refit.refit import refit_counted
from diagnose.trial.orders import simulated_orders
from diagnose.trial.worlds import drawn_world


def say(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def draw(name: str, orders: int, copies: int, folder: Path) -> None:
    """Write the tables."""
    machine = load_machine(name)
    made = simulated_orders(machine, orders, 1, truth=drawn_world(machine, 1))
    for table, rows in (("orders", made.orders), ("steps", made.steps)):
        whole, writer = pd.DataFrame(rows), None
        for copy in range(copies):
            named = {
                column: whole[column].where(whole[column].isna(), whole[column] + f"_{copy}")
                for column in ("order_id", "comeback_of")
                if column in whole
            }
            part = pa.Table.from_pandas(whole.assign(**named), preserve_index=False)
            writer = writer or pq.ParquetWriter(folder / f"{table}.parquet", part.schema)
            writer.write_table(part)
        writer.close()
        say(f"{table}: {copies * len(whole):,} rows")


def memory() -> str:
    own, theirs = (
        resource.getrusage(who).ru_maxrss / 1e6
        for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    )
    return f"{own:.2f} GB here, {theirs:.2f} GB in the largest worker"


def refit(name: str, folder: Path, workers: int) -> None:
    """Count, work out, fit."""
    machine, begun, used = load_machine(name), perf_counter(), process_time()
    pool = (
        ProcessPoolExecutor(workers, mp_context=get_context("spawn"))
        if workers > 1
        else nullcontext()
    )
    with pool as executor:
        files = folder / "orders.parquet", folder / "steps.parquet"
        told = counted_from(machine, *files, pieces=workers, executor=executor)
        counted, so_far = perf_counter() - begun, process_time() - used
        say(f"{told.orders:,} orders, {len(told.patterns):,} patterns, aside {dict(told.aside)}")
        say(f"counted in {counted:.1f} s ({so_far:.1f} s of processor here); {memory()}")
        done = refit_counted(machine, told, executor=executor, pieces=4 * workers)
    whole = perf_counter() - begun
    each = (whole - counted) / len(told.patterns)
    say(f"in all {whole:.1f} s, {process_time() - used:.1f} s of processor here; {memory()}")
    learnt = int((done.known.learnt > 0.5).sum())
    say(f"after counting {1000.0 * each:.1f} ms a pattern; {learnt} figures learnt")


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--machine", default="push_mower")
    what = options.add_subparsers(dest="what", required=True)
    drawing = what.add_parser("draw")
    drawing.add_argument("orders", type=int)
    drawing.add_argument("copies", type=int)
    drawing.add_argument("folder", type=Path)
    fitting = what.add_parser("refit")
    fitting.add_argument("folder", type=Path)
    fitting.add_argument("--workers", type=int, default=1)
    own = options.parse_args()
    if own.what == "draw":
        own.folder.mkdir(parents=True, exist_ok=True)
        draw(own.machine, own.orders, own.copies, own.folder)
    else:
        refit(own.machine, own.folder, own.workers)


if __name__ == "__main__":
    main()
