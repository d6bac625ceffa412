"""Time the search of sizes and dampers together: ``python -m benchmarks.front`` prints ratios to one prediction.

Random plans of 40 sections and 160 variants (``benchmarks.make_plans``) and both demos, with the airflow held. In one
process, one after another: a prediction of all variants, and the front from no damper upwards
(``tractduct.delivery.damper_search``) from the least-cost and the standard set. Beside it what was found: the most that
is within tolerance without a damper, and what is cheapest with dampers, in duct over the proven least cost.
Times are of the processor, on a shared machine: read the ratios.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from pathlib import Path
from typing import Any

from benchmarks.make_plans import make_plan
from tractduct.delivery.damper_search import search_dampers
from tractduct.delivery.predict import Drive, installed_ducts, predict
from tractduct.inputs.reader import load_plan
from tractduct.sizing.case import Case, build_case
from tractduct.sizing.solve import recommend

CONFIGS = Path(__file__).parents[1] / "configs"
_PREDICTIONS = 50
DEMOS = ("brindlecote-2670", "quernby-1180")


def race(name: str, case: Case, effort: float) -> dict[str, Any]:
    """One plan: the ratio to a prediction, and what was found."""
    least, standard = recommend(case.problem(), case.plan.standardize_within_pct)
    assert standard.size_index is not None
    ducts = installed_ducts(case, standard.size_index)
    start = time.process_time()
    for _ in range(_PREDICTIONS):
        predict(case, ducts, drive=Drive.AIRFLOW)
    one = (time.process_time() - start) / _PREDICTIONS
    start = time.process_time()
    front = search_dampers(case, least, [standard.size_index], drive=Drive.AIRFLOW, effort=effort)
    took = time.process_time() - start
    none, chosen = front.entries[0], front.least()
    return {
        "plan": name,
        "sections": len(case.tree.sections),
        "variants": len(case.variants.variants),
        "prediction_ms": 1000.0 * one,
        "front_ratio": took / one,
        "simulated": front.simulated,
        "entries": len(front.entries),
        "outside_without_dampers": none.rooms_outside,
        "duct_over_pct_without_dampers": 100.0 * (none.duct_cost / least.cost - 1.0),
        "outside": chosen.rooms_outside,
        "dampers": chosen.dampers,
        "duct_over_pct": 100.0 * (chosen.duct_cost / least.cost - 1.0),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="one plan, little effort")
    parser.add_argument("--json", type=Path)
    args = parser.parse_args()
    effort = 0.1 if args.quick else 1.0
    found = []
    with tempfile.TemporaryDirectory() as scratch:
        for seed in range(1, 2 if args.quick else 4):
            plan = make_plan(Path(scratch) / f"{seed}", seed, n_section=40, n_variant=160)
            found.append(race(f"random {seed}", build_case(load_plan(plan)), effort))
        if not args.quick:
            found += [race(name, build_case(load_plan(CONFIGS / name)), effort) for name in DEMOS]
    for row in found:
        print(
            f"{row['plan']:<18} front {row['front_ratio']:6.0f} x a prediction of {row['prediction_ms']:.1f} ms; "
            f"without dampers {row['outside_without_dampers']} rooms outside at "
            f"+{row['duct_over_pct_without_dampers']:.2f} % duct, with {row['dampers']} dampers {row['outside']} at "
            f"+{row['duct_over_pct']:.2f} %"
        )
    if args.json:
        args.json.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
