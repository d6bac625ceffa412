"""Time many plans: ``python -m benchmarks.portfolio`` prints tables, writes ``reports/benchmark_portfolio.json``.

All on seeded random plan folders (``benchmarks.make_plans``), 30 sections x 96 variants unless a table says otherwise:

- one plan, by phase, medians over plans: read its files; evaluate every section, variant and size; solve for the
  least cost and the recommended set; the checks and the hand method around them; predict the airflow; and, each for
  what is asked of it, the trade-off and comparisons, results.json, and the plan's own workbook and pictures;
- how the phases grow with sections and with variants;
- a whole batch (``tractduct batch --quick --predict --no-workbook``), a process of its own, with 1 and with 2
  processes and for several numbers of plans: plans a second, parallel efficiency, memory of the largest process;
- the same with numpy's libraries free to use threads, which shows what they would gain or cost;
- the stock list: seconds, size sets solved exactly, what is proven.

Efficiency is seconds with one process over two times the seconds with two. On a machine that others use at the same
time it says little, so each pair is run one after the other, a part of the processor time is given as well (what
two processes spend over what one spends), and the load of the machine before each run is written down.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TypeVar

from benchmarks.make_plans import make_plans
from tractduct.delivery.predict import installed_ducts, predict
from tractduct.inputs.reader import load_plan
from tractduct.one_plan import study
from tractduct.portfolio.pool import Pool
from tractduct.portfolio.stock import stock_plan
from tractduct.portfolio.stock_search import stock_list
from tractduct.report import Report
from tractduct.sizing.case import build_case
from tractduct.sizing.solve import recommend
from tractduct.writers.output import write_report
from tractduct.writers.results import results_text

Result = TypeVar("Result")
WITHIN_PCT = 5.0
PHASES = ("read", "evaluate", "solve", "check", "predict", "all_without_files")
EXTRAS = ("trade_off_and_comparisons", "results_json", "workbook_and_pictures")


def timed(function: Callable[[], Result]) -> tuple[float, Result]:
    """Milliseconds of a call, and its result."""
    start = time.perf_counter()
    result = function()
    return 1000.0 * (time.perf_counter() - start), result


def phases(folder: Path, *, extras: bool) -> dict[str, float]:
    """Milliseconds of one plan by phase. ``extras``: also what a full study and its files take."""
    row: dict[str, float] = {}
    row["read"], plan = timed(lambda: load_plan(folder))
    row["evaluate"], case = timed(lambda: build_case(plan))
    row["solve"], _ = timed(lambda: recommend(case.problem(), WITHIN_PCT))
    whole, quick = timed(lambda: study(plan, quick=True))
    row["check"] = max(0.0, whole - row["evaluate"] - row["solve"])
    size_index = quick.recommended.size_index
    assert size_index is not None, f"{folder}: no size set holds"
    row["predict"], delivered = timed(lambda: predict(quick.case, installed_ducts(quick.case, size_index)))
    row["all_without_files"] = row["read"] + whole + row["predict"]
    if extras:
        row["results_json"], _ = timed(lambda: results_text(Report(study=quick), [delivered]))
        full_ms, full = timed(lambda: study(plan))
        row["trade_off_and_comparisons"] = max(0.0, full_ms - whole)
        with tempfile.TemporaryDirectory() as written:
            row["workbook_and_pictures"], _ = timed(lambda: write_report(Report(study=full), Path(written)))
    return row


def medians(folders: Iterable[Path], *, extras: bool = False) -> dict[str, float]:
    rows = [phases(folder, extras=extras) for folder in folders]
    return {name: statistics.median(row[name] for row in rows) for name in rows[0]}


def run_batch(folder: Path, jobs: int, threads: int | None = 1) -> dict[str, float]:
    """One batch in a process of its own. ``threads`` of numpy's libraries; None: as many as they like."""
    environment = dict(os.environ)
    names = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
    for name in names:
        environment.pop(name, None)
    if threads is not None:
        environment |= dict.fromkeys(names, str(threads))
    with tempfile.TemporaryDirectory() as out:
        command = [
            sys.executable, "-m", "tractduct", "batch", str(folder), "--out", out, "--jobs", str(jobs), "--quick",
            "--predict", "--no-workbook",
        ]  # fmt: skip
        load = os.getloadavg()[0]
        start = time.perf_counter()
        with subprocess.Popen(command, stdout=subprocess.PIPE, env=environment) as process:
            _, status, used = os.wait4(process.pid, 0)
            process.returncode = os.waitstatus_to_exitcode(status)
        seconds = time.perf_counter() - start
    if process.returncode not in (0, 3):  # a plan that no set fits is a result too
        raise SystemExit(f"the batch ended with {process.returncode}")
    return {
        "jobs": jobs,
        "seconds": seconds,
        "processor_s": used.ru_utime + used.ru_stime,
        "largest_process_mb": used.ru_maxrss / 1024.0,
        "load_before": load,
    }


def batches(folder: Path, numbers: Sequence[int]) -> list[dict[str, float]]:
    rows = []
    for plans in numbers:
        with tempfile.TemporaryDirectory() as scratch:
            part = Path(scratch)
            for path in sorted(folder.iterdir())[:plans]:
                (part / path.name).symlink_to(path.resolve(), target_is_directory=True)
            one, two = run_batch(part, 1), run_batch(part, 2)
        rows.append(
            {
                "plans": plans,
                "one_s": one["seconds"],
                "two_s": two["seconds"],
                "plans_a_second_one": plans / one["seconds"],
                "plans_a_second_two": plans / two["seconds"],
                "efficiency": one["seconds"] / (2.0 * two["seconds"]),
                "processor_ratio": one["processor_s"] / two["processor_s"],
                "largest_process_mb": max(one["largest_process_mb"], two["largest_process_mb"]),
                "load_before": one["load_before"],
            }
        )
        show(rows[-1:], header=len(rows) == 1)
    return rows


def show(rows: Sequence[dict[str, float]], *, header: bool = True) -> None:
    """Rows under the names of their columns."""
    names = list(rows[0])
    widths = [max(len(name), 8) for name in names]
    if header:
        print("  ".join(name.rjust(width) for name, width in zip(names, widths, strict=True)))
    for row in rows:
        cells = (f"{value:.0f}" if value == int(value) or value >= 100.0 else f"{value:.2f}" for value in row.values())
        print("  ".join(cell.rjust(width) for cell, width in zip(cells, widths, strict=True)), flush=True)


def stock(folders: Sequence[Path], numbers: Sequence[int]) -> list[dict[str, float]]:
    rows = []
    for count in numbers:
        plans = [stock_plan([build_case(load_plan(folder))], folder.name) for folder in folders[:count]]
        start = time.perf_counter()
        with Pool(2) as pool:
            found = stock_list(plans, pool=pool)
        rows.append(
            {
                "plans": count,
                "seconds": time.perf_counter() - start,
                "numbers_of_sizes": len(found.entries),
                "fewest_sizes": len(found.entries[0].sizes),
                "most_sizes": len(found.entries[-1].sizes),
                "proven": sum(entry.proven for entry in found.entries),
                "largest_gap_pct": max(entry.gap_pct for entry in found.entries),
                "size_sets_solved": found.solved,
                "choices_tried": found.rounds,
            }
        )
        show(rows[-1:], header=len(rows) == 1)
    return rows


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="two small plans, to see that everything runs")
    parser.add_argument("--plans", type=int, default=200, help="of the largest batch")
    parser.add_argument("--stock-plans", type=int, default=100, help="of the largest stock list")
    parser.add_argument("--json", type=Path, default=Path("reports/benchmark_portfolio.json"))
    args = parser.parse_args(arguments)
    plans, n_stock, few = (2, 2, 1) if args.quick else (args.plans, args.stock_plans, 12)
    n_section, n_variant = (16, 32) if args.quick else (30, 96)
    written: dict[str, object] = {
        "machine": platform.machine(),
        "processors": os.cpu_count(),
        "python": platform.python_version(),
        "sections": n_section,
        "variants": n_variant,
    }
    with tempfile.TemporaryDirectory() as scratch:
        top = Path(scratch)
        folders = make_plans(top / "plans", max(plans, n_stock), n_section, n_variant)
        if not args.quick:
            medians(folders[:2], extras=True)  # imports and first calls are not a plan's own time
        print(f"one plan of {n_section} sections x {n_variant} variants, milliseconds, median of {few}")
        one = medians(folders[:few], extras=True)
        show([{name: one[name] for name in (*PHASES, *EXTRAS)}])
        written["one_plan_ms"] = one

        for what, sizes in (
            ("sections", [(s, n_variant) for s in ((16,) if args.quick else (16, 30, 45, 60))]),
            ("variants", [(n_section, v) for v in ((32,) if args.quick else (32, 96, 160, 256))]),
        ):
            print(f"\ngrowth with {what}, milliseconds, median of {few}")
            grown = []
            for s, v in sizes:
                row = medians(make_plans(top / f"grown-{s}-{v}", few, s, v))
                grown.append({"sections": s, "variants": v, **row})
                show(grown[-1:], header=len(grown) == 1)
            written[f"growth_with_{what}_ms"] = grown

        print("\nbatches of plans, 1 and 2 processes")
        numbers = [plans] if args.quick else [plans // 4, plans // 2, plans]
        written["batches"] = batches(top / "plans", numbers)
        free, held = run_batch(top / "plans", 1, None), run_batch(top / "plans", 1)
        written["free_threads"] = {
            name: {"free": free[name], "one_thread": held[name]} for name in ("seconds", "processor_s")
        }
        print(f"1 process, {len(folders)} plans, seconds and processor seconds: threads left free ", end="")
        print(f"{free['seconds']:.1f}, {free['processor_s']:.1f}; one thread {held['seconds']:.1f}, ", end="")
        print(f"{held['processor_s']:.1f}")

        print("\nstock list of all plans, 2 processes")
        written["stock"] = stock(folders, [n_stock] if args.quick else [10, 30, n_stock])
    args.json.parent.mkdir(parents=True, exist_ok=True)
    args.json.write_text(json.dumps(written, indent=1) + "\n", encoding="utf-8")
    print(f"wrote {args.json}")


if __name__ == "__main__":
    main()
