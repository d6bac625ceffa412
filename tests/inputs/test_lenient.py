"""What a person would understand is understood, and said in one note a column; what is not clear is asked."""

from __future__ import annotations

import re
import zipfile
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from conftest import WritePlan
from openpyxl.worksheet.formula import ArrayFormula
from plan_folder import PlanTables, with_prices

import tractduct
from tractduct.findings import Finding, Severity
from tractduct.inputs import schema
from tractduct.inputs.cells import CellProblem, parse_flag, parse_number
from tractduct.inputs.spelling import plain_text
from tractduct.inputs.unit_words import unit_of

LENGTH = schema.SECTIONS.field("length_ft")
AIRFLOW = schema.AIRFLOW.field("cooling_cfm")
PRICE = schema.PRICES.field("price_per_ft")
SIZE = schema.PRICES.field("size_in")
DERATE = schema.DUCTS.field("airflow_derate_pct")
SHADE = schema.SURFACES.field("shade_fraction")
FACE = schema.AIRFLOW.field("front_faces")
SEASON = schema.SECTIONS.field("season")


def notes(found: tuple[Finding, ...]) -> list[Finding]:
    return [f for f in found if f.rule == "reading"]


@pytest.mark.parametrize(
    ("field", "written", "means"),
    [
        (LENGTH, "12 ft", "12"),
        (LENGTH, "12ft.", "12"),
        (LENGTH, "12.5'", "12.5"),
        (LENGTH, "12 Feet", "12"),
        (LENGTH, "\u00a012\u202f", "12"),
        (LENGTH, "12\u2032", "12"),
        (LENGTH, "12'6\"", "12.5"),
        (LENGTH, "12\u2032-6\u2033", "12.5"),
        (LENGTH, "12 ft 6 in", "12.5"),
        (LENGTH, "12'6 3/4\"", "12.5625"),
        (LENGTH, "7' 1-1/2\"", "7.125"),
        (LENGTH, "150 in", "12.5"),
        (LENGTH, '144"', "12"),
        (LENGTH, '4 1/2"', "0.375"),
        (LENGTH, "12 1/2", "12.5"),
        (LENGTH, "12 3/8 ft", "12.375"),
        (LENGTH, "\u22123 ft", "-3"),
        (AIRFLOW, "100 CFM", "100"),
        (AIRFLOW, "1,200", "1200"),
        (AIRFLOW, "1,200.5 cfm", "1200.5"),
        (AIRFLOW, "1e2cfm", "1e2"),
        (PRICE, "$3.20", "3.20"),
        (PRICE, "$ 1,003.20", "1003.20"),
        (PRICE, "$3.20/ft", "3.20"),
        (PRICE, "\u2013", "-"),
        (SIZE, '7"', "7"),
        (SIZE, "7 in", "7"),
        (SIZE, "7\u201d", "7"),
        (SIZE, "7 inches", "7"),
        (SIZE, "\u00d87", "7"),
        (SIZE, '8" x 12"', "8x12"),
        (SIZE, "8 \u00d7 12 in", "8x12"),
        (SIZE, "8 by 12", "8x12"),
        (DERATE, "5 %", "5"),
        (DERATE, "5%", "5"),
        (SHADE, "50%", "0.5"),
        (SHADE, "7 %", "0.07"),
        (FACE, "north", "N"),
        (FACE, "North-West", "NW"),
        (SEASON, "heat", "heating"),
        (schema.DEVICES.field("loss_inwc"), "0.10 in. w.c.", "0.10"),
        (schema.DEVICES.field("loss_inwc"), "0.10 inWC", "0.10"),
        (schema.SECTIONS.field("fittings"), "collar + elbow\u00d72", "collar + elbow*2"),
        (schema.SECTIONS.field("section"), "Kid\u2019s\u00a0room\u200b", "Kid's room"),
        (schema.SECTIONS.field("section"), "Cafe\u0301", "Caf\u00e9"),
    ],
)
def test_understood(field: schema.Field, written: str, means: str) -> None:
    assert plain_text(field, written) == means


@pytest.mark.parametrize(
    ("field", "written"),
    [
        (LENGTH, "1,5"),
        (LENGTH, "0,120"),
        (LENGTH, "12,34,567"),
        (LENGTH, "1.200,5"),
        (LENGTH, "1_2"),
        (LENGTH, "1 200"),
        (LENGTH, "12'6"),
        (LENGTH, "12-6"),
        (LENGTH, "12/6"),
        (LENGTH, "1/2"),
        (LENGTH, "12'14\""),
        (LENGTH, "12.5'6\""),
        (LENGTH, "12 3/2"),
        (LENGTH, "12'3/2\""),
        (LENGTH, "-3'6\""),
        (LENGTH, "12,5"),
        (LENGTH, "12m"),
        (LENGTH, "2026-12-06"),
        (schema.DUCTS.field("roughness_ft"), "1 in"),
        (LENGTH, "\u0661\u0662"),
        (LENGTH, "12 or so"),
        (LENGTH, "3 m"),
        (LENGTH, "$12"),
        (LENGTH, "5%"),
        (schema.DEVICES.field("loss_inwc"), "25 Pa"),
        (AIRFLOW, "47 L/s"),
        (SIZE, "150 mm"),
        (SIZE, "8 x 12 cm"),
        (SIZE, "8x12x14"),
        (SHADE, "5 ft"),
        (PRICE, "3.20 EUR"),
        (FACE, "NNE"),
        (FACE, "up"),
    ],
)
def test_not_guessed(field: schema.Field, written: str) -> None:
    """These reach the strict parsers as they stand, and those refuse them."""
    assert plain_text(field, written) == written


@pytest.mark.parametrize(
    ("field", "written", "says"),
    [
        (LENGTH, "3 m", "this is in m"),
        (schema.DEVICES.field("loss_inwc"), "25 Pa", "a number of inWC .*this is in Pa"),
        (schema.SECTIONS.field("share"), "50 %", "without a unit; this is in %"),
        (LENGTH, "1,5", "a comma may part"),
        (LENGTH, "1,5 ft", "a comma may part"),
    ],
)
def test_a_unit_or_a_comma_is_named(field: schema.Field, written: str, says: str) -> None:
    with pytest.raises(CellProblem) as caught:
        parse_number(field, written)
    assert re.search(says, caught.value.problem)


def test_units_of_the_schema_are_known() -> None:
    """Each unit that a column has may be written behind its numbers."""
    units = {f.unit for spec in schema.TABLES for f in spec.fields} | {f.unit for k in schema.KEYS.values() for f in k}
    missing = {unit for unit in units - {"", "day of the year"} if unit_of(unit) != unit}
    assert not missing


@pytest.mark.parametrize("word", ["true", "Yes", "y", "1"])
def test_yes(word: str) -> None:
    assert parse_flag(word)


def _spelled(plan: PlanTables) -> PlanTables:
    """The small plan as many hands would have typed it."""
    spelled = plan.copy()
    for row in spelled.tables["sections"]:
        row["length_ft"] = f"{row['length_ft']} ft"
        row["fittings"] = str(row["fittings"]).replace("*", "\u00d7")
    spelled.row("sections", "DEN")["room"] = "Den\u00a0"
    for row in spelled.tables["airflow"]:
        row["front_faces"] = {"N": "North", "S": "south"}[row["front_faces"]]
        row["cooling_cfm"] = f"{row['cooling_cfm']} CFM"
    for row in spelled.tables["ducts"]:
        row["airflow_derate_pct"] = f"{row['airflow_derate_pct']}%"
    spelled.config["pressure"] = {"supply_inwc": "0.14 inWC", "return_inwc": '0.06 "wc'}
    spelled.config["site"] = {"elevation_ft": "500 ft"}
    spelled.config["sizes"] = {"round_in": ['4"', "5 in", 6, "7", 8, 9, 10, 12, 14]}
    spelled.config["variants"] = {"front_faces": ["north", "S"]}
    return spelled


@pytest.mark.parametrize("form", ["csv", "xlsx"])
def test_a_plan_in_many_hands(form: str, plan: PlanTables, write_plan: WritePlan) -> None:
    good = tractduct.load_plan(write_plan(plan))
    read = tractduct.load_plan(write_plan(_spelled(plan), form))
    assert read.sections == good.sections
    assert read.ducts == good.ducts
    assert read.sizes == good.sizes
    assert (read.supply_inwc, read.return_inwc, read.elevation_ft) == (0.14, 0.06, 500.0)
    assert read.fronts == good.fronts
    assert (read.airflow_cfm == good.airflow_cfm).all()
    assert tractduct.study(read, quick=True).size_set == tractduct.study(good, quick=True).size_set
    subjects = [f.subject for f in notes(read.findings)]
    for column in ("length_ft", "fittings", "front_faces", "cooling_cfm", "airflow_derate_pct", "supply_inwc"):
        assert any(column in subject for subject in subjects), column
    assert not notes(good.findings)


def test_one_note_a_column(plan: PlanTables, write_plan: WritePlan) -> None:
    for row in plan.tables["sections"]:
        row["length_ft"] = f"{row['length_ft']} ft"
    (note,) = notes(tractduct.load_plan(write_plan(plan)).findings)
    assert note.severity == Severity.NOTE
    assert note.subject == "sections.csv, 'length_ft'"
    assert "'8 ft' in row 2 is read as 8, and 4 more" in note.message
    assert note.advice


def test_a_row_for_two_faces(plan: PlanTables, write_plan: WritePlan) -> None:
    """N/NE stands for a row of each; the same face twice is a fault still."""
    shared = plan.copy()
    shared.tables["airflow"] = [{**r, "front_faces": "N/NE"} for r in plan.tables["airflow"][:3]]
    read = tractduct.load_plan(write_plan(shared))
    assert read.fronts == ("N", "NE")
    assert (read.airflow_cfm[0] == read.airflow_cfm[1]).all()
    (note,) = notes(read.findings)
    assert "'N/NE' in row 2 is read as N and NE" in note.message
    shared.tables["airflow"].append({**plan.tables["airflow"][0]})  # N for Den again
    with pytest.raises(tractduct.InputFaults, match="row 5, column 'room'"):
        tractduct.load_plan(write_plan(shared))
    shared.tables["airflow"] = [{**r, "front_faces": "N/up"} for r in plan.tables["airflow"][:3]]
    with pytest.raises(tractduct.InputFaults, match="'N/up'"):
        tractduct.load_plan(write_plan(shared))


def test_a_fault_shows_what_stands_in_the_file(plan: PlanTables, write_plan: WritePlan) -> None:
    plan.tables["sections"][0]["length_ft"] = "1,440 ft"
    with pytest.raises(tractduct.InputFaults, match=r"got '1,440 ft': expected a number of ft .* Is this in inches"):
        tractduct.load_plan(write_plan(plan))


# ---- files ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("encode", "says"),
    [
        (lambda text: text.encode("utf-16"), "UTF-16"),
        (lambda text: text.encode("utf-16-be").join([b"\xfe\xff", b""]), "UTF-16"),
        (lambda text: text.encode("cp1252"), "code page 1252"),
        (lambda text: text.replace(",", ";").encode(), "semicolons"),
        (lambda text: text.replace(",", "\t").encode(), "tabs"),
    ],
)
def test_how_spreadsheets_save(encode: Any, says: str, plan: PlanTables, write_plan: WritePlan) -> None:
    good = tractduct.load_plan(write_plan(plan))
    name = "sections" if "1252" not in says else "fittings"
    text = plan.csv_text(name)
    if name == "fittings":
        text = text.replace("wye", "D\u00e9n")  # a fitting that no section has
    plan.files[f"{name}.csv"] = encode(text)
    read = tractduct.load_plan(write_plan(plan))
    assert read.sections == good.sections
    (note,) = notes(read.findings)
    assert says in note.message


@pytest.mark.parametrize("end", ["\r\n", "\r", "\n"])
def test_line_ends(end: str, plan: PlanTables, write_plan: WritePlan) -> None:
    good = tractduct.load_plan(write_plan(plan))
    for name in plan.tables:
        plan.files[f"{name}.csv"] = plan.csv_text(name).replace("\n", end)
    read = tractduct.load_plan(write_plan(plan))
    assert read.sections == good.sections
    assert not notes(read.findings)


def test_a_rare_line_end_inside_a_cell_parts_no_row(plan: PlanTables, write_plan: WritePlan) -> None:
    """U+2028 and U+0085 end lines for some programs, and are part of the cell for a CSV file."""
    good = tractduct.load_plan(write_plan(plan))
    plan.tables["fittings"][3]["source"] = "a\u2028b\u0085c"
    read = tractduct.load_plan(write_plan(plan))
    assert read.sections == good.sections
    assert read.fittings["wye"].source == "a b c"
    (note,) = notes(read.findings)
    assert "in row 5 is read as a b c" in note.message


def test_a_quote_too_many(plan: PlanTables, write_plan: WritePlan) -> None:
    """An open quote would swallow the rows behind it."""
    plan.files["fittings.csv"] = plan.csv_text("fittings").replace("wye", '"wye')
    with pytest.raises(tractduct.InputFaults, match=r'fittings\.csv, row 5: .*"'):
        tractduct.load_plan(write_plan(plan))


def test_a_table_in_two_places(plan: PlanTables, write_plan: WritePlan) -> None:
    folder = write_plan(plan)
    other = write_plan(plan, "xlsx")
    (folder / "house.xlsx").write_bytes((other / "house.xlsx").read_bytes())
    found = notes(tractduct.load_plan(folder).findings)
    assert {f.subject for f in found} == {f"{name}.csv" for name in plan.tables}
    assert all("house.xlsx sheet" in f.message for f in found)


# ---- workbooks ------------------------------------------------------------------------------------------


def _book(folder: Path) -> openpyxl.Workbook:
    return openpyxl.load_workbook(folder / "house.xlsx")


def test_per_cent_cells(plan: PlanTables, write_plan: WritePlan) -> None:
    """A cell that shows 5% holds 0.05: it means 5 in a column of per cent."""
    folder = write_plan(plan, "xlsx")
    book = _book(folder)
    cell = book["ducts"]["D4"]
    assert (book["ducts"]["D1"].value, cell.value) == ("airflow_derate_pct", 5)
    cell.value, cell.number_format = 0.07, "0%"
    book["ducts"]["E4"].number_format = '0"%"'  # only text behind the number
    book.save(folder / "house.xlsx")
    read = tractduct.load_plan(folder)
    assert read.ducts["granite"].airflow_derate_pct == 7.0
    assert read.ducts["granite"].compression_pct == 4.0
    derate, compression = notes(read.findings)
    assert "'7%' in row 4 is read as 7" in derate.message
    assert "'4%' in row 4 is read as 4" in compression.message
    book["sections"]["G3"].number_format = "0%"
    book.save(folder / "house.xlsx")
    with pytest.raises(tractduct.InputFaults, match="'1200%': expected a number of ft"):
        tractduct.load_plan(folder)


def test_merged_cells_down_a_column(plan: PlanTables, write_plan: WritePlan) -> None:
    """Only the first of merged cells holds the value; the others must not pass for empty."""
    good = tractduct.load_plan(write_plan(plan))
    folder = write_plan(plan, "xlsx")
    book = _book(folder)
    book["sections"].merge_cells("B3:B5")
    assert book["sections"]["B4"].value is None
    book.save(folder / "house.xlsx")
    read = tractduct.load_plan(folder)
    assert read.sections == good.sections
    (note,) = notes(read.findings)
    assert "merged cells" in note.message
    assert "3 to 5" in note.message


def test_merged_cells_across_columns(plan: PlanTables, write_plan: WritePlan) -> None:
    folder = write_plan(plan, "xlsx")
    book = _book(folder)
    book["sections"].merge_cells("I3:K3")
    book.save(folder / "house.xlsx")
    with pytest.raises(tractduct.InputFaults, match=r"row 3: the cells I3:K3 are merged across columns"):
        tractduct.load_plan(folder)


def test_wrong_dimensions_cut_nothing_off(plan: PlanTables, write_plan: WritePlan, tmp_path: Path) -> None:
    """A file may say that its table ends before it does."""
    folder = write_plan(plan, "xlsx")
    source = zipfile.ZipFile(folder / "house.xlsx")
    target = tmp_path / "other.xlsx"
    with zipfile.ZipFile(target, "w") as out:
        for part in source.namelist():
            data = source.read(part)
            if part.startswith("xl/worksheets/"):
                data = re.sub(rb'<dimension ref="[^"]*"', b'<dimension ref="A1:B3"', data)
            out.writestr(part, data)
    source.close()
    target.replace(folder / "house.xlsx")
    assert tractduct.load_plan(folder).sections == tractduct.load_plan(write_plan(plan)).sections


def test_an_array_formula_without_a_result(plan: PlanTables, write_plan: WritePlan) -> None:
    folder = write_plan(plan, "xlsx")
    book = _book(folder)
    book["sections"]["J3"] = ArrayFormula("J3", "=1+1")  # share: blank would pass for equal parts
    book.save(folder / "house.xlsx")
    with pytest.raises(
        tractduct.InputFaults, match="row 3, column 'share': got '=1\\+1': the formula has no stored result"
    ):
        tractduct.load_plan(folder)


def test_prices_with_signs(plan: PlanTables, write_plan: WritePlan) -> None:
    priced = with_prices(plan)
    good = tractduct.load_plan(write_plan(priced))
    for row in priced.tables["prices"]:
        row["size_in"] = f'{row["size_in"]}"'
        row["price_per_ft"] = f"${row['price_per_ft']}"
    read = tractduct.load_plan(write_plan(priced))
    assert read.prices == good.prices
    assert len(notes(read.findings)) == 2
