"""The demo command as a whole, what each of its phases takes, and the evaluation of all losses.

The command stands against importing its libraries and writing the same cells with the same library.

Both are whole processes, run in turns in one sitting. The measure is the ratio of the medians of their processor
times, which other work on the machine disturbs less than the clock; the clock's ratio is printed beside it.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import openpyxl

from benchmarks.make_plans import make_plan
from tractduct.inputs.reader import load_plan
from tractduct.sizing.candidates import evaluate_candidates
from tractduct.sizing.case import build_case

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "configs" / "brindlecote-2670"
LIBRARIES = (
    "numpy, pandas, scipy.optimize, scipy.sparse, scipy.interpolate, scipy.special, openpyxl, tqdm, matplotlib.figure, "
    "matplotlib.backends.backend_agg"
)
PHASES = {  # what a run's processor time goes into: where the function is looked up, and what it is
    "tractduct.inputs.reader:load_plan": "reading the plan",
    "tractduct.report:study": "sizes, trade-off, comparisons",
    "tractduct.report:chosen": "sizes and dampers together",
    "tractduct.report:deliver": "delivered airflow and marks",
    "tractduct.report:buy": "flex products and orders",
    "tractduct.report:study_orientation": "direction, packages, lots",
    "tractduct.report:deliver_lots": "air of each lot",
    "tractduct.writers.output:draw_pictures": "pictures",
    "tractduct.writers.output:write_workbook": "workbook",
    "tractduct.writers.output:write_order": "order's workbook",
    "tractduct.writers.output:write_lot_pages": "pages of the lots",
    "tractduct.writers.output:write_readings": "form for readings",
    "tractduct.writers.data:data_files": "lists",
    "tractduct.writers.output:results_text": "results.json",
}
SPLIT = """
import functools, gc, importlib, json, sys, time
gc.disable()  # as the command does
spent = {}
def timed(function, what):
    @functools.wraps(function)
    def run(*given, **named):
        start = time.process_time()
        try:
            return function(*given, **named)
        finally:
            spent[what] = spent.get(what, 0.0) + time.process_time() - start
    return run
for place, what in json.loads(sys.argv[1]).items():
    module, _, name = place.partition(":")
    module = importlib.import_module(module)
    setattr(module, name, timed(getattr(module, name), what))
imported = time.process_time()
from tractduct.cli import main
main(["study", sys.argv[2], "--out", sys.argv[3]])
whole = time.process_time()
spent = {"start and imports": imported, **spent}
spent["all else"] = whole - sum(spent.values())
with open(sys.argv[4], "w", encoding="utf-8") as file:
    json.dump(spent, file)
"""
WRITE = f"""
import json, sys
import {LIBRARIES}
book = openpyxl.Workbook()
for name, cells in json.load(open(sys.argv[1], encoding="utf-8")).items():
    sheet = book.create_sheet(name)
    for row, column, value in cells:
        sheet.cell(row, column, value)
book.save(sys.argv[2])
"""


def timed(command: list[str]) -> tuple[float, float]:
    """Processor and clock seconds of a whole process."""
    before, start = os.times(), time.perf_counter()
    subprocess.run(command, check=True, cwd=ROOT, stdout=subprocess.DEVNULL)
    after = os.times()
    spent = after.children_user + after.children_system - before.children_user - before.children_system
    return spent, time.perf_counter() - start


def whole_command(repeats: int) -> dict[str, float]:
    """The demo command over importing and writing, both in turns."""
    with tempfile.TemporaryDirectory() as folder:
        out, plain, data = Path(folder) / "out", Path(folder) / "plain.xlsx", Path(folder) / "cells.json"
        study = [sys.executable, "-m", "tractduct", "study", str(DEMO), "--out", str(out)]
        first = timed(study)
        book = openpyxl.load_workbook(next(out.glob("*.xlsx")))
        cells = {
            sheet.title: [[c.row, c.column, c.value] for row in sheet for c in row if c.value is not None]
            for sheet in book
        }
        data.write_text(json.dumps(cells, default=str), encoding="utf-8")
        write = [sys.executable, "-c", WRITE, str(data), str(plain)]
        ours, theirs = [], []
        for _ in range(repeats):
            ours.append(first if repeats == 1 else timed(study))  # several: without the one that met cold files
            theirs.append(timed(write))
    processor = statistics.median(t[0] for t in ours) / statistics.median(t[0] for t in theirs)
    clock = statistics.median(t[1] for t in ours) / statistics.median(t[1] for t in theirs)
    return {"cells": sum(map(len, cells.values())), "processor_ratio": processor, "clock_ratio": clock}


def split(repeats: int) -> dict[str, float]:
    """Processor seconds of each phase of the demo command, the medians of some runs."""
    runs: list[dict[str, float]] = []
    with tempfile.TemporaryDirectory() as folder:
        for _ in range(repeats):
            spent = Path(folder) / "spent.json"
            timed([sys.executable, "-c", SPLIT, json.dumps(PHASES), str(DEMO), str(Path(folder) / "out"), str(spent)])
            runs.append(json.loads(spent.read_text(encoding="utf-8")))
    return {what: statistics.median(run[what] for run in runs) for what in runs[0]}


def all_losses(repeats: int) -> float:
    """Milliseconds to evaluate every size in 40 sections and 160 variants, the best of some repeats."""
    with tempfile.TemporaryDirectory() as folder:
        case = build_case(load_plan(make_plan(Path(folder) / "plan", 1, n_section=40, n_variant=160)))
    best = float("inf")
    for _ in range(repeats):
        start = time.perf_counter()
        evaluate_candidates(case.plan, case.tree, case.variants, case.air)
        best = min(best, time.perf_counter() - start)
    return 1000.0 * best


def main() -> None:
    """Print both and write them as JSON where asked."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="fewer repeats")
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    command = whole_command(1 if options.quick else 5)
    phases = split(1 if options.quick else 5)
    losses_ms = all_losses(3 if options.quick else 20)
    print(
        f"study of the demo over importing its libraries and writing the same {command['cells']:,} cells: "
        f"{command['processor_ratio']:.2f} in processor time, {command['clock_ratio']:.2f} by the clock (at most 2)"
    )
    for what, seconds in phases.items():
        print(f"  {what}: {100.0 * seconds / sum(phases.values()):.0f} % ({seconds:.2f} s)")
    print(f"all losses of 40 sections x 160 variants: {losses_ms:.0f} ms (under 50)")
    if options.json:
        options.json.write_text(
            json.dumps({**command, "phases_s": phases, "all_losses_ms": losses_ms}, indent=1) + "\n", encoding="utf-8"
        )


if __name__ == "__main__":
    main()
