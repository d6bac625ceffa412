"""Flex products compared: each number by a second route on a small plan."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from plan_folder import PlanTables, small_plan, study_of, written

import tractduct
from tractduct.purchasing.compare import compare_flex, without_each_size
from tractduct.purchasing.order import make_order
from tractduct.sizing.case import Case, build_case
from tractduct.sizing.solve import least_cost
from tractduct.sizing.verify import verify_sizes

SIZES = (5, 6, 7, 8, 10)


def priced_plan(fittings: bool = False) -> PlanTables:
    """The small plan with fewer sizes and invented prices; with fitting prices, a wye and reducers too."""
    plan = small_plan(sizes={"round_in": list(SIZES)}, purchase={"box_ft": 25, "waste_pct": 10})
    base = {"galvanised": (2.0, 0.8), "meadow": (1.0, 0.35), "granite": (0.7, 0.30)}
    plan.tables["prices"] = [
        {"duct": duct, "size_in": size, "price_per_ft": round(a + b * size, 2)}
        for duct, (a, b) in base.items()
        for size in SIZES
    ]
    if fittings:
        plan.tables["fittings"].append({"fitting": "reducer", "equivalent_length_ft": 3, "loss_coefficient": None})
        for name in ("DEN", "BED", "KIT"):
            row = plan.row("sections", name)
            row["fittings"] += " + reducer"
        plan.tables["fitting_prices"] = [
            {"fitting": fitting, "size_in": size, "price": round(price + 0.4 * size, 2)}
            for fitting, price in (("collar", 3.0), ("boot_floor", 8.0), ("reducer", 9.0))
            for size in SIZES
        ]
    return plan


def all_sets(case: Case) -> list[tuple[float, np.ndarray]]:
    """Every size set that holds, with its cost worked out line by line from the plan."""
    plan, found = case.plan, []
    choices = [np.flatnonzero(row).tolist() for row in case.on_sale]
    for chosen in product(*choices):
        index = np.array(chosen)
        labels = case.labels(index)
        if verify_sizes(plan, case.variants.variants, labels).holds:
            found.append((cost_by_line(case, labels), index))
    return found


def cost_by_line(case: Case, labels: dict[str, str]) -> float:
    """Feet times price, the mean over the variants' flex; each fitting; a reducer only where sizes differ."""
    plan = case.plan
    flex = sorted({v.flex for v in case.variants.variants})
    total = 0.0
    for section in plan.sections:
        size = labels[section.name]
        ducts = flex if section.duct == "flex" else [section.duct]
        total += section.length_ft * np.mean([plan.prices[duct, size] for duct in ducts])
        for name, count in section.fittings:
            price = plan.fitting_prices.get((name, size), 0.0)
            same = section.parent and labels[section.parent] == size
            if "reducer" not in name or (section.parent and not same):
                total += count * price
    return float(total)


@pytest.mark.parametrize("fittings", [False, True])
def test_least_cost_with_fittings_and_reducers_against_all_combinations(fittings):
    with written(priced_plan(fittings)) as folder:
        case = build_case(tractduct.load_plan(folder))
    sets = all_sets(case)
    best = min(cost for cost, _ in sets)
    solution = least_cost(case.problem())
    assert solution.status == "optimal"
    assert solution.cost == pytest.approx(best, rel=1e-9)
    assert cost_by_line(case, case.labels(solution.size_index)) == pytest.approx(best, rel=1e-9)


def test_reducers_can_change_the_best_set():
    """With reducers dear enough, sizes that differ no longer pay: else the test above would prove nothing."""
    plan = priced_plan(True)
    cheap = study_of(plan).least_cost
    for row in plan.tables["fitting_prices"]:
        if row["fitting"] == "reducer":
            row["price"] = 60.0
    dear = study_of(plan).least_cost
    assert not np.array_equal(cheap.size_index, dear.size_index)


def test_each_product_alone_and_together():
    with written(priced_plan()) as folder:
        case = build_case(tractduct.load_plan(folder))
    found = compare_flex(case)
    assert found is not None
    for one in found.alone:
        alone = case.only(case.variants.where(flex=one.flex))
        assert one.least.cost == pytest.approx(min(cost for cost, _ in all_sets(alone)))
    both = next(a for a in found.approved if len(a.flex) == 2)
    assert both.least.cost == pytest.approx(min(cost for cost, _ in all_sets(case)))
    # Approving granite besides meadow: sizes that hold in both, at meadow's price, less meadow's own least cost.
    meadow = case.only(case.variants.where(flex="meadow"))
    at_meadow = [cost_by_line(meadow, case.labels(index)) for _, index in all_sets(case)]
    expected = min(at_meadow) - min(cost for cost, _ in all_sets(meadow))
    assert both.extra_cost["granite"] == pytest.approx(expected, abs=1e-9)
    assert expected > 0.0


def test_break_even_price_makes_the_least_costs_equal():
    plan = priced_plan()
    with written(plan) as folder:
        found = compare_flex(build_case(tractduct.load_plan(folder)))
    assert found is not None
    costs = {one.flex: one.least.cost for one in found.alone}
    assert len(found.break_even) == 2
    for pair in found.break_even:
        with written(plan) as folder:
            scaled = tractduct.load_plan(folder)
        prices = {
            (duct, size): price * pair.price_pct / 100.0 if duct == pair.product else price
            for (duct, size), price in scaled.prices.items()
        }
        again = build_case(replace(scaled, flex=(pair.product,), prices=prices))
        assert min(cost for cost, _ in all_sets(again)) == pytest.approx(costs[pair.against], rel=1e-9)


def test_compression_breaks_sets_as_the_independent_check_says():
    with written(priced_plan()) as folder:
        plan = tractduct.load_plan(folder)
    found = compare_flex(build_case(plan))
    assert found is not None
    for one in found.alone:
        case = build_case(replace(plan, flex=(one.flex,)))
        labels = case.labels(one.recommended.size_index)
        for squeezed in one.compressed:
            duct = replace(plan.ducts[one.flex], compression_pct=squeezed.compression_pct)
            other = replace(plan, flex=(one.flex,), ducts={**plan.ducts, one.flex: duct})
            assert squeezed.holds == verify_sizes(other, case.variants.variants, labels).holds
            assert (
                squeezed.cost >= one.least.cost - 1e-9
                or squeezed.compression_pct < plan.ducts[one.flex].compression_pct
            )
        assert [c.worst_room_pct for c in one.compressed] == sorted(
            (c.worst_room_pct for c in one.compressed), reverse=True
        )


def test_dropping_a_size_costs_what_the_best_set_without_it_does():
    with written(priced_plan()) as folder:
        case = build_case(tractduct.load_plan(folder))
    index = least_cost(case.problem()).size_index
    assert index is not None
    sets = all_sets(case)
    groups = [(s.kind, s.shape) for s in case.tree.sections]
    for dropped in without_each_size(case, index):
        label = [size.label for size in case.table.sizes]
        left = [
            cost
            for cost, chosen in sets
            if all(
                (*g, label[k]) != (dropped.kind, dropped.shape, dropped.size)
                for g, k in zip(groups, chosen, strict=True)
            )
        ]
        assert dropped.cost == pytest.approx(min(left, default=np.inf))


def test_an_order_adds_up_feet_waste_boxes_and_fittings():
    study = study_of(priced_plan(True))
    sizes = study.size_set
    order = make_order(study, {"meadow": 3, "granite": 2})
    for duct, lots in (("meadow", 3), ("granite", 2), ("galvanised", 5)):
        sections = [s for s in study.plan.sections if s.duct == duct or (s.duct == "flex" and duct != "galvanised")]
        for size in {sizes[s.name] for s in sections}:
            feet = lots * sum(s.length_ft for s in sections if sizes[s.name] == size)
            line = next(x for x in order.ducts if (x.duct, x.size) == (duct, size))
            assert line.feet == pytest.approx(feet)
            assert line.bought_ft == pytest.approx(1.1 * feet)
            assert (line.packages - 1) * 25 < line.bought_ft <= line.packages * 25
            assert line.cost == pytest.approx(line.packages * 25 * study.plan.prices[duct, size])
    collars = sum(x.count for x in order.fittings if x.fitting == "collar")
    assert collars == 5 * sum(n for s in study.plan.sections for f, n in s.fittings if f == "collar")
    differing = sum(
        5 for s in study.plan.sections if dict(s.fittings).get("reducer") and sizes[s.parent] != sizes[s.name]
    )
    assert sum(x.count for x in order.fittings if x.fitting == "reducer") == differing
    total = sum(x.cost for x in order.ducts) + sum(x.cost for x in order.fittings if np.isfinite(x.price))
    assert order.cost == pytest.approx(total)
