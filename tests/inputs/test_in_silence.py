"""What once passed in silence, or ended in a traceback: each was found by the fuzzer or beside it."""

from __future__ import annotations

import datetime
import gc
import random
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest
from conftest import WritePlan
from driven_plans import with_blower
from fuzz_plans import Folder, Formula, compact_plan, rich_plan
from openpyxl.styles.numbers import BUILTIN_FORMATS
from plan_folder import PlanTables, small_plan, wide, with_prices
from surface_plans import broken_down

import tractduct
from tractduct.cli import main
from tractduct.inputs import limits, schema
from tractduct.inputs.limits import LEAST_NUMBER
from tractduct.products.fit import FrictionTable, out_of_order


def faults_of(folder: Path) -> list[str]:
    with pytest.raises(tractduct.InputFaults) as caught:
        tractduct.load_plan(folder)
    return [str(fault) for fault in caught.value.faults]


def said_of(folder: Path) -> str:
    return "\n".join(str(finding) for finding in tractduct.load_plan(folder).findings)


# ---- headers --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("table", "column", "written"),
    [
        ("ducts", "airflow_derate_pct", "airflow_derat_pct"),
        ("ducts", "airflow_derate_pct", "Derate pct"),
        ("ducts", "compression_pct", "compression (%)"),
        ("sections", "share", "shares"),
        ("sections", "fittings", "fittings used"),
    ],
)
def test_a_misspelt_column_does_not_pass_for_blank(
    table: str, column: str, written: str, plan: PlanTables, write_plan: WritePlan
) -> None:
    """A derate that is not read is a derate of 0."""
    plan.tables[table] = [
        {(written if name == column else name): value for name, value in row.items()} for row in plan.tables[table]
    ]
    told = faults_of(write_plan(plan))
    assert any(f"{table}.csv, row 1, column '{written}': " in line and f"Write '{column}'" in line for line in told)


def test_a_column_of_the_authors_own_is_no_fault(plan: PlanTables, write_plan: WritePlan) -> None:
    """Nor is a name like one that is there already."""
    for row in plan.tables["ducts"]:
        row["compression_pct_old"] = 3
        row["sources"] = "chart"
    said = said_of(write_plan(plan))
    assert said.count("is not read") == 2


def test_the_header_is_named_where_it_stands(plan: PlanTables, write_plan: WritePlan) -> None:
    plan.files["ducts.csv"] = "\n\n" + plan.csv_text("ducts").replace("roughness_ft", "rough")
    assert any("ducts.csv, row 3: the column 'roughness_ft' is missing" in line for line in faults_of(write_plan(plan)))


def test_a_wide_header_in_words(plan: PlanTables, write_plan: WritePlan) -> None:
    spelled = wide(plan)
    spelled.tables["airflow"] = [
        {name.replace("N ", "North ").replace("S ", "south_"): value for name, value in row.items()}
        for row in spelled.tables["airflow"]
    ]
    read, good = tractduct.load_plan(write_plan(spelled)), tractduct.load_plan(write_plan(plan))
    assert read.fronts == good.fronts
    assert (read.airflow_cfm == good.airflow_cfm).all()
    for row in spelled.tables["airflow"]:
        row["N heating_cfm"] = 1
    assert any("says the same as 'North heating_cfm'" in line for line in faults_of(write_plan(spelled)))


def test_a_wide_header_without_a_direction_leaves_no_face_out(plan: PlanTables, write_plan: WritePlan) -> None:
    spelled = wide(plan)
    spelled.tables["airflow"] = [
        {name.replace("N ", "Nort "): value for name, value in row.items()} for row in spelled.tables["airflow"]
    ]
    told = faults_of(write_plan(spelled))
    assert any("column 'Nort heating_cfm': 'Nort heating_cfm' names no direction" in line for line in told)


def test_an_airflow_table_without_rooms_beside_surfaces(write_plan: WritePlan) -> None:
    """It ended in a KeyError."""
    plan = rich_plan()
    for row in plan.tables["airflow"]:
        del row["front_faces"]
    assert any("column 'front_faces' is missing" in line for line in faults_of(write_plan(plan)))


# ---- files ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["price.csv", "prices 2026.csv", "prces.csv", "prices.xls", "prices.txt"])
def test_a_table_under_another_name_does_not_pass_for_none(name: str, plan: PlanTables, write_plan: WritePlan) -> None:
    plan.files[name] = with_prices(plan).csv_text("prices")
    (line,) = faults_of(write_plan(plan))
    assert line.startswith(name)


def test_a_sheet_under_another_name(write_plan: WritePlan) -> None:
    plan = with_prices(small_plan())
    plan.tables["Price"] = plan.tables.pop("prices")
    (line,) = faults_of(write_plan(plan, "xlsx"))
    assert line.startswith("house.xlsx sheet 'Price': it is not read")


def test_what_is_not_read_is_said(plan: PlanTables, write_plan: WritePlan) -> None:
    plan.tables["thermostat"] = [{"a": 1}]
    assert "not read: thermostat.csv" in said_of(write_plan(plan))
    assert "not read: house.xlsx sheet 'thermostat'" in said_of(write_plan(plan, "xlsx"))


def test_a_workbook_with_macros_is_looked_into(plan: PlanTables, write_plan: WritePlan) -> None:
    folder = write_plan(plan, "xlsx")
    (folder / "house.xlsx").rename(folder / "house.xlsm")
    assert tractduct.load_plan(folder).sections


def test_a_speed_without_a_blower_table(plan: PlanTables, write_plan: WritePlan) -> None:
    """Without the table the default pressures would count."""
    driven = with_blower(plan)
    del driven.tables["blower"]
    told = faults_of(write_plan(driven))
    assert [line for line in told if "[blower] heating_speed" in line and "no blower table" in line]


def test_a_workbook_that_cannot_be_read_is_closed(plan: PlanTables, write_plan: WritePlan) -> None:
    folder = write_plan(plan, "xlsx")
    data = (folder / "house.xlsx").read_bytes()
    (folder / "house.xlsx").write_bytes(data.replace(b"xl/workbook.xml", b"xl/workbook.xyz"))
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        assert faults_of(folder)
        gc.collect()
    assert not caught


# ---- cells ----------------------------------------------------------------------------------------------


def test_a_thousands_comma_where_semicolons_part_cells(plan: PlanTables, write_plan: WritePlan) -> None:
    """Such files come from where 1,200 is one and a fifth."""
    plan.row("sections", "DEN")["length_ft"] = "1,200"
    plan.files["sections.csv"] = plan.csv_text("sections").replace(",", ";").replace('"1;200"', "1,200")
    (line,) = faults_of(write_plan(plan))
    assert "row 3, column 'length_ft': got '1,200'" in line
    assert "a comma may part thousands or decimals" in line


def test_a_row_cut_short_is_said(plan: PlanTables, write_plan: WritePlan) -> None:
    plan.files["ducts.csv"] = plan.csv_text("ducts").replace("granite,flex,0.003,5,4", "granite,flex,0.003")
    assert "ducts.csv: row 4 with fewer cells than the header" in said_of(write_plan(plan))


def _changed(tmp_path: Path, plan: PlanTables, change: Any) -> Path:
    folder = Folder.of(plan, "xlsx")
    folder.book_changes.append(change)
    return folder.write(tmp_path / "plan")


def test_a_date_for_a_name(tmp_path: Path, plan: PlanTables) -> None:
    """A spreadsheet program made it of 8-10."""
    plan.tables["lots"] = [{"lot": datetime.datetime(2026, 8, 10), "azimuth_deg": 90}]
    (line,) = faults_of(Folder.of(plan, "xlsx").write(tmp_path / "plan"))
    assert "row 2, column 'lot': got '2026-08-10': the cell holds a date" in line
    plan.tables.pop("lots")
    plan.tables["fittings"][0]["source"] = datetime.datetime(2026, 8, 10)
    read = tractduct.load_plan(Folder.of(plan, "xlsx").write(tmp_path / "other"))
    assert read.fittings["collar"].source == "2026-08-10"


def test_a_spreadsheets_error_in_a_text(plan: PlanTables, write_plan: WritePlan) -> None:
    plan.tables["fittings"][1]["source"] = "#N/A"
    (line,) = faults_of(write_plan(plan))
    assert "row 3, column 'source': got '#N/A': this is a spreadsheet's error" in line


def test_a_formula_that_leaves_its_cell_empty(tmp_path: Path, plan: PlanTables) -> None:
    """=IF(B2="","",B2) filled down a column is common, and saving the workbook again does not change it."""
    good = tractduct.load_plan(plan.write(tmp_path / "good"))
    folder = Folder.of(plan, "xlsx")
    folder.rows("sections")[0][folder.column("sections", "share")] = Formula("")
    assert tractduct.load_plan(folder.write(tmp_path / "plan")).sections == good.sections


def test_a_number_shown_as_a_date_that_there_is_not(tmp_path: Path, plan: PlanTables) -> None:
    def change(book: openpyxl.Workbook) -> None:
        book["sections"]["G3"] = 1e9
        book["sections"]["G3"].number_format = BUILTIN_FORMATS[14]

    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert any("row 3, column 'length_ft'" in line for line in faults_of(_changed(tmp_path, plan, change)))


def test_hidden_rows_columns_and_sheets_are_said(tmp_path: Path, plan: PlanTables) -> None:
    def change(book: openpyxl.Workbook) -> None:
        book["sections"].row_dimensions[3].hidden = True
        book["ducts"].sheet_state = "hidden"
        for table, letter in (("sections", "H"), ("sections", "J"), ("airflow", "XFC")):
            book[table].column_dimensions[letter].hidden = True
        book["sections"].column_dimensions.group("L", "N", hidden=True)
        book["fittings"].column_dimensions["B"].hidden = True

    said = said_of(_changed(tmp_path, plan, change))
    assert "sheet 'sections': 1 of its rows is hidden" in said
    assert "5 of its columns are hidden, and read like the others: fittings, share, min_in, max_in, fixed_in" in said
    assert "sheet 'fittings': 1 of its columns is hidden, and read like the others: equivalent_length_ft" in said
    assert "sheet 'airflow'" not in said  # only what lies beyond its columns is hidden, as many do
    assert "sheet 'ducts': the sheet is hidden" in said


def test_spaces_that_do_not_break_at_the_ends_are_said(plan: PlanTables, write_plan: WritePlan) -> None:
    plan.row("ducts", "meadow")["duct"] = "meadow\u00a0"
    assert "is read as meadow" in said_of(write_plan(plan))


@pytest.mark.parametrize(
    ("table", "change", "says"),
    [
        ("inner_diameters", {"inner_diameter_in": 6.2}, "this duct and size are already in row 2"),
        ("friction_tables", {"friction_rate_inwc_per_100ft": 0.03}, "stands in a row before"),
        (
            "friction_tables",
            {"airflow_cfm": 60, "loss_inwc": 0.1, "length_ft": 50},
            "a friction rate and a measured loss",
        ),
    ],
)
def test_two_rows_that_say_two_things(table: str, change: dict[str, Any], says: str, write_plan: WritePlan) -> None:
    plan = rich_plan()
    plan.tables[table].append({**plan.tables[table][0], **change})
    assert any(says in line for line in faults_of(write_plan(plan)))


# ---- plan.toml ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("key", "value"), [("shgc", "x"), ("design_day", 202.5), ("room_airflow_at", "noon")])
def test_solar_keys_are_checked_without_surfaces(key: str, value: Any, write_plan: WritePlan) -> None:
    (line,) = faults_of(write_plan(small_plan(solar={key: value})))
    assert f"[solar] {key}" in line


def test_an_approved_product_in_other_quotes(plan: PlanTables, write_plan: WritePlan) -> None:
    plan.row("ducts", "meadow")["duct"] = "crew's flex"
    plan.config["variants"] = {"flex": ["Crew\u2019s\u00a0flex"]}
    assert tractduct.load_plan(write_plan(plan)).flex == ("crew's flex",)


# ---- tables beyond any house ----------------------------------------------------------------------------


def test_rows_of_a_friction_table_against_each_other() -> None:
    """Each row against each other one, as the rules say it: slow, and the same rows."""
    rng = random.Random(5)
    for _ in range(200):
        n = rng.randint(1, 9)
        size, flow, rate = (np.array([float(rng.randint(1, 3)) for _ in range(n)]) for _ in range(3))
        bad = {
            i
            for i in range(n)
            for j in range(n)
            if (size[j] == size[i] and flow[j] < flow[i] and rate[j] >= rate[i])
            or (flow[j] == flow[i] and size[j] < size[i] and rate[j] <= rate[i])
            or (j < i and (size[j], flow[j]) == (size[i], flow[i]))
        }
        table = FrictionTable(size_in=size, airflow_cfm=flow, friction_rate_inwc_per_100ft=rate)
        assert {i for i, _ in out_of_order(table)} == bad


def test_more_rooms_or_kinds_of_surface_than_any_house(plan: PlanTables, write_plan: WritePlan) -> None:
    row = plan.tables["airflow"][0]
    plan.tables["airflow"] += [{**row, "room": f"r{n}"} for n in range(limits.MAX_ROOMS)]
    (line,) = faults_of(write_plan(plan))
    assert "airflow.csv: there are 1,003 rooms; at most 1,000 are read" in line
    turned = broken_down()
    row = turned.tables["surfaces"][0]
    turned.tables["surfaces"] += [{**row, "room": f"r{n}"} for n in range(limits.MAX_ROOMS)]
    assert any("1,003 rooms; at most 1,000" in line for line in faults_of(write_plan(turned)))
    turned = broken_down()
    row = turned.tables["load_factors"][0]
    turned.tables["load_factors"] += [{**row, "surface": f"k{n}"} for n in range(limits.MAX_SURFACE_KINDS)]
    assert any("203 kinds of surface; at most 200" in line for line in faults_of(write_plan(turned)))


TABLES_BEYOND = {
    **{name: most for name, most in limits.MAX_ROWS_OF.items() if name != "runs"},
    **dict.fromkeys(("fittings", "ducts", "load_factors", "room_gains", "prices"), limits.MAX_ROWS),
}


@pytest.mark.parametrize("table", TABLES_BEYOND)
def test_a_table_of_too_many_rows_is_one_fault(table: str, write_plan: WritePlan) -> None:
    """Whatever stands in its rows, and whatever in other tables hangs on it."""
    plan = rich_plan()
    plan.tables["options"] = [{"option": "bay", "group": None}]
    plan.tables["built"] = [{"section": "T1", "size_in": 9}]
    for name in ("airflow", "sections"):
        for row in plan.tables[name]:
            row["option"] = None
    plan.row("sections", "DEN")["option"] = "bay"
    plan.tables["sections"].append({**plan.row("sections", "DEN"), "section": "DEN2", "option": "not bay"})
    plan.tables["lots"][0]["options"] = "bay"
    tractduct.load_plan(write_plan(plan))
    rows = plan.tables[table]
    bad = dict.fromkeys(rows[0], "\x01")
    plan.tables[table] = rows + [bad] * (TABLES_BEYOND[table] + 1 - len(rows))
    (fault,) = faults_of(write_plan(plan))
    assert fault.startswith(f"{table}.csv: there are ")


@pytest.mark.parametrize("sheet", ["runs", "rooms"])
def test_a_compact_sheet_of_too_many_rows_is_one_fault(sheet: str, write_plan: WritePlan) -> None:
    plan = compact_plan()
    plan.tables[sheet][-1]["route" if sheet == "runs" else "heating_btuh"] = "9..5"
    plan.tables[sheet] += [plan.tables[sheet][-1]] * 1_000
    (fault,) = faults_of(write_plan(plan))
    assert fault.startswith(f"{sheet}.csv: there are 1,0")


@pytest.mark.parametrize("column", ["room", "cooling_cfm"])
def test_too_many_rooms_are_one_fault(column: str, plan: PlanTables, write_plan: WritePlan) -> None:
    plan.tables["airflow"] += [
        {**plan.tables["airflow"][0], "room": f"r{n}", column: f"r{n}"} for n in range(limits.MAX_ROOMS)
    ]
    (fault,) = faults_of(write_plan(plan))
    assert "1,003 rooms; at most 1,000" in fault


# ---- sections -------------------------------------------------------------------------------------------


def test_a_share_without_a_room_is_said_to_count_for_nothing(write_plan: WritePlan) -> None:
    plan = small_plan()
    plan.row("sections", "T1")["share"] = 2
    said = said_of(write_plan(plan))
    assert "section T1 ends in no room, so its share 2 counts for nothing" in said
    assert said_of(write_plan(small_plan())).count("counts for nothing") == 0


@pytest.mark.parametrize("rooms", ["Den; den", "Den; Bed; Kitchen; Bed"])
def test_a_return_names_a_room_once(rooms: str, write_plan: WritePlan) -> None:
    plan = small_plan()
    plan.row("sections", "RET")["room"] = rooms
    (fault,) = faults_of(write_plan(plan))
    assert "column 'room'" in fault
    assert "is duplicated" in fault


@pytest.mark.parametrize("size", ["1e300", "61", "8x1e300", "61x8"])
def test_a_size_beyond_any_duct(size: str, write_plan: WritePlan) -> None:
    plan = with_prices(small_plan())
    plan.tables["prices"][0]["size_in"] = size
    faults = faults_of(write_plan(plan))
    assert f"prices.csv, row 2, column 'size_in': got '{size}'" in faults[0]


# ---- numbers that are none ------------------------------------------------------------------------------


NOT_NUMBERS: dict[str, Callable[[str], str]] = {
    "decimal commas": lambda number: f"{number},0",
    "tabs": lambda number: "\t\t",
    "words": lambda number: "about",
    "nothing": lambda number: "",
}


@pytest.mark.parametrize("kind", NOT_NUMBERS)
@pytest.mark.parametrize("form", ["long", "wide", "loads"])
def test_an_airflow_table_without_a_number(form: str, kind: str, write_plan: WritePlan) -> None:
    """It ended in an IndexError. The rows are named, whatever keeps the numbers from being read."""
    plan = wide(small_plan()) if form == "wide" else small_plan(blower={"heating_cfm": 400, "cooling_cfm": 500})
    for row in plan.tables["airflow"]:
        for column in [c for c in row if c.endswith("_cfm")]:
            value = NOT_NUMBERS[kind](str(row.pop(column))) or None
            row[{"heating_cfm": "heating_btuh", "cooling_cfm": "sensible_cooling_btuh"}[column]
                if form == "loads" else column] = value  # fmt: skip
    told = faults_of(write_plan(plan))
    assert told[0].startswith("airflow.csv, row 2, column ")
    assert len(told) == sum(len(row) - (1 if form == "wide" else 2) for row in plan.tables["airflow"])
    assert "comma" in told[0] or kind != "decimal commas"


@pytest.mark.parametrize("name", sorted(rich_plan().tables))
@pytest.mark.parametrize("form", ["csv", "xlsx"])
def test_a_table_of_which_no_number_can_be_read(name: str, form: str, write_plan: WritePlan) -> None:
    plan = rich_plan()
    numbers = {
        f.name for f in next(t for t in schema.TABLES if t.name == name).fields if f.kind in ("number", "size", "price")
    }
    columns = numbers & set(plan.columns(name))
    for row in plan.tables[name]:
        row.update(dict.fromkeys(columns, "1,5,0"))
    told = faults_of(write_plan(plan, form)) if columns else []
    rows = plan.tables[name]
    for column in columns:
        assert any(f"row {2 + len(rows) - 1}, column '{column}'" in line for line in told)


@pytest.mark.parametrize("value", [1e-308, 5e-324, 1e-30, "1e-308", -1e-308])
def test_a_number_too_near_to_nothing(value: Any, write_plan: WritePlan) -> None:
    """An airflow of 1e-308 cfm was sized and ended in an AssertionError: friction goes beyond what numbers hold."""
    plan = small_plan()
    plan.tables["airflow"][0]["heating_cfm"] = value
    (line,) = faults_of(write_plan(plan))
    assert line.startswith("airflow.csv, row 2, column 'heating_cfm'")
    plan = small_plan(pressure={"supply_inwc": float(value)})
    (line,) = faults_of(write_plan(plan))
    assert line.startswith("plan.toml, key '[pressure] supply_inwc'")


def test_the_least_numbers_are_sized(tmp_path: Path) -> None:
    """The least of everything that is read goes through every command: no overflow, no division by nothing."""
    plan = with_prices(small_plan())
    for row in plan.tables["airflow"]:
        row.update(heating_cfm=LEAST_NUMBER, cooling_cfm=LEAST_NUMBER)
    plan.row("sections", "DEN")["length_ft"] = LEAST_NUMBER
    plan.row("ducts", "meadow")["roughness_ft"] = LEAST_NUMBER
    folder = plan.write(tmp_path / "plan")
    with warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)
        assert main(["study", str(folder), "--out", str(tmp_path / "out")]) in (0, 3)
