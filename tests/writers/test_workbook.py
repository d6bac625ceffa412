"""The workbook against the study it is made from."""

from __future__ import annotations

import dataclasses
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
from plan_folder import PlanTables, duct, section, small_plan, study_of, with_prices
from workbook_reading import Sums, all_cells, blocks, header_of, row_number, size, table_rows, words_of

from tractduct import Study, tables
from tractduct.report import Report
from tractduct.sizing.practice import CAUTIONS
from tractduct.sizing.verify import verify_sizes
from tractduct.writers.book.looks import clean
from tractduct.writers.book.pencil import largest
from tractduct.writers.pictures import draw_pictures
from tractduct.writers.summary import summary
from tractduct.writers.workbook import write_workbook

MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
ALWAYS = {"Answer", "Lengths", "Pencil check", "Rooms by front", "Findings", "Basis"}
WITH_SET = {"Sizes", "Tightest", "All variants", "Sizes and cost", "Spare air"}
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
        pictures = draw_pictures(study(kind), folder) if kind == "full" else None
        write_workbook(Report(study=study(kind)), made[kind], pictures)
    return made


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
    assert ("Price of each front" in names) == (kind not in ("face", "infeasible"))
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
    assert f"{s.recommended.cost:,.0f} USD" in words
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
    assert sum(r["Cost, USD"] for r in rows) == pytest.approx(s.recommended.cost, abs=0.01 * len(rows))
    listed = {name: size(r["Size, in"]) for r in rows for name in r["Sections in this size"].split(", ")}
    assert listed == s.size_set


def test_a_hand_size_that_is_not_on_sale_is_out_in_every_variant(tmp_path: Path) -> None:
    """Granite is not offered in the size that the hand method gives the den in meadow: sheet and terminal agree."""
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
    assert "most duct) leaves out of limits" in words  # what is not on sale has no cost
    assert f"in {number} of {number} variants." in summary(Report(study=s))


def test_case_for_the_study(files: dict[str, Path]) -> None:
    s = study("full")
    out = {b.variant for b in s.single.breaches}
    words = words_of(book_of(files, "full")["Answer"])
    mirrored = "mirrored" if s.single.mirrored else "as drawn"
    assert f"the worst front alone (front {s.single.front}, {mirrored}, in meadow: there it takes" in words
    assert f"the worst front alone ({s.single.front}, in meadow: there it takes" in summary(Report(study=s))
    if out:
        assert f"in {len(out)} of {len(s.variants.variants)} variants" in words
    else:
        assert "holds in all variants" in words


def test_sizes_by_front_and_their_marks(files: dict[str, Path]) -> None:
    s = study("full")
    sheet = book_of(files, "full")["Sizes"]
    diameter = {x.label: x.diameter_in for x in s.table.sizes}
    rows = table_rows(sheet, "Section")
    marks = 0
    for i, row in enumerate(rows):
        assert size(row["Install, in"]) == s.size_set[row["Section"]]
        for face in s.plan.fronts:
            own = size(row[f"Front {face}, in"])
            assert own == tables.own_size_label(s, i, s.variants.where(front=face))
            cell = next(
                c for r in sheet.iter_rows() for c in r
                if c.row == row_number(sheet, row["Section"]) and header_of(sheet, c) == f"Front {face}, in"
            )  # fmt: skip
            if own and diameter[own] > diameter[s.size_set[row["Section"]]]:
                wanted = "▲"
            elif own and diameter[own] < diameter[s.size_set[row["Section"]]]:
                wanted = "▼"
            else:
                wanted = ""
            marks += bool(wanted)
            # Read in colour and in black and white.
            assert (cell.fill.fill_type == "solid") == bool(wanted)
            assert wanted in cell.number_format
            assert ("▲" in cell.number_format or "▼" in cell.number_format) == bool(wanted)
    assert marks


@pytest.mark.parametrize("kind", ["full", "return", "flex", "season"])
def test_all_variants_against_the_independent_check(files: dict[str, Path], kind: str) -> None:
    s = study(kind)
    checked = verify_sizes(s.plan, s.variants.variants, s.size_set)
    number = {
        (v.front, "mirrored" if v.mirrored else "as drawn", v.season, v.flex or None): n
        for n, v in enumerate(s.variants.variants)
    }
    book = book_of(files, kind)
    rows = table_rows(book["All variants"], "Run")
    assert len(rows) == int(s.variants.open_run.sum())
    for row in rows:
        v = number[row["Front faces"], row["Mirrored"], row["Season"], row["Flex"]]
        assert row["Lost, inWC"] == pytest.approx(checked.path_loss_inwc[row["Run"]][v], abs=1e-6)
        assert row["To spare, inWC"] == pytest.approx(row["Available, inWC"] - row["Lost, inWC"], abs=2e-6)
        assert row["To spare, inWC"] >= -1e-9
    for row in table_rows(book["Tightest"], "Run"):
        least = min(r["To spare, inWC"] for r in rows if r["Run"] == row["Run"])
        assert row["To spare, inWC"] == pytest.approx(least, abs=1e-9)
    assert book["All variants"].conditional_formatting


def test_trade_off_and_native_chart(files: dict[str, Path]) -> None:
    s = study("full")
    sheet = book_of(files, "full")["Sizes and cost"]
    rows = table_rows(sheet, "Distinct sizes")
    assert [r["Distinct sizes"] for r in rows] == [e.distinct_sizes for e in s.trade_off]
    assert [r["Least cost, USD"] for r in rows] == pytest.approx([e.cost for e in s.trade_off], abs=1e-5)
    with zipfile.ZipFile(files["full"]) as archive:
        charts = [n for n in archive.namelist() if n.startswith("xl/charts/chart")]
    assert len(charts) == (len(s.trade_off) > 1)


def test_pictures_are_in_it_and_small(files: dict[str, Path]) -> None:
    with zipfile.ZipFile(files["full"]) as archive:
        pictures = [i for i in archive.infolist() if i.filename.startswith("xl/media/")]
    assert len(pictures) == 2
    assert all(i.file_size < 150_000 for i in pictures)


# -- the pencil check ------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["full", "infeasible", "hostile", "return", "flex", "season", "fittings"])
def test_pencil_check_comes_to_what_the_study_has(files: dict[str, Path], kind: str) -> None:
    s = study(kind)
    book = book_of(files, kind)
    sheet, sums = book["Pencil check"], Sums(book)
    found = blocks(sheet)
    assert set(found) == {clean(run.name) for run in s.tree.runs}
    for p, run in enumerate(s.tree.runs):
        rows = found[clean(run.name)]
        total, rate = rows["Total effective length"], rows["Friction rate"]
        # Straight from the plan, not by way of the study's arrays.
        way = [s.tree.sections[i] for i in s.tree.walk(p)]
        feet = sum(x.length_ft + sum(s.plan.fittings[n].equivalent_length_ft * k for n, k in x.fittings) for x in way)
        assert sums.value("Pencil check", f"E{total}") == pytest.approx(feet)
        assert sums.value("Pencil check", f"E{total}") == pytest.approx(s.by_friction_rate.total_effective_length_ft[p])
        assert sums.value("Pencil check", f"E{rate}") == pytest.approx(s.by_friction_rate.path_friction_rate[p])
        assert sums.value("Pencil check", f"H{rate}") == "as in the study"
        if s.sized is not None:
            lost = np.nanmax(s.sized.verification.path_loss_inwc[run.name])
            assert sums.value("Pencil check", f"Q{total}") == pytest.approx(lost, rel=1e-5)
            spare = s.plan.available_inwc(run.side) - lost
            assert sums.value("Pencil check", f"Q{rate}") == pytest.approx(spare, abs=1e-6)


@pytest.mark.parametrize("kind", ["full", "season"])
def test_sections_use_the_lowest_friction_rate_of_their_runs(files: dict[str, Path], kind: str) -> None:
    s = study(kind)
    book = book_of(files, kind)
    sheet, sums = book["Pencil check"], Sums(book)
    variants = {str(v): n for n, v in enumerate(s.variants.variants)}
    checked = 0
    for row in range(1, sheet.max_row + 1):
        name, words = sheet.cell(row, 1).value, sheet.cell(row, 6).value
        if name in s.size_set and words in variants:
            i, v = s.tree.index(name), variants[words]
            assert sums.value("Pencil check", f"H{row}") == pytest.approx(
                s.by_friction_rate.section_friction_rate[v, i]
            )
            assert sheet.cell(row, 9).value == pytest.approx(s.by_friction_rate.exact_diameter_in[v, i], abs=1e-5)
            own = s.by_friction_rate.friction_rate_size[:, i]
            assert size(sheet.cell(row, 10).value) == s.table.sizes[own.max()].label
            assert size(sheet.cell(row, 11).value) == s.size_set[name]
            checked += 1
    assert checked >= len(s.tree.sections)


def test_a_longer_trunk_moves_each_run_through_it(files: dict[str, Path]) -> None:
    s = study("full")
    book = book_of(files, "full")
    lengths = book["Lengths"]
    row = next(
        r for r in range(1, lengths.max_row + 1)
        if lengths.cell(r, 1).value == "T2" and lengths.cell(r, 2).value == "straight duct"
    )  # fmt: skip
    moved = Sums(book, {("Lengths", f"D{row}"): lengths.cell(row, 4).value + 50.0})
    for p, run in enumerate(s.tree.runs):
        rows = blocks(book["Pencil check"])[run.name]
        more = 50.0 if "T2" in {s.tree.sections[i].name for i in s.tree.walk(p)} else 0.0
        feet = s.by_friction_rate.total_effective_length_ft[p] + more
        assert moved.value("Pencil check", f"E{rows['Total effective length']}") == pytest.approx(feet)
        rate = 100.0 * s.plan.available_inwc(run.side) / feet
        assert moved.value("Pencil check", f"E{rows['Friction rate']}") == pytest.approx(rate)
        flag = moved.value("Pencil check", f"H{rows['Friction rate']}")
        assert flag == ("changed: run the study again" if more else "as in the study")


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
    for name in ("=1+1", "+x", "@SUM(A1)", "-3+4", "=cmd|' /C calc'!A0", "=collar", "=flex", "-2+3"):
        assert name in texts
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
    for name in ("Pencil check", "Rooms by front", "Lengths"):
        sheet = book_of(files, kind)[name]
        assert sheet.print_title_rows
        assert sheet.freeze_panes


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
    """Each margin of the study stands in the Basis sheet: where, how much, of how much, in which variant."""
    s = study("full")
    assert s.sized is not None
    rows = [[cell.value for cell in row] for row in book_of(files, "full")["Basis"].iter_rows(max_col=6)]
    for m in s.sized.margins.tightest:
        row = next(r for r in rows if r[1] == m.place and r[2] == pytest.approx(m.amount, rel=1e-9))
        assert row[3:5] == [pytest.approx(m.allowed, rel=1e-9), pytest.approx(m.left_pct, abs=1e-9)]
        assert row[5] == (str(m.variant) if m.variant else "all")
        assert row[0].endswith(m.unit)


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
        "Limit, trunk rigid, fpm": "set in the plan",
        "Limit, branch flex, fpm": "set in the plan",
        "Limit, branch rigid, fpm": "the program's default (ANSI/ACCA 1, from memory)",
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
    pictures = draw_pictures(study("full"), tmp_path)
    write_workbook(Report(study=study("full")), tmp_path / "again.xlsx", pictures)
    assert (tmp_path / "again.xlsx").read_bytes() == files["full"].read_bytes()
