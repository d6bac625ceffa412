"""The form for readings: what it asks against results.json, and that nothing typed into it is ever lost."""

from __future__ import annotations

import json
import zipfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from openpyxl.comments import Comment
from si_plan import write_si
from test_lot_pages import table_plan, worked

from tractduct.inputs.reader import load_plan
from tractduct.report import Report, Wanted, work_out
from tractduct.writers.output import write_report
from tractduct.writers.readings_form import write_readings
from tractduct.writers.together import Written

FORM = "test-plan-readings.xlsx"
# docs of the plan format name the first four of "typed"; the others are what tells causes apart.
KNOWN = ["lot", "season", "run", "room", "expected_cfm", "mark_deg"]
TYPED = [
    "measured_cfm", "date", "external_static_inwc", "blower_speed", "hood", "note", "mark_set_deg",
    "supply_plenum_inwc", "return_plenum_inwc", "filter_drop_inwc", "filter_state", "flex_label",
]  # fmt: skip


def with_lots_of(report: Report, *names: str) -> Report:
    """The report with some of its lots only."""
    assert report.lots is not None
    return replace(
        report, lots=replace(report.lots, results=tuple(r for r in report.lots.results if r.lot.name in names))
    )


def write_form(folder: Path) -> Written:
    """The run of a report, of its readers' files the form alone."""
    return write_report(worked("table"), folder, only=("readings",))


def rows_of(path: Path) -> list[dict[str, Any]]:
    sheet = openpyxl.load_workbook(path)["Readings"]
    header, *rows = sheet.iter_rows(values_only=True)
    return [dict(zip(map(str, header), row, strict=True)) for row in rows]


def typed_form(folder: Path) -> Path:
    """A form of lot n in which somebody worked: a reading, a formula, a column, a comment and a sheet of their own."""
    path = folder / FORM
    write_readings(with_lots_of(worked("table"), "n"), path)
    book = openpyxl.load_workbook(path)
    sheet = book["Readings"]
    column = {str(cell.value): cell.column for cell in sheet[1]}
    sheet.cell(2, column["measured_cfm"]).value = 71.5
    sheet.cell(3, column["note"]).value = "kinked"
    mine = sheet.max_column + 1
    sheet.cell(1, mine).value = "second hood"
    sheet.cell(2, mine).value = 69
    sheet.cell(4, mine).value = "=SUM(1,2)"
    sheet.cell(5, column["measured_cfm"]).comment = Comment("ask again", "me")
    book.create_sheet("Mine")["B7"] = "keep me"
    book.save(path)
    return path


def test_a_row_a_run_lot_and_season_with_what_results_json_predicts(tmp_path: Path) -> None:
    write_report(worked("table"), tmp_path)
    found = json.loads((tmp_path / "results.json").read_text())
    rows = rows_of(tmp_path / FORM)
    assert {*KNOWN, *TYPED} == set(rows[0])
    assert all(row[name] is None for row in rows for name in TYPED)
    (marks,) = found["damper_marks"]
    wanted = {}
    for lot, front, flex in (("n", "N", "meadow"), ("s", "S", "granite")):  # the airflow of lot e is not known
        for got in found["delivered_marked"]:
            if (got["front_faces"], got["flex"]) == (front, flex):
                for run, air in got["runs"].items():
                    wanted[lot, got["season"], run] = air["airflow_cfm"]
    assert {(r["lot"], r["season"], r["run"]) for r in rows} == set(wanted)
    assert len(rows) == len(wanted)
    for row in rows:
        assert row["expected_cfm"] == pytest.approx(wanted[row["lot"], row["season"], row["run"]], abs=0.5001)
        angles = marks["angles_deg"].get(row["run"])
        assert row["mark_deg"] == (None if angles is None else pytest.approx(angles[row["season"]]))
    assert rows[0]["season"] == "cooling"  # more air, which a hood reads more surely


def test_a_reading_typed_is_there_after_the_next_run(tmp_path: Path) -> None:
    assert write_form(tmp_path).notes == (f"{FORM}: rows of 2 lots written.",)
    book = openpyxl.load_workbook(tmp_path / FORM)
    book["Readings"]["H2"] = 88
    book.save(tmp_path / FORM)
    before = (tmp_path / FORM).read_bytes()
    done = write_form(tmp_path)
    assert (tmp_path / FORM).read_bytes() == before
    assert rows_of(tmp_path / FORM)[0]["measured_cfm"] == 88
    assert done.notes == (f"{FORM}: no lot is new; 2 lots with 1 reading left as they are.",)


def test_new_lots_come_behind_and_every_other_byte_stays(tmp_path: Path) -> None:
    earlier = typed_form(tmp_path)
    before, kept = earlier.read_bytes(), rows_of(earlier)
    done = write_readings(worked("table"), tmp_path / "new.xlsx", earlier)
    assert (done.added, done.lots_kept, done.readings_kept, done.left) == (("s",), 1, 1, "")
    assert earlier.read_bytes() == before
    with zipfile.ZipFile(earlier) as old, zipfile.ZipFile(tmp_path / "new.xlsx") as new:
        assert old.namelist() == new.namelist()
        changed = [name for name in old.namelist() if old.read(name) != new.read(name)]
        assert changed == ["xl/worksheets/sheet1.xml"]
    rows = rows_of(tmp_path / "new.xlsx")
    assert rows[: len(kept)] == kept
    assert (kept[0]["measured_cfm"], kept[0]["second hood"], kept[1]["note"]) == (71.5, 69, "kinked")
    write_readings(worked("table"), tmp_path / "both.xlsx")
    fresh = [row for row in rows_of(tmp_path / "both.xlsx") if row["lot"] == "s"]
    assert [{k: v for k, v in row.items() if k != "second hood"} for row in rows[len(kept) :]] == fresh
    book, whole = (openpyxl.load_workbook(tmp_path / name)["Readings"] for name in ("new.xlsx", "both.xlsx"))
    for r in range(2, book.max_row + 1):  # cells to type into look so
        for c in range(1, len(KNOWN) + len(TYPED) + 1):
            assert book.cell(r, c).fill.fgColor.rgb == whole.cell(r, c).fill.fgColor.rgb
    assert openpyxl.load_workbook(tmp_path / "new.xlsx")["Mine"]["B7"].value == "keep me"
    again = write_readings(worked("table"), tmp_path / "again.xlsx", tmp_path / "new.xlsx")
    assert again.added == ()
    assert not (tmp_path / "again.xlsx").exists()


@pytest.mark.parametrize("lock", ["~${}", ".~lock.{}#"])
def test_a_form_that_is_open_is_left(tmp_path: Path, lock: str) -> None:
    """The files that Excel and LibreOffice leave beside an open workbook."""
    earlier = typed_form(tmp_path)
    before = earlier.read_bytes()
    (tmp_path / lock.format(FORM)).touch()
    said = write_form(tmp_path).notes
    assert earlier.read_bytes() == before
    assert said == (f"{FORM}: it stays as it is: it is open in another program. Close it and run again to add 1 lot.",)


@pytest.mark.parametrize("damage", ["no workbook", "half of it", "another sheet", "no room", "nothing"])
def test_a_form_that_cannot_be_read_is_left(tmp_path: Path, damage: str) -> None:
    earlier = typed_form(tmp_path)
    if damage in ("another sheet", "no room"):
        book = openpyxl.load_workbook(earlier)
        if damage == "no room":
            book["Readings"].row_dimensions[1_048_576].height = 30  # the last row that a sheet can have
        else:
            book["Readings"]["A1"] = "House"
        book.save(earlier)
    else:
        data = earlier.read_bytes()
        earlier.write_bytes({"no workbook": b"12", "half of it": data[: len(data) // 2]}.get(damage, b""))
    before = earlier.read_bytes()
    said = write_form(tmp_path).notes
    assert earlier.read_bytes() == before
    (words,) = said
    assert words.startswith(f"{FORM}: it stays as it is: ")
    assert "Move it away for a new form, or mend it, and run again" in words
    assert (tmp_path / "results.json").exists()


def test_airflow_expected_that_changed_is_told_and_not_overwritten(tmp_path: Path) -> None:
    path = tmp_path / FORM
    write_readings(worked("table"), path)
    book = openpyxl.load_workbook(path)
    book["Readings"]["E2"] = 5
    book.save(path)
    done = write_readings(worked("table"), tmp_path / "new.xlsx", path)
    assert done.changed == ("n",)
    assert "the airflow expected on 1 lot is another now" in str(done)
    assert not (tmp_path / "new.xlsx").exists()


def test_names_are_text_in_a_form_and_behind_it(tmp_path: Path) -> None:
    names = ["=1+1", "<&>", "007", "a b"]
    plan = table_plan()
    plan.tables["lots"] = [{"lot": name, "front_faces": "N"} for name in names]
    report = work_out(load_plan(plan.write(tmp_path / "plan")), Wanted())
    write_readings(with_lots_of(report, "=1+1"), tmp_path / "a.xlsx")
    done = write_readings(report, tmp_path / "b.xlsx", tmp_path / "a.xlsx")
    assert done.added == tuple(names[1:])
    sheet = openpyxl.load_workbook(tmp_path / "b.xlsx")["Readings"]
    cells = [row[0] for row in sheet.iter_rows(min_row=2)]
    assert list(dict.fromkeys(cell.value for cell in cells)) == names
    assert {cell.data_type for cell in cells} <= {"s", "inlineStr"}
    assert write_readings(report, tmp_path / "c.xlsx", tmp_path / "b.xlsx").added == ()


def test_it_prints_large_enough_to_read_with_its_names_on_every_page(tmp_path: Path) -> None:
    """Letters of 11 points, across US letter less half an inch at each side: at 7.5 points at least."""
    write_readings(worked("table"), tmp_path / FORM)
    sheet = openpyxl.load_workbook(tmp_path / FORM)["Readings"]
    pixels = sum(7.0 * sheet.column_dimensions[cell.column_letter].width + 5.0 for cell in sheet[1])
    assert 11.0 * min(1.0, 10.0 * 96.0 / pixels) >= 7.5
    assert sheet.print_title_rows == "$1:$1"
    setup = sheet.page_setup
    assert (setup.orientation, int(setup.paperSize), setup.fitToWidth, setup.fitToHeight) == ("landscape", 1, 1, 0)
    for cell in sheet[1]:  # a name lies in its column, or stands
        wide = len(str(cell.value)) > sheet.column_dimensions[cell.column_letter].width
        assert cell.alignment.textRotation == 90 or not wide


def test_lots_that_the_plan_does_not_list_have_no_form(tmp_path: Path) -> None:
    write_report(worked("unlisted"), tmp_path)
    assert not list(tmp_path.glob("*readings*"))


def test_in_si(tmp_path: Path) -> None:
    """Columns named and airflow in L/s (1 cfm is 0.4719); a form in other units is not added to."""
    report = work_out(load_plan(write_si(table_plan().write(tmp_path / "ip"), tmp_path / "si")), Wanted())
    write_readings(report, tmp_path / "si.xlsx")
    write_readings(worked("table"), tmp_path / "ip.xlsx")
    turned = {"measured_cfm": "measured_l_s", "external_static_inwc": "external_static_pa"}
    rows, plain = rows_of(tmp_path / "si.xlsx"), rows_of(tmp_path / "ip.xlsx")
    assert set(turned.values()) <= set(rows[0])
    flows = {(r["lot"], r["season"], r["run"]): r["expected_cfm"] for r in plain}
    for row in rows:
        there = flows[row["lot"], row["season"], row["run"]]
        assert row["expected_l_s"] == pytest.approx(0.4719474 * there, abs=1.5)  # other damper steps may be as good
    done = write_readings(report, tmp_path / "new.xlsx", tmp_path / "ip.xlsx")
    assert done.added == ()
    assert "no sheet of it has lot, season, run, measured_l_s in its first row" in done.left
