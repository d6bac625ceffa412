"""Time the solver: ``python -m benchmarks.solver`` prints a table, writes ``reports/benchmark_solver.json``.

Measured on seeded synthetic plans (``benchmarks.plans``), everything in one process, one after another:

- least cost and the whole sweep over numbers of distinct sizes against the naive program
  (``benchmarks.naive``, its building included), 40 sections x 160 variants;
- the sweep against CP-SAT with the solver's own reductions, path rows and covers (``benchmarks.cpsat``), with
  1 and with 2 workers; finding those rows counts for both;
- least cost, recommendation and sweep at 80 sections as the variants grow.

The solver also proves which of several equally cheap sets comes first; the other two do not, so they do
less. All answers are compared; a difference stops the run. Times are of a shared machine: read the ratios.
"""

from __future__ import annotations

import argparse
import json
import platform
import statistics
import time
from collections.abc import Callable
from functools import partial
from importlib.metadata import version
from pathlib import Path
from typing import TypeVar

from benchmarks.cpsat import cpsat_front
from benchmarks.naive import Naive
from benchmarks.plans import VARIANTS_PER_FLEX, synthetic_plan
from tractduct.sizing.program import SizingProblem
from tractduct.sizing.solve import TradeOff, least_cost, recommend, trade_off_of

Result = TypeVar("Result")
WITHIN_PCT = 5.0


def timed(function: Callable[[], Result], repeats: int = 1) -> tuple[float, Result]:
    """Median seconds of a call, and its result."""
    seconds = []
    for _ in range(repeats):
        start = time.perf_counter()
        result = function()
        seconds.append(time.perf_counter() - start)
    return statistics.median(seconds), result


def same(ours: object, other: object, what: str) -> None:
    if ours != other:
        raise SystemExit(f"{what}: the answers differ\n  solver: {ours}\n  other: {other}")


def in_cents(front: TradeOff) -> list[tuple[int, int]]:
    assert front.status == "optimal"
    return [(entry.distinct_sizes, round(100 * entry.cost)) for entry in reversed(front.entries)]


def race(problem: SizingProblem, naive_limit_s: float, repeats: int) -> dict[str, float]:
    """Seconds of everything raced at one plan; naive times are a lower bound where the limit was met."""
    row: dict[str, float] = {}
    row["least_s"], least = timed(lambda: least_cost(problem), repeats)
    row["front_s"], front = timed(lambda: trade_off_of(problem), repeats)
    row["recommend_s"], _ = timed(lambda: recommend(problem, WITHIN_PCT), repeats)
    ours = in_cents(front)
    row["numbers"] = len(ours)
    row["naive_least_s"], found = timed(lambda: Naive(problem).solve(None, naive_limit_s))
    same(round(100 * least.cost), found and round(100 * found[0]), "least cost of the naive program")
    row["naive_front_s"], naive_front = timed(lambda: Naive(problem).front(naive_limit_s))
    if naive_front is not None:
        same(ours, [(number, round(100 * cost)) for number, cost in naive_front], "naive sweep")
    for workers in (1, 2):
        row[f"cpsat_{workers}_s"], cpsat = timed(partial(cpsat_front, problem, workers))
        same(ours, cpsat, f"CP-SAT sweep, {workers} workers")
    return row


def grow(n_section: int, n_variant: int, groups: int, seed: int) -> dict[str, float]:
    """Seconds of the solver alone at one plan."""
    problem = synthetic_plan(n_section, n_variant, groups, seed)
    row: dict[str, float] = {}
    row["least_s"], least = timed(lambda: least_cost(problem), repeats=3)
    assert least.status == "optimal"
    row["recommend_s"], _ = timed(lambda: recommend(problem, WITHIN_PCT))
    row["front_s"], front = timed(lambda: trade_off_of(problem))
    row["numbers"] = len(in_cents(front))
    return row


def summary(ratios: list[float]) -> dict[str, float]:
    return {"median": statistics.median(ratios), "worst": min(ratios)}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="one small plan of each kind, to see that it runs")
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--naive-limit-s", type=float, default=600.0, help="for one naive solve or sweep")
    parser.add_argument("--json", type=Path, default=Path("reports/benchmark_solver.json"))
    args = parser.parse_args()
    seeds = range(1 if args.quick else args.seeds)
    n_section, n_variant = (16, VARIANTS_PER_FLEX) if args.quick else (40, 160)
    large, variants = (16, (32, 64)) if args.quick else (80, (160, 320, 640))

    print(f"{n_section} sections x {n_variant} variants, seconds (solver: median of 3)")
    print("groups seed | least  naive ratio | sweep  naive ratio | CP-SAT 1 ratio | CP-SAT 2 ratio | recommend")
    raced = []
    for groups in (1, 2, 3):
        for seed in seeds:
            row = race(synthetic_plan(n_section, n_variant, groups, seed), args.naive_limit_s, 1 if args.quick else 3)
            raced.append({"groups": groups, "seed": seed, **row})
            print(
                f"{groups:6d} {seed:4d} |"
                f" {row['least_s']:5.2f} {row['naive_least_s']:6.2f}"
                f" {row['naive_least_s'] / row['least_s']:5.1f} |"
                f" {row['front_s']:5.2f} {row['naive_front_s']:6.1f}"
                f" {row['naive_front_s'] / row['front_s']:5.1f} |"
                f" {row['cpsat_1_s']:8.2f} {row['cpsat_1_s'] / row['front_s']:5.1f} |"
                f" {row['cpsat_2_s']:8.2f} {row['cpsat_2_s'] / row['front_s']:5.1f} |"
                f" {row['recommend_s']:9.2f}",
                flush=True,
            )
    ratios = {
        name: summary([row[theirs] / row[ours] for row in raced])
        for name, theirs, ours in (
            ("naive over solver, least cost", "naive_least_s", "least_s"),
            ("naive over solver, sweep", "naive_front_s", "front_s"),
            ("CP-SAT 1 worker over solver, sweep", "cpsat_1_s", "front_s"),
            ("CP-SAT 2 workers over solver, sweep", "cpsat_2_s", "front_s"),
        )
    }

    print(f"\n{large} sections, 2 and 3 groups, solver alone, seconds")
    print("groups seed variants | least  recommend  sweep")
    grown = []
    for groups in (2, 3):
        for seed in seeds:
            for count in variants:
                row = grow(large, count, groups, seed)
                grown.append({"groups": groups, "seed": seed, "variants": count, **row})
                print(
                    f"{groups:6d} {seed:4d} {count:8d} | {row['least_s']:5.2f} {row['recommend_s']:10.2f}"
                    f" {row['front_s']:6.2f}",
                    flush=True,
                )
    median_s = {
        count: statistics.median(row["least_s"] for row in grown if row["variants"] == count) for count in variants
    }
    growth = median_s[variants[-1]] / median_s[variants[0]]

    print()
    for name, ratio in ratios.items():
        print(f"{name}: median {ratio['median']:.1f}, worst {ratio['worst']:.1f}")
    print(f"least cost, {variants[-1] // variants[0]} times the variants: {growth:.1f} times the median time")
    args.json.parent.mkdir(parents=True, exist_ok=True)
    written = {
        "python": platform.python_version(),
        "scipy": version("scipy"),
        "ortools": version("ortools"),
        "sections": n_section,
        "variants": n_variant,
        "raced": raced,
        "ratios": ratios,
        "large_sections": large,
        "grown": grown,
        "least_cost_growth": growth,
    }
    args.json.write_text(json.dumps(written, indent=1) + "\n")
    print(f"wrote {args.json}")


if __name__ == "__main__":
    main()
