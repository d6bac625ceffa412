"""Lots that got another flex product than is approved: what arrives, by root finding, and their own damper marks."""

from __future__ import annotations

from typing import Any

import pytest
from path_root import Paths
from plan_folder import PlanTables, duct, small_plan, with_prices, written
from reference import Reference

import tractduct
from tractduct.report import Report, Wanted, work_out
from tractduct.writers.results import results


def plan_of() -> PlanTables:
    """Approved is meadow; lot 2 got slate, rough and squeezed."""
    plan = small_plan(variants={"flex": ["meadow"]}, tolerance={"room_pct": 12, "room_cfm": 10})
    plan.tables["ducts"][2:] = [duct("slate", "flex", 0.006, derate=6, compression=12)]
    plan = with_prices(plan)
    plan.tables["lots"] = [
        {"lot": "1", "front_faces": "N", "flex": None},
        {"lot": "2", "front_faces": "S", "flex": "Slate"},
        {"lot": "3", "front_faces": "S", "flex": "meadow"},
    ]
    return plan


def worked(plan: PlanTables) -> tuple[Report, dict[str, Any]]:
    with written(plan) as folder:
        report = work_out(tractduct.load_plan(folder), Wanted(turned=True, bought=True))
    return report, results(report)


def test_a_lot_in_a_product_that_is_not_approved() -> None:
    """Readings of every lot in slate with slate's own marks; that no set is proven for it is said."""
    report, found = worked(plan_of())
    (other,) = found["other_flex"]
    assert (other["flex"], [lot["lot"] for lot in other["lots"]]) == ("slate", ["1", "2", "3"])
    tables = plan_of()
    tables.config["variants"]["flex"] = ["slate"]
    tables.tables.pop("prices")
    paths, reference = Paths(tables, found["size_set"]), Reference(tables)
    assert report.lots is not None
    for lot, face in zip(other["lots"], ("N", "S", "S"), strict=True):
        (table,) = [t for t in other["damper_marks"] if {"front_faces": face, "mirrored": False} in t["orientations"]]
        for season in ("heating", "cooling"):
            marks = {run: takes[f"{season}_inwc_per_cfm2"] for run, takes in table["runs"].items()}
            settled = paths.settle((face, False, season, "slate"), marks)
            for run, cfm in settled["runs"].items():
                assert lot["runs"][run][season]["expected_cfm"] == pytest.approx(cfm, rel=2e-4)
                design = reference.run_airflow(run, (face, False, season, "slate"))
                if reference.side(run) == "supply":
                    wide = max(0.12 * design, 10)
                    assert lot["runs"][run][season]["low_cfm"] == pytest.approx(design - wide, abs=1e-4)
                    assert lot["runs"][run][season]["high_cfm"] == pytest.approx(design + wide, abs=1e-4)
    # lot 2 itself is set and read in slate, the others in meadow
    assert [report.lots.air[lot].flex for lot in ("1", "2", "3")] == ["meadow", "slate", "meadow"]
    assert report.lots.air["2"].expected_cfm.tolist() == report.lots.other_flex[0].air["2"].expected_cfm.tolist()
    lots = {lot["lot"]: lot for lot in found["orientation"]["lots"]}
    chosen = found["size_set"]
    for name, face, flex in (("1", "N", "meadow"), ("2", "S", "slate"), ("3", "S", "meadow")):
        broken = [b for s in ("heating", "cooling") for b in reference.breaks(chosen, (face, False, s, flex))]
        assert lots[name]["holds"] == (not broken)
    assert not lots["2"]["holds"]
    assert any("slate is not approved" in f["message"] for f in found["findings"])
    assert report.buying is not None
    assert report.buying.lists[1].order.lots == {"meadow": 2, "slate": 1}


def test_where_all_products_are_approved_nothing_is_said_of_others() -> None:
    plan = plan_of()
    plan.config["variants"] = {}
    plan.config["pressure"] = {"supply_inwc": 0.3, "return_inwc": 0.1}
    report, found = worked(plan)
    assert "other_flex" not in found
    assert report.lots is not None
    assert report.lots.other_flex == ()
