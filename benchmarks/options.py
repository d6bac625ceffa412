"""Time options: ``python -m benchmarks.options``; 40 sections with 10 houses against the same without options.

The plans are those of ``benchmarks.plans``. With options there are 16 orientations x 2 seasons x 2 flex products x 10
houses, 640 variants: each of five branches of the supply is in some houses only, each of four rooms needs more in some,
and what the air handler moves is shared out again. Against them stand 160 variants of one house.

Then the least cost by the trunks' sizes against the integer program alone, with the pressure given by side and by
circuit; both find the same set.
"""

from __future__ import annotations

import argparse
import json
import statistics
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np

from benchmarks.plans import synthetic_plan, with_circuits
from benchmarks.solver import timed
from tractduct.sizing import relaxation
from tractduct.sizing.program import SizingProblem
from tractduct.sizing.solve import least_cost

N_HOUSE = 10


def with_options(n_section: int, n_house: int, seed: int) -> SizingProblem:
    """``n_house`` houses of a plan with two flex products, 64 variants each."""
    plain = synthetic_plan(n_section, 64, 2, seed)
    rng = np.random.default_rng(seed)
    supply = np.flatnonzero((plain.available_inwc == 0.10).any(axis=0))
    some = rng.permutation(supply)
    end = plain.path.shape[1] - 1 - np.argmax(plain.path[:, ::-1], axis=1)  # the section that ends each path
    losses, limits = [], []
    for h in range(n_house):
        share = np.ones(len(plain.path))
        share[some[:5][rng.uniform(size=5) < 0.4]] = 0.0
        share[some[5:9][rng.uniform(size=4) < 0.5]] = 1.3
        if h == 0:
            share[:] = 1.0
        is_supply = np.isin(np.arange(len(share)), supply)
        share[is_supply] *= is_supply.sum() / share[is_supply].sum()
        # Loss goes with the square of airflow, near enough for a race; a section's airflow is that of its runs.
        beyond = plain.path.T.astype(float)
        factor = (beyond @ share) / beyond.sum(axis=1)
        losses.append(plain.loss_inwc * (factor**2)[:, None])
        limits.append(np.where(share == 0.0, np.inf, plain.available_inwc))
        assert (factor[end[share == 0.0]] == 0.0).all()
    loss = np.concatenate(losses)
    return replace(plain, loss_inwc=loss, available_inwc=np.concatenate(limits))


def through_trunks(circuits: bool, seed: int, quick: bool) -> dict[str, object]:
    """Seconds of the least cost as it is found, and by the integer program alone."""
    problem = synthetic_plan(20 if quick else 40, 160, 2, seed)
    problem = with_circuits(problem) if circuits else problem
    ours_s, ours = timed(partial(least_cost, problem))
    going_through, relaxation._TRUNKS_FROM = relaxation._TRUNKS_FROM, np.inf
    alone_s, alone = timed(partial(least_cost, problem))
    relaxation._TRUNKS_FROM = going_through
    if ours.size_index is None or alone.size_index is None or (ours.size_index != alone.size_index).any():
        raise SystemExit(f"seed {seed}: the two ways find other sets")
    of = "by circuit" if circuits else "by side"
    print(f"seed {seed}, pressure {of}: {ours_s:.2f} s, integer program alone {alone_s:.2f} s: {alone_s / ours_s:.1f}")
    return {"seed": seed, "circuits": circuits, "ours_s": ours_s, "alone_s": alone_s}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--json", type=Path, default=Path("reports/benchmark_options.json"))
    args = parser.parse_args()
    rows = []
    for seed in range(1 if args.quick else 8):
        few, many = synthetic_plan(40, 160, 2, seed), with_options(40, N_HOUSE, seed)
        few_s, _ = timed(partial(least_cost, few), 3)
        many_s, found = timed(partial(least_cost, many), 3)
        if found.status != "optimal":
            raise SystemExit(f"seed {seed}: the least cost is not proven")
        rows.append({"seed": seed, "few_s": few_s, "many_s": many_s, "ratio": many_s / few_s})
        print(f"seed {seed}: 160 variants {few_s:.2f} s, 640 with options {many_s:.2f} s")
    median = statistics.median(row["ratio"] for row in rows)
    worst = max(row["ratio"] for row in rows)
    whole = sum(row["many_s"] for row in rows) / sum(row["few_s"] for row in rows)
    print(f"640 variants with options over 160: median {median:.2f}, worst {worst:.2f}, all together {whole:.2f}")
    trunks = [
        through_trunks(circuits, seed, args.quick)
        for circuits in (False, True)
        for seed in range(1 if args.quick else 4)
    ]
    args.json.parent.mkdir(parents=True, exist_ok=True)
    measured = {"median": median, "worst": worst, "whole": whole, "rows": rows, "trunks": trunks}
    args.json.write_text(json.dumps(measured, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
