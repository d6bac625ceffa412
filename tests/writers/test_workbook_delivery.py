"""The workbook's delivery sheets, and its pressure sheets for a plan with a blower, against their sources."""

from __future__ import annotations

import itertools
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

from tractduct import delivery_tables, tables
from tractduct.delivery.deliver import Delivery, deliver
from tractduct.report import Report
from tractduct.sizing.verify import verify_sizes
from tractduct.writers.book.looks import sheet_name
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
        pictures = draw_pictures(Report(study=found.study, delivery=found), folder) if kind == "blower" else None
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


def pressure_rows(sheet: Worksheet) -> dict[str, int]:
    """Variant -> its row among the pressures of the pencil check."""
    first = next(r for r in range(1, sheet.max_row) if sheet.cell(r, 1).value == "Variant") + 1
    rows = itertools.takewhile(lambda r: sheet.cell(r, 1).value is not None, range(first, sheet.max_row))
    return {str(sheet.cell(r, 1).value): r for r in rows}


@pytest.mark.parametrize("returns", [True, False])
def test_pressure_is_blower_less_devices(returns: bool, tmp_path: Path) -> None:
    """By the sheet's own formulas, and in the list of all variants; without returns all of it is the supply's."""
    plan = blower_plan()
    if not returns:
        plan.tables["sections"] = [row for row in plan.tables["sections"] if row["side"] != "return"]
    s = study_of(plan)
    write_workbook(Report(study=s), tmp_path / "book.xlsx")
    sums = Sums(opened(tmp_path / "book.xlsx"))
    wanted = {
        str(v): left_for_ducts(v.season, s.variants.room_airflow_cfm[n].sum())
        for n, v in enumerate(s.variants.variants)
    }
    rows = pressure_rows(sums.book["Pencil check"])
    assert rows
    for variant, row in rows.items():
        assert sums.value("Pencil check", f"H{row}") == pytest.approx(wanted[variant], abs=1e-6)
        parts = [sums.value("Pencil check", f"{column}{row}") for column in "JK"]
        assert sum(parts) == pytest.approx(wanted[variant], abs=1e-6)
        assert (parts[1] > 1e-9) == returns
    frame = tables.pressure(s)
    assert frame["left_inwc"].tolist() == pytest.approx(list(wanted.values()), abs=1e-9)
    assert (frame["supply_inwc"] + frame["return_inwc"]).tolist() == pytest.approx(list(wanted.values()), abs=1e-9)


def test_pencil_check_uses_what_the_blower_leaves_in_the_variant_shown(files: dict[str, Path]) -> None:
    s = delivery("blower").study
    sums = Sums(book_of(files, "blower"))
    sheet = sums.book["Pencil check"]
    checked = verify_sizes(s.plan, s.variants.variants, s.size_set)
    names = {str(v): n for n, v in enumerate(s.variants.variants)}
    supply = [p for p, run in enumerate(s.tree.runs) if run.side != "return"]
    back = next(p for p, run in enumerate(s.tree.runs) if run.side == "return")  # the only one
    loss = np.array([checked.path_loss_inwc[run.name] for run in s.tree.runs])
    for p, run in enumerate(s.tree.runs):
        rows = blocks(sheet)[run.name]
        v = names[sheet.cell(rows["start"], 7).value.removeprefix("tightest: ")]
        left = left_for_ducts(s.variants.variants[v].season, s.variants.room_airflow_cfm[v].sum())
        # Split as the worst run of each side loses, by the independent check.
        worst = np.nanmax(loss[supply, v])
        part = worst / (worst + loss[back, v])
        mine = left * ((1.0 - part) if run.side == "return" else part)
        check, below = rows["May lose"], rows["Length with fittings"]
        assert sums.value("Pencil check", f"D{check}") == pytest.approx(mine, rel=1e-5)
        feet = sums.value("Pencil check", f"D{below}")
        assert sums.value("Pencil check", f"H{below}") == pytest.approx(100 * mine / feet, rel=1e-5)
        assert sums.value("Pencil check", f"K{check}") == pytest.approx(loss[p, v], rel=1e-5)
        assert sums.value("Pencil check", f"H{check}") == pytest.approx(mine - loss[p, v], abs=1e-6)
        assert sums.value("Pencil check", f"H{check}") >= -1e-9


def test_more_static_from_the_blower_moves_the_friction_rate(files: dict[str, Path]) -> None:
    book = book_of(files, "blower")
    sheet = book["Pencil check"]
    run = blocks(sheet)["BED"]
    shown = sheet.cell(run["start"], 7).value.removeprefix("tightest: ")
    row, rate = pressure_rows(sheet)[shown], f"H{run['Length with fittings']}"
    before, left = Sums(book).value("Pencil check", rate), Sums(book).value("Pencil check", f"H{row}")
    moved = Sums(book, {("Pencil check", f"F{row}"): sheet[f"F{row}"].value + 0.1})
    assert moved.value("Pencil check", rate) == pytest.approx(before * (left + 0.1) / left)


def test_where_the_pressure_comes_from_is_said(files: dict[str, Path]) -> None:
    book = book_of(files, "blower")
    for name in ("Answer", "Basis", "Robustness and margins", "Pencil check"):
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
    assert "Given by the plan: 0.140 inWC" in words_of(held["Answer"])


# -- delivered -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["blower", "held", "one season"])
def test_rooms_add_up_from_their_runs(files: dict[str, Path], kind: str) -> None:
    found = one_season() if kind == "one season" else delivery(kind)
    s, got, marked = found.study, found.open_dampers, found.marks.chosen.delivered
    summary = {r["Room"]: r for r in table_rows(book_of(files, kind)["Delivered"], "Room")}
    frame = delivery_tables.rooms(found)
    assert len(frame) == len(s.variants.variants) * len(s.plan.rooms)
    for room, mine in frame.groupby("room"):
        runs = [p for p, r in enumerate(s.tree.runs) if r.rooms == (room,) and r.side != "return"]
        cfm, design = np.nansum(got.run_cfm[:, runs], axis=1), np.nansum(s.variants.run_airflow_cfm[:, runs], axis=1)
        allowed = np.maximum(0.2 * design, 25.0)
        assert mine["delivered_cfm"].tolist() == pytest.approx(cfm.tolist(), abs=1e-5)
        assert mine["within"].tolist() == (np.abs(cfm - design) <= allowed).tolist()
        # 6 per cent: LBNL, field tests of powered flow hoods, abstract.
        assert mine["hood_low_cfm"].tolist() == pytest.approx((0.94 * cfm).tolist(), abs=1e-4)
        row = summary[room]
        outside = np.abs(cfm - design) > allowed
        assert row["All open: variants outside tolerance"] == int(outside.sum())
        words = [w for w, on in (("▼ too little", cfm < design), ("▲ too much", cfm > design)) if (on & outside).any()]
        assert row["All open: verdict"] == (" and ".join(words) or "within")
        assert row["All open: lowest, of design, %"] == pytest.approx((100.0 * cfm / design).min(), abs=1e-3)
        after = np.nansum(marked.run_cfm[:, runs], axis=1)
        assert row["With marks: highest, of design, %"] == pytest.approx((100.0 * after / design).max(), abs=1e-3)
        worst = (np.abs(after - design) / allowed).max()
        assert row["With marks: worst, in tolerances"] == pytest.approx(worst, abs=1e-5)


def test_system_adds_up_and_says_what_the_equipment_wants(files: dict[str, Path]) -> None:
    found = delivery("blower")
    frame = delivery_tables.systems(found)
    supply = [p for p, run in enumerate(found.study.tree.runs) if run.side != "return"]
    assert frame["total_cfm"].tolist() == pytest.approx(
        np.nansum(found.open_dampers.run_cfm[:, supply], axis=1).tolist()
    )
    standard = density_ratio(500.0, 70.0) * found.as_run.total_cfm
    assert frame["as_run_cfm"].tolist() == pytest.approx(standard.tolist(), rel=1e-6)
    assert frame["cfm_a_ton"].tolist() == pytest.approx((standard / 0.9).tolist(), rel=1e-6)
    sheet = book_of(files, "blower")["Delivered"]
    words = words_of(sheet)
    assert "can be balanced" in words
    limit = 0.45 * density_ratio(500.0, 70.0)
    for asked in ("in cooling at least 350 cfm a ton", "in heating at least 260 cfm", f"static of at most {limit:.4g}"):
        assert asked in words
    for row in table_rows(sheet, "All variants of"):
        mine = frame[frame["season"] == row["All variants of"]]
        ends = [f"{cfm:.0f}" for cfm in (mine["total_cfm"].min(), mine["total_cfm"].max())]
        assert row["Total, cfm"] == (ends[0] if ends[0] == ends[1] else " to ".join(ends))


def test_substitution_tells_the_worst_room_of_each_pair(files: dict[str, Path]) -> None:
    found = delivery("blower")
    rooms = delivery_tables.substitutions(found)
    rows = table_rows(book_of(files, "blower")["Flex products"], "Designed for")
    assert [(r["Designed for"], r["Installed"]) for r in rows] == [
        (p.designed, p.installed) for p in found.substitutions
    ]
    for row, pair in zip(rows, found.substitutions, strict=True):
        mine = rooms[(rooms["designed"] == pair.designed) & (rooms["installed"] == pair.installed)]
        assert len(mine) == len(found.study.plan.rooms) * 2
        change = 100.0 * (mine["delivered_cfm"] / mine["expected_cfm"] - 1.0)
        assert mine["change_pct"].tolist() == pytest.approx(change.tolist(), abs=1e-9)
        assert row["Its change, %"] == pytest.approx(change.min(), abs=1e-3)
        assert row["Room that loses most"] == mine.loc[change.idxmin(), "room"]
        for name, (before, after) in pair.raised.items():
            assert f"{name} {before} to {after}" in row["Which, in"]


def test_robustness_has_each_room_and_season(files: dict[str, Path]) -> None:
    frame = delivery_tables.robustness(delivery("blower"))
    assert len(frame) == 2 * 3
    assert (frame["low_pct"] <= frame["middle_pct"]).all()
    assert (frame["middle_pct"] <= frame["high_pct"]).all()
    assert frame["within_pct"].between(0.0, 100.0).all()
    rows = table_rows(book_of(files, "blower")["Robustness and margins"], "Season")
    assert len(rows) == 3
    worst = frame.groupby("room")["within_pct"].min()
    assert all(r["Builds within tolerance, %"] == pytest.approx(worst[r["Room"]], abs=1e-6) for r in rows)


def test_findings_of_delivery_join_the_others(files: dict[str, Path]) -> None:
    found = delivery("weak")
    assert any(f.rule == "balancing" for f in found.findings)
    rows = table_rows(book_of(files, "weak")["Findings"], "Severity")
    messages = [r["What"] for r in rows]
    assert messages == [f.message for f in Report(study=found.study, delivery=found).findings]
    order = ["warning", "caution", "note"]
    assert [order.index(r["Severity"]) for r in rows] == sorted(order.index(r["Severity"]) for r in rows)


# -- damper marks ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["blower", "weak", "held", "one season"])
def test_marks_stand_as_they_are_set(files: dict[str, Path], kind: str) -> None:
    """Every damper of every table once, with its angle; pressure at design airflow by hand: coefficient x airflow^2."""
    found = one_season() if kind == "one season" else delivery(kind)
    s, found_tables = found.study, found.marks.chosen.tables
    sheet = book_of(files, kind)["Damper marks"]
    listed = [
        [dict(zip((c.value for c in rows[0]), (c.value for c in row), strict=True)) for row in rows[1:]]
        for rows in (sheet[t.ref] for t in sheet.tables.values())
        if any(str(c.value).endswith(": mark, °") for c in rows[0])
    ]
    assert len(listed) == sum(bool(table.runs) for table in found_tables)
    runs = {run.name: p for p, run in enumerate(s.tree.runs)}
    for table, rows in zip((t for t in found_tables if t.runs), listed, strict=True):
        assert [row["Run"] for row in rows] == list(table.runs)
        for r, row in enumerate(rows):
            p = runs[row["Run"]]
            assert str(row["Size, in"]) == s.size_set[row["Run"]]
            assert s.tree.runs[p].rooms == (row["Room"],)
            for k, season in enumerate(table.seasons):
                name = season.capitalize()
                if s.tree.runs[p].season not in ("", season):
                    assert row[f"{name}: mark, °"] is row[f"{name}: target, from, cfm"] is None
                    continue
                mine = np.zeros(len(s.variants.variants), dtype=bool)
                for front, mirrored in table.orientations:
                    mine |= s.variants.where(front=front, mirrored=mirrored, season=season)
                design = s.variants.run_airflow_cfm[mine, p]
                assert row[f"{name}: mark, °"] == table.angle_deg[r, k]
                assert row[f"{name}: target, from, cfm"] == pytest.approx(design.min(), abs=1e-5)
                assert row[f"{name}: target, to, cfm"] == pytest.approx(design.max(), abs=1e-5)
                takes = table.inwc_per_cfm2[r, k] * design.max() ** 2
                assert row[f"{name}: takes at design, up to, inWC"] == pytest.approx(takes, abs=6e-7)  # rounded there
                # A disc on a shaft leaves 1 - sin of its angle free (geometry).
                free = 100.0 * (1.0 - np.sin(np.radians(table.angle_deg[r, k])))
                assert row[f"{name}: free opening, %"] == pytest.approx(free, abs=1e-4)


@pytest.mark.parametrize("kind", ["blower", "weak", "held", "one season"])
def test_rooms_outside_are_said_on_the_marks_sheet(files: dict[str, Path], kind: str) -> None:
    """Recounted from what the marks deliver; with the changes that were tried, where a room stays outside."""
    found = one_season() if kind == "one season" else delivery(kind)
    got, words = found.marks.chosen.delivered, words_of(book_of(files, kind)["Damper marks"])
    allowed = np.maximum(0.2 * got.room_design_cfm, 25.0)
    off = np.abs(got.room_cfm - got.room_design_cfm) / allowed
    outside = [room for n, room in enumerate(found.study.plan.rooms) if (off[:, n] > 1.0).any()]
    assert ("Rooms outside tolerance, and what helps" in words) == bool(outside)
    for room in outside:
        assert f"\n{room}: " in words
    sure = words_of(book_of(files, kind)["Robustness and margins"])
    assert f"worst room is {off.max():.2f} tolerances" in sure
    assert f"{found.as_built.mean_rooms_outside:.2f} rooms outside in the mean" in sure
    answer = words_of(book_of(files, kind)["Answer"])
    assert ("All 3 rooms are within tolerance on every lot" in answer) == (not outside)


def test_it_is_said_plainly_where_no_damper_setting_can_do_it(files: dict[str, Path]) -> None:
    found = delivery("weak")
    assert not found.balanced.possible.all()
    assert f"{int((~found.balanced.possible).sum())} of" in words_of(book_of(files, "weak")["Delivered"])


def test_no_sheet_for_one_lot_alone(files: dict[str, Path]) -> None:
    """What a crew takes along is the PDF of the lots."""
    for kind in ("blower", "weak", "held", "one season"):
        assert not [n for n in book_of(files, kind).sheetnames if n.startswith(("Balance ", "Lot "))]


def test_sheet_names() -> None:
    assert sheet_name("a/b:c") == "a b c"
    assert sheet_name("x" * 40, ["X" * 31]) == "x" * 27 + " (2)"
    assert sheet_name("History") == "History sheet"
    assert sheet_name("'quoted'") == "quoted"
    assert sheet_name("") == "sheet"


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
