"""The pages of each lot, read back out of the PDF: against results.json, the plan's own tables and own arithmetic."""

from __future__ import annotations

import io
import itertools
import json
import math
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pypdf
import pytest
from pdf_reading import Sheet, fonts_of, read_pdf
from plan_folder import PlanTables, small_plan, with_prices, written
from si_plan import write_si
from surface_plans import broken_down, with_lots

import tractduct
from tractduct.inputs.reader import load_plan
from tractduct.model.lots import RoomOutline
from tractduct.report import Report, Wanted, work_out
from tractduct.sizing.verify import verify_sizes
from tractduct.units import UnitSystem
from tractduct.writers.lot_pages import (
    BOLD,
    Drawing,
    FloorLayout,
    LotPages,
    Table,
    lay_out,
    print_lots,
    width_of,
)
from tractduct.writers.lot_sheets import house_drawing, lot_pages, pass_texts
from tractduct.writers.output import write_report

LETTER, A4 = (0.0, 0.0, 612.0, 792.0), (0.0, 0.0, 595.28, 841.89)  # 8.5 x 11 in; ISO 216: 210 x 297 mm
LOTS = (
    ("north", 0, None, False, "granite"),
    ("20 right", 20, None, True, None),
    ("face east", None, "E", False, "granite"),
    ("steep", 213, None, False, "meadow"),
)
AZIMUTHS = {"north": 0, "20 right": 20, "face east": 90, "steep": 213}
FACES = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")
WIDE, DEEP = 30.0, 24.0


def drawn(plan: PlanTables) -> PlanTables:
    """Den and Bed at the street, Kitchen behind them, on a plan 30 ft wide; every run has a route."""
    plan = plan.copy()
    plan.tables["rooms"] = [
        {"room": "Den", "x_ft": 0, "y_ft": 0, "width_ft": 12, "depth_ft": 12},
        {"room": "Bed", "x_ft": 12, "y_ft": 0, "width_ft": 18, "depth_ft": 12},
        {"room": "Kitchen", "x_ft": 0, "y_ft": 12, "width_ft": 30, "depth_ft": 12},
    ]
    courses = {
        "T1": ((15, 18), (15, 10)),
        "DEN": ((15, 10), (5, 10), (5, 4)),
        "BED": ((15, 10), (25, 10), (25, 4)),
        "KIT": ((15, 10), (15, 14), (6, 20)),
        "RET": ((15, 18), (24, 18)),
    }
    plan.tables["routes"] = [
        {"section": name, "x_ft": x, "y_ft": y} for name, course in courses.items() for x, y in course
    ]
    return plan


def turning_plan() -> PlanTables:
    return drawn(with_lots(with_prices(broken_down()), *LOTS))


def table_plan() -> PlanTables:
    """An airflow table of north and south, a room with two runs of which one is shut in heating, no outlines."""
    plan = with_prices(small_plan(tolerance={"room_pct": 10, "room_cfm": 8}))
    more = {**plan.row("sections", "DEN"), "section": "DEN2", "length_ft": 25, "season": "cooling", "share": 0.5}
    plan.tables["sections"].append(more)
    return with_lots(
        plan, ("n", 0, None, False, "meadow"), ("s", None, "S", False, "granite"), ("e", 90, None, False, None)
    )


PLANS = {"turning": turning_plan, "table": table_plan, "unlisted": lambda: with_prices(small_plan())}


@cache
def worked(name: str) -> Report:
    with written(PLANS[name]()) as folder:
        return work_out(load_plan(folder), Wanted(turned=name == "turning"))


@cache
def pages_of(name: str) -> tuple[LotPages, ...]:
    report = worked(name)
    assert report.delivery is not None
    assert report.lots is not None
    return tuple(lot_pages(report.delivery, report.lots))


def pdf_of(pages: Sequence[LotPages], title: str) -> bytes:
    return print_lots(pages, title=title).data


@cache
def data_of(name: str) -> bytes:
    return pdf_of(pages_of(name), title=name)


@cache
def sheets_of(name: str) -> dict[str, list[Sheet]]:
    """The pages of each lot, by the name in their titles."""
    found: dict[str, list[Sheet]] = {}
    for sheet in read_pdf(data_of(name)):
        lot = sheet.rows[0][0].removeprefix("Lot ").rpartition(": ")[0]
        found.setdefault(lot, []).append(sheet)
    return found


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Any]]:
    """results.json beside the pages, as they lie on disk."""
    found = {}
    for name in ("turning", "table"):
        folder = tmp_path_factory.mktemp(name)
        assert "test-plan-lots.pdf" in write_report(worked(name), folder, only=("lots",)).names
        assert (folder / "test-plan-lots.pdf").read_bytes()[:5] == b"%PDF-"
        found[name] = json.loads((folder / "results.json").read_text(encoding="utf-8"))
    return found


def nearest(azimuth: float, fronts: list[str]) -> str:
    """The front of the plan that looks the most the same way."""
    return min(fronts, key=lambda f: abs((45.0 * FACES.index(f) - azimuth + 180.0) % 360.0 - 180.0))


def marks_of(results: dict[str, Any], azimuth: float, mirrored: bool) -> dict[str, dict[str, float]]:
    """Degrees by run and season, of the table of the nearest front; as drawn where the plan has no mirror of it."""
    tables = {(o["front_faces"], o["mirrored"]): t for t in results["damper_marks"] for o in t["orientations"]}
    front = nearest(azimuth, [front for front, _ in tables])
    return tables[(front, mirrored) if (front, mirrored) in tables else (front, not mirrored)]["angles_deg"]


def check_rows(
    sheet: Sheet, targets: dict[str, dict[str, float]], rooms: dict[str, str], tolerance: tuple[float, float],
    angles: dict[str, dict[str, float]],
) -> None:  # fmt: skip
    """Page 2 against design airflow by season and run, with the pass range worked out here.

    The season of more airflow stands first. A run may be off by its part of its room's tolerance.
    """
    seasons = sorted(targets, key=lambda s: -sum(targets[s].values()))
    bands = next(row for row in sheet.rows if "measure this season" in row[0])
    assert [band.split(",")[0] for band in bands] == [season.capitalize() for season in seasons]
    for run, room in rooms.items():
        cells = iter(sheet.row(run)[2:])
        for season in seasons:
            target = targets[season].get(run)
            first = next(cells)
            if target is None:
                assert first == "shut"
                assert next(cells, None) == "shut"  # its mark
                continue
            assert int(first) == pytest.approx(target, abs=0.5001)
            if run == "RET":
                continue
            whole = sum(targets[season].get(r, 0.0) for r, other in rooms.items() if other == room and r != "RET")
            off = max(tolerance[0] / 100.0 * whole, tolerance[1]) * target / whole
            # Whole cfm within tolerance; a run that is dead, or reads 0, never passes.
            assert int(next(cells)) == max(math.ceil(target - off - 1e-3), 1)
            assert int(next(cells)) == math.floor(target + off + 1e-3)
            assert next(cells) == (f"{angles[run][season]:.0f}°" if run in angles else "none")
        assert next(cells, None) is None


# -- what the pages say -------------------------------------------------------------------------------------------


def test_pages_of_lots_between_the_fronts(results: dict[str, dict[str, Any]]) -> None:
    """Sizes, targets and marks against results.json; the default tolerance: the greater of 20 % and 25 cfm."""
    found = results["turning"]
    rooms = {"DEN": "Den", "BED": "Bed", "KIT": "Kitchen", "RET": ""}
    assert list(sheets_of("turning")) == [name for name, *_ in LOTS]
    for lot in found["orientation"]["lots"]:
        build, balance = sheets_of("turning")[lot["lot"]]
        for run, size in found["size_set"].items():
            assert size in build.row(run)
        angles = marks_of(found, AZIMUTHS[lot["lot"]], lot["mirrored"])
        for run in ("DEN", "BED", "KIT"):
            marks = dict.fromkeys(f"{angle:.0f}°" for angle in angles[run].values()) if run in angles else ["none"]
            assert build.row(run)[-2] in (" / ".join(marks), *marks)
        check_rows(balance, lot["run_airflow_cfm"], rooms, (20.0, 25.0), angles)
    flows = [lot["run_airflow_cfm"]["cooling"]["BED"] for lot in found["orientation"]["lots"]]
    assert len({round(flow) for flow in flows}) > 1  # they do differ


def test_pages_against_the_airflow_table(results: dict[str, dict[str, Any]]) -> None:
    """Design airflow by hand: north and south stand in the table, and Den is shared 2 to 1 in cooling."""
    rooms = {"DEN": "Den", "DEN2": "Den", "BED": "Bed", "KIT": "Kitchen", "RET": ""}
    heating = {"DEN": 60.0, "BED": 80.0, "KIT": 90.0, "RET": 230.0}
    for lot, azimuth, den in (("n", 0, 90.0), ("s", 180, 110.0)):
        cooling = {"DEN": den * 2 / 3, "DEN2": den / 3, "BED": 70.0, "KIT": 140.0, "RET": den + 210.0}
        _, balance = sheets_of("table")[lot]
        angles = marks_of(results["table"], azimuth, False)
        check_rows(balance, {"heating": heating, "cooling": cooling}, rooms, (10.0, 8.0), angles)
        assert balance.row("All")[2:] == [f"{den + 210:.0f}", "230"]
        assert "Den (cooling only)" in sheets_of("table")[lot][0].row("DEN2")


def test_a_lot_whose_airflow_is_unknown_is_built_and_not_balanced(results: dict[str, dict[str, Any]]) -> None:
    (build,) = sheets_of("table")["e"]
    assert "NOT KNOWN. Ask the designer before building." in build.words
    assert "page 1 of 1" in build.words
    for run, size in results["table"]["size_set"].items():
        assert size in build.row(run)
        assert not {"none", *(f"{angle}°" for angle in range(0, 91, 5))} & set(build.row(run))  # no marks either


def test_a_lot_where_the_set_fails_says_so_first() -> None:
    """Below the title, in a frame: the limit that 4 in everywhere breaks the most, in words of the check itself."""
    report = worked("turning")
    study = report.study
    assert report.lots is not None
    assert report.delivery is not None
    breaches = verify_sizes(study.plan, study.variants.variants, dict.fromkeys(study.size_set, "4")).breaches
    worst = max(breaches, key=lambda b: b.amount / b.limit)
    bad = replace(report.lots.results[1], holds=False, breaches=breaches)
    lots = replace(report.lots, results=(report.lots.results[0], bad))
    good, _, first, _ = read_pdf(pdf_of(lot_pages(report.delivery, lots), title="x"))
    assert good.rows[2][0].startswith("These sizes hold")
    assert first.rows[0][0].startswith("Lot 20 right")
    assert first.rows[2][0].startswith("THESE SIZES DO NOT HOLD at this lot's direction")
    assert f"{worst}. Ask the designer before building." in first.words


def test_rooms_that_marks_leave_outside_are_named() -> None:
    """A tolerance that no marks meet: each lot's first page names the rooms that results.json counts."""
    plan = with_prices(small_plan(tolerance={"room_pct": 0.1, "room_cfm": 0.1}))
    with written(plan) as folder:
        report = work_out(load_plan(folder), Wanted())
    assert report.delivery is not None
    assert report.lots is not None
    outside = {room.room for room in report.delivery.marks.chosen.outside}
    named = set()
    for sheet in read_pdf(pdf_of(lot_pages(report.delivery, report.lots), title="x"))[::2]:
        said, _, rooms = " ".join(row[0] for row in sheet.rows[2:4]).partition("stay outside tolerance: ")
        assert said.startswith("These sizes hold. Even with the marks")
        named |= {room for room in ("Den", "Bed", "Kitchen") if room in rooms}
    assert named <= outside
    assert named


def test_a_plan_without_lots_has_the_pages_of_each_front() -> None:
    assert list(sheets_of("unlisted")) == ["front N", "front S"]
    for name, den in (("front N", "90"), ("front S", "110")):
        build, balance = sheets_of("unlisted")[name]
        assert f"front faces {name[-1]}" in build.words
        assert balance.row("DEN")[2] == den


def test_what_a_balancer_writes_down() -> None:
    """Space to write in, and what is expected there, on every balance page."""
    for name in ("turning", "table", "unlisted"):
        for build, *rest in sheets_of(name).values():
            assert "Build" in build.rows[0]
            for balance in rest:
                assert "Balance" in balance.rows[0]
                for words in ("As found", "As left", "Total external static", "Supply plenum", "Return plenum",
                              "Filter", "Blower speed tap", "Sum of the supply registers", "Flex label"):  # fmt: skip
                    assert words in balance.words
                for words in ("Local codes", "licensed", "combustion safety"):
                    assert words in balance.words
                    assert words in build.words


@pytest.mark.parametrize("units", [UnitSystem("ip"), UnitSystem("si")])
def test_what_passes_is_within_tolerance_and_a_dead_run_never_does(units: UnitSystem) -> None:
    """Tried reading by reading, in whole cfm or tenths of a litre a second (1 cfm is 0.4719 L/s)."""
    factor, step = (1.0, 1.0) if units.name == "ip" else (0.3048**3 / 60.0 * 1000.0, 0.1)
    for target, off in itertools.product((0.2, 9.0, 16.4, 37.5, 118.3), (0.01, 0.4, 7.9, 20.0, 25.0)):
        low, high = pass_texts(units, target, max(target - off, 0.0), target + off)
        reading = [step * n for n in range(1, 400)]
        within = [q for q in reading if target - off <= q / factor <= target + off and q / factor >= 1.0 - 1e-9]
        if within:
            assert (float(low), float(high)) == (pytest.approx(within[0]), pytest.approx(within[-1]))
        assert 0.0 < float(low) <= float(high)
        assert (target - off) * factor - 1e-3 <= float(low)
        assert float(high) <= (target + off) * factor + 1e-3
    assert pass_texts(units, 0.0, 0.0, 25.0)[0] in ("0", "0.0")  # where no air is wanted, none is right


def test_a_return_of_many_rooms_has_all_of_them_on_both_pages() -> None:
    rooms = ["Great Room", "Dining", "Kitchen", "Laundry", "Study", "Foyer", "Guest Room"]
    plan = with_prices(small_plan())
    plan.row("sections", "RET")["room"] = "; ".join(["Den", "Bed", "Kitchen"])
    with written(plan) as folder:
        report = work_out(load_plan(folder), Wanted())
    assert report.delivery is not None
    assert report.lots is not None
    for sheet in read_pdf(pdf_of(lot_pages(report.delivery, report.lots), title="x")):
        assert "3 rooms, below" in sheet.row("RET")
        assert "RET: air from Den, Bed, Kitchen." in sheet.words
    line = "RET: air from " + ", ".join(rooms * 3) + "."
    long = replace(pages_of("turning")[0], build=replace(pages_of("turning")[0].build, below=(line,)))
    assert line in read_pdf(pdf_of([long], title="x"))[0].words


# -- paper, fonts, bytes ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", PLANS)
def test_two_letter_pages_a_lot_with_fonts_in_them(name: str) -> None:
    for lot, sheets in sheets_of(name).items():
        assert len(sheets) == (1 if (name, lot) == ("table", "e") else 2)
        for number, sheet in enumerate(sheets, start=1):
            assert sheet.paper == LETTER
            assert f"page {number} of {len(sheets)}" in sheet.words
    fonts = fonts_of(data_of(name))
    assert fonts
    assert all(fonts.values()), fonts


@pytest.mark.parametrize("name", ["turning", "table"])
def test_a_file_of_each_lot_is_its_pages(name: str) -> None:
    """The same words, paper and embedded fonts as in the file of all; read strictly."""
    printed = print_lots(pages_of(name), title=name)
    apart = list(printed.apart())
    assert [len(sheets) for sheets in sheets_of(name).values()] == list(printed.counts)
    for data, sheets in zip(apart, sheets_of(name).values(), strict=True):
        assert pypdf.PdfReader(io.BytesIO(data), strict=True).metadata == pypdf.PdfReader(
            io.BytesIO(printed.data)
        ).metadata  # fmt: skip
        for mine, whole in zip(read_pdf(data), sheets, strict=True):
            assert (mine.rows, mine.paper) == (whole.rows, whole.paper)
        assert set(fonts_of(data)) == set(fonts_of(printed.data))
        assert all(fonts_of(data).values())
    assert list(printed.apart()) == apart


def test_files_of_lots_have_names_of_their_own(tmp_path: Path) -> None:
    names = ["A b", "a-b", "a-b-2", "12"]
    with written(with_lots(with_prices(small_plan()), *((n, 0.0, None, False, None) for n in names))) as folder:
        report = work_out(load_plan(folder), Wanted())
    write_report(report, tmp_path, only=("lots",))
    assert {path.name for path in (tmp_path / "lots").iterdir()} == {"a-b.pdf", "a-b-2.pdf", "a-b-2-2.pdf", "12.pdf"}
    titles = [
        read_pdf((tmp_path / "lots" / f"{file}.pdf").read_bytes())[0].rows[0][0]
        for file in ("a-b", "a-b-2", "a-b-2-2", "12")
    ]
    assert titles == [f"Lot {name}: Test plan" for name in names]


def numbers_of(data: bytes) -> list[tuple[float, str]]:
    """Points and words of all texts that hold a digit, where pages are not scaled."""
    found: list[tuple[float, str]] = []

    def keep(text: str, at: list[float], inner: list[float], font: object, size: float) -> None:
        if any(letter.isdigit() for letter in text):
            found.append((size, text.strip()))

    for page in pypdf.PdfReader(io.BytesIO(data)).pages:
        page.extract_text(visitor_text=keep)
    return found


def test_numbers_are_read_at_arms_length() -> None:
    """9 points and more for sizes, lengths, marks and airflow, on a page that is full too."""
    lot = pages_of("turning")[0]
    full = replace(lot, build=replace(lot.build, rows=lot.build.rows * 7))
    for pages in ([lot], [full]):
        data = pdf_of(pages, title="x")
        assert "page 1 of 2" in read_pdf(data)[0].words
        found = [(size, text) for size, text in numbers_of(data) if text.strip("°/. ").replace("° / ", "").isdigit()]
        assert len(found) > 20
        assert min(found)[0] >= 9.0, min(found)
        drawn = [(size, text) for size, text in numbers_of(data) if text.split()[0] in ("T1", "DEN", "BED", "KIT")]
        assert min(drawn)[0] >= 9.0


def test_all_words_stand_on_the_paper_and_upright() -> None:
    for name in PLANS:
        for sheet in read_pdf(data_of(name)):
            assert not sheet.turned
            assert not sheet.off_paper


def test_the_same_report_gives_the_same_bytes() -> None:
    again = work_out(worked("turning").study.plan, Wanted(turned=True))
    assert again.delivery is not None
    assert again.lots is not None
    assert pdf_of(lot_pages(again.delivery, again.lots), title="turning") == data_of("turning")


def test_in_si_on_a4(tmp_path: Path) -> None:
    """The same plan in SI: mm, m and litres a second, on A4."""
    report = work_out(load_plan(write_si(table_plan().write(tmp_path / "ip"), tmp_path / "si")), Wanted())
    write_report(report, tmp_path / "out", only=("lots",))
    sheets = read_pdf(next((tmp_path / "out").glob("*-lots.pdf")).read_bytes())
    assert all(sheet.paper == pytest.approx(A4, abs=0.01) for sheet in sheets)
    build, balance = sheets[:2]
    sizes, plain = worked("table").study.size_set, sheets_of("table")["n"][1]
    for run, size in sizes.items():
        assert f"{25.4 * float(size):g}" in build.row(run)
    # 1 L/s is 2.1189 cfm (exact: 0.3048^3 m3 in 60 s).
    assert float(balance.row("KIT")[2]) == pytest.approx(140.0 / 2.11888, abs=0.06)
    assert balance.row("KIT")[5] == plain.row("KIT")[5]  # a mark is a mark
    words = " ".join(sheet.words for sheet in sheets)
    assert "L/s" in words
    assert not any(f" {unit}" in words for unit in ("cfm", "inWC", "in.", "ft "))


# -- names from the plan ------------------------------------------------------------------------------------------


def test_hostile_names_are_words(tmp_path: Path) -> None:
    """Letters that PDF texts, file names or spreadsheets give a meaning; letters of other languages; endless names."""
    names = ["(a) Tj ET", "\\) 0 0 m", "=1+1", "../../x", "<</A 1>>", "ΑΒ ж é ő", "x" * 120, "%PDF"]
    plan = with_lots(with_prices(small_plan()), *((n, 180.0 * (k % 2), None, False, None) for k, n in enumerate(names)))
    plan.config["name"] = "../up ) Tj (/ x"
    with written(plan) as folder:
        report = work_out(load_plan(folder), Wanted())
    made = [tmp_path / "out" / name for name in write_report(report, tmp_path / "out").names]
    assert {path.resolve().parent for path in made} == {tmp_path / "out" / name for name in ("", "data", "lots")}
    (file,) = (path for path in made if path.name.endswith("-lots.pdf"))
    assert len([path for path in made if path.parent.name == "lots"]) == len(names)
    sheets = read_pdf(file.read_bytes())
    assert len(sheets) == 2 * len(names)
    for name, sheet in zip(names, sheets[::2], strict=True):
        assert sheet.rows[0][0].startswith(f"Lot {name[:80]}")
        assert not sheet.off_paper
    for page in pypdf.PdfReader(io.BytesIO(file.read_bytes())).pages:
        assert "/Annots" not in page
        assert "/AA" not in page


# -- the drawing --------------------------------------------------------------------------------------------------


def boxes_of(layouts: tuple[FloorLayout, ...]) -> list[Any]:
    return [label for layout in layouts for label in (*layout.ducts, *layout.rooms)]


def check_labels(drawing: Drawing, wide: float, high: float) -> None:
    """Each duct's label once, in a box of its own that is as wide as its words, none over another, all within."""
    layouts = lay_out(drawing, wide, high)
    labels = boxes_of(layouts)
    ducts = [label.text for layout in layouts for label in layout.ducts]
    assert sorted(ducts) == sorted(course.label for course in drawing.courses)
    for label in labels:
        left, bottom, right, top = label.box
        font = {"font": BOLD} if label.text in ducts else {}
        assert right - left >= width_of(label.text, label.points, **font)
        assert top - bottom >= label.points
        assert left >= 0.0
        assert bottom >= 0.0
        assert right <= wide
        assert top <= high
    for one, other in itertools.combinations(labels, 2):
        apart = (
            one.box[2] <= other.box[0] or other.box[2] <= one.box[0] or one.box[3] <= other.box[1]
            or other.box[3] <= one.box[1]
        )  # fmt: skip
        assert apart, (one.text, other.text)


@pytest.mark.parametrize(("wide", "high"), [(540.0, 420.0), (540.0, 220.0), (523.0, 600.0)])
def test_labels_do_not_lie_over_each_other(wide: float, high: float) -> None:
    for mirrored in (False, True):
        check_labels(house_drawing(worked("turning").study, mirrored), wide, high)


def test_labels_of_a_crowded_house(demo_folder: Path) -> None:
    """The demo plan's two floors, with sizes as they come; the smallest picture that a page gives."""
    drawing = house_drawing(tractduct.study(demo_folder, quick=True), False)
    assert len(drawing.floors) == 2
    check_labels(drawing, 540.0, 330.0)


def test_the_street_is_down_and_a_mirrored_house_is_mirrored() -> None:
    """Places by hand out of the table of rooms: x from the left, or from the right of a plan 30 ft wide."""
    table = {row["room"]: row for row in turning_plan().tables["rooms"]}
    for mirrored in (False, True):
        drawing = house_drawing(worked("turning").study, mirrored)
        assert len(drawing.outlines) == 3
        (layout,) = lay_out(drawing, 540.0, 400.0)
        for outline in drawing.outlines:
            row = table[outline.room]
            left = WIDE - row["x_ft"] - row["width_ft"] if mirrored else row["x_ft"]
            assert (outline.x_ft, outline.y_ft) == (left, row["y_ft"])
        (den,) = (course for course in drawing.courses if course.label.startswith("DEN "))
        course = ((15.0, 10.0), (5.0, 10.0), (5.0, 4.0))
        assert den.points_ft == tuple((WIDE - x if mirrored else x, y) for x, y in course)
        # Same scale both ways, y upwards from the street.
        at, right, back = layout.at((0.0, 0.0)), layout.at((WIDE, 0.0)), layout.at((0.0, DEEP))
        assert right[0] - at[0] == pytest.approx(WIDE * layout.scale)
        assert back[1] - at[1] == pytest.approx(DEEP * layout.scale)
    for lot, order in (("north", ["Den", "Bed"]), ("20 right", ["Bed", "Den"])):
        rows = sheets_of("turning")[lot][0].rows
        street = next(n for n, row in enumerate(rows) if row[0] == "street side")
        names = {room: next(n for n, row in enumerate(rows) if room in row and street > n > 5) for room in table}
        assert names["Kitchen"] < names["Den"] < street
        assert rows[names["Den"]] == order


def north_arrow(data: bytes) -> tuple[tuple[float, float], tuple[float, float]]:
    """Where the N stands, and the tip of the arrow's black wedge, from its middle."""
    page = pypdf.PdfReader(io.BytesIO(data)).pages[0]
    tips, letters, middles = [], [], []

    def operator(name: bytes, operands: list[Any], at: list[float], inner: list[float]) -> None:
        if name == b"m" and [float(x) for x in operands] == [0.0, 15.0]:
            tips.append((at[2] * 15.0, at[3] * 15.0))
            middles.append((at[4], at[5]))

    def word(text: str, at: list[float], inner: list[float], font: object, size: float) -> None:
        if text.strip() == "N":
            letters.append((at[4] + inner[4] * at[0], at[5] + inner[5] * at[3]))

    page.extract_text(visitor_operand_before=operator, visitor_text=word)
    (tip,), (letter,), (middle,) = tips, letters, middles
    return (letter[0] - middle[0], letter[1] - middle[1]), tip


@pytest.mark.parametrize(("azimuth", "north"), [(0, (0, -1)), (90, (1, 0)), (180, (0, 1)), (270, (-1, 0))])
def test_the_north_arrow_turns_with_the_lot(azimuth: int, north: tuple[int, int]) -> None:
    """With the street down: a front to the north has north down; a front to the east has north at the right hand."""
    lot = replace(pages_of("turning")[0], front_azimuth_deg=float(azimuth))
    letter, tip = north_arrow(pdf_of([lot], title="x"))
    for x, y in (letter, tip):
        assert (x * north[0] + y * north[1]) / (x * x + y * y) ** 0.5 > 0.95


def test_a_plan_without_outlines_has_its_table_alone() -> None:
    for sheets in sheets_of("unlisted").values():
        assert "street side" not in sheets[0].words
        assert len(sheets) == 2
        assert {"T1", "DEN", "BED", "KIT", "RET"} <= {row[0] for row in sheets[0].rows}


@pytest.mark.parametrize("name", ["turning", "unlisted"])
def test_120_sections_go_on_to_further_pages(name: str) -> None:
    """Every section and every run once, none over the notes at the foot, with a drawing and without."""
    lot = pages_of(name)[0]
    assert lot.balance is not None
    build = [(f"S{n}", *row[1:]) for n in range(120) for row in lot.build.rows[1:2]]
    balance = [(f"P{n}", *row[1:]) for n in range(100) for row in lot.balance.rows[:1]]
    long = replace(lot, build=replace(lot.build, rows=tuple(build)), balance=replace(lot.balance, rows=tuple(balance)))
    data = pdf_of([long, lot], title="x")
    sheets = read_pdf(data)
    mine, rest = sheets[:-2], sheets[-2:]
    for number, sheet in enumerate(mine, start=1):
        assert f"page {number} of {len(mine)}" in sheet.words
        assert not sheet.off_paper
        foot = max(y for y, words in sheet.places if "Local codes" in words)
        assert all(y > foot for y, words in sheet.places if words.split()[0][0] in "SP" and words[1:].isdigit())
    assert "page 2 of 2" in rest[1].words
    found = [row[0] for sheet in mine for row in sheet.rows]
    assert [f for f in found if f[0] == "S" and f[1:].isdigit()] == [f"S{n}" for n in range(120)]
    assert [f for f in found if f[0] == "P" and f[1:].isdigit()] == [f"P{n}" for n in range(100)]
    assert sum("Blower speed tap" in sheet.words for sheet in mine) == 1
    assert sum(row[0] == "All" for sheet in mine for row in sheet.rows) == 1


def test_a_drawing_of_rooms_alone() -> None:
    """Names that fit stand inside their rooms; a name that does not is left out rather than drawn over a wall."""
    rooms = [("Den", 10.0), ("A room with a very long name indeed, too long for it", 2.0)]
    outlines = tuple(
        RoomOutline(room=room, x_ft=12.0 * n, y_ft=0.0, width_ft=width, depth_ft=8.0)
        for n, (room, width) in enumerate(rooms)
    )
    (layout,) = lay_out(Drawing(outlines=outlines), 400.0, 300.0)
    assert [label.text for label in layout.rooms] == ["Den"]
    left, bottom = layout.at((0.0, 0.0))
    right, top = layout.at((10.0, 8.0))
    box = layout.rooms[0].box
    assert left < box[0] < box[2] < right
    assert bottom < box[1] < box[3] < top


def test_a_table_without_rows_is_its_header() -> None:
    lot = pages_of("unlisted")[0]
    empty = replace(lot, build=Table(columns=lot.build.columns, rows=()), balance=None)
    (sheet,) = read_pdf(pdf_of([empty], title="x"))
    assert "Damper mark" in sheet.words or "heating" in sheet.words
