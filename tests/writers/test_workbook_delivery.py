"""The workbook's delivery sheets, and its pressure sheets for a plan with a blower, against their sources."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import openpyxl
import pytest
from openpyxl.workbook import Workbook
from openpyxl.worksheet.worksheet import Worksheet
from plan_folder import PlanTables, section, small_plan, study_of, with_prices
from reference import density_ratio
from workbook_reading import Sums, blocks, table_rows, words_of

from tractduct.report import Report
from tractduct.delivery.deliver import Delivery, deliver
from tractduct.sizing.verify import verify_sizes
from tractduct.units import IP
from tractduct.writers.book.balancing import LotToBalance, balancing_sheet, hood_range
from tractduct.writers.book.layout import Book
from tractduct.writers.book.looks import sheet_name
from tractduct.writers.book.pencil import worst_by_hand
from tractduct.writers.pictures import draw_pictures
from tractduct.writers.workbook import write_workbook

# Invented. The small plan's design airflow is 230 cfm in heating and 300 or 320 in cooling: rows of the tables.
LOW, HIGH = {230: 0.50, 300: 0.38, 500: 0.05}, {230: 0.62, 300: 0.52, 320: 0.50, 400: 0.30, 600: 0.05}
COIL_AT_300, FILTER_AT_300 = 0.18, 0.06
AT_SITE = density_ratio(500.0, 70.0)  # of the small plan's air; tables of blowers and devices are for standard air


def blower_plan(static_scale: float = 1.0) -> PlanTables:
    plan = with_prices(small_plan())
    plan.tables["sections"].append(
        section("DEN2", "T1", "branch", "flex", 25, "collar + boot_floor", "Den", season="cooling")
    )
    plan.config.pop("pressure")
    plan.config["blower"] = {
        "heating_speed": "low",
        "cooling_speed": "high",
        "capacity_tons": 0.9,
        "least_heating_cfm": 260,
        "rated_static_inwc": 0.45,
    }
    plan.config["site"] |= {"heating_supply_air_f": 118, "cooling_supply_air_f": 55}
    plan.config["blower"] = {"heating_speed": "low", "cooling_speed": "high", "capacity_tons": 0.9}
    plan.tables["blower"] = [
        {"speed": speed, "airflow_cfm": cfm, "external_static_inwc": static_scale * static}
        for speed, points in (("low", {60: 0.60, **LOW}), ("high", {60: 0.78, **HIGH}))
        for cfm, static in points.items()
    ]
    plan.tables["devices"] = [
        {"device": "coil", "side": "supply", "loss_inwc": COIL_AT_300, "at_cfm": 300, "season": "cooling"},
        {"device": "filter", "side": "return", "loss_inwc": FILTER_AT_300, "at_cfm": 300, "loaded_loss_inwc": 0.12},
    ]
    return plan


def weak_plan() -> PlanTables:
    """The plan gives the pressure for sizing, and the blower makes less than that at design airflow."""
    plan = blower_plan(0.45)
    plan.config["pressure"] = {"supply_inwc": 0.14, "return_inwc": 0.06}
    return plan


@cache
def delivery(kind: str) -> Delivery:
    plans = {"blower": blower_plan, "weak": weak_plan, "held": lambda: with_prices(small_plan())}
    return deliver(study_of(plans[kind]()))


@cache
def one_season() -> Delivery:
    plan = blower_plan()
    plan.config["variants"] = {"seasons": ["cooling"], "front_faces": ["S"]}
    plan.config["blower"] = {"cooling_speed": "high"}
    plan.tables["blower"] = [row for row in plan.tables["blower"] if row["speed"] == "high"]
    return deliver(study_of(plan))


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("books")
    made = {}
    for kind in ("blower", "weak", "held"):
        found = delivery(kind)
        pictures = draw_pictures(found.study, folder, found) if kind == "blower" else None
        made[kind] = folder / f"{kind}.xlsx"
        write_workbook(Report(study=found.study, delivery=found), made[kind], pictures)
    made["one season"] = folder / "one.xlsx"
    write_workbook(Report(study=one_season().study, delivery=one_season()), made["one season"])
    return made


@cache
def opened(path: Path) -> Workbook:
    return openpyxl.load_workbook(path)


def book_of(files: dict[str, Path], kind: str) -> Workbook:
    return opened(files[kind])


# -- pressure from the blower ----------------------------------------------------------------------------


def left_for_ducts(season: str, cfm: float) -> float:
    """By hand out of the tables: design airflow is a row of the blower's table."""
    devices = FILTER_AT_300 * (cfm / 300) ** 2 + (COIL_AT_300 * (cfm / 300) ** 2 if season == "cooling" else 0.0)
    return AT_SITE * ({"heating": LOW, "cooling": HIGH}[season][round(cfm)] - devices)


def test_pressure_sheet_is_blower_less_devices(files: dict[str, Path]) -> None:
    s = delivery("blower").study
    book = book_of(files, "blower")
    rows, sums = table_rows(book["Pressure"], "Front faces"), Sums(book)
    assert len(rows) == len(s.variants.variants)
    first = openpyxl.utils.range_boundaries(next(iter(book["Pressure"].tables.values())).ref)[1] + 1
    for v, row in enumerate(rows):
        cfm = s.variants.room_airflow_cfm[v].sum()
        assert row["Blower moves, cfm"] == pytest.approx(cfm)
        wanted = left_for_ducts(row["Season"], cfm)
        assert sums.value("Pressure", f"H{first + v}") == pytest.approx(wanted, abs=1e-6)
        both = sums.value("Pressure", f"J{first + v}") + sums.value("Pressure", f"K{first + v}")
        assert both == pytest.approx(wanted, abs=1e-6)


def test_without_returns_all_that_is_left_is_the_supplys(tmp_path: Path) -> None:
    """Blower less devices, worked out by the sheet's own formulas, is what the study sizes by."""
    plan = blower_plan()
    plan.tables["sections"] = [row for row in plan.tables["sections"] if row["side"] != "return"]
    s = study_of(plan)
    write_workbook(Report(study=s), tmp_path / "book.xlsx")
    sums = Sums(opened(tmp_path / "book.xlsx"))
    first = openpyxl.utils.range_boundaries(next(iter(sums.book["Pressure"].tables.values())).ref)[1] + 1
    for v, variant in enumerate(s.variants.variants):
        wanted = left_for_ducts(variant.season, s.variants.room_airflow_cfm[v].sum())
        assert sums.value("Pressure", f"J{first + v}") == pytest.approx(wanted, abs=1e-6)


def test_pencil_check_uses_what_the_blower_leaves_in_the_variant_shown(files: dict[str, Path]) -> None:
    s = delivery("blower").study
    book = book_of(files, "blower")
    sheet, sums = book["Pencil check"], Sums(book)
    checked = verify_sizes(s.plan, s.variants.variants, s.size_set)
    names = {str(v): n for n, v in enumerate(s.variants.variants)}
    supply = [p for p, run in enumerate(s.tree.runs) if run.side != "return"]
    back = next(p for p, run in enumerate(s.tree.runs) if run.side == "return")  # the only one
    loss = np.array([checked.path_loss_inwc[run.name] for run in s.tree.runs])
    for p, run in enumerate(s.tree.runs):
        rows = blocks(sheet)[run.name]
        shown = sheet.cell(rows["start"], 11).value.removeprefix("Tightest: ")
        v = names[shown]
        left = left_for_ducts(s.variants.variants[v].season, s.variants.room_airflow_cfm[v].sum())
        # Split as the worst run of each side loses, by the independent check.
        worst = np.nanmax(loss[supply, v])
        part = worst / (worst + loss[back, v])
        mine = left * ((1.0 - part) if run.side == "return" else part)
        at, total, rate = rows["Available static pressure"], rows["Total effective length"], rows["Friction rate"]
        assert sums.value("Pencil check", f"E{at}") == pytest.approx(mine, rel=1e-5)
        assert shown in sheet.cell(at, 6).value
        feet = s.by_friction_rate.total_effective_length_ft[p]
        assert sums.value("Pencil check", f"E{rate}") == pytest.approx(100 * mine / feet, rel=1e-5)
        assert sums.value("Pencil check", f"Q{total}") == pytest.approx(loss[p, v], rel=1e-5)
        assert sums.value("Pencil check", f"Q{rate}") == pytest.approx(mine - loss[p, v], abs=1e-6)
        assert sums.value("Pencil check", f"Q{rate}") >= -1e-9
        # No other variant leaves this run a smaller part.
        parts = 1.0 - loss[p] / s.by_friction_rate.path_available_inwc[:, p]
        assert parts[v] == pytest.approx(np.nanmin(np.where(s.variants.open_run[:, p], parts, np.inf)))


def test_shared_sections_by_hand_follow_the_blower(files: dict[str, Path]) -> None:
    s = delivery("blower").study
    book = book_of(files, "blower")
    sheet, sums = book["Pencil check"], Sums(book)
    seen = 0
    for row in range(1, sheet.max_row + 1):
        name = sheet.cell(row, 1).value
        if name in s.size_set and sheet.cell(row, 2).value == "straight duct":
            i = s.tree.index(name)
            v = worst_by_hand(s, i)
            assert v is not None
            assert sheet.cell(row, 6).value == str(s.variants.variants[v])
            assert sums.value("Pencil check", f"H{row}") == pytest.approx(
                s.by_friction_rate.section_friction_rate[v, i], rel=1e-5
            )
            seen += 1
    assert seen >= len(s.tree.sections)


def test_more_static_from_the_blower_moves_the_friction_rate(files: dict[str, Path]) -> None:
    s = delivery("blower").study
    book = book_of(files, "blower")
    run = blocks(book["Pencil check"])["BED"]
    shown = book["Pencil check"].cell(run["start"], 11).value.removeprefix("Tightest: ")
    first = openpyxl.utils.range_boundaries(next(iter(book["Pressure"].tables.values())).ref)[1] + 1
    row = first + [str(v) for v in s.variants.variants].index(shown)
    before = Sums(book).value("Pencil check", f"E{run['Friction rate']}")
    left = Sums(book).value("Pressure", f"H{row}")
    moved = Sums(book, {("Pressure", f"F{row}"): book["Pressure"][f"F{row}"].value + 0.1})
    assert moved.value("Pencil check", f"E{run['Friction rate']}") == pytest.approx(before * (left + 0.1) / left)


def test_where_the_pressure_comes_from_is_said(files: dict[str, Path]) -> None:
    book = book_of(files, "blower")
    for name in ("Answer", "Basis", "Lengths", "Tightest", "All variants", "Pencil check"):
        assert "blower" in words_of(book[name]), name
    answer = words_of(book["Answer"])
    for season, speed, cfm in (("heating", "low", 230), ("cooling", "high", 320)):
        assert f"in {season}, speed {speed}:" in answer.lower()
        assert f"which leaves {left_for_ducts(season, cfm):.2f}" in answer
    basis = words_of(book["Basis"])
    assert "Available, supply ducts" not in basis
    curve = table_rows(book["Basis"], "Speed")
    assert {(r["Speed"], r["Airflow, cfm"]): r["External static, inWC"] for r in curve}["high", 320] == HIGH[320]
    devices = {r["Device"]: r for r in table_rows(book["Basis"], "Device")}
    assert devices["coil"]["Side, season"] == "supply, cooling only"
    # At the largest design airflow, 320 cfm, in the site's air: 0.18 x (320 / 300)^2.
    assert devices["coil"]["Loss at design airflow, inWC"] == f"cooling {AT_SITE * COIL_AT_300 * (320 / 300) ** 2:.3f}"
    held = book_of(files, "held")
    assert "Pressure" not in held.sheetnames
    assert "Given by the plan: 0.140 inWC" in words_of(held["Answer"])


# -- delivered -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["blower", "held", "one season"])
def test_rooms_add_up_from_their_runs(files: dict[str, Path], kind: str) -> None:
    found = one_season() if kind == "one season" else delivery(kind)
    s, got = found.study, found.open_dampers
    names = {
        (v.front, "mirrored" if v.mirrored else "as drawn", v.season, v.flex): n
        for n, v in enumerate(s.variants.variants)
    }
    rows = table_rows(book_of(files, kind)["Delivered in all variants"], "Room")
    assert len(rows) == len(names) * len(s.plan.rooms)
    verdicts: dict[str, list[str]] = {}
    for row in rows:
        v = names[row["Front faces"], row["Mirrored"], row["Season"], row["Flex"]]
        runs = [p for p, r in enumerate(s.tree.runs) if r.rooms == (row["Room"],) and r.side != "return"]
        cfm = np.nansum(got.run_cfm[v, runs])
        design = np.nansum(s.variants.run_airflow_cfm[v, runs])
        allowed = max(0.2 * design, 25.0)
        assert row["Delivered, cfm"] == pytest.approx(cfm, abs=1e-5)
        assert row["Design, cfm"] == pytest.approx(design, abs=1e-5)
        assert row["Tolerance, cfm"] == pytest.approx(allowed, abs=1e-5)
        wanted = "within" if abs(cfm - design) <= allowed else "▼ too little" if cfm < design else "▲ too much"
        assert row["Verdict"] == wanted
        # 6 per cent: LBNL, field tests of powered flow hoods, abstract.
        assert row["Powered hood may read, from, cfm"] == pytest.approx(0.94 * cfm, abs=1e-4)
        assert row["to, cfm"] == pytest.approx(1.06 * cfm, abs=1e-4)
        verdicts.setdefault(row["Room"], []).append(wanted)
    summary = {r["Room"]: r for r in table_rows(book_of(files, kind)["Delivered by room"], "Room")}
    for room, words in verdicts.items():
        outside = [w for w in words if w != "within"]
        assert summary[room][f"Outside tolerance, of {len(names)} variants"] == len(outside)
        assert summary[room]["Before balancing"] == (" and ".join(sorted(set(outside), reverse=True)) or "within")
        mine = [100.0 * r["Delivered, cfm"] / r["Design, cfm"] for r in rows if r["Room"] == room]
        assert summary[room]["Lowest, % of design"] == pytest.approx(min(mine), abs=1e-3)
        assert summary[room]["Highest, % of design"] == pytest.approx(max(mine), abs=1e-3)
    setting = [h for h in next(iter(summary.values())) if h.startswith("One setting")]
    assert bool(setting) == (kind != "one season")


def test_system_adds_up_and_low_airflow_is_marked(files: dict[str, Path]) -> None:
    found = delivery("blower")
    sheet = book_of(files, "blower")["System"]
    rows = table_rows(sheet, "Front faces")
    supply = [p for p, run in enumerate(found.study.tree.runs) if run.side != "return"]
    for v, row in enumerate(rows):
        assert row["Total, cfm"] == pytest.approx(np.nansum(found.open_dampers.run_cfm[v, supply]), rel=1e-6)
        standard = row["As run, standard air, cfm"]
        assert standard == pytest.approx(density_ratio(500.0, 70.0) * found.as_run.total_cfm[v], rel=1e-6)
        assert row["As run, standard air, cfm a ton"] == pytest.approx(standard / 0.9, rel=1e-6)
        assert row["As run: external static, inWC"] == pytest.approx(found.as_run.external_static_inwc[v], rel=1e-6)
        assert row["Can be balanced"] == "yes"
    assert "can be balanced" in words_of(sheet)
    rules = [str(r.formula) for area in sheet.conditional_formatting for r in area.rules]
    headers = {str(cell.value): cell.coordinate.rstrip("0123456789") for row in sheet.iter_rows() for cell in row}
    for header, season, limit in (
        ("As run, standard air, cfm a ton", '"cooling"', "<350)"),
        ("As run, standard air, cfm", '"heating"', "<260)"),
        ("As run: external static, inWC", "", f">{0.45 * density_ratio(500.0, 70.0):.12g}"),
    ):
        assert any(f"${headers[header]}" in r and season in r and limit in r for r in rules), header


def test_substitution_matrix_is_the_worst_room(files: dict[str, Path]) -> None:
    found = delivery("blower")
    book = book_of(files, "blower")
    lines = table_rows(book["Substitution by room"], "Designed for")
    matrix = {r["Designed for"]: r for r in table_rows(book["Substitution"], "Designed for")}
    assert found.substitutions
    for pair in found.substitutions:
        mine = [r for r in lines if (r["Designed for"], r["Installed"]) == (pair.designed, pair.installed)]
        assert len(mine) == len(found.study.plan.rooms) * 2
        worst = min(100.0 * (r["Delivered, cfm"] / r["Expected, cfm"] - 1.0) for r in mine)
        assert matrix[pair.designed][f"Installed {pair.installed}"] == pytest.approx(worst, abs=1e-3)
        for r in mine:
            change = 100.0 * (r["Delivered, cfm"] / r["Expected, cfm"] - 1.0)
            assert r["Change there, %"] == pytest.approx(change, abs=1e-3)
        for name, (before, after) in pair.raised.items():
            assert f"{name} {before} to {after}" in words_of(book["Substitution"])
    assert all(matrix[f][f"Installed {f}"] is None for f in matrix)


def test_robustness_has_each_room_and_season(files: dict[str, Path]) -> None:
    rows = table_rows(book_of(files, "blower")["Robustness"], "Room")
    assert len(rows) == 2 + 2 * 3
    for row in rows:
        assert row["Low, % of design"] < row["High, % of design"]
        if row["Middle, % of design"] is not None:
            assert row["Low, % of design"] <= row["Middle, % of design"] <= row["High, % of design"]
            assert 0.0 <= row["Within tolerance, % of builds"] <= 100.0


def test_findings_of_delivery_join_the_others(files: dict[str, Path]) -> None:
    found = delivery("weak")
    assert any(f.rule == "balancing" for f in found.findings)
    rows = table_rows(book_of(files, "weak")["Findings"], "Severity")
    messages = [r["What"] for r in rows]
    assert sorted(messages) == sorted(f.message for f in (*found.study.findings, *found.findings))
    order = ["warning", "caution", "note"]
    assert [order.index(r["Severity"]) for r in rows] == sorted(order.index(r["Severity"]) for r in rows)
    assert "no damper setting" in words_of(book_of(files, "weak")["Answer"])


# -- balancing sheets ------------------------------------------------------------------------------------


def runs_on(sheet: Worksheet, names: list[str]) -> dict[str, list[object]]:
    rows = {sheet.cell(r, 1).value: [c.value for c in sheet[r]] for r in range(1, sheet.max_row + 1)}
    return {name: rows[name] for name in names}


@pytest.mark.parametrize("name", ["N", "S"])
def test_balancing_sheet_by_hand(files: dict[str, Path], name: str) -> None:
    found = delivery("blower")
    s = found.study
    sheet = book_of(files, "blower")[f"Balance {name}"]
    checked = verify_sizes(s.plan, s.variants.variants, s.size_set)
    rows = runs_on(sheet, [run.name for run in s.tree.runs])
    for k, season in enumerate(("heating", "cooling")):
        v = int(np.flatnonzero(s.variants.where(front=name, season=season, flex="granite"))[0])
        supply = [run for run in s.tree.runs if run.side != "return" and run.season in ("", season)]
        plenum = max(checked.path_loss_inwc[run.name][v] for run in supply)
        for p, run in enumerate(s.tree.runs):
            design, before, hood, takes, position, after, hood_after = rows[run.name][3 + 7 * k : 10 + 7 * k]
            if run.season not in ("", season):
                assert (position, design, before, takes, hood) == ("shut", None, None, None, None)
                continue
            assert design == pytest.approx(s.variants.run_airflow_cfm[v, p], abs=1e-5)
            assert before == pytest.approx(found.open_dampers.run_cfm[v, p], rel=1e-6)
            assert hood == f"{0.94 * before:,.0f}–{1.06 * before:,.0f}"
            assert hood_after == f"{0.94 * after:,.0f}–{1.06 * after:,.0f}"
            if run.side == "return":
                assert position == "wide open"  # the only return
            elif position == "wide open":
                assert takes is None
                assert checked.path_loss_inwc[run.name][v] == pytest.approx(plenum)
            else:
                # What the run loses and its damper takes come to what the most demanding run loses.
                assert takes + checked.path_loss_inwc[run.name][v] == pytest.approx(plenum, rel=1e-5)
        # Once balanced, every run is off its design airflow by the same part.
        parts = [rows[run.name][8 + 7 * k] / rows[run.name][3 + 7 * k] for run in supply]
        assert parts == pytest.approx([parts[0]] * len(parts), rel=0.02)
        assert parts[0] >= 1.0 - 1e-6


def test_balancing_sheet_is_one_page_with_blanks(files: dict[str, Path]) -> None:
    s = delivery("blower").study
    sheets = [n for n in book_of(files, "blower").sheetnames if n.startswith("Balance ")]
    assert sheets == ["Balance N", "Balance S"]
    for name in sheets:
        sheet = book_of(files, "blower")[name]
        assert sheet.page_setup.fitToHeight == sheet.page_setup.fitToWidth == 1
        assert sheet.page_setup.orientation == "landscape"
        assert "granite" in sheet["A1"].value
        inches = sum(d.width * 7 + 5 for d in sheet.column_dimensions.values()) / 96
        high = sum(sheet.row_dimensions[r].height or 15 for r in range(1, sheet.max_row + 1)) / 72
        assert min(10.2 / inches, 7.5 / high) > 0.6  # ten-point letters stay above six
        header = next(r for r in range(1, 9) if sheet.cell(r, 1).value == "Run")
        blanks = [c.column for c in sheet[header] if c.value in ("Hood before", "Hood after", "Damper set at")]
        assert len(blanks) == 3
        for row in range(header + 1, header + 1 + len(s.tree.runs)):
            for column in blanks:
                cell = sheet.cell(row, column)
                assert cell.value is None
                assert cell.border.bottom.style == cell.border.right.style == "thin"
        words = words_of(sheet)
        for wanted in ("otal static, inWC (expected", "Blower speed (plan: low)", "Filter", "Signature", "11 to 25 %"):
            assert wanted in words
        assert "for heating shut DEN2 (Den)" in words
        assert "for cooling open DEN2 (Den)" in words


def test_it_is_said_plainly_where_no_damper_setting_can_do_it(files: dict[str, Path]) -> None:
    found = delivery("weak")
    for name in ("N", "S"):
        words = words_of(book_of(files, "weak")[f"Balance {name}"])
        v = [
            int(np.flatnonzero(found.study.variants.where(front=name, season=k, flex="granite"))[0])
            for k in ("heating", "cooling")
        ]
        assert words.count("NO DAMPER SETTING CAN DO IT") == int((~found.balanced.possible[v]).sum())
    assert not found.balanced.possible.all()
    assert f"{int((~found.balanced.possible).sum())} of" in words_of(book_of(files, "weak")["System"])
    assert "NO DAMPER SETTING" not in words_of(book_of(files, "held")["Balance N"])


def test_a_lot_from_anywhere_makes_a_sheet() -> None:
    found = delivery("held")
    book = Book("Test plan")
    lots = [
        LotToBalance(name=name, front_faces="S", mirrored=False, flex="meadow")
        for name in (
            "12/A [corner]: the one with the very long name",
            "=1+1",
            "12/A [corner]: the one with the VERY long",
        )
    ]
    names = [balancing_sheet(book, found, lot) for lot in lots]
    assert len({n.casefold() for n in names}) == 3
    assert all(len(n) <= 31 and not set(n) & set("[]:*?/\\") for n in names)
    assert all(c.data_type != "f" for sheet in book.book.worksheets for row in sheet.iter_rows() for c in row)


def test_sheet_names() -> None:
    assert sheet_name("a/b:c") == "a b c"
    assert sheet_name("x" * 40, ["X" * 31]) == "x" * 27 + " (2)"
    assert sheet_name("History") == "History sheet"
    assert sheet_name("'quoted'") == "quoted"
    assert sheet_name("") == "sheet"


def test_hood_range_of_nothing() -> None:
    assert hood_range(None, IP) is None


def test_a_product_that_is_not_approved_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="'reed' is not approved"):
        write_workbook(delivery("held").study, tmp_path / "a.xlsx", installed="reed")


def test_every_sheet_is_listed_and_linked(files: dict[str, Path]) -> None:
    for kind in ("blower", "weak", "held", "one season"):
        book = book_of(files, kind)
        links = {
            c.hyperlink.location.split("!")[0].strip("'")
            for row in book["Answer"].iter_rows()
            for c in row
            if c.hyperlink is not None
        }
        assert links == set(book.sheetnames[1:])


def test_the_same_delivery_gives_the_same_file(files: dict[str, Path], tmp_path: Path) -> None:
    found = delivery("held")
    write_workbook(Report(study=found.study, delivery=found), tmp_path / "again.xlsx")
    assert (tmp_path / "again.xlsx").read_bytes() == files["held"].read_bytes()
