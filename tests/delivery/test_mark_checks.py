"""Marks in houses not built as drawn, between the fronts, and what helps where they do not do it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from driven_plans import case_of
from plan_folder import section, small_plan, written
from test_marks import fronts_apart, seasons_apart, sizes_of, two_of_many

import tractduct
from tractduct.delivery.balance import tolerances_off
from tractduct.delivery.flow import with_dampers
from tractduct.delivery.mark_checks import check_marks_every_degree, rooms_outside_as_built
from tractduct.delivery.mark_remedies import find_remedies
from tractduct.delivery.marks import find_marks
from tractduct.delivery.predict import Drive, installed_ducts, predict
from tractduct.delivery.robust import SEED
from tractduct.inputs.reader import load_plan
from tractduct.orientation.azimuths import plan_at
from tractduct.report import Wanted, work_out
from tractduct.sizing.case import build_case
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
        ducts = with_dampers(installed_ducts(there, index), setting.coefficient[rows])
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
        ducts = installed_ducts(case, index, compression_pct=compression[build], length_factor=length[build])
        off = tolerances_off(predict(case, with_dampers(ducts, setting.coefficient), drive=drive), case.plan.tolerance)
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
    case = case_of(plan)
    index = sizes_of(case)
    marks = find_marks(case, index, drive=Drive.AIRFLOW, positions=1)
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
    again = find_marks(
        changed, np.array([index[0]] * len(changed.tree.sections)), drive=Drive.AIRFLOW, positions=1, fewest=False
    )
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


def test_a_lot_between_the_fronts_that_its_table_leaves_wrong_is_named() -> None:
    """Den and Bed change places from N to NE. Each front has a table of its own; half way the straight line asks for
    25 cfm more and less than the nearest front's table gives, with 10 allowed: no word of every lot then."""
    plan = small_plan(tolerance={"room_pct": 10, "room_cfm": 10}, variants={"flex": ["meadow"], "seasons": ["cooling"]})
    needs = {"N": {"Den": 60, "Bed": 110, "Kitchen": 100}, "NE": {"Den": 110, "Bed": 60, "Kitchen": 100}}
    plan.tables["airflow"] = [
        {"front_faces": front, "room": room, "heating_cfm": 50, "cooling_cfm": cfm}
        for front, rooms in needs.items()
        for room, cfm in rooms.items()
    ]
    plan.tables["lots"] = [
        {"lot": "at N", "azimuth_deg": 0, "front_faces": None, "mirrored": None, "flex": None},
        {"lot": "between", "azimuth_deg": 22, "front_faces": None, "mirrored": None, "flex": None},
    ]
    with written(plan) as folder:
        report = work_out(tractduct.load_plan(folder), Wanted(turned=True))
    assert report.delivery is not None
    assert not report.delivery.marks.chosen.outside
    assert len(report.delivery.marks.chosen.tables) == 2
    first, lots, between, *_ = rooms_right(report.delivery, report.lots)
    assert "at every front" in first
    assert lots == "At their own direction not so on 1 of 2 lots: between (Den, Bed)."
    assert "between the fronts, 2 rooms would be outside" in between
    (found,) = (finding for finding in report.findings if finding.rule == "marks between the fronts")
    assert "Den, Bed" in found.message
    plan.tables["lots"].pop()
    with written(plan) as folder:
        report = work_out(tractduct.load_plan(folder), Wanted(turned=True))
    assert report.delivery is not None
    assert "on every lot" in rooms_right(report.delivery, report.lots)[0]
