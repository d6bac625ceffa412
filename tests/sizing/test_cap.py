"""The cap on steps over the own size: what it leaves, what it costs, and what is said where it leaves nothing.

Own sizes are those of tests/reference.py, in its own words; the search under the cap is held against all
combinations in tests/test_optimum.py.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from driven_plans import HIGH, LOW, blower_plan, case_of, devices_inwc, static_of
from plan_folder import PlanTables, results_of, small_plan, study_of, with_prices
from random_plans import random_plan
from reference import Reference

from tractduct.errors import SolverError
from tractduct.sizing.hand import size_by_hand
from tractduct.sizing.solve import least_cost
from tractduct.sizing.verify import verify_cap
from tractduct.study import _confirmed
from tractduct.writers.summary import summary


def capped(plan: PlanTables, steps: int) -> PlanTables:
    plan = plan.copy()
    plan.config["objective"]["most_steps_over_own"] = steps
    return plan


def many_sizes() -> PlanTables:
    """A trunk of rectangular sizes, two of each diameter; one room wants little air and another much."""
    plan = with_prices(small_plan(sizes={"rectangular_in": [[8, 8], [8, 10], [10, 8], [12, 8], [8, 12], [10, 10]]}))
    plan.row("sections", "T1")["shape"] = "rectangular"
    for row in plan.tables["airflow"]:
        if row["room"] == "Den":
            row.update(heating_cfm=12, cooling_cfm=14)
        if row["room"] == "Bed":
            row.update(heating_cfm=170, cooling_cfm=180)
    return plan


@pytest.mark.parametrize("steps", [0, 1, 2, 3])
@pytest.mark.parametrize("plan", [many_sizes(), *(random_plan(seed) for seed in range(100, 124, 3))])
def test_what_the_cap_leaves(plan: PlanTables, steps: int) -> None:
    """The program's sizes are the reference's candidates, and the independent pass refuses exactly the others."""
    plan = capped(plan, steps)
    case, reference = case_of(plan), Reference(plan)
    size_of = [size.label for size in case.table.sizes]
    left = case.table.on_sale & case.within_cap
    for i, section in enumerate(case.tree.sections):
        candidates = {size.label for size in reference.candidates(section.name)}
        assert {size_of[k] for k in np.flatnonzero(left[i])} == candidates
        refused = set()
        for k in np.flatnonzero(case.table.on_sale[i]):
            chosen = {
                s.name: size_of[int(np.flatnonzero(row)[0])]
                for s, row in zip(case.tree.sections, case.table.on_sale, strict=True)
            }
            chosen[section.name] = size_of[k]
            told = verify_cap(case.plan, case.variants.variants, chosen)
            refused |= {size_of[k]} if section.name in {b.section for b in told} else set()
        assert refused == {size.label for size in reference.on_sale(section.name)} - candidates


def test_two_sizes_of_one_diameter_are_one_step() -> None:
    """8x10 and 10x8 stand for one step, so that 12x8 and 8x12 are one more, by 1.30 (a b)^0.625 / (a + b)^0.25."""
    case = case_of(capped(many_sizes(), 2))
    steps = dict(zip((s.label for s in case.table.sizes), case.steps_over_own[0], strict=True))
    assert steps["10x8"] == steps["8x10"] == steps["8x8"] + 1
    assert steps["12x8"] == steps["8x12"] == steps["8x8"] + 2
    assert steps["10x10"] == steps["8x8"] + 3  # 10.9 in against 10.7 in


def test_a_small_run_stays_small() -> None:
    """14 cfm: the method gives 4 in, and with two steps no shorter stock list makes more than 6 in of it."""
    plan = many_sizes()
    plan.config["objective"]["standardize_within_pct"] = 100
    assert float(results_of(capped(plan, 99))["size_set"]["DEN"]) > 6
    assert float(results_of(plan)["size_set"]["DEN"]) <= 6


def test_bounds_come_before_the_cap() -> None:
    plan = capped(many_sizes(), 0)
    plan.row("sections", "DEN")["min_in"] = 8
    assert results_of(plan)["size_set"]["DEN"] == "8"
    plan.row("sections", "DEN").update(min_in=None, fixed_in=9)
    plan.row("sections", "T1")["fixed_in"] = "8x12"
    assert (results_of(plan)["size_set"]["DEN"], results_of(plan)["size_set"]["T1"]) == ("9", "8x12")


def test_a_blower_s_pressure_is_split_by_length() -> None:
    """By hand: the curve less the devices, the supply's part by the longest run's feet; 100 x that / feet."""
    case = case_of(capped(blower_plan(), 1))
    hand = size_by_hand(case)
    feet = {"supply": 8 + 10 + 20 + 35 + 2 * 10 + 30, "return": 9 + 15}  # the longest: BED; RET
    for v, variant in enumerate(case.variants.variants):
        cfm = float(case.variants.room_airflow_cfm[v].sum())
        left = static_of(LOW if variant.season == "heating" else HIGH, cfm) - devices_inwc(cfm, variant.season)
        part = left * feet["supply"] / sum(feet.values())
        at = [s.name for s in case.tree.sections].index("BED")
        assert hand.section_friction_rate[v, at] == pytest.approx(100 * part / feet["supply"], rel=1e-3)
    chosen = least_cost(case.problem()).size_index
    assert chosen is not None
    assert verify_cap(case.plan, case.variants.variants, case.labels(chosen)) == ()
    largest = {s.name: case.table.sizes[int(np.flatnonzero(row)[-1])].label
               for s, row in zip(case.tree.sections, case.within_cap & case.table.on_sale, strict=True)}  # fmt: skip
    assert verify_cap(case.plan, case.variants.variants, largest) == ()
    above = {name: str({9: 10, 10: 12, 12: 14}.get(int(size), int(size) + 1)) for name, size in largest.items()}
    above = {
        name: size if size in [s.label for s in case.table.sizes] else largest[name] for name, size in above.items()
    }
    refused = {b.section for b in verify_cap(case.plan, case.variants.variants, above)}
    assert refused == {name for name in above if above[name] != largest[name]}


def test_the_set_is_checked_against_the_cap() -> None:
    """As if the search had handed over a set made without it."""
    case = case_of(capped(many_sizes(), 0))
    chosen = least_cost(case.problem()).size_index
    assert chosen is not None
    chosen[[s.name for s in case.tree.sections].index("DEN")] += 1
    with pytest.raises(
        SolverError, match="size set: more than 0 standard sizes above the friction-rate method's of DEN:"
    ):
        _confirmed(case, chosen)


def test_some_variants_alone_never_cost_more() -> None:
    """The cap is the whole plan's, whichever variants are looked at."""
    case = case_of(capped(many_sizes(), 0))
    whole = least_cost(case.problem()).cost
    for face in case.plan.front_faces:
        assert least_cost(case.only(case.variants.where(face=face)).problem()).cost <= whole * (1 + 1e-9)


# ---- what it costs ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [101, 104, 110, 116])
def test_what_the_cap_costs(seed: int) -> None:
    """Least cost with the cap less that of the same plan without it; so is what the set would be."""
    found, free = (results_of(capped(random_plan(seed), steps)) for steps in (0, 99))
    if found["status"] == "infeasible":
        assert found["cap"]["extra_cost"] is None
        return
    cap = found["cap"]
    assert cap["most_steps_over_own"] == 0
    assert cap["extra_cost"] == pytest.approx(found["least_cost"] - free["least_cost"], abs=2e-6)
    assert cap["extra_cost_at_most"] == pytest.approx(cap["extra_cost"], abs=1e-4)
    assert cap["without"]["least_cost"] == pytest.approx(free["least_cost"], rel=1e-9)
    assert cap["without"]["size_set"] == free["size_set"]
    assert (cap["without"]["cost"], cap["without"]["distinct_sizes"]) == (free["cost"], free["distinct_sizes"])
    assert free["cap"]["extra_cost"] is None


def test_the_cost_of_the_cap_is_told() -> None:
    """By a plan in which it costs something, and in which it binds the shorter stock list only."""
    plan = many_sizes()
    plan.config["objective"]["standardize_within_pct"] = 100
    study = study_of(plan)
    assert study.without_cap is not None
    wide = study.without_cap.recommended
    assert wide.distinct_sizes < study.recommended.distinct_sizes
    told = summary(study)
    assert "No section is more than 2 standard sizes above the largest that the friction-rate method gives it" in told
    assert f"Without it the set would have {wide.distinct_sizes} sizes for {wide.cost:,.2f} USD." in told


# ---- where it leaves nothing -------------------------------------------------------------------------------


def given_a_large_run() -> PlanTables:
    """A run held at 12 in on a trunk whose own size is far smaller: the trunk must be as large."""
    plan = small_plan(pressure={"supply_inwc": 0.6, "return_inwc": 0.3})
    plan.config["limits"] = {"trunk_rigid_fpm": 2500}
    plan.row("sections", "DEN")["fixed_in"] = 12
    return plan


def test_a_cap_that_leaves_no_set() -> None:
    """The section that needs more is named with how many steps, and the way out is that many."""
    plan = given_a_large_run()
    reference, found = Reference(plan), results_of(plan)
    assert found["status"] == "infeasible"
    own = max(float(reference.own_size("T1", v) or math.nan) for v in reference.variants)
    ladder = [size.diameter for size in reference.sizes]
    needed = ladder.index(12.0) - ladder.index(own)
    assert needed > 2
    (conflict,) = found["conflicts"]
    assert (conflict["section"], conflict["limit"]) == ("T1", "steps over the own size")
    assert (conflict["least"], conflict["allowed"]) == (needed, 2)
    assert f"T1 needs {needed} standard sizes above" in conflict["message"]
    way = next(w for w in found["ways_out"] if w["kind"] == "more steps")
    assert f"most_steps_over_own = {needed} " in way["change"]
    again = results_of(capped(plan, needed))
    assert way["holds"]
    assert again["least_cost"] == pytest.approx(way["cost"], rel=1e-9)
    assert results_of(capped(plan, needed - 1))["status"] == "infeasible"


def test_a_cap_is_not_blamed_for_what_no_size_can_do() -> None:
    """Too little pressure with any sizes: the path is named, and no number of steps is offered."""
    plan = small_plan(pressure={"supply_inwc": 0.002})
    found = results_of(plan)
    assert found["status"] == "infeasible"
    assert {c["limit"] for c in found["conflicts"]} == {"pressure"}
    assert not any(w["kind"] == "more steps" for w in found["ways_out"])
