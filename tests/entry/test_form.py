"""The workbook that a plan is typed into: what it holds, what it shows once a spreadsheet program has worked it out."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest
from compact_plans import write_book
from entry.eleven_rooms import RUNS, filled_cells, sheets
from fuzz_plans import differences

import tractduct
from tractduct.cli import main
from tractduct.entry.form import plan_workbook
from tractduct.model.plan import Plan
from tractduct.units import IP, SI

needs_office = pytest.mark.skipif(not shutil.which("soffice"), reason="no LibreOffice here to work the formulas out")


def recomputed(path: Path, folder: Path, *, through_ods: bool = False) -> Path:
    """The workbook as LibreOffice writes it, all formulas worked out."""
    folder.mkdir(exist_ok=True)
    kinds = ["ods", "xlsx:Calc MS Excel 2007 XML"] if through_ods else ["xlsx:Calc MS Excel 2007 XML"]
    for kind in kinds:
        command = ["soffice", f"-env:UserInstallation={(folder / 'profile').as_uri()}", "--headless", "--convert-to",
                   kind, "--outdir", str(folder), str(path)]  # fmt: skip
        subprocess.run(command, check=True, capture_output=True, timeout=240)
        path = folder / f"{path.stem}.{kind.partition(':')[0]}"
    return path


def filled(path: Path, **lines: list[list[Any]]) -> Path:
    """The blank workbook with other rows from the second on, by sheet; columns by their headers."""
    book = openpyxl.load_workbook(path)
    for name, (header, *rows) in lines.items():
        sheet = book[name]
        place = {cell.value: cell.column for cell in sheet[1]}
        for n in range(2, sheet.max_row + 1):
            for cell in sheet[n]:
                if not (isinstance(cell.value, str) and cell.value.startswith("=")) and cell.value is not None:
                    kept = name == "plan" and (cell.column != 2 or str(sheet.cell(n, 1).value).startswith("shown"))
                    cell.value = cell.value if kept else None
        for n, row in enumerate(rows, start=2):
            at = n
            if name == "plan":
                keys = [sheet.cell(k, 1).value for k in range(1, sheet.max_row + 1)]
                at = keys.index(row[0]) + 1
            for column, value in zip(header, row, strict=True):
                sheet.cell(at, place.setdefault(column, len(place) + 1), value)
        for column, where in place.items():
            sheet.cell(1, where, column)
    book.save(path)
    return path


def shown(path: Path, sheet: str) -> list[dict[str, Any]]:
    header, *rows = openpyxl.load_workbook(path, data_only=True)[sheet].iter_rows(values_only=True)
    return [dict(zip(header, row, strict=True)) for row in rows]


@pytest.mark.parametrize("units", [IP, SI])
def test_every_column_says_what_it_is_and_lists_grow(units: Any, tmp_path: Path) -> None:
    path = tmp_path / "house.xlsx"
    path.write_bytes(plan_workbook(units))
    book = openpyxl.load_workbook(path)
    assert book.sheetnames == ["plan", "rooms", "glass", "runs", "products", "prices", "lots", "_live"]
    for sheet in book.worksheets[:-1]:
        for cell in sheet[1]:
            assert cell.comment is not None, (sheet.title, cell.value)
            assert cell.comment.text
    assert all("OFFSET(" in name.attr_text and "COUNT" in name.attr_text for name in book.defined_names.values())
    lists = {r.formula1 for r in book["runs"].data_validations.dataValidation if r.type == "list"}
    assert {"section_names", "room_names", "duct_words"} <= {text.lstrip("=") for text in lists}
    assert book["runs"]["D2"].number_format == "@"
    assert (book["runs"]["D2"].protection.locked, book["runs"]["K2"].protection.locked) == (False, True)


def test_a_workbook_that_no_program_has_worked_out_is_read(tmp_path: Path) -> None:
    """Formulas without stored results stand in columns that are only shown."""
    path = tmp_path / "house.xlsx"
    path.write_bytes(plan_workbook(IP))
    plan = tractduct.load_plan(path)
    assert [s.name for s in plan.sections][-1] == "Return 1"
    assert not [f for f in plan.findings if f.rule in ("reading", "unknown column")]


def cfm_through(plan: Plan, front: str, season: str) -> dict[str, float]:
    """What each section carries, from the rooms' airflow, worked out here run by run."""
    airflow = plan.airflow_cfm[plan.fronts.index(front), 0, plan.seasons.index(season)]
    cfm = dict(zip(plan.rooms, airflow.tolist(), strict=True))
    parent = {s.name: s.parent for s in plan.sections}
    carried = dict.fromkeys(parent, 0.0)
    for section in plan.sections:
        for room in section.rooms:
            sharing = [s for s in plan.sections if s.side == section.side and room in s.rooms]
            at = section.name
            while at:
                carried[at] += cfm[room] / len(sharing)
                at = parent[at]
    return carried


@needs_office
def test_live_cfm_and_the_round_trip(tmp_path: Path) -> None:
    """Eleven rooms: cfm at a front and season as the plan's own, and the same plan out of xlsx and ods."""
    path = tmp_path / "house.xlsx"
    path.write_bytes(plan_workbook(IP))
    book = filled(path, **sheets(priced=True), lots=[["lot"]])
    for key, value in (("shown_front", "SW"), ("shown_season", "heating")):
        book = set_key(book, key, value)
    plan = tractduct.load_plan(book)
    back = recomputed(book, tmp_path / "ods", through_ods=True)
    again = tractduct.load_plan(back)
    assert not [d for d in differences(plan, again) if not re.match("folder|findings|derived|assumed", d)]
    rows = [row for row in shown(back, "runs") if row["leads_to"]]
    carried = cfm_through(plan, "SW", "heating")
    assert [row["leads_to"].split()[-1] for row in rows] == [s.name.split()[-1] for s in plan.sections]
    found = [row["airflow_here"] for row in rows]
    assert found == pytest.approx([carried[s.name] for s in plan.sections], abs=0.06)
    assert not any(row["mark"] for row in rows)
    note = next(row["note"] for row in shown(back, "plan") if row["key"] == "shown_front")
    assert note.endswith("960 of 960 cfm reach the air handler")
    names = openpyxl.load_workbook(back).defined_names
    assert {"section_names", "room_names", "duct_words"} <= set(names)
    assert "OFFSET" in names["room_names"].attr_text


def set_key(path: Path, key: str, value: str) -> Path:
    book = openpyxl.load_workbook(path)
    for row in book["plan"].iter_rows(min_row=2):
        if row[0].value == key:
            row[1].value = value
    book.save(path)
    return path


@needs_office
def test_marks(tmp_path: Path) -> None:
    path = tmp_path / "house.xlsx"
    path.write_bytes(plan_workbook(IP))
    runs = [
        ["section", "on", "room", "route", "duct"],
        ["T1", None, None, "10", "round"],
        ["T2", "T1", None, "10", "round"],
        ["A", "T1", "Den", "8", None],
        ["A", "T1", "Bath", "8", None],
        ["B", "T9", "Den", "8", None],
        ["C", "T1", "Denn", "8", None],
        ["L1", "L2", None, "8", None],
        ["L2", "L1", "Den", "8", None],
        ["D", "T1", "Den", None, None],
        ["R", "return", "*", "8", None],
    ]
    rooms = [["room", "heating_btuh", "sensible_cooling_btuh"], ["Den", 100, 100], ["Bath", 100, 100], ["Hall", 9, 9]]
    back = recomputed(filled(path, runs=runs, rooms=rooms), tmp_path / "back")
    rows = shown(back, "runs")
    marks = [row["mark"] or "" for row in rows[:11]]
    assert marks == [
        "",
        "dead end",
        "twice",
        "twice",
        "unknown parent",
        "unknown room",
        "LOOP",
        "LOOP",
        "no route",
        "",
        "",
    ]
    assert rows[1]["leads_to"] == "supply > T2: NOTHING below"
    assert [rows[n]["leads_to"] for n in (6, 9)] == ["LOOP", "return R"]
    assert [row["mark"] or "" for row in shown(back, "rooms")[:3]] == ["", "", "no run"]


@pytest.mark.parametrize(("priced", "most"), [(True, 180), (False, 130)])
def test_eleven_rooms_are_few_cells(
    priced: bool, most: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found = sheets(priced=priced)
    assert len(RUNS) - 1 == 21
    assert filled_cells(found) <= most
    assert main(["check", str(write_book(tmp_path / "house.xlsx", found))]) == 0
    said = capsys.readouterr().out
    assert "11 rooms, 21 sections" in said
    study = tractduct.study(tmp_path / "house.xlsx", quick=True)
    assert study.size_set
    assert np.isfinite(study.recommended.cost)
