"""The workbook against the study it is made from."""

from __future__ import annotations

import dataclasses
import itertools
import math
import re
import zipfile
from functools import cache
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import openpyxl
import pytest
from openpyxl.workbook import Workbook
from openpyxl.worksheet.worksheet import Worksheet
from plan_folder import PlanTables, duct, section, small_plan, study_of, with_prices
from workbook_reading import Sums, all_cells, blocks, size, table_rows, words_of

from tractduct import Study, tables
from tractduct.report import Report
from tractduct.sizing.practice import CAUTIONS
from tractduct.sizing.verify import verify_sizes
from tractduct.writers.book.looks import clean
from tractduct.writers.book.pencil import largest
from tractduct.writers.pictures import draw_pictures
from tractduct.writers.workbook import write_workbook

MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
ALWAYS = {"Answer", "Pencil check", "Rooms by front", "Findings", "Basis"}
WITH_SET = {"Sizes", "Sizes and cost", "Robustness and margins"}
HOSTILE = (
    "=1+1",
    "+x",
    "@SUM(A1)",
    "-2+3",
    "-3+4",
    "=cmd|' /C calc'!A0",
    '=HYPERLINK("x")',
    "a & <b> \"c\" 'd'",
)


def two_trunks() -> PlanTables:
    """Prices, loss coefficients, a run of one season only, and runs that share trunks of two lengths."""
    plan = small_plan()
    plan.tables["sections"] += [
        section("T2", "T1", "trunk", "galvanised", 14, "elbow_90*2"),
        section("DEN2", "T2", "branch", "flex", 25, "collar + boot_floor", "Den", season="cooling"),
        section("BED2", "T2", "branch", "flex", 6, "collar + boot_floor", "Bed"),
    ]
    for row in plan.tables["fittings"]:
        if row["fitting"] in ("wye", "elbow_90"):
            row["loss_coefficient"] = 0.2
    return with_prices(plan)


def without(kind: str) -> PlanTables:
    """The small plan with one thing left out."""
    plan = small_plan()
    rows = plan.tables
    if kind == "return":
        rows["sections"] = [r for r in rows["sections"] if r["side"] != "return"]
    elif kind == "flex":
        rows["ducts"] = [r for r in rows["ducts"] if r["kind"] == "rigid"]
        for row in rows["sections"]:
            row["duct"] = "galvanised"
    elif kind == "season":
        plan.config["variants"] = {"seasons": ["cooling"]}
    elif kind == "face":
        plan.config["variants"] = {"front_faces": ["N"]}
    elif kind == "fittings":
        for row in rows["sections"]:
            row["fittings"] = ""
    return plan


@cache
def study(kind: str) -> Study:
    if kind == "full":
        return study_of(two_trunks())
    if kind == "infeasible":
        return study_of(small_plan(pressure={"supply_inwc": 0.003}))
    if kind == "hostile":
        return study_of(hostile_plan())
    if kind == "feasible":
        # What a search leaves that ran out of time, its bound 10 % under the cost.
        found = study("full")
        bound = 0.9 * found.recommended.cost
        least = dataclasses.replace(found.least_cost, status="feasible", bound=bound)
        best = dataclasses.replace(found.recommended, status="feasible", bound=bound)
        return dataclasses.replace(
            found,
            status="feasible",
            least_cost=least,
            recommended=best,
            trade_off=(best,),
            open_numbers=((1, bound), (2, bound)),
        )
    return study_of(without(kind))


def hostile_plan() -> PlanTables:
    """Every name that a plan's author may choose begins like a formula or holds what XML can't."""
    plan = small_plan()
    plan.config["name"] = "=2+3 & more"
    names = {"Den": HOSTILE[0], "Bed": HOSTILE[1], "Kitchen": HOSTILE[2]}
    for row in plan.tables["airflow"]:
        row["room"] = names[row["room"]]
    sections = {"DEN": HOSTILE[4], "BED": HOSTILE[5], "KIT": HOSTILE[7]}
    for row in plan.tables["sections"]:
        row["room"] = names.get(row["room"], row["room"])
        row["section"] = sections.get(row["section"], row["section"])
        row["duct"] = row["duct"].replace("galvanised", "@steel")
        row["fittings"] = row["fittings"].replace("collar", "=collar")
    plan.tables["ducts"][0]["duct"] = "@steel"
    plan.tables["ducts"][1] = {**duct("=flex", "flex", 0.001), "source": HOSTILE[3]}
    for row in plan.tables["fittings"]:
        row["fitting"] = row["fitting"].replace("collar", "=collar")
        row["source"] = HOSTILE[6]
    return plan


KINDS = ("full", "infeasible", "feasible", "hostile", "return", "flex", "season", "face", "fittings")


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """One workbook of each kind; the first with pictures."""
    folder = tmp_path_factory.mktemp("books")
    made = {}
    for kind in KINDS:
        made[kind] = folder / f"{kind}.xlsx"
        pictures = draw_pictures(Report(study=study(kind)), folder) if kind == "full" else None
        write_workbook(Report(study=study(kind)), made[kind], pictures)
    return made


def feet_of(s: Study, p: int) -> float:
    """Length of a run with its fittings, out of the plan's tables."""
    way = [s.tree.sections[i] for i in s.tree.walk(p)]
    return sum(x.length_ft + sum(s.plan.fittings[n].equivalent_length_ft * k for n, k in x.fittings) for x in way)


def section_rows(sheet: Worksheet) -> list[int]:
    """Rows of the sections' inputs on the pencil check."""
    first = next(r for r in range(1, sheet.max_row) if sheet.cell(r, 1).value == "Section") + 1
    return list(itertools.takewhile(lambda r: sheet.cell(r, 1).value is not None, range(first, sheet.max_row)))


def book_of(files: dict[str, Path], kind: str) -> Workbook:
    return opened(files[kind])


@cache
def opened(path: Path) -> Workbook:
    return openpyxl.load_workbook(path)


# -- what stands in it -----------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_sheets(files: dict[str, Path], kind: str) -> None:
    names = set(book_of(files, kind).sheetnames)
    wanted = ALWAYS if kind == "infeasible" else ALWAYS | WITH_SET
    assert wanted <= names
    assert ("Flex products" in names) == (kind != "flex")
    assert ("Duct tree" in names) == (kind == "full")
    if kind == "infeasible":
        assert not WITH_SET & names


def test_first_sheet_answers(files: dict[str, Path]) -> None:
    s = study("full")
    sheet = book_of(files, "full")["Answer"]
    words = words_of(sheet)
    assert s.plan.name in sheet["A1"].value
    assert f"{len(s.variants.variants)} variants" in words
    assert "Proven" in words
    assert f"{s.recommended.cost:,.0f} USD per lot" in words
    assert f"{s.recommended.distinct_sizes} distinct size" in words
    for caution in CAUTIONS:
        assert caution in words
    for finding in s.findings[:3]:
        assert finding.message in words


def test_stock_list_holds_every_section_once(files: dict[str, Path]) -> None:
    s = study("full")
    rows = table_rows(book_of(files, "full")["Answer"], "Duct")
    assert len(rows) == s.recommended.distinct_sizes
    assert sum(r["Length, ft"] for r in rows) == pytest.approx(sum(x.length_ft for x in s.tree.sections))
    assert sum(r["Cost per lot, USD"] for r in rows) == pytest.approx(s.recommended.cost, abs=0.01 * len(rows))
    listed = {name: size(r["Size, in"]) for r in rows for name in r["Sections in this size"].split(", ")}
    assert listed == s.size_set


def test_a_hand_size_that_is_not_on_sale_is_out_in_every_variant(tmp_path: Path) -> None:
    """Granite is not offered in the size that the hand method gives the den in meadow: no set has that cost."""
    plan = with_prices(small_plan())
    before = study_of(plan)
    den = before.tree.index("DEN")
    label = before.table.sizes[before.single.size_index[den]].label
    for row in plan.tables["prices"]:
        if (row["duct"], row["size_in"]) == ("granite", label):
            row["price_per_ft"] = "-"
    s = study_of(plan)
    assert s.table.sizes[s.single.size_index[den]].label == label
    write_workbook(Report(study=s), tmp_path / "book.xlsx")
    number = len(s.variants.variants)
    words = words_of(openpyxl.load_workbook(tmp_path / "book.xlsx")["Answer"])
    assert f"in {number} of {number} variants" in words
    assert "takes most duct) breaks limits at" in words  # what is not on sale has no cost


def test_case_for_the_study(files: dict[str, Path]) -> None:
    s = study("full")
    out = {b.variant for b in s.single.breaches}
    words = words_of(book_of(files, "full")["Answer"])
    mirrored = "mirrored" if s.single.mirrored else "as drawn"
    assert f"the worst front alone (front {s.single.front}, {mirrored}, in meadow: there it takes" in words
    if out:
        assert f"in {len(out)} of {len(s.variants.variants)} variants" in words
    else:
        assert "holds in all variants" in words


def test_what_a_front_alone_would_get_stands_where_it_differs(files: dict[str, Path]) -> None:
    """Out of the frame of sizes, which has one column a front: words are the same in black and white."""
    s = study("full")
    frame = tables.size_schedule(s).set_index("section")
    rows = {r["Section"]: r for r in table_rows(book_of(files, "full")["Sizes"], "Section")}
    assert set(rows) == set(frame.index)
    seen = 0
    for name, row in rows.items():
        assert size(row["Install, in"]) == s.size_set[name]
        told: dict[str, str] = {}
        for part in filter(None, str(row["A front alone would get, in"] or "").split("; ")):
            arrow, own, which = re.fullmatch("([▲▼]) ([0-9x]+): (.*)", part).groups()  # type: ignore[union-attr]
            assert (float(own) > float(s.size_set[name])) == (arrow == "▲")
            told |= dict.fromkeys(s.plan.fronts if which == "every front" else which.split(", "), own)
        assert told == {
            f: frame.loc[name, f] for f in s.plan.fronts if frame.loc[name, f] not in ("", s.size_set[name])
        }
        seen += bool(told)
    assert seen


@pytest.mark.parametrize("kind", ["full", "return", "flex", "season"])
def test_margins_against_the_independent_check(files: dict[str, Path], kind: str) -> None:
    """Each run once, in the variant that leaves it the smallest part; each variant: test_data.py."""
    s = study(kind)
    checked = verify_sizes(s.plan, s.variants.variants, s.size_set)
    number = {str(v): n for n, v in enumerate(s.variants.variants)}
    rows = table_rows(book_of(files, kind)["Robustness and margins"], "Run")
    assert [r["Run"] for r in sorted(rows, key=lambda r: s.tree.index(r["Run"]))] == [r.name for r in s.tree.runs]
    for row in rows:
        lost = checked.path_loss_inwc[row["Run"]]
        available = row["May lose, inWC"]
        assert row["Loses, inWC"] == pytest.approx(lost[number[row["Tightest in"]]], abs=1e-6)
        assert row["Margin, %"] == pytest.approx(100.0 * (1.0 - np.nanmax(lost) / available), abs=1e-3)


def test_trade_off(files: dict[str, Path]) -> None:
    s = study("full")
    rows = table_rows(book_of(files, "full")["Sizes and cost"], "Distinct sizes")
    assert [r["Distinct sizes"] for r in rows] == [e.distinct_sizes for e in s.trade_off]
    assert [r["Least cost, per lot, USD"] for r in rows] == pytest.approx([e.cost for e in s.trade_off], abs=1e-5)


def test_pictures_are_in_it_and_small(files: dict[str, Path]) -> None:
    with zipfile.ZipFile(files["full"]) as archive:
        pictures = [i for i in archive.infolist() if i.filename.startswith("xl/media/")]
    assert len(pictures) == 3
    assert all(i.file_size < 150_000 for i in pictures)


# -- the pencil check ------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["full", "infeasible", "hostile", "return", "flex", "season", "fittings"])
def test_pencil_check_adds_up_what_the_plan_says(files: dict[str, Path], kind: str) -> None:
    """Straight from the plan's tables and the independent check, not by way of the study's arrays."""
    s = study(kind)
    sums = Sums(book_of(files, kind))
    found = blocks(sums.book["Pencil check"])
    assert set(found) == {clean(run.name) for run in s.tree.runs}
    for p, run in enumerate(s.tree.runs):
        row, below = found[clean(run.name)]["May lose"], found[clean(run.name)]["Length with fittings"]
        feet = feet_of(s, p)
        assert sums.value("Pencil check", f"D{row}") == pytest.approx(s.plan.available_inwc(run.side))
        assert sums.value("Pencil check", f"D{below}") == pytest.approx(feet)
        assert sums.value("Pencil check", f"H{below}") == pytest.approx(100.0 * s.plan.available_inwc(run.side) / feet)
        assert sums.value("Pencil check", f"I{below}") == "as in the study"
        if s.sized is not None:
            checked = verify_sizes(s.plan, s.variants.variants, s.size_set)
            lost = np.nanmax(checked.path_loss_inwc[run.name])
            assert sums.value("Pencil check", f"K{row}") == pytest.approx(lost, rel=1e-5)
            assert sums.value("Pencil check", f"H{row}") == pytest.approx(
                s.plan.available_inwc(run.side) - lost, abs=1e-6
            )


def test_what_worksheets_stack_is_not_stacked(files: dict[str, Path]) -> None:
    """The length with fittings, what the run may lose and the friction rate never stand under one another."""
    sheet = book_of(files, "full")["Pencil check"]
    for column in sheet.iter_cols():
        words = [str(c.value) for c in column]
        for above, below in itertools.pairwise(words):
            assert not (above.startswith("Length with") and below.startswith("May lose"))
            assert not (above.startswith("May lose") and below.startswith("Friction rate"))


@pytest.mark.parametrize("kind", ["full", "season"])
def test_sections_use_the_lowest_friction_rate_of_their_runs(files: dict[str, Path], kind: str) -> None:
    """That of the longest run through the section that is open then, by the plan's own lengths."""
    s = study(kind)
    sums = Sums(book_of(files, kind))
    variants = {str(v).removeprefix("front "): v for v in s.variants.variants}
    checked = 0
    for row in section_rows(sums.book["Pencil check"]):
        cells = [sums.book["Pencil check"].cell(row, c).value for c in range(1, 12)]
        i, variant = s.tree.index(cells[0]), variants[cells[9]]
        feet = []
        for p, run in enumerate(s.tree.runs):
            if i in s.tree.walk(p) and run.season in ("", variant.season):
                feet.append(feet_of(s, p))
        rate = 100.0 * s.plan.available_inwc(s.tree.sections[i].side) / max(feet)
        assert sums.value("Pencil check", f"G{row}") == pytest.approx(rate)
        assert size(cells[2]) == s.size_set[cells[0]]
        checked += 1
    assert checked == len(s.tree.sections)


def test_a_longer_trunk_moves_each_run_through_it(files: dict[str, Path]) -> None:
    s = study("full")
    book = book_of(files, "full")
    sheet = book["Pencil check"]
    row = next(r for r in section_rows(sheet) if sheet.cell(r, 1).value == "T2")
    moved, before = Sums(book, {("Pencil check", f"D{row}"): sheet.cell(row, 4).value + 50.0}), Sums(book)
    for p, run in enumerate(s.tree.runs):
        rows = blocks(sheet)[run.name]
        more = 50.0 if "T2" in {s.tree.sections[i].name for i in s.tree.walk(p)} else 0.0
        length, check = f"D{rows['Length with fittings']}", rows["May lose"]
        feet = before.value("Pencil check", length) + more
        assert moved.value("Pencil check", length) == pytest.approx(feet)
        rate = 100.0 * s.plan.available_inwc(run.side) / feet
        assert moved.value("Pencil check", f"H{rows['Length with fittings']}") == pytest.approx(rate)
        flag = moved.value("Pencil check", f"I{rows['Length with fittings']}")
        assert flag == ("changed: run the study again" if more else "as in the study")
        loses = [sums.value("Pencil check", f"K{check}") for sums in (before, moved)]
        assert (loses[1] > loses[0] + 1e-9) == bool(more)


@pytest.mark.parametrize("kind", KINDS)
def test_stored_values_are_what_the_formulas_come_to(files: dict[str, Path], kind: str) -> None:
    """Viewers that do not calculate show the stored value."""
    live, stored = book_of(files, kind), openpyxl.load_workbook(files[kind], data_only=True)
    sums = Sums(live)
    number = 0
    for sheet in live.worksheets:
        for row in sheet.iter_rows():
            for cell in row:
                if cell.data_type == "f":
                    wanted = sums.value(sheet.title, cell.coordinate)
                    value = stored[sheet.title][cell.coordinate].value
                    if isinstance(wanted, str):
                        assert value == (wanted or None)
                    else:
                        assert value == pytest.approx(wanted, rel=1e-5, abs=1e-6)
                    number += 1
    assert number > 20


def test_a_maximum_of_many_cells_stays_within_what_a_spreadsheet_takes() -> None:
    formula = largest([f"E{n}" for n in range(1, 701)])
    assert formula.startswith("MAX(MAX(E1,")
    assert all(group.count(",") < 255 for group in re.findall(r"MAX\(E[^)]*\)", formula))


# -- text that is no formula -----------------------------------------------------------------------------


def test_text_from_the_plan_is_never_a_formula(files: dict[str, Path]) -> None:
    """Out of the file itself: only what the program made formulas are formulas, and none holds a name."""
    names = [clean(name) for name in HOSTILE] + ["@steel", "=collar", "=flex", "=2+3 & more"]
    allowed = re.compile(r'[-+*/(),.:!$<>"A-Za-z0-9 ]*')
    texts: set[str] = set()
    with zipfile.ZipFile(files["hostile"]) as archive:
        for entry in archive.namelist():
            if not entry.startswith("xl/worksheets/sheet"):
                continue
            for cell in ElementTree.fromstring(archive.read(entry)).iter(f"{MAIN}c"):
                formula = cell.find(f"{MAIN}f")
                if formula is None:
                    assert cell.get("t") in (None, "n", "inlineStr", "s")
                    texts.update(t.text or "" for t in cell.iter(f"{MAIN}t"))
                else:
                    assert formula.text
                    assert allowed.fullmatch(formula.text)
                    assert not any(name in formula.text for name in names if len(name) > 3)
    for name in ("=1+1", "+x", "@SUM(A1)", "-3+4", "=cmd|' /C calc'!A0", "=flex", "-2+3"):
        assert name in texts
    assert any(text.startswith("=collar") for text in texts)
    assert clean("bell\x07 and \x0b") == "bell and "
    assert not any(re.search("[\x00-\x08\x0b\x0c\x0e-\x1f]", t) for t in texts)


@pytest.mark.parametrize("kind", KINDS)
def test_no_error_values_and_no_odd_headers(files: dict[str, Path], kind: str) -> None:
    book = book_of(files, kind)
    assert not [c.coordinate for c in all_cells(book) if c.data_type == "e"]
    names: list[str] = []
    for sheet in book.worksheets:
        for listing in sheet.tables.values():
            names.append(listing.displayName)
            header = [c.value for c in sheet[listing.ref][0]]
            assert [c.name for c in listing.tableColumns] == header
            assert all(isinstance(h, str) and h for h in header)
            assert len({h.casefold() for h in header}) == len(header)
    assert len(set(names)) == len(names)


# -- print, status, sameness -----------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["full", "infeasible"])
def test_print_set_up(files: dict[str, Path], kind: str) -> None:
    for sheet in book_of(files, kind).worksheets:
        assert sheet.page_setup.paperSize == 1  # US letter
        assert "&P" in sheet.oddFooter.right.text
        assert sheet.title == sheet.oddFooter.center.text
        assert sheet.sheet_properties.pageSetUpPr.fitToPage or sheet.page_setup.scale
    assert book_of(files, kind)["Answer"].page_setup.fitToHeight == 1
    assert book_of(files, kind)["Pencil check"].page_setup.scale == 100


def test_infeasible_says_why_and_what_was_tried(files: dict[str, Path]) -> None:
    s = study("infeasible")
    assert s.status == "infeasible"
    sheet = book_of(files, "infeasible")["Answer"]
    words = words_of(sheet)
    assert s.conflicts
    for conflict in s.conflicts:
        assert str(conflict) in words
    rows = table_rows(sheet, "Kind of change")
    assert [r["Change"] for r in rows] == [w.change for w in s.remedies]
    assert [r["Result"] == "a set holds" for r in rows] == [w.helps for w in s.remedies]


def test_time_ran_out_says_how_far_off_it_can_be(files: dict[str, Path]) -> None:
    s = study("feasible")
    words = words_of(book_of(files, "feasible")["Answer"])
    assert "Not proven" in words
    for solution in (s.least_cost, s.recommended):
        assert f"{int(100.0 * solution.bound) / 100.0:,.2f} USD" in words
        gap = 100.0 * (1.0 - solution.bound / solution.cost)
        assert f"{math.ceil(100.0 * gap) / 100.0:.2f} % less" in words


def test_numbers_of_sizes_that_time_ran_out_on_have_their_bound(files: dict[str, Path]) -> None:
    s = study("feasible")
    words = words_of(book_of(files, "feasible")["Sizes and cost"])
    bound = f"{int(100.0 * s.recommended.bound) / 100.0:,.2f} USD"
    assert f"{s.recommended.distinct_sizes} sizes: no set costs less than {bound}, which is" in words
    bound = f"{int(s.recommended.bound):,} USD"
    assert f"1 to 2 sizes: time ran out before a set was found; none costs less than {bound}." in words


def test_how_close_the_limits_are(files: dict[str, Path]) -> None:
    """The tightest pressure and velocity of each sort, sought in what the independent check works out."""
    s = study("full")
    checked = verify_sizes(s.plan, s.variants.variants, s.size_set)
    rows = {r["Limit"]: r for r in table_rows(book_of(files, "full")["Robustness and margins"], "Tightest at")}
    for side in ("supply", "return"):
        runs = [run for run in s.tree.runs if run.side == side]
        lost = max(float(np.nanmax(checked.path_loss_inwc[run.name])) for run in runs)
        row = rows[f"{side} pressure, inWC"]
        assert (row["It has"], row["Allowed"]) == (pytest.approx(lost), s.plan.available_inwc(side))
        assert row["Left of it, %"] == pytest.approx(100.0 * (1.0 - lost / s.plan.available_inwc(side)))
    branches = [x for x in s.tree.sections if (x.side, x.role, x.kind) == ("supply", "branch", "flex")]
    fastest = max(checked.velocity_fpm[x.name].max() for x in branches)
    assert rows["supply branch flex velocity, fpm"]["It has"] == pytest.approx(fastest)


def basis_of(plan: PlanTables, place: Path) -> tuple[str, dict[str, str]]:
    """The words of the sheet Basis, and by setting what it says of where it comes from."""
    write_workbook(Report(study=study_of(plan)), place / "basis.xlsx")
    sheet = openpyxl.load_workbook(place / "basis.xlsx")["Basis"]
    return words_of(sheet), {str(row[0].value): str(row[2].value) for row in sheet.iter_rows(max_col=3)}


def test_basis_tells_what_is_typed_from_what_is_default(tmp_path: Path) -> None:
    """A key counts as typed even where it has the default's value."""
    plan = small_plan(limits={"trunk_rigid_fpm": 900, "branch_flex_fpm": 650}, objective={})
    _, said = basis_of(plan, tmp_path)
    for label, words in {
        "Velocity limit, trunk rigid, fpm": "set in the plan",
        "Velocity limit, branch flex, fpm": "set in the plan",
        "Velocity limit, branch rigid, fpm": "the program's default (ANSI/ACCA 1, from memory)",
        "Velocity limit, return, fpm": "the program's default (ANSI/ACCA 1, from memory)",
        "Elevation, ft": "set in the plan",
        "Air at the air handler, F": "the program's default",
        "Available, supply ducts, inWC": "set in the plan, for the site's air",
        "Large compressed flex, at least": "the program's default",
    }.items():
        assert said[label] == words
    plan.config["pressure"] = {"supply_inwc": 0.14}
    assert basis_of(plan, tmp_path)[1]["Available, return ducts, inWC"] == (
        "the program's default, 0.05 x 0.982 for the density here"
    )


def test_default_velocity_limits_are_three_numbers(files: dict[str, Path]) -> None:
    """900, 700 and 700 fpm (ANSI/ACCA 1, from memory): what they are called, not whether they are right."""
    rows = [[c.value for c in row] for row in book_of(files, "full")["Basis"].iter_rows(max_col=3)]
    limits = {r[0]: r[1:] for r in rows if str(r[0]).startswith("Velocity limit")}
    words = "the program's default (ANSI/ACCA 1, from memory)"
    assert limits == {
        "Velocity limit, supply, rigid, fpm": [900, words],
        "Velocity limit, supply, flex, fpm": [700, words],
        "Velocity limit, return, fpm": [700, words],
    }


def test_basis_says_what_the_cost_holds(tmp_path: Path) -> None:
    plan = with_prices(small_plan())
    assert "Fittings and labor are not in it" in basis_of(plan, tmp_path)[0]
    plan.tables["fitting_prices"] = [
        {"fitting": "wye", "size_in": size, "price": 9} for size in plan.config["sizes"]["round_in"]
    ]
    words, _ = basis_of(plan, tmp_path)
    assert "and the fittings that have a price" in words
    assert "Fittings and labor" not in words
    assert "since the plan has no prices" in basis_of(small_plan(), tmp_path)[0]


def test_without_prices_it_counts_duct_wall(files: dict[str, Path]) -> None:
    words = words_of(book_of(files, "face")["Answer"])
    assert "ft2 of duct wall" in words
    assert "USD" not in words


def test_the_same_study_gives_the_same_file(files: dict[str, Path], tmp_path: Path) -> None:
    pictures = draw_pictures(Report(study=study("full")), tmp_path)
    write_workbook(Report(study=study("full")), tmp_path / "again.xlsx", pictures)
    assert (tmp_path / "again.xlsx").read_bytes() == files["full"].read_bytes()
