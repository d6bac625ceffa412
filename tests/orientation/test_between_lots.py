"""Every degree against the independent check at single azimuths; lots; loads against the table; sensitivity."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from plan_folder import PlanTables, small_plan, written
from surface_plans import FACES, broken_down, demo_orientation, demo_study, with_lots

import tractduct
from tractduct.findings import Severity
from tractduct.model.loads import room_loads, turn
from tractduct.network.variants import Variant
from tractduct.one_plan import Study
from tractduct.orientation import airflow_at, check_every_degree, lot_mix, plan_at, study_orientation
from tractduct.orientation.azimuths import azimuth_label, between_listed, nearest_front
from tractduct.orientation.between import check_between
from tractduct.orientation.lots import lot_findings, lot_results, lots_hold
from tractduct.sizing.solve import least_cost
from tractduct.sizing.verify import verify_sizes
from tractduct.writers import orientation_tables


def studied(plan: PlanTables) -> Study:
    with written(plan) as folder:
        return tractduct.study(folder)


def smaller(study: Study, section: str) -> dict[str, str]:
    """The standard set with one section a size smaller."""
    sizes = [s.label for s in study.plan.sizes if s.shape == "round"]
    chosen = study.size_set
    return {**chosen, section: sizes[sizes.index(chosen[section]) - 1]}


@cache
def sized_for(face: str) -> dict[str, str]:
    """The demo's least-cost set for one face."""
    case = demo_study().case
    return case.labels(least_cost(case.only(case.variants.where(front=face)).problem()).size_index)


@pytest.mark.parametrize("face", ["N", "W"])
def test_every_degree_against_single_azimuths(face: str) -> None:
    """A set for one face only: the same azimuths are broken, one plan and one pass each."""
    plan, chosen = demo_study().plan, sized_for(face)
    check = check_every_degree(plan, chosen)
    assert check.n_variant == 360 * 2 * 2 * 3
    assert check.azimuth_deg.tolist() == list(range(360))
    worst = {}
    for azimuth in range(0, 360, 9):
        one = plan_at(plan, [float(azimuth)], plan.mirrored)
        label = one.fronts[0]
        variants = tuple(Variant(label, m, s, f) for m in plan.mirrored for s in plan.seasons for f in plan.flex)
        found = verify_sizes(one, variants, chosen)
        assert bool(check.holds_at[azimuth]) == found.holds
        worst[azimuth] = max((b.amount / b.limit for b in found.breaches), default=0.0)
        if not found.holds:
            assert check.use[azimuth] == pytest.approx(worst[azimuth])
    assert 0 < sum(w > 0 for w in worst.values()) < len(worst)  # broken somewhere and not everywhere
    assert worst[{"N": 0, "W": 270}[face]] == 0.0
    assert max(r.excess_pct for r in check.broken) >= 100.0 * (max(worst.values()) - 1.0) - 1e-9


def test_the_demo_holds_at_every_degree() -> None:
    check = demo_orientation().degrees
    assert check is not None
    assert check.holds
    assert check.use.max() <= 1.0 + 1e-9
    assert 0.0 < check.largest_step < 0.02


def test_at_the_faces_it_is_the_table() -> None:
    plan = demo_study().plan
    np.testing.assert_array_equal(airflow_at(plan, np.arange(8) * 45.0, plan.mirrored), plan.airflow_cfm)


def test_a_range_that_passes_north_is_one() -> None:
    study = demo_study()
    check = check_every_degree(study.plan, smaller(study, "B4"))
    around = [r for r in check.broken if r.first_deg > r.last_deg]
    assert around
    assert not check.holds_at[0]
    assert all(not check.holds_at[int(r.last_deg)] and not check.holds_at[int(r.first_deg)] for r in around)


@pytest.mark.parametrize("section", ["B4", "T1"])
def test_what_breaks_between_the_faces_is_told_with_its_directions(section: str) -> None:
    """One warning a limit and section; its per cent and directions are those of the pass over single azimuths."""
    study = demo_study()
    chosen = smaller(study, "B4") if section == "B4" else {**study.size_set, "T1": "8x8"}
    check = check_every_degree(study.plan, chosen)
    told = list(check_between(check))
    assert told
    assert {f.severity for f in told} == {Severity.WARNING}
    assert len(told) == len({(r.limit_name, r.section) for r in check.broken})
    worst = max(check.broken, key=lambda r: r.excess_pct)
    name, broken = worst.limit_name, worst.section
    finding = next(f for f in told if f.message.startswith(name) and f.subject == f"section {broken}")
    for r in check.broken:
        if (r.limit_name, r.section) == (name, broken):
            assert r.azimuths in finding.message
    # The worst of them, worked out at its azimuth alone.
    assert worst.worst.variant is not None
    degree = check.azimuth_deg[[azimuth_label(a) for a in check.azimuth_deg].index(worst.worst.variant.front)]
    one = plan_at(study.plan, [float(degree)], study.plan.mirrored)
    place = replace(worst.worst.variant, front=one.fronts[0])
    found, part = verify_sizes(one, (place,), chosen), next(s for s in one.sections if s.name == broken)
    used = {
        "velocity": found.velocity_fpm[broken][0] / one.velocity_limit_fpm(part),
        "pressure": found.path_loss_inwc[broken][0] / one.available_inwc(part.side) if part.is_run else 0.0,
    }[name]
    assert f"by {100.0 * (used - 1.0):.2g} %" in finding.message


def test_azimuths_of_a_plan_are_told_apart() -> None:
    plan = demo_study().plan
    with pytest.raises(ValueError, match="stands twice"):
        plan_at(plan, [10.0, 10.0], plan.mirrored)
    north = replace(plan, fronts=("N",), airflow_cfm=plan.airflow_cfm[:1], surface_loads=None)
    with pytest.raises(ValueError, match="no airflow"):
        plan_at(north, [90.0], plan.mirrored)


def test_it_need_not_hold_between_the_faces() -> None:
    """All the load of Den looks 22.5 degrees off the compass points' neighbour: its peak lies between two faces."""
    plan = broken_down()
    for row in plan.tables["surfaces"][:2]:
        row["plan_face"] = 112.5
    study = studied(plan)
    check = check_every_degree(study.plan, study.size_set)
    faces = check.use[::45]
    assert (faces <= 1.0 + 1e-9).all()
    assert check.use.max() > faces.max()  # between the faces something is used more than at any face


def test_straight_line_without_loads_by_surface() -> None:
    """Table at N, NE and S: 20 degrees is 20/45 of the way; 100 degrees can't be said."""
    plan = small_plan()
    for row in list(plan.tables["airflow"]):
        if row["front_faces"] == "N":
            plan.tables["airflow"].append({**row, "front_faces": "NE", "cooling_cfm": row["cooling_cfm"] + 9})
    plan = with_lots(plan, ("1", 20, None, None, None), ("2", 100, None, None, "meadow"), ("3", None, "S", "yes", None))
    study = studied(plan)
    flow = airflow_at(study.plan, [20.0, 45.0, 180.0, 100.0], (False,))
    np.testing.assert_allclose(flow[0, 0, 1], np.array([90, 70, 140]) + 9 * 20 / 45, rtol=1e-12)
    np.testing.assert_allclose(flow[1, 0, 1], [99, 79, 149])
    np.testing.assert_allclose(flow[2, 0, 1], [110, 70, 140])
    assert np.isnan(flow[3]).all()
    result = study_orientation(study)
    assert [lot.source for lot in result.lots] == ["straight line", "unknown", "unknown"]
    assert [lot.holds for lot in result.lots] == [True, None, None]  # the third is mirrored, the table is not
    assert [lot.nearest_front for lot in result.lots] == ["N", "NE", "S"]
    assert any("straight line" in f.message and f.subject == "lots 1" for f in result.findings)
    assert any(f.subject == "lot 2" and "no airflow" in f.message for f in result.findings)
    assert result.degrees is not None
    assert result.degrees.azimuth_deg.tolist() == [*range(46), 180]
    assert result.loads_check is None
    assert result.house is None
    assert np.isnan(orientation_tables.sensitivity(result)["glass_pct"]).all()


def test_which_azimuths_the_faces_enclose() -> None:
    assert between_listed(FACES, [0, 17, 359.5]).all()
    assert between_listed(["NW", "N", "E"], [314, 315, 330, 0, 1, 89, 90]).tolist() == [
        False, True, True, True, False, False, True,
    ]  # fmt: skip
    assert nearest_front(FACES, 22.4) == "N"
    assert nearest_front(FACES, 22.6) == "NE"
    assert nearest_front(FACES, 337.6) == "N"
    assert nearest_front(["N", "S"], 90.0) == "N"  # of two as near, the first clockwise from north


def test_lots_of_the_demo() -> None:
    """Each lot against the plan at its azimuth alone; run airflow adds up to the blower's on each side."""
    result, study = demo_orientation(), demo_study()
    plan = study.plan
    assert len(result.lots) == 24
    for lot in result.lots:
        alone = plan_at(plan, [lot.lot.azimuth_deg], (lot.lot.mirrored,))
        np.testing.assert_array_equal(lot.room_airflow_cfm, alone.airflow_cfm[0, 0])
        variants = tuple(Variant(alone.fronts[0], lot.lot.mirrored, s, lot.lot.flex) for s in plan.seasons)
        assert lot.holds == verify_sizes(alone, variants, study.size_set).holds
        for p, run in enumerate(study.tree.runs):
            if run.name == "BN2":
                assert lot.run_airflow_cfm[0, p] == 0.0  # open in cooling only
        supply = np.array([run.side == "supply" for run in study.tree.runs])
        for side in (supply, ~supply):
            np.testing.assert_allclose(lot.run_airflow_cfm[:, side].sum(axis=1), [1050, 1300], atol=0.5)
    assert lot_mix(plan) == Counter((nearest_front(FACES, lot.azimuth_deg), None) for lot in plan.lots)
    assert {lot.source for lot in result.lots} == {"airflow table", "table and loads by surface"}


def test_between_the_faces_the_loads_by_surface_are_brought_to_the_table() -> None:
    """Table values twice those by surface in one room: between the faces they stay so, and the total is kept."""
    plan = demo_study().plan
    assert plan.surface_loads is not None
    turned = turn(plan.surface_loads, np.arange(8) * 45.0, plan.mirrored, plan.equipment.system_cfm)
    weight = np.ones(len(plan.rooms))
    weight[2] = 2.0
    table = turned * weight
    table *= turned.sum(axis=3, keepdims=True) / table.sum(axis=3, keepdims=True)
    flow = airflow_at(replace(plan, airflow_cfm=table), [0.0, 20.0, 100.0], (False,))
    share = turn(plan.surface_loads, [0.0, 20.0, 100.0], (False,), plan.equipment.system_cfm)
    np.testing.assert_allclose(flow[0, 0], table[0, 0], rtol=1e-12)
    np.testing.assert_allclose(flow.sum(axis=3), share.sum(axis=3), rtol=1e-12)
    ratio = flow[1:, 0, :, 2] / flow[1:, 0, :, 1]
    assert ratio == pytest.approx(2.0 * share[1:, 0, :, 2] / share[1:, 0, :, 1], rel=1e-9)


def test_lots_where_it_does_not_hold() -> None:
    """A set for the north front only: each lot against the pass at its azimuth, with the path and by how much."""
    study, chosen = demo_study(), sized_for("N")
    results = lot_results(study.plan, study.tree, chosen)
    said = {f.subject: f for f in lot_findings(study.plan, results)}
    for r in results:
        one = plan_at(study.plan, [r.lot.azimuth_deg], (r.lot.mirrored,))
        variants = tuple(Variant(one.fronts[0], r.lot.mirrored, s, r.lot.flex) for s in one.seasons)
        found = verify_sizes(one, variants, chosen)
        assert set(map(str, r.breaches)) == set(map(str, found.breaches))
        assert r.holds == found.holds
        assert (f"lot {r.lot.name}" in said) != r.holds
        if not r.holds:
            worst = max(found.breaches, key=lambda each: each.amount / each.limit)
            assert str(worst) in said[f"lot {r.lot.name}"].message
    assert 0 < len(said) < len(results)
    everywhere = dict.fromkeys(study.size_set, "4")
    assert lots_hold(study.plan, study.tree, [chosen, study.size_set, everywhere]) == [
        {r.lot.name: r.holds for r in lot_results(study.plan, study.tree, sizes)}
        for sizes in (chosen, study.size_set, everywhere)
    ]


def test_a_lot_outside_the_listed_faces() -> None:
    """Made for the north front only: a lot at 200 degrees has its airflow from the loads by surface, and a caution."""
    plan = with_lots(
        broken_down(small_plan(variants={"front_faces": ["N"]})),
        ("A", 0, None, None, None),
        ("B", 200, None, None, None),
    )
    result = study_orientation(studied(plan))
    a, b = result.lots
    assert (a.covered, b.covered) == (True, False)
    assert b.source == "loads by surface"
    assert np.isfinite(b.run_airflow_cfm).all()
    assert [f.subject for f in result.findings if f.rule == "lot"] == ["lot B"]


def test_loads_check() -> None:
    """The table of the turned loads by surface agrees; one cell 8 % off is found with its room, the other rooms not."""
    plan = broken_down()
    with written(plan) as folder:
        flow = tractduct.load_plan(folder).airflow_cfm
    plan.tables["airflow"] = [
        {"front_faces": face, "room": room, "heating_cfm": flow[i, 0, 0, n], "cooling_cfm": flow[i, 0, 1, n]}
        for i, face in enumerate(FACES)
        for n, room in enumerate(("Den", "Bed", "Kitchen"))
    ]
    result = study_orientation(studied(plan), most_packages=0, step_deg=45.0)
    assert result.loads_check is not None
    assert result.loads_check.largest_pct < 1e-9
    assert not [f for f in result.findings if f.rule == "loads by surface"]
    plan.tables["airflow"][4]["cooling_cfm"] *= 1.08  # NE, Bed
    result = study_orientation(studied(plan), most_packages=0, step_deg=45.0)
    assert result.loads_check is not None
    off = [f for f in result.findings if f.rule == "loads by surface"]
    assert [f.subject for f in off] == ["room Bed"]
    assert "front NE, cooling" in off[0].message
    frame = orientation_tables.loads_check(result)
    worst = frame.loc[frame["off_pct"].abs().idxmax()]
    assert (worst["room"], worst["front_faces"], worst["season"], worst["within"]) == ("Bed", "NE", "cooling", False)
    bed, total = flow[1, 0, 1, 1], 300.0
    assert worst["off_pct"] == pytest.approx(100.0 * ((total + 0.08 * bed) / total / 1.08 - 1.0))
    plan.config["orientation"] = {"breakdown_check_pct": 9}
    result = study_orientation(studied(plan), most_packages=0, step_deg=45.0)
    assert not [f for f in result.findings if f.rule == "loads by surface"]


def test_load_change_with_direction() -> None:
    """The house's load by face summed here; a finding above the settable amount and none below."""
    plan = broken_down()
    with written(plan) as folder:
        surface_loads = tractduct.load_plan(folder).surface_loads
    assert surface_loads is not None
    total = room_loads(surface_loads, np.arange(8) * 45.0).cooling_btuh[0, :, 0].sum(axis=1)
    change = float(total.max() - total.min())
    for limit, found in ((change - 1.0, True), (change + 1.0, False)):
        plan.config["orientation"] = {"diversity_btuh": limit}
        result = study_orientation(studied(plan), most_packages=0, step_deg=45.0)
        assert result.house is not None
        assert result.house.change_btuh == pytest.approx(change)
        said = [f for f in result.findings if f.rule == "load change with direction"]
        assert bool(said) == found
        assert not said or f"{change:,.0f} Btu/h" in said[0].message
    assert demo_study().plan.diversity_btuh == 6000.0


def test_sensitivity_of_the_demo() -> None:
    """Against the airflow table itself."""
    result, plan = demo_orientation(), demo_study().plan
    found = {r.room: r for r in result.sensitivity}
    for n, room in enumerate(plan.rooms):
        r, flow = found[room], plan.airflow_cfm[:, :, plan.seasons.index(found[room].season), n]
        assert (r.smallest_cfm, r.largest_cfm) == (flow.min(), flow.max())
        driving = flow[plan.fronts.index(r.driving_front), plan.mirrored.index(r.driving_mirrored)]
        least = flow[plan.fronts.index(r.least_front), plan.mirrored.index(r.least_mirrored)]
        assert (driving, least) == (flow.max(), flow.min())
        assert 0.0 <= r.glass_pct <= 100.0
    order = [(-r.size_steps, -r.ratio) for r in result.sensitivity]
    assert order == sorted(order)
    # The closet has a roof and gains only: its load does not turn, its share does.
    closet = found["Owner Closet"]
    assert closet.load_change_pct == pytest.approx(0.0, abs=1e-9)
    assert closet.has_glass is False
    assert closet.glass_pct == 0.0
    assert closet.shared_out
    assert not found["Study"].shared_out
    # Bedroom 3 has glass in front only: it is worst with the front west.
    assert found["Bedroom 3"].driving_front == "W"
    glass, wall, roof, people = 20 * 52, 76 * 1.7, 144 * 1.6, 360
    assert found["Bedroom 3"].glass_pct == pytest.approx(100.0 * glass / (glass + wall + roof + people))


def test_step_must_meet_the_faces() -> None:
    with pytest.raises(ValueError, match="divide 45"):
        check_every_degree(demo_study().plan, demo_study().size_set, step_deg=2.0)


def test_lists_have_a_row_for_each_of_what_they_list() -> None:
    """16 rooms, 8 fronts, 2 mirrors, 2 seasons, 24 lots, 23 runs: counted in the demo's own tables."""
    result, t = demo_orientation(), orientation_tables
    n_room, n_face = 16, 8
    expected = {
        t.sensitivity: n_room,
        t.house_loads: n_face * 2,
        t.peaks: 0,
        t.lots: 24,
        t.lots_by_room: 24 * n_room * 2,
        t.lot_runs: 24 * 23 * 2,
        t.degrees: 360,
        t.broken: 0,
        t.loads_check: n_room * n_face * 4,
    }
    for one, rows in expected.items():
        assert len(one(result)) == rows, one.name
    assert result.packages is not None
    assert len(t.lot_packages(result)) == 24 * (len(result.packages.choices) - 1)
    packages = sum(choice.n_package for choice in result.packages.choices)
    assert len(t.package_sizes(result)) == len(result.study.tree.sections) * packages
    broken = replace(result, degrees=check_every_degree(result.study.plan, smaller(result.study, "B4")))
    frame = t.broken(broken)
    assert (frame["over_limit_pct"] > 0.0).all()
    assert not frame.empty
