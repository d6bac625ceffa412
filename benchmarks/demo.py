"""The demo command as a whole against importing its libraries and writing the same cells with the same library.

Both are whole processes, run in turns in one sitting. The measure is the ratio of the medians of their processor
times, which other work on the machine disturbs less than the clock; the clock's ratio is printed beside it.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import openpyxl

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "configs" / "brindlecote-2670"
TARGET = 2.0
LIBRARIES = (
    "numpy, pandas, scipy.optimize, scipy.sparse, scipy.interpolate, scipy.special, openpyxl, tqdm, matplotlib.figure, "
    "matplotlib.backends.backend_agg"
)
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


def main(repeats: int = 5) -> dict[str, float]:
    """Run both in turns and print the ratio."""
    with tempfile.TemporaryDirectory() as folder:
        out, plain, data = Path(folder) / "out", Path(folder) / "plain.xlsx", Path(folder) / "cells.json"
        study = [sys.executable, "-m", "tractduct", "study", str(DEMO), "--out", str(out)]
        timed(study)
        book = openpyxl.load_workbook(next(out.glob("*.xlsx")))
        cells = {
            sheet.title: [[c.row, c.column, c.value] for row in sheet for c in row if c.value is not None]
            for sheet in book
        }
        data.write_text(json.dumps(cells, default=str), encoding="utf-8")
        write = [sys.executable, "-c", WRITE, str(data), str(plain)]
        ours, theirs = [], []
        for _ in range(repeats):
            ours.append(timed(study))
            theirs.append(timed(write))
    processor = statistics.median(t[0] for t in ours) / statistics.median(t[0] for t in theirs)
    clock = statistics.median(t[1] for t in ours) / statistics.median(t[1] for t in theirs)
    n = sum(map(len, cells.values()))
    print(
        f"demo: {n:,} cells; study over import and plain write: {processor:.2f} (processor), {clock:.2f} (clock); "
        f"target at most {TARGET:g}"
    )
    return {"cells": n, "processor_ratio": processor, "clock_ratio": clock, "target": TARGET}


if __name__ == "__main__":
    main()
