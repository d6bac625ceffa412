"""Bad surfaces, factors, gains, lots, outlines and routes: each fault by file, row, column, value and remedy."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest
from conftest import WritePlan
from plan_folder import PlanTables, small_plan
from surface_plans import broken_down, by_sun, surface, with_lots

import tractduct

Change = Callable[[PlanTables], Any]


def put(table: str, row: int, column: str, value: Any) -> Change:
    """Writes one cell; ``row`` counts as a text editor does, 1 for the header."""

    def change(plan: PlanTables) -> None:
        plan.tables[table][row - 2][column] = value

    return change


def add(table: str, **cells: Any) -> Change:
    return lambda plan: plan.tables[table].append(cells)


def drop(table: str, row: int) -> Change:
    return lambda plan: plan.tables[table].pop(row - 2)


def setting(part: str, **keys: Any) -> Change:
    return lambda plan: plan.config.setdefault(part, {}).update(keys)


def without(part: str, key: str) -> Change:
    return lambda plan: plan.config[part].pop(key)


def full() -> PlanTables:
    """Loads by surface and airflow table, lots, outlines and routes: all valid."""
    plan = with_lots(broken_down(), ("1", 10, None, None, None), ("2", None, "E", "yes", "granite"))
    plan.tables["airflow"] = small_plan().tables["airflow"]
    plan.tables["rooms"] = [
        {"room": room, "x_ft": 12 * n, "y_ft": 0, "width_ft": 12, "depth_ft": 11, "floor": 1}
        for n, room in enumerate(("Den", "Bed", "Kitchen"))
    ]
    plan.tables["routes"] = [{"section": "T1", "x_ft": x, "y_ft": 5, "floor": None} for x in (2, 20)]
    return plan


# change, file, row, column, value, problem, remedy
BAD: dict[str, tuple[Change, str, int | None, str | None, str | None, str, str]] = {
    "unknown surface": (
        put("surfaces", 2, "surface", "glas"), "surfaces.csv", 2, "surface", "glas", "no surface 'glas'", "'glass'",
    ),
    "unknown room of a surface": (
        put("surfaces", 3, "room", "Denn"), "surfaces.csv", 3, "room", "Denn", "airflow table has no room", "'Den'",
    ),
    "unknown side": (
        put("surfaces", 2, "plan_face", "west"), "surfaces.csv", 2, "plan_face", "west", "front, left", "street",
    ),
    "side beyond a turn": (
        put("surfaces", 2, "plan_face", 361), "surfaces.csv", 2, "plan_face", "361", "0 to 360", "clockwise",
    ),
    "negative area": (
        put("surfaces", 2, "area_ft2", -3), "surfaces.csv", 2, "area_ft2", "-3", "ft2 from 0", "Correct",
    ),
    "more taken away than is there": (
        lambda plan: [
            plan.tables.update(options=[{"option": "bay"}]),
            [row.update(option=None) for row in plan.tables["surfaces"]],
            plan.tables["surfaces"].append({**surface("Den", "glass", "left", -31), "option": "bay"}),
        ],
        "surfaces.csv", 10, "area_ft2", "-31", "more than is there in a house with bay", "Correct",
    ),
    "no area": (put("surfaces", 2, "area_ft2", None), "surfaces.csv", 2, "area_ft2", None, "empty", "Enter"),
    "shade in per cent": (
        put("surfaces", 4, "shade_fraction", 25), "surfaces.csv", 4, "shade_fraction", "25", "0 to 1", "per cent",
    ),
    "negative shade": (
        put("surfaces", 4, "shade_fraction", -0.1), "surfaces.csv", 4, "shade_fraction", "-0.1", "0 to 1", "Correct",
    ),
    "unknown exposure": (
        put("load_factors", 2, "exposure", "NNE"), "load_factors.csv", 2, "exposure", "NNE", "N, NE", "Pick",
    ),
    "a factor twice": (
        add("load_factors", surface="GLASS", exposure="n", sensible_cooling_btuh_per_ft2=1, heating_btuh_per_ft2=1),
        "load_factors.csv", 19, "exposure", "n", "in row 2", "Remove",
    ),
    "a factor missing": (
        drop("load_factors", 2), "load_factors.csv", None, "exposure", "glass", "no factor for N$", "each compass",
    ),
    "a factor empty": (
        put("load_factors", 2, "heating_btuh_per_ft2", None),
        "load_factors.csv", 2, "heating_btuh_per_ft2", None, "empty", "Enter",
    ),
    "a cooling factor empty": (
        put("load_factors", 2, "sensible_cooling_btuh_per_ft2", None),
        "load_factors.csv", 2, "sensible_cooling_btuh_per_ft2", "glass", "no cooling factor for N$", "from the sun",
    ),
    "a wall left to the sun": (
        lambda plan: [
            r.update(sensible_cooling_btuh_per_ft2=None) for r in plan.tables["load_factors"] if r["surface"] == "wall"
        ],
        "load_factors.csv", 3, "sensible_cooling_btuh_per_ft2", "wall", "no cooling factor", "only a glass",
    ),
    "a surface that does not turn without its factor": (
        put("surfaces", 2, "plan_face", None),
        "load_factors.csv", None, "exposure", "glass", "without plan_face", "Add that row",
    ),
    "a turning surface with a still factor": (
        put("surfaces", 6, "plan_face", "back"),
        "load_factors.csv", None, "exposure", "roof", "no factor for N, NE", "leave plan_face",
    ),
    "unknown room of a gain": (
        put("room_gains", 2, "room", "Dne"), "room_gains.csv", 2, "room", "Dne", "no room 'Dne'", "'Den'",
    ),
    "a gain twice": (
        put("room_gains", 5, "note", "cooking"), "room_gains.csv", 5, "room", "Kitchen", "in row 4", "note",
    ),
    "a room without load": (
        lambda plan: [plan.tables["surfaces"].__delitem__(slice(0, 2)), plan.tables["room_gains"].pop(0)],
        "surfaces.csv", None, "room", None, "room 'Den' of the airflow table has no surface", "room_gains",
    ),
    "no factors at all": (
        lambda plan: plan.tables.pop("load_factors"),
        "surfaces.csv", None, None, None, "no load_factors table", "Add load_factors.csv",
    ),
    "a lot twice": (put("lots", 3, "lot", "1"), "lots.csv", 3, "lot", "1", "in row 2", "own name"),
    "a lot beyond a turn": (
        put("lots", 2, "azimuth_deg", 361), "lots.csv", 2, "azimuth_deg", "361", "0 to 360", "another direction",
    ),
    "a negative azimuth": (
        put("lots", 2, "azimuth_deg", -1), "lots.csv", 2, "azimuth_deg", "-1", "0 to 360", "Correct",
    ),
    "a lot without direction": (
        put("lots", 2, "azimuth_deg", None), "lots.csv", 2, "azimuth_deg", None, "no direction", "front_faces",
    ),
    "two directions": (
        put("lots", 3, "azimuth_deg", 80), "lots.csv", 3, "azimuth_deg", "80", "E, which is 90", "Keep",
    ),
    "unknown face of a lot": (
        put("lots", 3, "front_faces", "EE"), "lots.csv", 3, "front_faces", "EE", "N, NE", "Pick",
    ),
    "unknown flex of a lot": (
        put("lots", 3, "flex", "granit"), "lots.csv", 3, "flex", "granit", "no flex product", "'granite'",
    ),
    "mirrored is no word": (put("lots", 3, "mirrored", "maybe"), "lots.csv", 3, "mirrored", "maybe", "true or", "true"),
    "unknown room of an outline": (
        put("rooms", 2, "room", "Porch"), "rooms.csv", 2, "room", "Porch", "no room of this name", "Den",
    ),
    "no width": (put("rooms", 2, "width_ft", 0), "rooms.csv", 2, "width_ft", "0", "above 0", "Correct"),
    "unknown section of a route": (
        put("routes", 3, "section", "T9"), "routes.csv", 3, "section", "T9", "no section of this name", "T1",
    ),
    "latitude south": (
        setting("site", latitude_deg=-35), "plan.toml", None, "[site] latitude_deg", "-35", "0 to 66", "Correct",
    ),
    "longitude for latitude": (
        setting("site", latitude_deg=97), "plan.toml", None, "[site] latitude_deg", "97", "0 to 66", "longitude",
    ),
    "gain coefficient in per cent": (
        setting("solar", shgc=30), "plan.toml", None, "[solar] shgc", "30", "above 0 to 1", "per cent",
    ),
    "weights that do not add up": (
        setting("solar", storage_weights=[0.5, 0.2]),
        "plan.toml", None, "[solar] storage_weights", "[0.5, 0.2]", "add up to 1", "Write",
    ),
    "unknown peak": (
        setting("solar", room_airflow_at="noon"),
        "plan.toml", None, "[solar] room_airflow_at", "noon", "room_peak, house_peak", "Pick",
    ),
    "unknown key": (
        setting("orientation", diversity=1), "plan.toml", None, None, "diversity", "no key", "diversity_btuh",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_one_fault(name: str, write_plan: WritePlan) -> None:
    change, file, row, column, value, problem, remedy = BAD[name]
    plan = full()
    tractduct.load_plan(write_plan(plan))  # nothing wrong before
    change(plan)
    with pytest.raises(tractduct.InputFaults) as caught:
        tractduct.load_plan(write_plan(plan))
    told = "\n".join(map(str, caught.value.faults))
    assert len(caught.value.faults) == 1, told
    (fault,) = caught.value.faults
    assert (fault.file, fault.row, fault.column) == (file, row, column), told
    assert value is None or fault.value == value, told
    assert re.search(problem, fault.problem), told
    assert remedy in fault.remedy, told


def test_all_at_once(write_plan: WritePlan) -> None:
    """Six faults in five tables, one pass."""
    plan = full()
    names = ["unknown surface", "negative shade", "unknown room of a gain", "a lot twice", "no width", "latitude south"]
    for name in names:
        BAD[name][0](plan)
    with pytest.raises(tractduct.InputFaults) as caught:
        tractduct.load_plan(write_plan(plan, "xlsx"))
    places = {(f.row, f.column) for f in caught.value.faults}
    assert {(BAD[n][2], BAD[n][3]) for n in names} <= places


def test_without_the_blowers_airflow(write_plan: WritePlan) -> None:
    plan = broken_down()
    plan.config.pop("blower")
    with pytest.raises(tractduct.InputFaults) as caught:
        tractduct.load_plan(write_plan(plan))
    assert {f.column for f in caught.value.faults} == {"[blower] heating_cfm", "[blower] cooling_cfm"}


@pytest.mark.parametrize(("part", "key"), [("site", "latitude_deg"), ("solar", "shgc")])
def test_the_sun_needs(part: str, key: str, write_plan: WritePlan) -> None:
    plan = by_sun(broken_down())
    tractduct.load_plan(write_plan(plan))
    plan.config[part].pop(key)
    with pytest.raises(tractduct.InputFaults, match="to the sun, and that needs") as caught:
        tractduct.load_plan(write_plan(plan))
    (fault,) = caught.value.faults
    assert fault.column == f"[{part}] {key}"


def test_neither_table(write_plan: WritePlan) -> None:
    plan = small_plan()
    del plan.tables["airflow"]
    with pytest.raises(tractduct.InputFaults, match="the plan has no airflow table"):
        tractduct.load_plan(write_plan(plan))


def test_a_room_of_surfaces_that_no_run_serves(write_plan: WritePlan) -> None:
    plan = broken_down()
    plan.tables["surfaces"].append(surface("Attic", "glass", "left", 10))
    with pytest.raises(tractduct.InputFaults, match="room 'Attic' needs air and no supply section"):
        tractduct.load_plan(write_plan(plan))


def test_factors_without_surfaces_are_said_to_be_unused(write_plan: WritePlan) -> None:
    plan = small_plan()
    plan.tables["room_gains"] = broken_down().tables["room_gains"]
    found = tractduct.load_plan(write_plan(plan)).findings
    assert [f.subject for f in found if f.rule == "unused table"] == ["room_gains.csv"]
