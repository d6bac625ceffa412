"""The compact form reads as the same plan as the long one; what is derived is held against what people typed."""

from __future__ import annotations

import math
import random
from dataclasses import replace
from pathlib import Path

import numpy as np
import openpyxl
import pytest
from compact_plans import GENERIC, KIND, compact, long_sheet, parted, write_book, write_csv
from plan_folder import PlanTables, read_tables, small_plan
from random_plans import random_plan

import tractduct
from tractduct.cli import main
from tractduct.delivery.deliver import deliver
from tractduct.errors import InputFaults
from tractduct.model.plan import Plan

CONFIGS = Path(__file__).parents[2] / "configs"
DEMOS = ("brindlecote-2670", "quernby-1180")
# Sections whose start, bends or end are of another kind than the rules say. Quernby's returns leave their trunk by a
# reducer each, where the rule has a takeoff.
OTHER_KIND = {"brindlecote-2670": set(), "quernby-1180": {"RH", "RL"}}
# A flex return that another hangs on is drawn as a trunk; the rule makes trunks of rigid duct alone.
OTHER_ROLE = {"brindlecote-2670": {"RT2"}, "quernby-1180": set()}


def typed_in(plan: PlanTables, demo: str) -> set[str]:
    """Sections whose fittings the generic names of ``compact_plans`` do not say."""
    rows = plan.tables["sections"]
    special = {r["section"] for r in rows if any(name not in GENERIC for name, _ in parted(r["fittings"]))}
    # One piece at a parent has one name: of two names two would be bought.
    special |= {r["section"] for r in rows if "wye_branch" in r["fittings"]}
    return special | OTHER_KIND[demo]


def losses(plan: Plan) -> list[tuple[object, ...]]:
    """Each section with its fittings by what they lose, as their names may differ."""
    return [
        (
            replace(s, fittings=(), length_ft=round(s.length_ft, 9)),
            round(plan.equivalent_lengths_ft(s), 9),
            round(plan.loss_coefficients(s), 9),
        )
        for s in plan.sections
    ]


@pytest.mark.parametrize("form", ["xlsx", "csv"])
@pytest.mark.parametrize("demo", DEMOS)
def test_a_demo_in_the_compact_form_is_the_same_plan(demo: str, form: str, tmp_path: Path) -> None:
    tables = read_tables(CONFIGS / demo)
    sheets = compact(tables, typed_in(tables, demo), "R-6")
    path = write_book(tmp_path / "house.xlsx", sheets) if form == "xlsx" else write_csv(tmp_path / "house", sheets)
    short, long = tractduct.load_plan(path), tractduct.load_plan(CONFIGS / demo)
    assert losses(short) == losses(long)
    assert np.array_equal(short.airflow_cfm, long.airflow_cfm)
    assert short.prices.items() >= {k: v for k, v in long.prices.items() if v is not None}.items()
    assert [p for p in short.prices if short.prices[p] is not None] == [p for p in short.prices if long.prices.get(p)]
    assert (short.sizes, short.flex, short.lots, short.outlines) == (long.sizes, long.flex, long.lots, long.outlines)
    assert short.velocity_limits_fpm == long.velocity_limits_fpm
    ours, theirs = (sorted((p.section, p.count) for p in plan.pieces()) for plan in (short, long))
    assert ours == theirs
    assert not short.assumed
    derived = {u.where for u in short.derived if u.what == "fittings"}
    assert derived == {s.name for s in short.sections} - typed_in(tables, demo)


@pytest.mark.parametrize("demo", DEMOS)
def test_a_demo_in_the_compact_form_gets_the_same_sizes_and_cost(demo: str, tmp_path: Path) -> None:
    tables = read_tables(CONFIGS / demo)
    for given in (tables.tables, tables.config["tables"]):
        given.pop("fitting_prices", None)  # they are by name, and generic fittings have none
    path = write_book(tmp_path / "house.xlsx", compact(tables, typed_in(tables, demo), "R-6"))
    short, long = tractduct.study(path, quick=True), tractduct.study(tables.write(tmp_path / "long"), quick=True)
    assert short.size_set == long.size_set
    assert short.recommended.cost == pytest.approx(long.recommended.cost, rel=1e-12)
    assert short.least_cost.cost == pytest.approx(long.least_cost.cost, rel=1e-12)


@pytest.mark.parametrize("demo", DEMOS)
def test_what_is_derived_is_of_the_kind_that_was_typed(demo: str, tmp_path: Path) -> None:
    tables = read_tables(CONFIGS / demo)
    sheets = compact(tables, set())
    role = sheets["runs"][0].index("role")
    sheets["runs"] = [[*line[:role], *line[role + 1 :]] for line in sheets["runs"]]
    for name in ("plan", "prices"):
        sheets[name] = [line for line in sheets[name] if "insulation" not in str(line)]
    sheets.pop("prices")
    sheets.pop("fitting_prices", None)
    short = tractduct.load_plan(write_book(tmp_path / "house.xlsx", sheets))
    typed = {
        row["section"]: sorted((KIND[name], count) for name, count in parted(row["fittings"]))
        for row in tables.tables["sections"]
    }
    assert {s.name for s in short.sections if sorted(s.fittings) != typed[s.name]} == OTHER_KIND[demo]
    roles = {row["section"]: row["role"] for row in tables.tables["sections"]}
    assert {s.name for s in short.sections if s.role != roles[s.name]} == OTHER_ROLE[demo]


@pytest.mark.parametrize("seed", [3, 11, 28])
def test_a_random_plan_in_the_compact_form_is_the_same_plan(seed: int, tmp_path: Path) -> None:
    tables = random_plan(seed)
    every = {row["section"] for row in tables.tables["sections"]}
    (tmp_path / "short").mkdir()
    sheets = compact(tables, every)
    short = tractduct.load_plan(write_book(tmp_path / "short" / "house.xlsx", sheets))
    long = tractduct.load_plan(tables.write(tmp_path / "long"))
    assert losses(short) == losses(long)
    assert short.prices == long.prices
    assert np.array_equal(short.airflow_cfm, long.airflow_cfm)
    assert (short.name, short.elevation_ft, short.seasons) == (long.name, long.elevation_ft, long.seasons)


def house(**changed: list[list[object]]) -> dict[str, list[list[object]]]:
    """Two rooms, one trunk, one return; every number invented."""
    sheets: dict[str, list[list[object]]] = {
        "plan": [["key", "value"], ["cooling_cfm", 400], ["printed_front", "N"], ["supply_inwc", 0.15]],
        "rooms": [
            ["room", "heating_btuh", "sensible_cooling_btuh", "glass_front_ft2", "glass_right_ft2", "glass_left_ft2"],
            ["Den", 3000, 4000, 40, None, 20],
            ["Bath", 1000, 800, None, 10, None],
        ],
        "glass": [
            ["facing", "cooling_btuh_per_ft2", "heating_btuh_per_ft2"],
            ["N", 20, 30], ["NE", 30, None], ["E", 50, None], ["SE", 45, None], ["S", 25, 28], ["SW", 45, None],
            ["W", 60, None], ["NW", 40, None],
        ],
        "runs": [
            ["section", "on", "room", "route", "duct"],
            ["Trunk", None, None, 12, "round"],
            [None, "Trunk", "Den", "8+6", None],
            [None, "Trunk", "Den", 9, None],
            [None, "Trunk", "Bath", "b6 r4", None],
            ["Main", "return", "rest", 5, "round"],
        ],
    }  # fmt: skip
    return {**sheets, **changed}


def read_house(tmp_path: Path, **changed: list[list[object]]) -> Plan:
    return tractduct.load_plan(write_book(tmp_path / "First house.xlsx", house(**changed)))


def test_a_workbook_alone_is_a_plan_with_generic_duct_and_fittings(tmp_path: Path) -> None:
    plan = read_house(tmp_path)
    assert plan.name == "First house"
    assert [s.name for s in plan.sections] == ["Trunk", "Den 1", "Den 2", "Bath", "Main"]
    assert [s.role for s in plan.sections] == ["trunk", "branch", "branch", "branch", "trunk"]
    assert [s.side for s in plan.sections] == ["supply"] * 4 + ["return"]
    assert plan.sections[-1].rooms == ("Den", "Bath")
    assert dict(plan.sections[1].fittings) == {"takeoff": 1, "flex_bend_90": 1, "boot": 1}
    assert dict(plan.sections[3].fittings) == {"takeoff": 1, "flex_bend_90": 1, "boot": 1}
    assert [s.length_ft for s in plan.sections] == [12, 14, 9, 10, 5]
    assert plan.flex == ("generic_flex",)
    assumed = {(u.what, u.where) for u in plan.assumed}
    assert {("duct", "galvanised"), ("duct", "generic_flex"), ("fitting", "boot")} <= assumed
    assert {name for what, name in assumed if what == "fitting"} == set(plan.fittings)
    assert any(u.what == "[blower] heating_cfm" and u.value == "400 cfm" for u in plan.assumed)
    assert tractduct.study(plan, quick=True).size_set


def test_glass_is_turned_and_the_rest_of_the_load_is_not(tmp_path: Path) -> None:
    """By hand: front N, so right looks W and left looks E (seen from the street)."""
    plan = read_house(tmp_path)
    cooling = {"N": 20, "NE": 30, "E": 50, "SE": 45, "S": 25, "SW": 45, "W": 60, "NW": 40}
    faces = list(cooling)
    # facing of front, right, left by the front's own: right is three quarters clockwise of it
    for front in faces:
        at = faces.index(front)
        right, left = faces[(at + 6) % 8], faces[(at + 2) % 8]
        den = 4000 - (40 * 20 + 20 * 50) + 40 * cooling[front] + 20 * cooling[left]
        bath = 800 - 10 * 60 + 10 * cooling[right]
        expected = 400 * np.array([den, bath]) / (den + bath)
        assert plan.airflow_cfm[plan.fronts.index(front), 0, plan.seasons.index("cooling")] == pytest.approx(expected)
    # heating: 30 from N to SE's row above, 28 from S on
    den, bath = 3000 - (40 * 30 + 20 * 30) + 40 * 28 + 20 * 28, 1000 - 10 * 28 + 10 * 30
    at_s = plan.airflow_cfm[plan.fronts.index("S"), 0, plan.seasons.index("heating")]
    assert at_s == pytest.approx(400 * np.array([den, bath]) / (den + bath))


def faults_of(tmp_path: Path, **changed: list[list[object]]) -> list[str]:
    with pytest.raises(InputFaults) as refused:
        read_house(tmp_path, **changed)
    return [str(fault) for fault in refused.value.faults]


def test_a_wrong_printed_front_shows_where_glass_exceeds_the_load(tmp_path: Path) -> None:
    plan = [["key", "value"], ["cooling_cfm", 400], ["printed_front", "SE"]]
    rooms = house()["rooms"]
    rooms[2] = ["Bath", 1000, 240, None, 10, None]  # right looks NE then: 300 of glass
    found = faults_of(tmp_path, plan=plan, rooms=rooms)
    assert found == [
        "First house.xlsx sheet 'rooms', row 3, column 'sensible_cooling_btuh': got '240': the room's glass alone is "
        "300 Btu/h with the front facing SE, more than its cooling load. Correct the load, the glass, or printed_front."
    ]


@pytest.mark.parametrize("wrong", ["NE", "E", "SE", "S", "SW", "W", "NW"])
def test_one_more_printed_front_catches_a_wrong_one(wrong: str, tmp_path: Path) -> None:
    """The loads of the check are worked out here: front S turns Den's 40 ft2 to S, its 20 to W, Bath's 10 to E."""
    rooms = house()["rooms"]
    rooms[0].append("check_cooling_btuh")
    rooms[1].append(4000 - 40 * 20 - 20 * 50 + 40 * 25 + 20 * 60)
    rooms[2].append(800 - 10 * 60 + 10 * 50)
    plan = [["key", "value"], ["cooling_cfm", 400], ["printed_front", "N"], ["check_front", "S"]]
    read_house(tmp_path, rooms=rooms, plan=plan)
    plan[2][1] = wrong
    found = faults_of(tmp_path, rooms=rooms, plan=plan)
    told = "'[loads] check_front': got 'S': this is printed_front too" if wrong == "S" else "'[loads] printed_front'"
    assert any(told in fault or "glass alone" in fault for fault in found)


@pytest.mark.parametrize(
    ("sheet", "row", "column", "value", "says"),
    [
        ("runs", 3, "route", "12-6", "row 4, column 'route': got '12-6': expected a number of ft"),
        ("runs", 3, "route", "8+45+6", "row 4, column 'route': got '8+45+6': 45 may be a length or a bend"),
        ("runs", 3, "route", "8+170deg+6", "a bend of more than 157.5 degrees turns back"),
        ("runs", 3, "route", "b8 f6", "the route turns back on itself"),
        ("runs", 3, "route", "-4", "row 4, column 'route': got '-4': expected a number of ft from 0 to 500"),
        ("runs", 3, "route", None, "row 4, column 'route': the cell is empty"),
        ("runs", 3, "on", "Trnk", "row 4, column 'on': got 'Trnk': there is no section of this name. Did you mean"),
        ("runs", 3, "room", "Dem", "row 4, column 'room': got 'Dem': the surfaces table has no room 'Dem'"),
        ("rooms", 1, "room", "Dem", "row 2, column 'room': got 'Dem': room 'Dem' needs air and no supply section"),
        ("runs", 3, "duct", "tin", "row 4, column 'duct': got 'tin': there is no duct of this name"),
        ("runs", 5, "section", "Return", "row 6, column 'section': got 'Return': this word stands for"),
        ("runs", 4, "room", None, "row 5, column 'section': a section without a room needs a name"),
        ("runs", 1, "on", "Trunk", "row 2, column 'on': got 'Trunk': the parents go round in a loop"),
        ("glass", 5, "cooling_btuh_per_ft2", "x", "row 6, column 'cooling_btuh_per_ft2': got 'x': expected a number"),
        ("glass", 5, "facing", "N", "row 6, column 'facing': got 'N': this direction is already in row 2"),
        ("rooms", 2, "glass_right_ft2", "m", "row 3, column 'glass_right_ft2': got 'm'"),
        ("plan", 1, "value", "40O", "row 2, key '[blower] cooling_cfm': got '40O': expected a number of cfm"),
        ("plan", 1, "key", "coolin_cfm", "column 'key': got 'coolin_cfm': no plan has a key of this name. Did you"),
        ("plan", 2, "value", "Q", "row 3, key '[loads] printed_front': got 'Q': expected one of N, NE"),
    ],
)  # fmt: skip
def test_a_fault_names_the_cell_of_the_compact_sheet(
    sheet: str, row: int, column: str, value: object, says: str, tmp_path: Path
) -> None:
    sheets = house()
    line = sheets[sheet][row]
    line[sheets[sheet][0].index(column)] = value
    found = faults_of(tmp_path, **{sheet: sheets[sheet]})
    assert any(f"sheet '{sheet}'" in fault and says in fault for fault in found), found


def test_all_faults_of_all_sheets_in_one_round(tmp_path: Path) -> None:
    sheets = house()
    sheets["runs"][3][3] = "9..5"
    sheets["runs"][4][1] = "Trnk"
    sheets["glass"][1][1] = "twenty"
    sheets["rooms"][1][1] = "3,5"
    sheets["plan"][3][1] = "15"
    sheets["runs"][2][2] = "Dem"
    found = faults_of(tmp_path, **sheets)
    assert sorted(fault.split(": got")[0].partition("sheet ")[2] for fault in found) == [
        "'glass', row 2, column 'cooling_btuh_per_ft2'",
        "'plan', row 4, key '[pressure] supply_inwc'",
        "'rooms', row 2, column 'heating_btuh'",
        "'runs', row 3, column 'room'",
        "'runs', row 4, column 'route'",
        "'runs', row 5, column 'on'",
    ]


def test_own_fittings_and_products_stand_instead_of_generic_ones(tmp_path: Path) -> None:
    fittings = [["fitting", "equivalent_length_ft", "source"], ["Boot", 42, "data sheet"]]
    products = [["product", "kind", "roughness_ft", "compression_pct"], ["tin", "rigid", 0.0005, None],
                ["flex_a", None, None, 8]]  # fmt: skip
    plan = read_house(tmp_path, fittings=fittings, products=products)
    assert plan.fittings["Boot"].equivalent_length_ft == 42
    assert {s.duct for s in plan.sections} == {"tin", "flex"}
    assert (plan.ducts["flex_a"].roughness_ft, plan.ducts["flex_a"].compression_pct) == (0.003, 8)
    assumed = {(u.what, u.where) for u in plan.assumed}
    assert ("roughness", "flex_a") in assumed
    assert not any(what == "duct" or name == "boot" for what, name in assumed)


@pytest.mark.parametrize(
    ("cell", "built"),
    [
        ("all", [(), ("bonus",), ("bay",), ("bay", "bonus")]),
        ("none; bay; Bay + bonus", [(), ("bay",), ("bay", "bonus")]),
        ("bonus, none", [("bonus",), ()]),
    ],
)
def test_the_sheet_plan_says_which_combinations_are_built(cell: str, built: list[object], tmp_path: Path) -> None:
    rows = [*house()["plan"], ["[variants] options", cell]]
    plan = read_house(tmp_path, plan=rows, options=[["option"], ["bay"], ["bonus"]])
    assert [one.options for one in plan.houses] == built


def test_an_unknown_combination_names_its_cell(tmp_path: Path) -> None:
    rows = [*house()["plan"], ["[variants] options", "none; bay + porch"]]
    with pytest.raises(InputFaults, match=r"sheet 'plan', row 5, key .*no option 'porch'\. Known: 'bay'"):
        read_house(tmp_path, plan=rows, options=[["option"], ["bay"]])


def test_a_route_drawn_by_its_ways_starts_at_the_air_handler(tmp_path: Path) -> None:
    plan_sheet = [*house()["plan"], ["[air_handler] x_ft", 10], ["[air_handler] y_ft", 20]]
    runs = house()["runs"]
    runs[1][3] = "b12"
    runs[2][3] = "@ 7'6\" l8 u2 f6"
    plan = read_house(tmp_path, plan=plan_sheet, runs=runs)
    assert [(p.x_ft, p.y_ft) for p in plan.routes if p.section == "Den 1"] == [
        (10, 27.5),
        (2, 27.5),
        (2, 27.5),
        (2, 21.5),
    ]
    assert plan.sections[1].length_ft == 16
    assert [(p.x_ft, p.y_ft) for p in plan.routes if p.section == "Trunk"] == [(10, 20), (10, 32)]
    assert [(p.x_ft, p.y_ft) for p in plan.routes if p.section == "Bath"] == [(10, 32), (10, 38), (14, 38)]


@pytest.mark.parametrize(
    ("degrees", "bends"),
    [(10, (0, 0)), (22.4, (0, 0)), (22.5, (0, 1)), (45, (0, 1)), (67.4, (0, 1)), (67.5, (1, 0)), (112.4, (1, 0)),
     (112.5, (1, 1)), (157.5, (1, 1))],
)  # fmt: skip
def test_bends_by_their_angle(degrees: float, bends: tuple[int, int], tmp_path: Path) -> None:
    """In the route, and as drawn."""
    runs = house()["runs"]
    runs[3][3] = f"5+{degrees}deg+4"
    runs[4][3] = None
    # a drawn angle is the typed one but for rounding, which must not take it over a bound
    shift = 1e-9 * (1 if degrees in (22.5, 67.5, 112.5) else -1 if degrees == 157.5 else 0)
    x, y = math.cos(math.radians(degrees) + shift), math.sin(math.radians(degrees) + shift)
    routes = [["section", "x_ft", "y_ft"], ["Bath", 0, 0], ["Bath", 5, 0], ["Bath", 5 + 4 * x, 4 * y]]
    sections = {s.name: dict(s.fittings) for s in read_house(tmp_path, runs=runs, routes=routes).sections}
    for name in ("Den 2", "Bath"):
        assert (sections[name].get("flex_bend_90", 0), sections[name].get("flex_bend_45", 0)) == bends, name


def test_a_trunk_in_line_counts_its_turn(tmp_path: Path) -> None:
    runs = house()["runs"]
    runs[1][3] = "b10 r4"
    more = [
        ["Trunk 2", "Trunk", None, "r6", "round"],
        ["Trunk 3", "Trunk 2", None, "b6", "rect"],
        [None, "Trunk 3", "Bath", 5, None],
    ]
    plan = [*house()["plan"], ["rectangular_in", "8..12x8"]]
    sections = {s.name: dict(s.fittings) for s in read_house(tmp_path, runs=[*runs, *more], plan=plan).sections}
    assert sections["Trunk"] == {"plenum_takeoff": 1, "elbow_90": 1}
    assert sections["Trunk 2"] == {"reducer": 1}
    assert sections["Trunk 3"] == {"reducer": 1, "elbow_90_rect": 1}
    more[1][3] = "l6"
    found = faults_of(tmp_path, runs=[*runs, *more], plan=plan)
    assert any(
        "row 8, column 'route': got 'l6': where it joins Trunk 2, the route turns back" in fault for fault in found
    )


def test_points_of_routes_give_a_length_and_bends_that_are_not_typed(tmp_path: Path) -> None:
    runs = house()["runs"]
    runs[4][3] = None
    routes = [["section", "x_ft", "y_ft"], ["Bath", 0, 0], ["Bath", 3, 4], ["Bath", -1, 7]]
    bath = {s.name: s for s in read_house(tmp_path, runs=runs, routes=routes).sections}["Bath"]
    assert bath.length_ft == pytest.approx(math.hypot(3, 4) + math.hypot(4, 3))
    assert dict(bath.fittings)["flex_bend_90"] == 1


def test_long_sections_hang_beside_compact_ones(tmp_path: Path) -> None:
    sections = [["section", "parent", "role", "duct", "length_ft", "fittings", "room"],
                ["Extra", "Trunk", "branch", "flex", 7, "takeoff + boot", "Bath"]]  # fmt: skip
    fittings = [["fitting", "equivalent_length_ft"], ["takeoff", 35], ["boot", 30]]
    plan = read_house(tmp_path, sections=sections, fittings=fittings)
    assert {s.name for s in plan.sections if "Bath" in s.rooms} == {"Bath", "Extra", "Main"}


def test_rows_that_show_something_only_are_no_rows(tmp_path: Path) -> None:
    runs = [[*line, mark] for line, mark in zip(house()["runs"], ["mark", "", "", "", "", ""], strict=True)]
    runs += [[None] * 5 + ["0"]] * 3
    assert len(read_house(tmp_path, runs=runs).sections) == 5


def test_si_in_the_compact_form(tmp_path: Path) -> None:
    """Entered in metres, L/s and W; held against the same house in feet."""
    there = read_house(tmp_path)
    sheets = house()
    sheets["plan"] = [["key", "value"], ["units", "si"], ["cooling_l_s", 400 * 0.47194745], ["printed_front", "N"],
                      ["supply_pa", 0.15 * 249.089], ["round_mm", "100..400"]]  # fmt: skip
    watt, m2 = 0.29307107, 0.09290304
    sheets["rooms"][0] = [
        "room",
        "heating_w",
        "sensible_cooling_w",
        "glass_front_m2",
        "glass_right_m2",
        "glass_left_m2",
    ]
    for line in sheets["rooms"][1:]:
        line[1:] = [v and v * (watt if n < 2 else m2) for n, v in enumerate(line[1:])]
    sheets["glass"][0] = ["facing", "cooling_w_per_m2", "heating_w_per_m2"]
    for line in sheets["glass"][1:]:
        line[1:] = [v and v * watt / m2 for v in line[1:]]
    for line, way in zip(sheets["runs"][1:], [3.6576, "2.4384+1.8288", 2.7432, "b1.8288 r1.2192", 1.524], strict=True):
        line[3] = way
    plan = tractduct.load_plan(write_book(tmp_path / "metric.xlsx", sheets))
    assert plan.units.is_si
    assert [s.length_ft for s in plan.sections] == pytest.approx([s.length_ft for s in there.sections])
    assert plan.airflow_cfm == pytest.approx(there.airflow_cfm, rel=1e-6)
    ours, theirs = ([p.equivalent_lengths_ft(s) for s in p.sections] for p in (plan, there))
    assert ours == pytest.approx(theirs, rel=1e-5)
    assert [s.label for s in plan.sizes] == ["100", "125", "160", "200", "250", "315", "400"]


def test_ranges_and_pairs_of_sizes_in_plan_toml_too(plan: PlanTables, tmp_path: Path) -> None:
    plan.config["sizes"] = {"round_in": ["4..10", 12, "14 in"], "rectangular_in": ["8..12x8", "14x10", [10, 10]]}
    sizes = tractduct.load_plan(plan.write(tmp_path / "p")).sizes
    assert {s.label for s in sizes if s.shape == "round"} == {"4", "5", "6", "7", "8", "9", "10", "12", "14"}
    assert {s.label for s in sizes if s.shape == "rectangular"} == {"8x8", "10x8", "12x8", "14x10", "10x10"}


def test_a_key_in_plan_toml_and_in_the_sheet_is_a_fault(plan: PlanTables, tmp_path: Path) -> None:
    folder = plan.write(tmp_path / "p")
    write_book(folder / "keys.xlsx", {"plan": [["key", "value"], ["supply_inwc", 0.2], ["[blower] cooling_cfm", 900]]})
    with pytest.raises(InputFaults, match=r"keys.xlsx sheet 'plan', row 2.*plan.toml gives this key too"):
        tractduct.load_plan(folder)


def test_a_sheet_by_the_name_plan_that_is_none_is_left_alone(plan: PlanTables, tmp_path: Path) -> None:
    folder = plan.write(tmp_path / "p")
    write_book(folder / "notes.xlsx", {"Plan": [["what to do"], ["call the builder"]]})
    assert any("notes.xlsx" in f.subject + f.message for f in tractduct.load_plan(folder).findings)


def test_long_sheets_only_in_a_workbook_alone(plan: PlanTables, tmp_path: Path) -> None:
    sheets = {name: long_sheet(plan, name) for name in plan.tables}
    alone = tractduct.load_plan(write_book(tmp_path / "alone.xlsx", sheets))
    assert alone.name == "alone"
    assert len(alone.sections) == len(plan.tables["sections"])


@pytest.mark.parametrize(("length", "told"), [(7, False), (6.2, False), (5, True), (30, False)])
def test_a_section_shorter_than_it_is_drawn_is_a_finding(length: float, told: bool, tmp_path: Path) -> None:
    """Drawn 3-4-5 and 2 ft more: 7 ft; what is longer may rise or fall."""
    runs = house()["runs"]
    runs[4][3] = length
    routes = [["section", "x_ft", "y_ft"], ["Bath", 0, 0], ["Bath", 3, 4], ["Bath", 3, 6]]
    plan = read_house(tmp_path, runs=runs, routes=routes)
    found = [f.message for f in plan.findings if f.rule == "drawn length"]
    assert bool(found) == told
    assert not told or "Bath (drawn 7.0 ft, entered 5.0 ft)" in found[0]


def test_bends_typed_and_in_the_route_that_differ_are_a_finding(tmp_path: Path) -> None:
    runs = [[*line, None] for line in house()["runs"]]
    runs[0][-1] = "fittings"
    runs[2][-1] = "takeoff + flex_bend_90*2 + boot"
    runs[4][-1] = "takeoff + flex_bend_90 + boot"
    found = [f.message for f in read_house(tmp_path, runs=runs).findings if f.rule == "bends"]
    assert len(found) == 1
    assert found[0].endswith("Den 1 (1 in the route, 2 typed)")


def test_check_ends_with_what_nobody_typed_and_the_first_numbers(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["check", str(write_book(tmp_path / "house.xlsx", house()))]) == 0
    said = capsys.readouterr().out.splitlines()
    assert "worked out: fittings takeoff + flex_bend_90 + boot, of Den 1, Bath (from on, route and end)" in said
    # Den 2: 12 ft of trunk, 9 of its own, plenum takeoff 15, takeoff 35, boot 30: 30 of 101 ft, the shortest path
    boot = "assumed: fitting 30 ft, up to 30 % of a path's effective length, of boot (common practice, no source)"
    assert boot in said
    assert any(line.startswith("assumed: pressure 0.05 inWC, of the return ducts (") for line in said)
    assert said[-5:] == [
        "house: no faults. 2 rooms, 5 sections, 4 of them runs that end at a register or grille, 16 variants.",
        "heating: 400 cfm at the air handler",
        "cooling: 400 cfm at the air handler",
        "rigid duct: 17 ft",
        "flex duct: 33 ft",
    ]


def test_a_remedy_names_the_sheet_where_there_is_no_plan_toml(tmp_path: Path) -> None:
    prices = [
        ["duct", "size_in", "price_per_ft", "insulation"],
        ["galvanised", 6, 3, "R-4"],
        ["galvanised", 6, 4, "R-8"],
    ]
    found = faults_of(tmp_path, prices=prices)
    assert any('insulation = "..." in [purchase] of the sheet plan' in fault for fault in found)
    assert not any("plan.toml" in fault for fault in found)


def test_the_rest_are_all_rooms_that_no_other_return_names(tmp_path: Path) -> None:
    """With glass or without; a closet without glass was left out once."""
    rooms = [*house()["rooms"], ["Closet", 300, 200, None, None, None]]
    runs = [*house()["runs"], [None, "Trunk", "Closet", 5, None], [None, "return", "Bath", 6, None]]
    plan = read_house(tmp_path, rooms=rooms, runs=runs)
    assert plan.rooms == ("Den", "Bath", "Closet")
    assert {s.name: s.rooms for s in plan.sections if s.side == "return"} == {
        "Main": ("Den", "Closet"), "Bath 2": ("Bath",)
    }  # fmt: skip


@pytest.mark.parametrize("out", [".", "sub/.."])
def test_a_result_never_takes_the_place_of_the_plan(
    out: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The results of a plan called house are a workbook house.xlsx too."""
    path = write_book(tmp_path / "house.xlsx", house())
    before = path.read_bytes()
    (tmp_path / "sub").mkdir()
    monkeypatch.chdir(tmp_path)
    assert main(["study", "house.xlsx", "--out", out]) == 2
    assert "the plan lies in this folder" in capsys.readouterr().err
    assert path.read_bytes() == before


def test_loads_beside_an_airflow_table_are_said_to_count_for_nothing(tmp_path: Path) -> None:
    rooms = [line[:3] for line in house()["rooms"]]
    airflow = [["front_faces", "room", "heating_cfm", "cooling_cfm"], ["N", "Den", 100, 120], ["N", "Bath", 40, 30]]
    plan = read_house(tmp_path, rooms=rooms, airflow=airflow)
    assert [f.rule for f in plan.findings] == ["unused loads"]
    assert plan.fronts == ("N",)


def test_a_table_that_is_read_elsewhere_is_not_taken_for_another(tmp_path: Path) -> None:
    """ducts is like products, which the plan has not: once it was told to be misspelt."""
    folder = write_csv(tmp_path / "house", {name: lines for name, lines in house().items() if name != "plan"})
    toml = 'name = "x"\n[tables]\nducts = "own.csv"\n[blower]\ncooling_cfm = 400\n[loads]\nprinted_front = "N"\n'
    (folder / "plan.toml").write_text(toml, encoding="utf-8")
    for name in ("own", "ducts"):
        (folder / f"{name}.csv").write_text("duct,kind,roughness_ft\na,flex,0.002\n", encoding="utf-8")
    plan = tractduct.load_plan(folder)
    assert plan.flex == ("a",)
    assert any("ducts.csv" in f.message for f in plan.findings if "is not read" in f.message)


ODD = [
    *("", " ", "x", "-1", "0", "1e9", "1,5", "8+", "+", "b", "b8 f", "8..4", "rest", "*", "Trunk", "return", "N"),
    *("2026-12-06", "[blower] x", "lots", "9" * 130, "\u00b0", "a;b;;", "=", "#REF!", "8x", "round rect", "none"),
    *("boot*0", "units", "si"),
]


def outcome(path: Path) -> str:
    try:
        return tractduct.load_plan(path).name
    except InputFaults as faults:
        return "\n".join(f"{f.file} {f.problem} {f.remedy}" for f in faults.faults if f.file and f.problem and f.remedy)


@pytest.mark.parametrize("sheet", ["plan", "rooms", "glass", "runs", "products", "prices"])
def test_any_text_in_any_cell_is_read_or_refused_in_words(sheet: str, tmp_path: Path) -> None:
    """Headers too. Nothing but a plan or faults with a place, a problem and a remedy comes of it, twice the same."""
    draw = random.Random(sheet)
    prices = [["size_in", "galvanised", "a"], *([d, 3, 2] for d in (4, 5, 6, 7, 8, 9, 10, 12, 14, 16, 18, 20))]
    found = []
    for _ in range(12):
        sheets = {**house(), "products": [["product", "compression_pct"], ["a", 4]], "prices": prices}
        sheets[sheet] = [list(line) for line in sheets[sheet]]
        n = draw.randrange(len(sheets[sheet]))
        sheets[sheet][n][draw.randrange(len(sheets[sheet][n]))] = draw.choice(ODD)
        path = write_book(tmp_path / "odd.xlsx", sheets)
        found.append(outcome(path))
        assert found[-1] == outcome(path)
    assert all(found)
    assert set(found) - {"odd"}


def test_what_a_study_refuses_names_the_sheet_that_was_typed(tmp_path: Path) -> None:
    """A run that loses nothing, in the sheet runs: not the table of sections that is made from it."""
    plan = small_plan()
    plan.row("sections", "DEN").update(length_ft=0, fittings="")
    path = write_book(tmp_path / "house.xlsx", compact(plan, {row["section"] for row in plan.tables["sections"]}))
    row = [line[0].value for line in openpyxl.load_workbook(path)["runs"]].index("DEN") + 1
    with pytest.raises(InputFaults) as refused:
        deliver(tractduct.study(path, quick=True))
    (fault,) = refused.value.faults
    assert (fault.file, fault.row) == ("house.xlsx sheet 'runs'", row)
