"""A tract under way: what to keep and what to change, against every combination of sizes."""

from __future__ import annotations

import itertools
import random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plan_folder import PlanTables, small_plan, with_prices, written
from reference import Reference
from test_optimum import all_sets, tiny_plans

import tractduct
from tractduct.orientation.study import lot_mix
from tractduct.report import Wanted, work_out
from tractduct.writers.results import results


def built_of(plan: PlanTables, *, predicted: bool = False) -> dict[str, Any]:
    """What results.json says of the sizes already built, and the findings of the whole."""
    with written(plan) as folder:
        report = work_out(tractduct.load_plan(folder), Wanted(predicted=predicted))
    found = results(report)
    return {**found["built"], "findings": found["findings"]}


@settings(max_examples=40, deadline=None)
@given(tiny_plans(), st.integers(0, 10_000))
def test_the_front_is_that_of_all_combinations(plan: PlanTables, seed: int) -> None:
    """Least cost of the sets with at most so many sections unlike those built; one section may not be built yet."""
    rng = random.Random(seed)
    plan.config["objective"] |= {
        "most_steps_over_own": 99,
        "change_price": rng.choice([0, 5, 60]) if "prices" in plan.tables else 0,
        "max_distinct_sizes": 0,
    }
    plan.config["purchase"] = {"lots": 7}
    reference = Reference(plan)
    built = {
        n: rng.choice([s.label for s in reference.sizes if s.shape == reference.shape(n)]) for n in reference.sections
    }
    if rng.random() < 0.3:
        built.pop(rng.choice(list(built)))
    plan.tables["built"] = [{"section": n, "size_in": size} for n, size in built.items()]
    best: dict[int, float] = {}
    for cost, _, labels in all_sets(reference):
        n = sum(labels[name] != size for name, size in built.items())
        best[n] = min(best.get(n, cost), cost)
    falling = {}
    for n in sorted(best):
        if best[n] < min(falling.values(), default=float("inf")) * (1 - 1e-8):
            falling[n] = best[n]
    found = built_of(plan)
    assert {e["changes"]: e["cost"] for e in found["by_changes"]} == pytest.approx(falling, rel=1e-6)
    for entry in found["by_changes"]:
        assert reference.holds(entry["size_set"]) == []
        changed = {n: [size, entry["size_set"][n]] for n, size in built.items() if entry["size_set"][n] != size}
        assert entry["changed"] == changed
        assert (entry["status"], len(changed)) == ("optimal", entry["changes"])
        if found["cost"] is not None:
            worth = 7 * (found["cost"] - entry["cost"]) - plan.config["objective"]["change_price"] * entry["changes"]
            assert entry["worth"] == pytest.approx(worth, abs=1e-4)
    if found["by_changes"] and found["cost"] is not None:
        worths = {e["changes"]: e["worth"] for e in found["by_changes"]}
        assert worths[found["best_changes"]] == max(worths.values())


def tract(**objective: Any) -> PlanTables:
    """Built for meadow alone, in sizes of a generous hand; four lots, one of which stands."""
    plan = with_prices(small_plan(variants={"flex": ["granite"]}, objective=objective))
    sizes = {"T1": 12, "DEN": 8, "BED": 8, "KIT": 8, "RET": 12}
    plan.tables["built"] = [{"section": n, "size_in": size} for n, size in sizes.items()]
    plan.tables["lots"] = [
        {"lot": n, "front_faces": "N", "built": "yes" if n == 1 else None, "flex": None} for n in range(1, 5)
    ]
    return plan


def test_lots_that_stand_are_not_counted() -> None:
    """Three lots left; a dear change keeps what stands, a free one makes the least-cost set."""
    for price, changes in ((0, True), (100_000, False)):
        found = built_of(tract(change_price=price))
        assert found["lots_left"] == 3
        assert found["holds"]
        assert bool(found["best_changes"]) == changes
        for fewer, more in itertools.pairwise(found["by_changes"]):
            assert (fewer["changes"] < more["changes"], fewer["cost"] > more["cost"]) == (True, True)
        (finding,) = [f for f in found["findings"] if f["rule"] == "sizes already built"]
        assert finding["severity"] == "note"
        said = "over the 3 lots left that saves" if changes else "Keep them on the 3 lots left"
        assert said in finding["advice"]


def test_what_is_bought_and_weighed_is_for_the_lots_left() -> None:
    """Of four lots one stands: three are bought for, and three weigh in the packages."""
    with written(tract()) as folder:
        plan = tractduct.load_plan(folder)
    lists = tractduct.buy(tractduct.study(plan, quick=True)).lists
    assert [(one.name, one.lots) for one in lists] == [("one lot", 1), ("all lots", 3)]
    assert lot_mix(plan) == {("N", None): 3}


def test_sizes_that_do_not_hold_any_more() -> None:
    """Runs too small for the product that now comes: that is said, with what to change, and what new marks reach."""
    plan = tract()
    for row in plan.tables["built"]:
        row["size_in"] = {"DEN": 5, "BED": 5, "KIT": 6}.get(row["section"], row["size_in"])
    found = built_of(plan, predicted=True)
    assert not found["holds"]
    assert any("DEN" in b or "BED" in b for b in found["breaches"])
    assert found["by_changes"][0]["changes"] > 0
    assert found["rooms_outside_marked"] <= found["rooms_outside_open"]
    (finding,) = [f for f in found["findings"] if f["rule"] == "sizes already built"]
    assert finding["severity"] == "warning"
    assert "with their dampers marked anew" in finding["message"]


def test_a_built_size_above_the_cap_may_stay() -> None:
    """DEN in 12 in is far above its own size: a new set may not have it, but it need not be torn out of the drawing."""
    plan = tract(most_steps_over_own=1)
    plan.row("built", "DEN")["size_in"] = 12
    found = built_of(plan)
    assert found["by_changes"][0]["changes"] == 0
    assert found["by_changes"][0]["size_set"]["DEN"] == "12"
