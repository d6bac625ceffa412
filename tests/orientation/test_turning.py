"""Turning a house: symmetries, hand calculations, and the demo's own table."""

from __future__ import annotations

import importlib.util
from dataclasses import replace
from types import ModuleType

import numpy as np
import pytest
from conftest import WritePlan
from hypothesis import given
from hypothesis import strategies as st
from plan_folder import PlanTables, small_plan, written
from scipy.interpolate import PchipInterpolator
from surface_plans import DEMO, FACES, GLASS, broken_down, demo_orientation, surface

import tractduct
from tractduct.model.loads import SurfaceLoads, room_loads, turn
from tractduct.model.plan import Plan
from tractduct.physics.turning import bearing_deg, between_points

SYSTEM = {"heating": 230.0, "cooling": 300.0}


def loaded(plan: PlanTables) -> Plan:
    with written(plan) as folder:
        return tractduct.load_plan(folder)


def surface_loads_of(plan: PlanTables) -> SurfaceLoads:
    found = loaded(plan).surface_loads
    assert found is not None
    return found


def demo_script() -> ModuleType:
    """The script that made the demo's airflow table: loops over rows, written before the program could do it."""
    path = DEMO.parent / "make_demo_airflow.py"
    spec = importlib.util.spec_from_file_location("make_demo_airflow", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


# Someone in the street who looks at a front that faces north looks south, with west at the right hand.
@pytest.mark.parametrize(
    ("face", "azimuth", "mirrored", "looks"),
    [
        ("right", 0, False, 270),
        ("left", 0, False, 90),
        ("right", 0, True, 90),
        ("back", 45, True, 225),
        ("front", 123, True, 123),
        ("left", 90, False, 180),
    ],
)
def test_which_way_a_side_looks(face: str, azimuth: float, mirrored: bool, looks: float) -> None:
    degrees = {"front": 0.0, "left": 90.0, "back": 180.0, "right": 270.0}[face]
    assert float(bearing_deg(degrees, azimuth, mirrored)) == looks


def test_the_schema_has_the_same_sides() -> None:
    plan = broken_down()
    plan.tables["surfaces"] = [
        surface(room, "glass", side, 10)
        for room, side in (("Den", "right"), ("Den", "left"), ("Bed", "front"), ("Kitchen", "back"))
    ]
    assert surface_loads_of(plan).face_deg.tolist() == [270.0, 90.0, 0.0, 180.0]


def test_four_quarter_turns_give_the_start() -> None:
    """A house whose every surface is moved a quarter clockwise, turned a quarter back, is the same house."""
    surface_loads = surface_loads_of(broken_down())
    azimuth = np.array([0.0, 17.0, 45.0, 200.0])
    start = room_loads(surface_loads, azimuth, (False, True))
    for quarters in range(1, 5):
        moved = replace(surface_loads, face_deg=surface_loads.face_deg + 90.0 * quarters)
        back = room_loads(moved, azimuth - 90.0 * quarters)
        np.testing.assert_allclose(back.cooling_btuh[:, :, 0], start.cooling_btuh[:, :, 0], rtol=1e-12)
        np.testing.assert_allclose(back.heating_btuh[:, 0], start.heating_btuh[:, 0], rtol=1e-12)
    around = room_loads(surface_loads, azimuth + 360.0, (False, True))
    np.testing.assert_allclose(around.cooling_btuh, start.cooling_btuh, rtol=1e-12)
    quarter = room_loads(surface_loads, azimuth + 90.0, (False, True))
    assert np.abs(quarter.cooling_btuh / start.cooling_btuh - 1.0).max() > 0.1  # a quarter turn is not nothing


def test_mirrored_twice_gives_the_start() -> None:
    surface_loads = surface_loads_of(broken_down())
    azimuth = np.arange(0.0, 360.0, 7.5)
    mirror_image = replace(surface_loads, face_deg=-surface_loads.face_deg)
    twice = room_loads(mirror_image, azimuth, (True,))
    once = room_loads(mirror_image, azimuth, (False,))
    start = room_loads(surface_loads, azimuth, (False,))
    np.testing.assert_allclose(twice.cooling_btuh, start.cooling_btuh, rtol=1e-12)
    assert np.abs(once.cooling_btuh / start.cooling_btuh - 1.0).max() > 0.1


def test_a_mirror_acts_before_the_rotation() -> None:
    """A left window of a mirrored house that faces east looks north: it is at the right, and right of east is north."""
    plan = broken_down()
    plan.tables["surfaces"] = [surface(r, "glass", "left", 10) for r in ("Den", "Bed", "Kitchen")]
    plan.tables["room_gains"] = plan.tables["room_gains"][:1]
    loads = room_loads(surface_loads_of(plan), [90.0], (True,))
    assert loads.cooling_btuh[0, 0, 0].tolist() == [500 + 10 * GLASS["N"], 10 * GLASS["N"], 10 * GLASS["N"]]


def test_a_symmetric_plan_has_equal_tables() -> None:
    """The same glass on all four sides of every room: nothing turns, and drawn and mirrored are the same."""
    plan = broken_down()
    plan.tables["surfaces"] = [
        surface(room, "glass", side, 12, 0.2)
        for room in ("Den", "Bed", "Kitchen")
        for side in ("front", "left", "back", "right")
    ]
    flow = turn(surface_loads_of(plan), np.arange(4) * 90.0 + 20.0, (False, True), SYSTEM)
    np.testing.assert_allclose(flow, np.broadcast_to(flow[:1, :1], flow.shape), rtol=1e-12)
    # left and right alike: mirrored equals drawn, though the house turns
    plan.tables["surfaces"] = [
        surface("Den", "glass", "left", 12),
        surface("Den", "glass", "right", 12),
        surface("Bed", "glass", "front", 20),
        surface("Kitchen", "glass", "back", 20),
    ]
    flow = turn(surface_loads_of(plan), np.arange(0.0, 360.0, 15.0), (False, True), SYSTEM)
    np.testing.assert_allclose(flow[:, 0], flow[:, 1], rtol=1e-12)
    assert np.ptp(flow[:, 0, 1], axis=0).max() > 10.0


def test_room_airflow_adds_up_to_the_blowers() -> None:
    flow = turn(surface_loads_of(broken_down()), np.arange(0.0, 360.0, 1.0), (False, True), SYSTEM)
    assert flow.shape == (360, 2, 2, 3)
    np.testing.assert_allclose(flow[:, :, 0].sum(axis=-1), 230.0, rtol=0.0, atol=1e-9)
    np.testing.assert_allclose(flow[:, :, 1].sum(axis=-1), 300.0, rtol=0.0, atol=1e-9)


def test_loads_by_hand() -> None:
    """Front north. Bed: 24 ft2 of front glass, a quarter of it in the shade; 110 ft2 of wall that looks west."""
    loads = room_loads(surface_loads_of(broken_down()), [0.0])
    bed = 24 * GLASS["N"] + 110 * (1 + GLASS["W"] / 60) + 150 * 1.6 + 400
    assert loads.cooling_btuh[0, 0, 0, 1] == pytest.approx(bed, rel=1e-12)
    loads = room_loads(surface_loads_of(broken_down()), [270.0])
    bed = 24 * (0.75 * GLASS["W"] + 0.25 * GLASS["N"]) + 110 * (1 + GLASS["S"] / 60) + 150 * 1.6 + 400
    assert loads.cooling_btuh[0, 0, 0, 1] == pytest.approx(bed, rel=1e-12)
    heating = 24 * (19 - FACES.index("W") / 8) + 110 * 3.8 + 150 * 1.7 + 500  # shade changes no heating load
    assert loads.heating_btuh[0, 0, 1] == pytest.approx(heating, rel=1e-12)
    assert loads.glass_cooling_btuh[0, 0, 0, 1] == pytest.approx(24 * (0.75 * GLASS["W"] + 0.25 * GLASS["N"]))
    # two rows of gains of one room add up; 200 degrees from the front, the front at 25: south-west
    loads = room_loads(surface_loads_of(broken_down()), [25.0])
    others = 36 * between_points(list(GLASS.values()), 205.0) + 80 * between_points(
        [1 + g / 60 for g in GLASS.values()], 205.0
    )
    assert loads.cooling_btuh[0, 0, 0, 2] == pytest.approx(8 * GLASS["SW"] + float(others) + 2000)


@given(
    st.lists(st.floats(0.0, 100.0).map(lambda v: round(v, 3)), min_size=8, max_size=8),
    st.floats(-720.0, 720.0),
)
def test_between_points(values: list[float], bearing: float) -> None:
    """Exact at the points, periodic, within the two neighbours, and scipy's PCHIP of three turns."""
    assert between_points(values, np.arange(8) * 45.0).tolist() == values
    found = float(between_points(values, bearing))
    assert float(between_points(values, bearing + 360.0)) == pytest.approx(found, abs=1e-9)
    place = bearing % 360.0 / 45.0
    ends = values[int(place) % 8], values[(int(place) + 1) % 8]
    assert min(ends) - 1e-9 <= found <= max(ends) + 1e-9
    index = np.arange(-8, 17)
    reference = PchipInterpolator(index * 45.0, np.array(values)[index % 8])
    assert found == pytest.approx(float(reference(bearing % 360.0)), abs=1e-9)


def test_the_demos_table_is_reproduced() -> None:
    """Its airflow.csv is the turned loads by surface, within the rounding of its one decimal."""
    plan = demo_orientation().study.plan
    assert plan.surface_loads is not None
    assert not plan.turned
    system = {s: plan.equipment.system_cfm[s] for s in plan.seasons}
    flow = turn(plan.surface_loads, np.arange(8) * 45.0, plan.mirrored, system)
    np.testing.assert_allclose(flow, plan.airflow_cfm, rtol=0.0, atol=0.05 + 1e-9)


def test_against_the_demos_script() -> None:
    """Unrounded, against loops over the rows of the same tables."""
    script = demo_script()
    plan = demo_orientation().study.plan
    assert plan.surface_loads is not None
    factors = {
        (r["surface"], r["exposure"]): (float(r["heating_btuh_per_ft2"]), float(r["sensible_cooling_btuh_per_ft2"]))
        for r in script.read_rows(DEMO / "load_factors.csv")
    }
    rows = [script.read_rows(DEMO / f"{name}.csv") for name in ("surfaces", "room_gains")]
    loads = room_loads(plan.surface_loads, np.arange(8) * 45.0, (False, True))
    for i, face in enumerate(FACES):
        for j, mirrored in enumerate((False, True)):
            expected = script.room_loads(rows[0], factors, rows[1], face, mirrored)
            for n, room in enumerate(plan.rooms):
                assert loads.heating_btuh[i, j, n] == pytest.approx(expected[room][0], rel=1e-12)
                assert loads.cooling_btuh[0, i, j, n] == pytest.approx(expected[room][1], rel=1e-12)


def test_a_plan_of_surfaces_only(write_plan: WritePlan) -> None:
    """No airflow table: all eight faces, as drawn, both seasons; and [variants] may choose."""
    plan = loaded(broken_down())
    assert plan.turned
    assert (plan.fronts, plan.mirrored, plan.seasons) == (FACES, (False,), ("heating", "cooling"))
    assert plan.rooms == ("Den", "Bed", "Kitchen")
    np.testing.assert_allclose(plan.airflow_cfm.sum(axis=-1), [[[230.0, 300.0]]] * 8, atol=1e-9)
    chosen = broken_down(small_plan(variants={"front_faces": ["W", "E"], "mirrored": [True], "seasons": ["cooling"]}))
    few = loaded(chosen)
    assert few.airflow_cfm.shape == (2, 1, 1, 3)
    expected = turn(plan.surface_loads, [270.0, 90.0], (True,), {"cooling": 300.0})  # type: ignore[arg-type]
    np.testing.assert_allclose(few.airflow_cfm, expected, rtol=1e-12)
    assert tractduct.study(write_plan(broken_down(), "xlsx")).status == "optimal"


def test_the_table_counts_where_both_stand(write_plan: WritePlan) -> None:
    both = broken_down()
    both.tables["airflow"] = small_plan().tables["airflow"]
    plan = loaded(both)
    assert not plan.turned
    np.testing.assert_array_equal(plan.airflow_cfm, loaded(small_plan()).airflow_cfm)
    # rooms in the table's order, whatever that of the loads
    both.tables["surfaces"].reverse()
    again = loaded(both)
    assert again.surface_loads is not None
    assert plan.surface_loads is not None
    assert again.surface_loads.rooms == plan.rooms
    np.testing.assert_allclose(
        room_loads(again.surface_loads, [10.0]).cooling_btuh, room_loads(plan.surface_loads, [10.0]).cooling_btuh
    )
