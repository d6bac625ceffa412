"""Products in a plan: friction tables, inner diameters, insulation levels, prices of fittings."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from plan_folder import PlanTables, results_of, small_plan, study_of, with_prices
from reference import compression_factor, friction_rate

import tractduct
from tractduct.physics.air import Air
from tractduct.physics.friction import friction_rate_inwc_per_100ft
from tractduct.sizing.verify import verify_sizes

FIXED = {"T1": 10, "DEN": 7, "BED": 7, "KIT": 8, "RET": 12}
ELEVATION_FT = 500  # of the small plan


def fixed(plan: PlanTables) -> PlanTables:
    for name, size in FIXED.items():
        plan.row("sections", name)["fixed_in"] = size
    return plan


def with_table(plan: PlanTables, rows: list[tuple[float, float, float]], duct: str = "granite") -> PlanTables:
    """The plan with one product by its friction table, without roughness and derate."""
    plan.row("ducts", duct).update(roughness_ft=None, airflow_derate_pct=None)
    plan.tables["friction_tables"] = [
        {"duct": duct, "size_in": size, "airflow_cfm": cfm, "friction_rate_inwc_per_100ft": rate}
        for size, cfm, rate in rows
    ]
    return plan


def known_table(roughness_ft: float, derate: float, points: int = 40) -> list[tuple[float, float, float]]:
    rows = []
    for size in (4, 5, 6, 7, 8, 9, 10, 12, 14):
        flows = np.geomspace(5.0, 1500.0, points)
        rates = friction_rate_inwc_per_100ft(flows, float(size), roughness_ft, Air(), derate)
        rows += [(size, float(q), float(r)) for q, r in zip(flows, rates, strict=True) if r < 20.0]
    return rows


def test_the_exact_table_of_a_known_product_gives_its_sizes():
    plan = with_prices(small_plan())
    product = plan.row("ducts", "granite")
    assert (product["roughness_ft"], product["airflow_derate_pct"]) == (0.003, 5)
    given = study_of(plan)
    by_table = study_of(with_table(plan.copy(), known_table(0.003, 0.05)))
    assert by_table.size_set == given.size_set
    assert by_table.least_cost.cost == pytest.approx(given.least_cost.cost, rel=1e-12)
    assert by_table.plan.ducts["granite"].roughness_ft == pytest.approx(0.003, rel=0.01)
    assert not [f for f in by_table.findings if f.rule == "outside the friction table"]
    off = by_table.table.loss_inwc / given.table.loss_inwc
    assert off == pytest.approx(np.ones_like(off), abs=2e-3)


def run_losses(plan: PlanTables, flex: str) -> list[dict[str, Any]]:
    """BED in each variant of a product: airflow, velocity, loss."""
    return [v["sections"]["BED"] for v in results_of(plan)["variants"] if v["flex"] == flex]


def test_inside_the_table_the_published_rate_counts_not_the_fit():
    """Published at 70 and 80 cfm in 7 in, the two airflows of BED; thinner air loses less by what `fluids` says."""
    rows = [(7, 50, 0.055), (7, 70, 0.120), (7, 80, 0.200), (7, 120, 0.500), (6, 50, 0.2), (6, 90, 0.6)]
    plan = fixed(with_table(small_plan(pressure={"supply_inwc": 0.6}), rows))
    plan.row("ducts", "granite")["compression_pct"] = None
    published = {70: 0.120, 80: 0.200}
    study = study_of(plan)
    rough = study.plan.ducts["granite"].roughness_ft
    moved = 1.0 / (1.0 - study.plan.ducts["granite"].airflow_derate_pct / 100.0)
    found = run_losses(plan, "granite")
    assert {s["airflow_cfm"] for s in found} == {70, 80}
    for s in found:
        cfm = s["airflow_cfm"]
        thinner = friction_rate(cfm * moved, 7, rough, ELEVATION_FT) / friction_rate(cfm * moved, 7, rough)
        # 20 ft, a collar 35, two elbows 10, a boot 30
        assert s["loss_inwc"] == pytest.approx(published[cfm] * thinner * (20 + 35 + 20 + 30) / 100, rel=1e-4)


def test_outside_the_table_the_fit_counts_and_a_finding_says_so():
    rows = [row for row in known_table(0.003, 0.05, 12) if row[1] < 60]  # BED needs 70 and 80 cfm
    found = results_of(fixed(with_table(small_plan(), rows)))
    told = [f for f in found["findings"] if f["rule"] == "outside the friction table"]
    assert [f["subject"] for f in told] == ["flex granite"]
    assert "BED (7 in)" in told[0]["message"]
    by_fit = run_losses(fixed(with_table(small_plan(), rows)), "granite")
    given = run_losses(fixed(small_plan()), "granite")
    for a, b in zip(by_fit, given, strict=True):
        assert a["loss_inwc"] == pytest.approx(b["loss_inwc"], rel=1e-3)


def test_one_roughness_that_does_not_serve_all_sizes_is_said():
    rows = [row for row in known_table(0.012, 0.0, 6) if row[0] < 7]
    rows += [row for row in known_table(0.0004, 0.0, 6) if row[0] >= 7]
    plan = with_table(small_plan(), rows)
    told = [f for f in study_of(plan).findings if f.rule == "friction table"]
    assert [f.subject for f in told] == ["duct granite"]
    assert "one roughness does not fit all its sizes" in told[0].message


def test_an_inner_diameter_changes_velocity_and_loss_as_by_hand():
    plan = fixed(small_plan(pressure={"supply_inwc": 0.3}))
    plan.tables["inner_diameters"] = [{"duct": "granite", "size_in": 7, "inner_diameter_in": 6.5}]
    for s in run_losses(plan, "granite"):
        assert s["velocity_fpm"] == pytest.approx(s["airflow_cfm"] / (math.pi / 4 * (6.5 / 12) ** 2), rel=1e-6)
        # 5 % derate, 4 % compression of 20 ft; a collar 35, two elbows 10, a boot 30
        rate = friction_rate(s["airflow_cfm"] / 0.95, 6.5, 0.003, ELEVATION_FT)
        by_hand = rate * (20 * compression_factor(4, 6.5) + 85) / 100
        assert s["loss_inwc"] == pytest.approx(by_hand, rel=1e-4)
    for s in run_losses(plan, "meadow"):  # the other product is as wide as it is called
        assert s["velocity_fpm"] == pytest.approx(s["airflow_cfm"] / (math.pi / 4 * (7 / 12) ** 2), rel=1e-6)


def faults_of(plan: PlanTables, write_plan: Any) -> list[str]:
    with pytest.raises(tractduct.InputFaults) as told:
        tractduct.load_plan(write_plan(plan))
    return [str(fault) for fault in told.value.faults]


def two_levels() -> PlanTables:
    """Flex at two insulation levels, the better one a dollar dearer."""
    plan = with_prices(small_plan())
    for row in list(plan.tables["prices"]):
        if row["duct"] != "galvanised":
            row["insulation"] = "R-6"
            dearer = {**row, "insulation": "R-8", "price_per_ft": row["price_per_ft"] + 1.0}
            plan.tables["prices"].append(dearer)
    return plan


def test_two_insulation_levels_without_a_choice_are_a_fault_for_each(write_plan):
    told = faults_of(two_levels(), write_plan)
    assert len(told) == 18  # two products, nine sizes
    # 27 rows of the small plan's prices, then granite and meadow again
    assert told[0].startswith("prices.csv, row 29, column 'insulation': got 'R-8'")
    assert "this duct and size are in row 11 at another insulation level, 'R-6'" in told[0]
    assert 'insulation = "..." in [purchase]' in told[0]


@pytest.mark.parametrize(("level", "more"), [("R-6", 0.0), ("r-8", 1.0)])
def test_the_level_chosen_is_the_one_that_counts(level, more, write_plan):
    plan = two_levels()
    plan.config["purchase"] = {"insulation": level}
    loaded = tractduct.load_plan(write_plan(plan))
    plain = with_prices(small_plan())
    for row in plain.tables["prices"]:
        extra = 0.0 if row["duct"] == "galvanised" else more
        assert loaded.prices[row["duct"], row["size_in"]] == pytest.approx(row["price_per_ft"] + extra)
    assert loaded.purchase.insulation["meadow", "7"] == level.upper()
    assert ("galvanised", "7") not in loaded.purchase.insulation


def test_a_level_that_nothing_is_sold_in_leaves_sizes_without_a_price(write_plan):
    plan = two_levels()
    plan.config["purchase"] = {"insulation": "R-4"}
    assert any("'meadow' has no price for size 4" in fault for fault in faults_of(plan, write_plan))


def with_fitting_prices() -> PlanTables:
    plan = with_prices(small_plan())
    plan.tables["fitting_prices"] = [
        {"fitting": "collar", "size_in": size, "price": 4 + size} for size in plan.config["sizes"]["round_in"]
    ]
    return plan


def test_a_fitting_without_a_price_in_one_size_is_a_fault(write_plan):
    plan = with_fitting_prices()
    plan.tables["fitting_prices"] = [row for row in plan.tables["fitting_prices"] if row["size_in"] not in (6, 9)]
    (told,) = faults_of(plan, write_plan)
    assert told.startswith("fitting_prices.csv: fitting 'collar' has no price for size 6, 9")
    assert "- where it is not offered" in told


def test_a_fitting_not_offered_in_a_size_keeps_its_section_out_of_it():
    plan = with_fitting_prices()
    before = study_of(plan).size_set
    for row in plan.tables["fitting_prices"]:
        if str(row["size_in"]) == before["BED"]:
            row["price"] = "-"
    after = study_of(plan)
    assert before["BED"] not in [after.size_set[name] for name in ("DEN", "BED", "KIT")]
    refused = verify_sizes(after.plan, after.variants.variants, before).breaches
    assert {b.limit_name for b in refused} == {"size not offered in collar"}
    assert after.least_cost.cost > study_of(with_fitting_prices()).least_cost.cost


def test_fitting_prices_without_duct_prices_are_a_fault(write_plan):
    plan = with_fitting_prices()
    del plan.tables["prices"]
    assert any("fittings have prices and ducts have none" in fault for fault in faults_of(plan, write_plan))


def test_a_product_without_roughness_and_without_a_table_is_a_fault(write_plan):
    plan = small_plan()
    plan.row("ducts", "granite")["roughness_ft"] = None
    (told,) = faults_of(plan, write_plan)
    assert told.startswith("ducts.csv, row 4, column 'roughness_ft'")
    assert "friction_tables" in told


def test_a_bad_row_of_a_table_is_the_only_fault(write_plan):
    plan = with_table(small_plan(), known_table(0.003, 0.05, 3))
    plan.tables["friction_tables"][4]["airflow_cfm"] = "many"
    (told,) = faults_of(plan, write_plan)
    assert told.startswith("friction_tables.csv, row 6, column 'airflow_cfm': got 'many'")


def test_a_table_too_short_to_fit_is_the_only_fault(write_plan):
    (told,) = faults_of(with_table(small_plan(), [(6, 50, 0.1), (6, 70, 0.19), (7, 80, 0.11)]), write_plan)
    assert "'granite' has 3 rows; a fit needs at least 4" in told


def test_a_table_for_an_unknown_product_and_an_odd_inner_diameter_are_faults(write_plan):
    plan = with_table(small_plan(), known_table(0.003, 0.05, 3))
    plan.tables["friction_tables"][0]["duct"] = "granit"
    plan.tables["inner_diameters"] = [{"duct": "meadow", "size_in": 7, "inner_diameter_in": 17}]
    told = faults_of(plan, write_plan)
    assert any("friction_tables.csv, row 2, column 'duct': got 'granit'" in fault for fault in told)
    assert any("far from the nominal 7 in" in fault for fault in told)
