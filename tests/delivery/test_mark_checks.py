"""Marks in houses not built as drawn, between the fronts, and what helps where they do not do it."""

from __future__ import annotations

import copy
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from driven_plans import case_of
from path_root import Paths
from plan_folder import PlanTables, duct, section, small_plan, written
from reference import key
from test_marks import fronts_apart, seasons_apart, sizes_of, two_of_many

import tractduct
from tractduct.delivery.balance import tolerances_off
from tractduct.delivery.lots import rooms_off
from tractduct.delivery.mark_checks import check_marks_every_degree, rooms_outside_as_built
from tractduct.delivery.mark_remedies import find_remedies
from tractduct.delivery.marks import find_marks
from tractduct.delivery.predict import Drive, installed_ducts, predict
from tractduct.delivery.robust import SEED
from tractduct.inputs.reader import load_plan
from tractduct.orientation.azimuths import plan_at
from tractduct.report import Wanted, work_out
from tractduct.sizing.case import build_case
from tractduct.writers.delivery_tables import marks_of_lots
from tractduct.writers.results import results_text
from tractduct.writers.summary import rooms_right


def test_between_the_fronts(demo_folder: Path) -> None:
    """At some azimuths by sizing and prediction anew, each by the table of the front next to it."""
    case = build_case(load_plan(demo_folder))
    index = sizes_of(case)
    setting = find_marks(case, index, drive=Drive.AIRFLOW, fewest=False).chosen
    found = check_marks_every_degree(case, setting)
    assert len(found.azimuth_deg) == 360
    assert found.n_variant == 360 * 2 * 2 * 3
    for azimuth, face in ((98.0, "E"), (200.0, "S"), (337.0, "NW"), (0.0, "N")):
        there = build_case(plan_at(case.plan, [azimuth], case.plan.mirrored))
        place = {v: j for j, v in enumerate(case.variants.variants)}
        rows = [place[replace(v, front=face)] for v in there.variants.variants]
        ducts = installed_ducts(there, index, dampers=setting.coefficient[rows])
        got = predict(there, ducts, drive=Drive.AIRFLOW)
        worst = tolerances_off(got, case.plan.tolerance).max()
        assert found.worst_tolerances[int(azimuth)] == pytest.approx(worst, abs=2e-3)
    assert found.holds == (found.worst_tolerances.max() <= 1.0)
    # With every damper open it holds nowhere, and rooms are named.
    none = replace(
        setting, coefficient=0.0 * setting.coefficient, delivered=predict(case, installed_ducts(case, index))
    )
    opened = check_marks_every_degree(case, none, step_deg=45.0)
    assert not opened.holds
    assert all(room.tolerances > 1.0 for room in opened.outside)


@pytest.mark.parametrize("drive", [Drive.AIRFLOW, Drive.PRESSURE])
def test_as_built(drive: Drive) -> None:
    """House after house, lot after lot, with the same draws."""
    case = case_of(fronts_apart())
    index = sizes_of(case)
    setting = find_marks(case, index, drive=drive).chosen
    got = rooms_outside_as_built(case, index, setting, builds=5, drive=drive)
    random = np.random.default_rng(SEED)
    length = random.uniform(0.85, 1.15, (5, len(case.tree.sections)))
    compression = random.uniform(0.0, 10.0, (5, len(case.tree.sections)))
    counts = []
    for build in range(5):
        as_built = {"compression_pct": compression[build], "length_factor": length[build]}
        ducts = installed_ducts(case, index, dampers=setting.coefficient, **as_built)
        off = tolerances_off(predict(case, ducts, drive=drive), case.plan.tolerance)
        lots: dict[tuple, set[int]] = {}
        for v, variant in enumerate(case.variants.variants):
            lot = lots.setdefault((variant.front, variant.mirrored, variant.flex), set())
            lot |= set(np.flatnonzero(off[v] > 1.0).tolist())
        counts += [len(rooms) for rooms in lots.values()]
    assert got.mean_rooms_outside == pytest.approx(np.mean(counts))
    assert got.lots_right_pct == pytest.approx(100.0 * np.mean([c == 0 for c in counts]))


def test_a_run_for_one_season_helps_where_seasons_disagree() -> None:
    """With one mark all year allowed; every remedy is the changed plan's own marks."""
    plan = seasons_apart()
    plan.config["dampers"] = {"positions": 1}
    case = case_of(plan)
    index = sizes_of(case)
    marks = find_marks(case, index, drive=Drive.AIRFLOW)
    assert marks.chosen.outside
    found = find_remedies(case, index, marks.chosen)
    assert found
    best = found[0]
    assert best.rooms_outside < marks.chosen.rooms_outside
    assert "second run" in best.what
    name, season = best.run, best.what.split("open in ")[1].split()[0]
    copy = dict(plan.row("sections", name), section="SECOND", season=season)
    plan.tables["sections"].append(copy)
    changed = case_of(plan)
    again = find_marks(changed, np.array([index[0]] * len(changed.tree.sections)), drive=Drive.AIRFLOW, fewest=False)
    assert len(again.chosen.outside) == best.rooms_outside
    assert best.extra_cost == pytest.approx(case.table.cost[0, index[0]])


def test_a_run_that_gets_too_little_may_be_larger_or_join_elsewhere() -> None:
    """One long 4 in run among short ones, and little pressure: no marks bring it up."""
    plan = two_of_many()
    plan.config["pressure"] = {"supply_inwc": 0.2, "return_inwc": 0.05}
    plan.tables["sections"].append(section("T2", "", "trunk", "galvanised", 3, ""))
    plan.tables["sections"].append(section("R2", "T2", "branch", "galvanised", 8, "collar", "A"))
    plan.row("sections", "RB")["length_ft"] = 120
    case = case_of(plan)
    labels = [s.label for s in case.table.sizes]
    sizes = {"T": "12", "T2": "10", "RB": "4"}
    index = np.array([labels.index(sizes.get(s.name, "6")) for s in case.tree.sections])
    marks = find_marks(case, index, drive=Drive.AIRFLOW)
    assert "B" in {room.room for room in marks.chosen.outside}
    found = [r for r in find_remedies(case, index, marks.chosen) if r.room == "B"]
    assert any(r.what == "RB in 5" for r in found)
    assert all(r.tolerances <= 1.0 or r.rooms_outside < marks.chosen.rooms_outside for r in found)
    assert list(found) == sorted(found, key=lambda r: r.rooms_outside)


def two_tables(north_east: dict[str, int], east: dict[str, int]) -> PlanTables:
    """NE and E want so much more air in Den than N, and less in Bed, that N has a table of its own."""
    plan = small_plan(tolerance={"room_pct": 10, "room_cfm": 10}, variants={"flex": ["meadow"], "seasons": ["cooling"]})
    needs = {"N": {"Den": 60, "Bed": 110}, "NE": north_east, "E": east}
    plan.tables["airflow"] = [
        {"front_faces": front, "room": room, "heating_cfm": 50, "cooling_cfm": cfm}
        for front, rooms in needs.items()
        for room, cfm in (rooms | {"Kitchen": 100}).items()
    ]
    plan.tables["lots"] = [
        {"lot": f"at {azimuth}", "azimuth_deg": azimuth, "front_faces": None, "mirrored": None, "flex": None}
        for azimuth in range(0, 90, 3)
    ]
    return plan


def off_by_root_finding(
    plan: PlanTables, found: dict[str, Any], azimuth: float, dampers: dict[str, float], drive: str
) -> dict[str, float]:
    """How far each room is off, cfm, where its design airflow is the straight line between two fronts of the table."""
    fronts = ("N", "NE", "E")
    first = min(int(azimuth // 45.0), len(fronts) - 2)
    part = azimuth / 45.0 - first
    table = {(r["front_faces"], r["room"]): r["cooling_cfm"] for r in plan.tables["airflow"]}
    rooms = dict.fromkeys(room for _, room in table)
    design = {r: (1.0 - part) * table[fronts[first], r] + part * table[fronts[first + 1], r] for r in rooms}
    there = copy.deepcopy(plan)
    for row in there.tables["airflow"]:
        row["cooling_cfm"] = design[row["room"]]
    paths = Paths(there, found["size_set"])
    runs = paths.settle(("N", False, "cooling", "meadow"), dampers, drive)["runs"]
    got = dict.fromkeys(rooms, 0.0)
    for room in rooms:
        served = [run for run in runs if paths.reference.rooms_of(run) == [key(room)]]
        got[room] = sum(runs[run] for run in served if paths.reference.side(run) == "supply")
    return {room: abs(got[room] - design[room]) for room in rooms}


@pytest.mark.parametrize(
    ("north_east", "east", "besides"),
    [
        ({"Den": 110, "Bed": 60}, {"Den": 95, "Bed": 75}, "own"),
        ({"Den": 75, "Bed": 95}, {"Den": 97, "Bed": 73}, "other"),
    ],
)
def test_each_lot_has_the_marks_that_put_its_rooms_right(
    north_east: dict[str, int], east: dict[str, int], besides: str
) -> None:
    """Those of the nearest front, or of the other table, or its own: every room within 10 cfm, by root finding."""
    plan = two_tables(north_east, east)
    with written(plan) as folder:
        report = work_out(tractduct.load_plan(folder), Wanted(turned=True))
    assert report.delivery is not None
    assert report.lots is not None
    found = json.loads(results_text(report))
    tables, drive = found["damper_marks"], report.delivery.drive.value
    assert len(tables) == 2
    how = []
    for lot in found["marks_of_lots"]:
        azimuth = float(lot["lot"].removeprefix("at "))
        near = "N" if azimuth < 22.5 else "NE" if azimuth < 67.5 else "E"
        own = next(n for n, t in enumerate(tables, 1) if {"front_faces": near, "mirrored": False} in t["orientations"])
        runs = lot["damper_marks"]["runs"] if lot["table"] is None else tables[lot["table"] - 1]["runs"]
        off = {}
        for which, marks in (("chosen", runs), ("nearest", tables[own - 1]["runs"])):
            dampers = {run: takes["cooling_inwc_per_cfm2"] for run, takes in marks.items()}
            off[which] = max(off_by_root_finding(plan, found, azimuth, dampers, drive).values())
        assert off["chosen"] <= 10.01
        assert lot["rooms_outside"] == []
        how.append("nearest" if lot["table"] == own else "other" if lot["table"] else "own")
        assert (off["nearest"] <= 10.01) == (how[-1] == "nearest")
        # No damper where the plan has none.
        assert set(runs) <= {run for table in tables for run in table["runs"]}
    assert {"nearest", besides} <= set(how)
    listed = marks_of_lots(report)
    named = {lot["lot"]: "own" if lot["table"] is None else str(lot["table"]) for lot in found["marks_of_lots"]}
    assert not listed.empty
    assert all(named[lot] == table for lot, table in zip(listed["lot"], listed["table"], strict=True))
    first, *others = rooms_right(report.delivery, report.lots)
    assert "on every lot" in first
    words = [line for line in others if "marks of their own" in line]
    told = [f for f in report.findings if f.rule == "marks between the fronts"]
    assert len(words) == len(told) == ("own" in how)
    assert set(report.lots.with_own_marks) == {lot["lot"] for lot in found["marks_of_lots"] if lot["table"] is None}


def test_no_lot_has_marks_of_its_own_where_the_fronts_are_not_right() -> None:
    """Without a damper rooms are outside at the fronts: that is told of, and lots keep the plan's marks."""
    plan = two_tables({"Den": 110, "Bed": 60}, {"Den": 95, "Bed": 75})
    plan.config["dampers"] = {"least_cfm": 1000}
    with written(plan) as folder:
        report = work_out(tractduct.load_plan(folder), Wanted(turned=True))
    assert report.delivery is not None
    assert report.lots is not None
    assert report.delivery.marks.chosen.outside
    assert report.lots.with_own_marks == ()
    lines = rooms_right(report.delivery, report.lots)
    assert "outside tolerance" in lines[0]
    assert not any("of its own" in line or "of their own" in line for line in lines)


def test_a_lot_that_no_marks_put_right_is_named() -> None:
    """It got a flex that is not approved and loses too much for the pressure that the plenums hold."""
    plan = small_plan(variants={"flex": ["meadow"]}, tolerance={"room_pct": 10, "room_cfm": 5})
    plan.tables["ducts"][2:] = [duct("slate", "flex", 0.01, derate=10, compression=25)]
    plan.tables["lots"] = [
        {"lot": "1", "front_faces": "N", "flex": None},
        {"lot": "2", "front_faces": "S", "flex": "slate"},
    ]
    with written(plan) as folder:
        report = work_out(tractduct.load_plan(folder), Wanted(turned=True, drive=Drive.PRESSURE))
    assert report.delivery is not None
    assert report.lots is not None
    assert not report.delivery.marks.chosen.outside
    off = rooms_off(report.delivery, report.lots.air["2"])
    assert off
    first, lots, *_ = rooms_right(report.delivery, report.lots)
    assert "at every front" in first
    assert lots == f"At their own direction not so on 1 of 2 lots: 2 ({', '.join(off)})."
    plan.tables["lots"].pop()
    with written(plan) as folder:
        report = work_out(tractduct.load_plan(folder), Wanted(turned=True, drive=Drive.PRESSURE))
    assert report.delivery is not None
    assert "on every lot" in rooms_right(report.delivery, report.lots)[0]
