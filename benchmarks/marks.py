"""Time the damper marks: ``python -m benchmarks.marks`` prints ratios to one prediction of all variants.

Random plans of 40 sections and 160 variants (``benchmarks.make_plans``) in their sizes of least cost, and the demo in
its standard set, with the airflow held. In one process, one after another: a prediction of all variants, the marks
(``tractduct.delivery.marks``) as the first that do it, and with the fewest dampers looked for. Plans differ in what
they need: one mark a run, a mark a season, or tables by groups of orientations, which is tried after the others have
failed. So the ratio is said for each kind. Beside it how many simulations the classes of variants take in place of the
variants, and the largest difference in a room's airflow. ``benchmarks.front`` times sizes and dampers together.
Times are of the processor, on a shared machine: read the ratios.
"""

from __future__ import annotations

import argparse
import json
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.make_plans import make_plan
from tractduct.delivery.classes import build_classes
from tractduct.delivery.marks import find_marks
from tractduct.delivery.predict import Drive, installed_ducts, predict
from tractduct.inputs.reader import load_plan
from tractduct.sizing.case import Case, build_case
from tractduct.sizing.solve import least_cost, recommend

KINDS = ("one mark", "a mark a season", "groups")
DEMO = Path(__file__).parents[1] / "configs" / "brindlecote-2670"


def least_seconds(repeats: int, work: Callable[[], Any]) -> float:
    """The shortest of some repeats."""
    best = float("inf")
    for _ in range(repeats):
        start = time.process_time()
        work()
        best = min(best, time.process_time() - start)
    return best


def race(name: str, case: Case, size_index: Any, repeats: int) -> dict[str, Any]:
    """One plan: ratios to a prediction, and what was found."""
    ducts = installed_ducts(case, size_index)
    whole = predict(case, ducts, drive=Drive.AIRFLOW)
    classes = build_classes(case, Drive.AIRFLOW)
    got = classes.simulate(size_index).room_cfm[0, classes.of_variant] * classes.scale[:, None]
    one = least_seconds(5 * repeats, lambda: predict(case, ducts, drive=Drive.AIRFLOW))
    first = least_seconds(repeats, lambda: find_marks(case, size_index, drive=Drive.AIRFLOW, fewest=False))
    fewest = least_seconds(repeats, lambda: find_marks(case, size_index, drive=Drive.AIRFLOW))
    marks = find_marks(case, size_index, drive=Drive.AIRFLOW)
    tables = len(marks.chosen.tables)
    return {
        "plan": name,
        "kind": KINDS[2 if tables > 1 else marks.chosen.positions - 1],
        "sections": len(case.tree.sections),
        "variants": len(case.variants.variants),
        "variants_a_class": len(case.variants.variants) / classes.n_class,
        "class_off_cfm": float(np.abs(got - whole.room_cfm).max()),
        "prediction_ms": 1000.0 * one,
        "first_ratio": first / one,
        "fewest_ratio": fewest / one,
        "open": marks.rooms_outside_open,
        "outside": marks.chosen.rooms_outside,
        "tables": tables,
        "positions": marks.chosen.positions,
        "dampers": len(marks.chosen.runs),
        "least_dampers": marks.least_dampers,
        "worst_tolerances": marks.chosen.worst_tolerances,
    }


def main() -> None:
    """Print the ratios and write them as JSON where asked."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="one plan, once")
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    seeds, repeats = (1, 1) if options.quick else (12, 3)
    demo = build_case(load_plan(DEMO))
    size_index = recommend(demo.problem(), demo.plan.standardize_within_pct)[1].size_index
    raced = [race("demo", demo, size_index, repeats)]
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(1, seeds + 1):
            case = build_case(load_plan(make_plan(Path(folder) / str(seed), seed, n_section=40, n_variant=160)))
            raced.append(race(f"random {seed}", case, least_cost(case.problem()).size_index, repeats))
    print("plan      sections variants | a class   off cfm | prediction | marks  fewest dampers | outside open marked")
    for row in raced:
        print(
            f"{row['plan']:9s} {row['sections']:8d} {row['variants']:8d} | {row['variants_a_class']:7.1f} "
            f"{row['class_off_cfm']:9.5f} | {row['prediction_ms']:7.1f} ms | {row['first_ratio']:5.0f} "
            f"{row['fewest_ratio']:15.0f} | {row['open']:12d} {row['outside']:6d}  "
            f"{row['tables']} tables, {row['positions']} marks, {row['dampers']} dampers, worst "
            f"{row['worst_tolerances']:.2f}"
        )
    for kind in (*KINDS, ""):
        of_kind = [row for row in raced if kind in row["kind"]]
        if of_kind:
            first, fewest = ([row[key] for row in of_kind] for key in ("first_ratio", "fewest_ratio"))
            print(
                f"{kind or 'all'}: {len(of_kind)} plans; marks {statistics.median(first):.1f} times a prediction "
                f"(most {max(first):.1f}; aim: 20), with the fewest dampers {statistics.median(fewest):.0f}"
            )
    if options.json:
        options.json.write_text(json.dumps({"raced": raced}, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
