"""Printed room tables in layouts of the tests' own: each is read as what it says, or refused with its place."""

from __future__ import annotations

import csv
import io
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from compact_plans import write_book

import tractduct
from tractduct.cli import main
from tractduct.errors import InputFaults
from tractduct.inputs.printed import PrintedAirflow
from tractduct.inputs.reader import printed_airflow

Lines = list[list[Any]]
ROOMS = ["Den", "Bed 2", "Kitchen", "Hall Bath", "Owner"]
FACES = ["N", "NE", "E", "SE", "S", "SW", "W", "NW"]
SYSTEM = {"heating": 400.0, "cooling": 520.0}


def numbers(face: str, season: str) -> list[int]:
    """Whole cfm by room that add up to the system's within rounding; invented."""
    draw = random.Random(f"{face} {season}")
    parts = [draw.uniform(0.5, 2.0) for _ in ROOMS]
    return [round(SYSTEM[season] * part / sum(parts)) for part in parts]


TRUTH = {(f, r, s): n for f in FACES for s in SYSTEM for r, n in zip(ROOMS, numbers(f, s), strict=True)}


def cell(face: str, room: str, season: str) -> int:
    return TRUTH[face, room, season]


def block(
    title: Lines, face: str, header: tuple[str, ...] = ("Room", "Heating cfm", "Cooling cfm"), total: str = "Total"
) -> Lines:
    rows: Lines = [[r, cell(face, r, "heating"), cell(face, r, "cooling")] for r in ROOMS]
    sums = [[total, *(sum(row[n] for row in rows) for n in (1, 2))]] if total else []
    return [*title, list(header), *rows, *sums, []] if header else [*title, *rows, *sums, []]


def stacked() -> Lines:
    return [line for f in FACES for line in block([[f"Front faces: {f}"]], f)]


def stacked_words() -> Lines:
    words = dict(
        zip(FACES, ["North", "North-East", "east", "South East", "S.", "S.W.", "West", "northwest"], strict=True)
    )
    return [
        line
        for f in FACES
        for line in block([["House front", f"facing {words[f]}"]], f, ("Room", "Htg CFM", "Clg CFM"), "Sum")
    ]


def stacked_one_header() -> Lines:
    first, *rest = FACES
    return block([[f"Front {first}"]], first) + [line for f in rest for line in block([[f"Front {f}"]], f, ())]


def cfm_in_the_title() -> Lines:
    return [
        line for f in FACES for line in block([[f"Room airflow, cfm, front {f}"]], f, ("", "Heating", "Cooling"), "")
    ]


def beside_loads() -> Lines:
    lines: Lines = [["Printed for the builder"], ["Outdoor design", 95, "F"], []]
    for f in FACES:
        lines += [[f"Front {f}"], ["Room", "Area ft2", "Heating Btuh", "Heating cfm", "Cooling Btuh", "Cooling cfm"]]
        lines += [[r, 120, 2500, cell(f, r, "heating"), 1900, cell(f, r, "cooling")] for r in ROOMS]
        lines += [[]]
    return lines


def columns_by_face() -> Lines:
    head = ["Room", *(f"{f} {s} cfm" for f in FACES for s in SYSTEM)]
    return [head, *([r, *(cell(f, r, s) for f in FACES for s in SYSTEM)] for r in ROOMS)]


def two_headers() -> Lines:
    top = ["", *(text for f in FACES for text in (f"Front {f}", f"Front {f}"))]
    head = ["Room", *["Heating cfm", "Cooling cfm"] * 8]
    return [top, head, *([r, *(cell(f, r, s) for f in FACES for s in SYSTEM)] for r in ROOMS)]


def seasons_above() -> Lines:
    top = ["", *["Heating CFM"] * 8, *["Cooling CFM"] * 8]
    rows: Lines = [[r, *(cell(f, r, s) for s in SYSTEM for f in FACES)] for r in ROOMS]
    return [top, ["Room", *FACES, *FACES], *rows, ["Totals", *map(sum, zip(*(row[1:] for row in rows), strict=True))]]


def long_form() -> Lines:
    rows = [[f, r, cell(f, r, "heating"), cell(f, r, "cooling")] for f in FACES for r in ROOMS]
    return [["Front", "Room", "Heating cfm", "Cooling cfm"], *rows]


def across(lines: Lines) -> Lines:
    width = max(map(len, lines))
    return [list(column) for column in zip(*([*line, *[""] * (width - len(line))] for line in lines), strict=True)]


LAYOUTS: dict[str, Callable[[], Lines]] = {
    "stacked blocks": stacked,
    "words and two cells": stacked_words,
    "one header": stacked_one_header,
    "cfm in the title": cfm_in_the_title,
    "beside loads and areas": beside_loads,
    "a column a front and season": columns_by_face,
    "fronts over seasons": two_headers,
    "seasons over fronts": seasons_above,
    "a direction column": long_form,
    "rooms across, by front and season": lambda: across(columns_by_face()),
    "rooms across, fronts over seasons": lambda: across(two_headers()),
    "rooms across, seasons over fronts": lambda: across(seasons_above()),
    "rooms across, blocks": lambda: across(stacked()),
}  # fmt: skip


@pytest.fixture
def house(tmp_path: Path) -> Path:
    runs = [["section", "on", "room", "route"], *([None, None, room, 10] for room in ROOMS), [None, "return", "*", 8]]
    plan = [["key", "value"], *([f"{season}_cfm", cfm] for season, cfm in SYSTEM.items())]
    return write_book(tmp_path / "house.xlsx", {"plan": plan, "runs": runs})


def as_csv(path: Path, lines: Lines) -> str:
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows(lines)
    return str(path)


def table(found: PrintedAirflow) -> dict[tuple[str, str, str], float]:
    rows = csv.DictReader(io.StringIO(found.table))
    return {(row["front_faces"], row["room"], s): float(row[f"{s}_cfm"]) for row in rows for s in SYSTEM}


def scaled(truth: dict[tuple[str, str, str], float]) -> dict[tuple[str, str, str], float]:
    """The truth brought to the system's airflow front by front."""
    total = {(f, s): sum(n for (g, _, t), n in truth.items() if (g, t) == (f, s)) for f, _, s in truth}
    return {(f, r, s): n * SYSTEM[s] / total[f, s] for (f, r, s), n in truth.items()}


@pytest.mark.parametrize("layout", LAYOUTS)
def test_a_layout_is_read(layout: str, house: Path, tmp_path: Path) -> None:
    found = printed_airflow(house, [as_csv(tmp_path / "loads.csv", LAYOUTS[layout]())])
    assert table(found) == pytest.approx(scaled(TRUTH), rel=1e-5)
    assert sum("5 rooms, heating" in line for line in found.said) == 8
    assert any(line.startswith("heating is scaled to the blower's 400 cfm") for line in found.said)


def test_a_sheet_a_front_and_a_file_a_front(house: Path, tmp_path: Path) -> None:
    sheets = {f"Front {f}": block([], f) for f in FACES}
    assert table(printed_airflow(house, [str(write_book(tmp_path / "all.xlsx", sheets))])) == pytest.approx(
        scaled(TRUTH), rel=1e-5
    )
    files = [as_csv(tmp_path / f"front {f}.csv", block([], f)) for f in FACES]
    assert table(printed_airflow(house, files)) == pytest.approx(scaled(TRUTH), rel=1e-5)


def test_merged_titles_and_one_heating_column(house: Path, tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(["Room", "Heating", *["Cooling"] * 8])
    sheet.append([None, "cfm", *[f"{f} cfm" for f in FACES]])
    for room in ROOMS:
        sheet.append([room, cell("N", room, "heating"), *(cell(f, room, "cooling") for f in FACES)])
    for column in range(4, 11):
        sheet.cell(1, column).value = None
    sheet.merge_cells("C1:J1")
    book.save(tmp_path / "merged.xlsx")
    found = table(printed_airflow(house, [f"{tmp_path / 'merged.xlsx'}#Sheet"]))
    truth = {(f, r, s): cell("N" if s == "heating" else f, r, s) for f, r, s in TRUTH}
    assert found == pytest.approx(scaled(truth), rel=1e-5)


def changed(lines: Lines, old: Any, new: Any, nth: int = 0) -> Lines:
    places = [(n, c) for n, line in enumerate(lines) for c, value in enumerate(line) if value == old]
    assert places, old
    n, c = places[nth]
    lines[n][c] = new
    return lines


def reworded(lines: Lines, old: str, new: str) -> Lines:
    return [[value.replace(old, new) if isinstance(value, str) else value for value in line] for line in lines]


WRONG: dict[str, tuple[Callable[[], Lines], str]] = {
    "no unit": (lambda: reworded(seasons_above(), "CFM", ""), "a column of airflow says no unit; expected cfm"),
    "another unit": (lambda: reworded(stacked(), "cfm", "L/s"), "a column of airflow says L/s; expected cfm"),
    "a turn": (lambda: changed(stacked(), "Front faces: E", "Turned 90 clockwise"), "a turn does not say which way"),
    "no direction": (lambda: changed(stacked(), "Front faces: E", "Plan B"), "nothing says which way the front faces"),
    "a direction twice": (lambda: changed(stacked(), "Front faces: E", "Front faces: N"), "front N is there twice"),
    "not only a direction": (lambda: changed(stacked(), "Front faces: E", "Bath E of hall"), "nothing says which way"),
    "a room twice": (lambda: changed(stacked(), "Bed 2", "Den"), "room 'Den' is there twice"),
    "a room that is none": (lambda: changed(stacked(), "Bed 2", "Bedroom Two"), "'Bedroom Two' is no room of the plan"),
    "a room that is none, first": (lambda: [*stacked()[:2], ["Closet", 3, 4], *stacked()[2:]], "'Closet' is no room"),
    "a room too few": (lambda: [*stacked()[:3], *stacked()[4:]], "these rooms of the plan are missing"),
    "a total that is another": (lambda: [*stacked()[:7], ["Total", 1, 2], *stacked()[8:]], "the total says otherwise"),
    "sums without a name": (lambda: reworded(stacked(), "Total", ""), "a line of numbers has no name"),
    "two columns": (lambda: [[*line, line[-1]] for line in columns_by_face()], "has 2 columns of cooling cfm"),
    "seven fronts": (lambda: stacked()[:-8], "there are 7 fronts"),
    "no season": (lambda: reworded(stacked(), "Cooling", ""), "no column of cooling cfm"),
    "an empty cell": (lambda: changed(long_form(), cell("N", "Den", "heating"), ""), "expected a number of cfm"),
    "a dash": (lambda: changed(long_form(), cell("N", "Den", "heating"), "-"), "got '-': expected a number of cfm"),
    "a negative number": (lambda: changed(long_form(), cell("N", "Den", "heating"), -5), "got '-5': expected a number"),
    "a front printed twice": (lambda: [*stacked()[:18], ["Front faces: E"], *stacked()[1:9], *stacked()[27:]],
                              "have the same numbers"),
    "not the blower's": (lambda: [[v * 2 if isinstance(v, int) else v for v in line] for line in stacked()],
                         "adds up to .* and the blower makes 400"),
    "loads alone": (lambda: reworded(stacked(), "cfm", "Btuh"), "no column over these rooms says its season"),
    "no rooms": (lambda: [["a", 1], ["b", 2]], "it names none of the plan's rooms"),
}  # fmt: skip


@pytest.mark.parametrize("case", WRONG)
def test_what_is_not_sure_is_refused(case: str, house: Path, tmp_path: Path) -> None:
    make, says = WRONG[case]
    with pytest.raises(InputFaults, match=says) as refused:
        printed_airflow(house, [as_csv(tmp_path / "loads.csv", make())])
    assert all(fault.remedy for fault in refused.value.faults)


def damaged(lines: Lines, draw: random.Random) -> Lines:
    """One or two accidents that happen to sheets; none of them changes what a cell that is left means."""
    width = max(map(len, lines))
    lines = [[*line, *[""] * (width - len(line))] for line in lines]
    for _ in range(draw.choice((1, 1, 2))):
        n, c = draw.randrange(len(lines)), draw.randrange(len(lines[0]))
        way = draw.choice(
            ("row", "column", "cell", "blank row", "blank column", "slip", "slip left", "twice", "swap", "cut", "typo")
        )
        if way == "row":
            del lines[n]
        elif way == "column":
            lines = [line[:c] + line[c + 1 :] for line in lines]
        elif way == "cell":
            lines[n][c] = ""
        elif way == "blank-row":
            lines.insert(n, [""] * len(lines[0]))
        elif way == "blank-column":
            lines = [[*line[:c], "", *line[c:]] for line in lines]
        elif way == "slip":
            column = ["", *(line[c] for line in lines[n:])]
            for line, value in zip(lines[n:], column, strict=False):
                line[c] = value
        elif way == "slip-left":
            lines[n] = [*lines[n][:c], *lines[n][c + 1 :], ""]
        elif way == "twice":
            lines.insert(n, list(lines[n]))
        elif way == "swap":
            m = draw.randrange(len(lines))
            lines[n], lines[m] = lines[m], lines[n]
        elif way == "cut":
            lines = lines[: max(n, 1)]
        elif isinstance(lines[n][c], str):
            lines[n][c] = lines[n][c][:-1]
        if not lines or not lines[0]:
            return [["nothing"]]
    return lines


@pytest.mark.parametrize("layout", LAYOUTS)
def test_a_damaged_sheet_is_never_misread(layout: str, house: Path, tmp_path: Path) -> None:
    """Never another number than the sheet's in a room, front and season: read as it was, or refused."""
    draw = random.Random(layout)
    right = scaled(TRUTH)
    read = 0
    for _ in range(60):
        path = as_csv(tmp_path / "loads.csv", damaged(LAYOUTS[layout](), draw))
        try:
            found = table(printed_airflow(house, [path]))
        except InputFaults:
            continue
        read += 1
        fronts = {f for f, _, _ in found}
        assert found == pytest.approx({k: v for k, v in right.items() if k[0] in fronts}, rel=1e-5), path
    assert read < 60


def test_the_command_writes_a_table_that_the_plan_reads(
    house: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    loads = as_csv(tmp_path / "loads.csv", stacked())
    assert main(["airflow", str(house), loads]) == 0
    said = capsys.readouterr().out
    assert "loads.csv: front E: 5 rooms, heating" in said
    assert "rows 21 to 25 (direction from the title), totals agree" in said
    book = openpyxl.load_workbook(house)
    book["plan"].append(["[tables] airflow", "house-airflow.csv"])
    book.save(house)
    assert main(["check", str(house)]) == 0
    assert "cooling: 520 cfm at the air handler" in capsys.readouterr().out
    assert main(["airflow", str(house), loads]) == 2
    assert "there is something of this name already" in capsys.readouterr().err


def test_a_sheet_that_the_plan_names_is_read_with_it(house: Path, tmp_path: Path) -> None:
    book = openpyxl.load_workbook(house)
    book["plan"].append(["[tables] printed", "#As printed"])
    sheet = book.create_sheet("As printed")
    for line in stacked():
        sheet.append(line)
    book.save(house)
    plan = tractduct.load_plan(house)
    found = {
        (front, room, season): plan.airflow_cfm[f, 0, s, r]
        for f, front in enumerate(plan.fronts)
        for s, season in enumerate(plan.seasons)
        for r, room in enumerate(plan.rooms)
    }
    assert found == pytest.approx(scaled(TRUTH), rel=1e-5)
    assert sum(f.rule == "printed airflow" for f in plan.findings) == 10
    assert not any("is not read" in f.message for f in plan.findings if f.rule == "reading")
    sheet["A1"] = "Plan B"
    book.save(house)
    with pytest.raises(InputFaults, match=r"house.xlsx sheet 'As printed', row 3: nothing says which way"):
        tractduct.load_plan(house)
