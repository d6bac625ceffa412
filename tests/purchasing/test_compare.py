"""Flex products compared: each number by a second route on a small plan."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from plan_folder import PlanTables, small_plan, study_of, with_prices, written
from priced_plans import SIZES, case_of, cost_by_line, least_by_line, priced_plan, sets_that_hold
from reference import compression_factor, friction_rate
from scipy.optimize import brentq

import tractduct
from tractduct.purchasing.buy import buy
from tractduct.purchasing.compare import COMPRESSIONS_PCT, Alone, FlexComparison, compare_flex, without_each_size
from tractduct.sizing.case import build_case
from tractduct.sizing.solve import least_cost, recommend
from tractduct.sizing.verify import verify_sizes

BOTH = ("meadow", "granite")


@cache
def compared(fittings: bool = False) -> FlexComparison:
    found = compare_flex(case_of(fittings))
    assert found is not None
    return found


def test_the_sets_that_hold_are_those_of_the_independent_check():
    case = case_of()
    holding = {tuple(labels.items()) for labels in sets_that_hold()}
    random = np.random.default_rng(11)
    told = []
    for _ in range(150):
        chosen = {s.name: str(random.choice([7, 8, 10, 5, 6][: 3 + 2 * (s.parent != "")])) for s in case.tree.sections}
        told.append(verify_sizes(case.plan, case.variants.variants, chosen).holds)
        assert told[-1] == (tuple(chosen.items()) in holding)
    assert 5 < sum(told) < 145


@pytest.mark.parametrize("fittings", [False, True])
def test_least_cost_with_fittings_and_reducers_against_all_combinations(fittings):
    case = case_of(fittings)
    best = least_by_line(sets_that_hold(fittings), case.plan, BOTH)
    solution = least_cost(case.problem())
    assert solution.status == "optimal"
    assert solution.cost == pytest.approx(best, rel=1e-9)
    assert cost_by_line(case.plan, case.labels(solution.size_index), BOTH) == pytest.approx(best, rel=1e-9)


def test_reducers_can_change_the_best_set():
    """With reducers dear enough, sizes that differ no longer pay: else the test above would prove nothing."""
    plan = priced_plan(True)
    cheap = study_of(plan).least_cost
    for row in plan.tables["fitting_prices"]:
        if row["fitting"] == "reducer":
            row["price"] = 60.0
    dear = study_of(plan).least_cost
    assert not np.array_equal(cheap.size_index, dear.size_index)


@pytest.mark.parametrize("fittings", [False, True])
def test_each_product_alone_and_together(fittings):
    found, plan = compared(fittings), case_of(fittings).plan
    for one in found.alone:
        sets = sets_that_hold(fittings, (one.flex,))
        assert one.least.cost == pytest.approx(least_by_line(sets, plan, (one.flex,)))
        assert one.size_set in sets
        assert one.recommended.cost == pytest.approx(cost_by_line(plan, one.size_set, (one.flex,)))
    both = next(a for a in found.approved if len(a.flex) == 2)
    assert both.least.cost == pytest.approx(least_by_line(sets_that_hold(fittings), plan, BOTH))
    # Approving granite besides meadow: sizes that hold in both, at meadow's price, less meadow's own least cost.
    for flex, rest in (("granite", "meadow"), ("meadow", "granite")):
        expected = least_by_line(sets_that_hold(fittings), plan, (rest,))
        expected -= least_by_line(sets_that_hold(fittings, (rest,)), plan, (rest,))
        assert both.extra_cost[flex] == pytest.approx(expected, abs=1e-9)
    assert both.extra_cost["granite"] > 0.0


@pytest.mark.parametrize("fittings", [False, True])
def test_break_even_price_makes_the_least_costs_equal(fittings):
    found, plan = compared(fittings), case_of(fittings).plan
    costs = {one.flex: one.least.cost for one in found.alone}
    assert [(p.product, p.against) for p in found.break_even] == [("meadow", "granite"), ("granite", "meadow")]
    for pair in found.break_even:
        prices = {
            (duct, size): price * pair.price_pct / 100.0 if duct == pair.product else price
            for (duct, size), price in plan.prices.items()
        }
        again = least_by_line(sets_that_hold(fittings, (pair.product,)), replace(plan, prices=prices), (pair.product,))
        assert again == pytest.approx(costs[pair.against], rel=1e-9)


def test_break_even_is_impossible_where_sheet_metal_alone_costs_more():
    """Granite needs a trunk of 14 in, meadow one of 10: at these prices not even free granite makes up for it."""
    plan = priced_plan()
    sizes = (*SIZES, 12, 14)
    plan.config["sizes"] = {"round_in": list(sizes)}
    plan.row("sections", "BED").update(fixed_in=6, length_ft=45)
    plan.row("ducts", "granite").update(roughness_ft=0.006, airflow_derate_pct=10, compression_pct=0)
    price = {"galvanised": lambda size: size**2, "meadow": lambda _: 0.01, "granite": lambda _: 1.0}
    plan.tables["prices"] = [
        {"duct": duct, "size_in": size, "price_per_ft": of(size)} for duct, of in price.items() for size in sizes
    ]
    with written(plan) as folder:
        study = tractduct.study(folder, quick=True)
    found = buy(study)
    assert found.comparison is not None
    meadow, granite = found.comparison.alone
    # A smaller trunk does not hold with granite, however large the rest.
    variants = tuple(v for v in study.variants.variants if v.flex == "granite")
    largest = {"DEN": "12", "BED": "6", "KIT": "12", "RET": "14"}
    assert verify_sizes(study.plan, variants, {"T1": "14", **largest}).holds
    assert not verify_sizes(study.plan, variants, {"T1": "12", **largest}).holds
    # Feet of T1, KIT and RET times price; KIT at 140 of 900 fpm x 0.196 ft2, RET at 320 of 700 x 0.545.
    by_hand = 8 * 14**2 + 10 * 6**2 + 9 * 10**2
    assert meadow.least.cost < by_hand < granite.least.cost
    pct = {pair.product: pair.price_pct for pair in found.comparison.break_even}
    assert np.isnan(pct["granite"])
    assert pct["meadow"] > 100.0
    assert [f.subject for f in found.findings if f.rule == "break-even price"] == ["flex granite"]


def test_compression_breaks_sets_as_the_independent_check_says():
    found, whole = compared(), case_of()
    plan = whole.plan
    for one in found.alone:
        case = case_of(flex=(one.flex,))
        own = plan.ducts[one.flex].compression_pct
        for squeezed in one.compressed:
            duct = replace(plan.ducts[one.flex], compression_pct=squeezed.compression_pct)
            other = replace(case.plan, ducts={**plan.ducts, one.flex: duct})
            checked = verify_sizes(other, case.variants.variants, one.size_set)
            assert squeezed.holds == checked.holds
            assert squeezed.broken == len({b.section for b in checked.breaches})
            assert squeezed.cost >= one.least.cost - 1e-9 or squeezed.compression_pct < own
        costs = [c.cost for c in one.compressed]
        assert costs == sorted(costs)
    assert any(not c.holds for one in found.alone for c in one.compressed)


def delivered(one: Alone, plan: PlanTables, compression_pct: float | None = None) -> list[tuple[str, float]]:
    """(room, per cent of design) of the three runs in each variant, by one pressure that all runs share.

    The blower holds the design airflow; friction by `fluids`; without ``compression_pct`` dampers are open and the
    duct is as the plan has it, else set for that and the duct then compressed.
    """
    found = []
    for need in airflow_by_variant(plan):
        found += _shared(one, plan, need, compression_pct)
    return found


def _shared(
    one: Alone, plan: PlanTables, need: dict[str, float], compression_pct: float | None
) -> list[tuple[str, float]]:
    lengths = {row["fitting"]: row["equivalent_length_ft"] for row in plan.tables["fittings"]}
    runs = [row for row in plan.tables["sections"] if row["parent"] == "T1"]

    def loss(run: dict, cfm: float, pct: float | None) -> float:
        product = plan.row("ducts", one.flex if run["duct"] == "flex" else run["duct"])
        size = float(one.size_set[run["section"]])
        moved = cfm / (1 - product["airflow_derate_pct"] / 100)
        rate = friction_rate(moved, size, product["roughness_ft"], elevation_ft=500)
        left = product["compression_pct"] if pct is None or product["kind"] == "rigid" else pct
        fittings = 0.0
        for part in run["fittings"].split("+"):
            name, _, count = part.partition("*")
            fittings += lengths[name.strip()] * int(count or 1)
        return rate * (run["length_ft"] * compression_factor(left, size) + fittings) / 100

    as_drawn = [loss(run, need[run["room"]], None) for run in runs]
    most, total = max(as_drawn), sum(need.values())
    damper = [
        0.0 if compression_pct is None else (most - lost) / need[run["room"]] ** 2
        for run, lost in zip(runs, as_drawn, strict=True)
    ]

    def flows(pressure: float) -> list[float]:
        return [
            brentq(lambda q, run=run, d=d: loss(run, q, compression_pct) + d * q * q - pressure, 1.0, 600.0)
            for run, d in zip(runs, damper, strict=True)
        ]

    settled = flows(brentq(lambda p: sum(flows(p)) - total, 0.1 * most, 10 * most))
    return [(run["room"], 100 * q / need[run["room"]]) for run, q in zip(runs, settled, strict=True)]


def airflow_by_variant(plan: PlanTables) -> list[dict[str, float]]:
    rows = plan.tables["airflow"]
    return [
        {row["room"]: row[f"{season}_cfm"] for row in rows if row["front_faces"] == face}
        for face in dict.fromkeys(row["front_faces"] for row in rows)
        for season in ("heating", "cooling")
    ]


@pytest.mark.parametrize("n", [0, 1])
def test_the_room_that_gets_least_is_found_by_one_shared_pressure(n):
    one, plan = compared().alone[n], priced_plan()
    expected = min(delivered(one, plan), key=lambda found: found[1])
    assert one.lowest_room == expected[0]
    assert one.lowest_room_pct == pytest.approx(expected[1], rel=1e-4)
    assert one.lowest_room_pct < 99.0
    assert one.balanced_within  # a blower that holds its airflow can always be balanced
    squeezed = one.compressed[COMPRESSIONS_PCT.index(15.0)]
    expected = min(delivered(one, plan, 15.0), key=lambda found: found[1])
    assert squeezed.worst_room == expected[0]
    assert squeezed.worst_room_pct == pytest.approx(expected[1], rel=1e-4)
    assert squeezed.worst_room_pct < 99.0


@pytest.mark.parametrize("fittings", [False, True])
def test_dropping_a_size_costs_what_the_best_set_without_it_does(fittings):
    case = case_of(fittings)
    _, standard = recommend(case.problem(), 5.0)
    labels = case.labels(standard.size_index)
    kinds = {s.name: s.kind for s in case.tree.sections}
    stock = {(kinds[name], size) for name, size in labels.items()}
    everything = {(kind, size.label) for kind in ("rigid", "flex") for size in case.table.sizes}
    sets = sets_that_hold(fittings)
    dropped = without_each_size(case, standard.size_index)
    assert {(d.kind, d.size) for d in dropped} == stock
    for d in dropped:
        gone = {(d.kind, d.size)}
        assert d.cost == pytest.approx(least_by_line(sets, case.plan, BOTH, everything - gone))
        assert d.rest_cost == pytest.approx(least_by_line(sets, case.plan, BOTH, stock - gone))
    rest = [d.rest_cost for d in dropped]
    assert rest == sorted(rest)


def test_a_product_that_no_set_holds_for_is_said_and_the_others_compared():
    plan = with_prices(small_plan())
    plan.row("ducts", "granite").update(roughness_ft=0.03, airflow_derate_pct=60)
    for row in plan.tables["prices"]:
        if row["duct"] == "granite" and float(row["size_in"]) > 6:
            row["price_per_ft"] = "-"
    study = study_of(plan)
    assert study.status == "infeasible"
    found = buy(study)
    assert found.comparison is not None
    meadow, granite = found.comparison.alone
    assert meadow.size_set
    assert not granite.size_set
    assert granite.recommended.status == "infeasible"
    assert all(np.isnan(pair.price_pct) for pair in found.comparison.break_even)
    assert all(np.isnan(extra) for a in found.comparison.approved for extra in a.extra_cost.values())
    assert [(f.rule, f.subject) for f in found.findings] == [("flex product", "flex granite")]
    assert not found.lists
    assert not found.dropped


def test_a_plan_without_flex_has_no_comparison():
    plan = priced_plan()
    plan.tables["ducts"] = [row for row in plan.tables["ducts"] if row["kind"] == "rigid"]
    plan.tables["prices"] = [row for row in plan.tables["prices"] if row["duct"] == "galvanised"]
    for row in plan.tables["sections"]:
        row["duct"] = "galvanised"
    with written(plan) as folder:
        study = tractduct.study(folder, quick=True)
    assert compare_flex(build_case(study.plan)) is None
    found = buy(study, lots=3)
    assert [part.lots for part in found.lists] == [1, 3]
    assert {line.duct for line in found.lists[0].order.ducts} == {"galvanised"}
