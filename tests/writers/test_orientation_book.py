"""The sheets, pictures and results of `tractduct lots` against the orientation study and against own arithmetic."""

from __future__ import annotations

import json
import re
import sys
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import openpyxl
import pytest
from openpyxl.workbook import Workbook
from pdf_reading import read_pdf
from plan_folder import PlanTables, small_plan, study_of, with_prices
from surface_plans import FACES, broken_down, by_sun, demo_orientation, demo_study, with_lots
from workbook_reading import all_cells, table_rows, words_of

from tractduct import orientation_tables, tables
from tractduct.cli import main
from tractduct.delivery.deliver import deliver
from tractduct.delivery.lots import deliver_lots
from tractduct.model.plan import candidate_sizes
from tractduct.network.variants import variants_of
from tractduct.orientation import OrientationStudy, check_every_degree, plan_at, study_orientation
from tractduct.orientation.azimuths import azimuth_label
from tractduct.physics.solar import SCREENING
from tractduct.report import Report
from tractduct.sizing.verify import verify_sizes
from tractduct.writers.book.direction import direction_sheet, lots_sheet
from tractduct.writers.book.layout import Book
from tractduct.writers.book.saving import save
from tractduct.writers.output import write_report
from tractduct.writers.workbook import write_workbook

HOSTILE = (
    '=HYPERLINK("http://example.org","x")', "+1+1", "-2", "@SUM(1)", "a/b:c*d?e[f]", "'quoted'", "Lots",
    "A lot whose name is longer than any sheet name, one", "A lot whose name is longer than any sheet name, two",
)  # fmt: skip


def drawn(plan: PlanTables) -> PlanTables:
    """With room outlines and two routes, on a plan 30 ft wide."""
    plan = plan.copy()
    plan.tables["rooms"] = [
        {"room": room, "x_ft": x, "y_ft": 0, "width_ft": 10, "depth_ft": 12}
        for room, x in (("Den", 0), ("Bed", 10), ("Kitchen", 20))
    ]
    plan.tables["routes"] = [
        {"section": name, "x_ft": x, "y_ft": y}
        for name, course in (("T1", ((15, 11), (15, 5))), ("DEN", ((15, 5), (4, 5))))
        for x, y in course
    ]
    return plan


def full_plan() -> PlanTables:
    """Loads by surface, outlines, and lots with hostile names, several of which share a direction."""
    lots = [(name, 20.0 * (n % 3), None, False, "meadow" if n % 2 else None) for n, name in enumerate(HOSTILE)]
    return drawn(
        with_lots(
            with_prices(broken_down()),
            *lots,
            ("same", 20, None, False, None),
            ("mirror", 20, None, True, None),
            ("face", None, "E", False, "granite"),
        )
    )


def bare_plan() -> PlanTables:
    return with_prices(small_plan())


@cache
def written(kind: str, folder: Path) -> tuple[OrientationStudy, Path]:
    """A whole output folder, as the command writes it."""
    plans = {
        "full": full_plan,
        "sun": lambda: by_sun(with_lots(broken_down(), ("1", 98, None, False, None))),
        # An airflow table of north and south alone: nothing is known of a lot to the east.
        "unknown": lambda: with_lots(bare_plan(), ("east", 90, None, False, None), ("north", 0, None, False, None)),
    }
    study = study_of(plans[kind]())
    result = study_orientation(study, step_deg=15.0)
    delivery = deliver(study)
    lots = deliver_lots(delivery, results=result.lots)
    write_report(Report(study=study, delivery=delivery, orientation=result, lots=lots), folder)
    return result, folder


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("lots")


def reopened(book: Book, folder: Path) -> Workbook:
    """The book as a reader finds it."""
    save(book, folder / "book.xlsx")
    return openpyxl.load_workbook(folder / "book.xlsx")


def book_of(kind: str, place: Path) -> tuple[OrientationStudy, Workbook]:
    result, folder = written(kind, place / kind)
    return result, openpyxl.load_workbook(folder / "test-plan.xlsx")


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Workbook:
    """The demo plan's workbook with its orientation study, without pictures."""
    path = tmp_path_factory.mktemp("demo") / "book.xlsx"
    write_workbook(Report(study=demo_study(), orientation=demo_orientation()), path)
    return openpyxl.load_workbook(path)


# -- what the direction does -----------------------------------------------------------------------------


def test_rooms_by_sensitivity(demo: Workbook) -> None:
    rows = table_rows(demo["Direction"], "Room")
    found = demo_orientation().sensitivity
    assert [row["Room"] for row in rows] == [r.room for r in found]
    for row, r in zip(rows, found, strict=True):
        flow = r.airflow_cfm[:, :, demo_study().plan.seasons.index(row["Moves most in"])]
        assert row["Smallest, cfm"] == pytest.approx(flow.min(), abs=1e-6)
        assert row["Largest, cfm"] == pytest.approx(flow.max(), abs=1e-6)
        assert row["Largest over smallest, %"] == pytest.approx(100 * (flow.max() / flow.min() - 1), abs=1e-5)
        face, _, mirrored = row["at front (drives it)"].partition(", ")
        at = demo_study().plan.fronts.index(face), int(mirrored == "mirrored")
        assert flow[at] == flow.max()
        assert row["Size steps"] == r.size_steps
        assert row["Glass, of its load, %"] == pytest.approx(r.glass_pct, abs=1e-5)
        assert bool(row["Note"]) == r.shared_out
    assert any(r.shared_out for r in found)
    assert "Rooms without glass whose airflow changes: Laundry, Owner Closet" in words_of(demo["Direction"])


def test_airflow_by_front_is_the_airflow_table() -> None:
    plan = demo_study().plan
    frame = tables.airflow_by_front(demo_study())
    assert len(frame) == len(plan.rooms) * len(plan.seasons) * len(plan.mirrored)
    for row in frame.to_dict("records"):
        j, k, n = int(row["mirrored"]), plan.seasons.index(row["season"]), plan.rooms.index(row["room"])
        assert [row[face] for face in plan.fronts] == pytest.approx(plan.airflow_cfm[:, j, k, n].tolist(), abs=1e-6)


def test_house_loads_and_how_far_they_change(demo: Workbook) -> None:
    frame = orientation_tables.house_loads(demo_orientation())
    cooling = frame["sensible_cooling_btuh"]
    assert len(frame) == 16
    assert frame["over_least_cooling_btuh"].tolist() == pytest.approx((cooling - cooling.min()).tolist(), abs=1e-5)
    words = words_of(demo["Direction"])
    assert f"changes by {cooling.max() - cooling.min():,.0f} Btu/h" in words
    assert cooling.max() - cooling.min() < 6000
    assert "That is less than 6,000 Btu/h" in words
    rows = table_rows(demo["Direction"], "Front")
    worst = frame.groupby("front_faces")["sensible_cooling_btuh"].max()
    assert {r["Front"]: r["Total sensible cooling, Btu/h"] for r in rows} == pytest.approx(worst.to_dict())


def test_a_house_that_changes_by_more_is_marked(tmp_path: Path) -> None:
    result = demo_orientation()
    assert result.house is not None
    book = Book("Demo")
    direction_sheet(book, replace(result, houses=(replace(result.house, limit_btuh=5000.0),)), None)
    assert "That is MORE than 5,000 Btu/h" in words_of(reopened(book, tmp_path)["Direction"])


def test_loads_by_surface_against_the_table(demo: Workbook) -> None:
    check = demo_orientation().loads_check
    plan = demo_study().plan
    assert check is not None
    frame = orientation_tables.loads_check(demo_orientation())
    for (room, season), mine in frame.groupby(["room", "season"]):
        n, k = plan.rooms.index(room), plan.seasons.index(season)
        off = 100 * (check.by_surface_cfm[0, :, :, k, n] / check.table_cfm[0, :, :, k, n] - 1)
        assert mine["off_pct"].abs().max() == pytest.approx(np.abs(off).max(), abs=1e-9)
        assert mine["within"].all() == (np.abs(off).max() <= 5)
    assert "The two agree" in words_of(demo["Direction"])


def test_packages_add_up(demo: Workbook) -> None:
    lots, rows = len(demo_study().plan.lots), table_rows(demo["Sizes and cost"], "Packages")
    mean: dict[int, float] = {}
    for k in sorted({row["Packages"] for row in rows}):
        mine = [row for row in rows if row["Packages"] == k]
        assert len(mine) == k
        assert sum(row["Lots, %"] for row in mine) == pytest.approx(100.0)
        mean[k] = sum(row["Lots, %"] * row["Cost per lot, USD"] for row in mine) / 100.0
        fronts = [face for row in mine for face in row["For fronts"].split(", ")]
        assert len(fronts) == len(set(fronts))
        for row in mine:
            assert row["Mean cost per lot, USD"] == pytest.approx(mean[k], abs=1e-4)
            assert row["Proven"] == "yes"
            assert row["Saved, per lot, USD"] == pytest.approx(mean[1] - mean[k], abs=1e-4)
    assert list(mean) == [1, 2, 3, 4]
    saves = mean[1] - mean[2]
    said = f"2 packages save {saves:,.2f} USD per lot, {saves * lots:,.2f} USD for all {lots}"
    assert said in words_of(demo["Sizes and cost"])


def test_sizes_of_packages_hold_at_their_fronts() -> None:
    """By the independent check, in all variants of the package's fronts."""
    study, parts = demo_study(), orientation_tables.packages(demo_orientation())
    sizes = orientation_tables.package_sizes(demo_orientation())
    for part in parts.to_dict("records"):
        of_one = sizes[(sizes["packages"] == part["packages"]) & (sizes["package"] == part["package"])]
        fronts = part["orientations"].split(", ")
        mine = [v for v in study.variants.variants if v.front in fronts]
        assert verify_sizes(study.plan, mine, dict(zip(of_one["section"], of_one["size"], strict=True))).holds


def test_every_degree_by_the_independent_check(demo: Workbook) -> None:
    study = demo_study()
    use_pct = orientation_tables.degrees(demo_orientation()).set_index("azimuth_deg")["highest_use_pct"]
    assert len(use_pct) == 360
    for azimuth in (0, 98, 213):
        at = plan_at(study.plan, [float(azimuth)], study.plan.mirrored)
        found = verify_sizes(at, variants_of(at), study.size_set)
        use = [found.velocity_fpm[s.name].max() / at.velocity_limit_fpm(s) for s in at.sections]
        use += [np.nanmax(found.path_loss_inwc[s.name]) / at.available_inwc(s.side) for s in at.sections if s.is_run]
        assert use_pct[float(azimuth)] == pytest.approx(100 * max(use), abs=1e-5)
    words = words_of(demo["Direction"])
    assert "It holds at every direction checked" in words
    assert "every degree" in words
    assert "not proven between them" in words


def test_fronts_that_are_no_neighbours_leave_nothing_between_checked(tmp_path: Path) -> None:
    result = study_orientation(study_of(bare_plan()))  # north and south
    book = Book("Test")
    direction_sheet(book, result, None)
    words = words_of(reopened(book, tmp_path)["Direction"])
    assert "nothing between them is checked" in words
    assert "It holds" not in words
    assert not any(f.rule == "between the faces" for f in result.findings)


def test_where_a_set_does_not_hold_stands_with_range_and_excess(tmp_path: Path) -> None:
    result = demo_orientation()
    study = result.study
    # One size down where the standard set is nearly at its limit.
    sections = {s.name: s for s in study.tree.sections}
    degrees = None
    for name, size in study.size_set.items():
        offered = [s.label for s in candidate_sizes(sections[name], study.plan.sizes)]
        if offered.index(size):
            smaller = {**study.size_set, name: offered[offered.index(size) - 1]}
            degrees = check_every_degree(study.plan, smaller, step_deg=5.0)
            if 0 < (~degrees.holds_at).sum() < len(degrees.azimuth_deg):
                break
    assert degrees is not None
    book = Book("Demo")
    direction_sheet(book, replace(result, degrees=degrees), None)
    sheet = reopened(book, tmp_path)["Direction"]
    words = words_of(sheet)
    assert f"DOES NOT HOLD at {(~degrees.holds_at).sum()} of the directions" in words
    assert "every 5 degrees" in words
    rows = table_rows(sheet, "Limit")
    assert [(r["Section"], r["From, °"], r["To, °"]) for r in rows] == [
        (b.section, b.first_deg, b.last_deg) for b in degrees.broken
    ]
    for r in rows:
        assert r["Over it, %"] == pytest.approx(100 * (r["Has"] / r["May have"] - 1), abs=1e-3)


# -- lots ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("lot", "azimuth"), [("12", 90), ("15", 98), ("16", 110)])
def test_runs_of_a_lot_by_hand(lot: str, azimuth: float) -> None:
    """Airflow of the runs adds up to the blower's on each side; at a front of the table it is the table's."""
    study = demo_study()
    (result,) = [r for r in demo_orientation().lots if r.lot.name == lot]
    assert result.lot.azimuth_deg == azimuth
    for season, blower in (("heating", 1050), ("cooling", 1300)):
        k = study.plan.seasons.index(season)
        flow = {run.name: float(cfm) for run, cfm in zip(study.tree.runs, result.run_airflow_cfm[k], strict=True)}
        for side in ("supply", "return"):
            # An airflow table has tenths, sixteen rooms of them.
            mine = [flow[run.name] for run in study.tree.runs if run.side == side]
            assert np.nansum(mine) == pytest.approx(blower, abs=0.8)
        if azimuth == 90:
            at = study.plan.fronts.index("E"), 0, k, study.plan.rooms.index("Kitchen")
            assert flow["KI"] == pytest.approx(study.plan.airflow_cfm[at], abs=1e-6)


def test_summary_of_all_lots(demo: Workbook) -> None:
    rows = table_rows(demo["Lots"], "Lot")
    assert len(rows) == 24
    packages = orientation_tables.lot_packages(demo_orientation()).set_index(["lot", "packages"])["package"]
    parts = orientation_tables.packages(demo_orientation()).set_index(["packages", "package"])["orientations"]
    for row, lot in zip(rows, demo_study().plan.lots, strict=True):
        assert (row["Lot"], row["Front at, °"]) == (lot.name, lot.azimuth_deg)
        assert row["Mirrored"] == ("mirrored" if lot.mirrored else "as drawn")
        assert (row["Flex"], row["Standard set"]) == (lot.flex, "holds")
        gap = [abs((45.0 * i - lot.azimuth_deg + 180) % 360 - 180) for i in range(8)]
        assert FACES[int(np.argmin(gap))] == row["Nearest front"]
        assert row["Nearest front"] in parts[2, int(packages[lot.name, 2])].split(", ")


def test_of_many_lots_those_to_look_at_are_listed(tmp_path: Path) -> None:
    result = demo_orientation()
    bad = replace(result.lots[7], holds=False)
    many = tuple(replace(r, lot=replace(r.lot, name=f"{n} {r.lot.name}")) for n in range(9) for r in result.lots)
    book = Book("Demo")
    lots_sheet(book, replace(result, lots=(*many, replace(bad, lot=replace(bad.lot, name="the last")))))
    rows = table_rows(reopened(book, tmp_path)["Lots"], "Lot")
    assert len(rows) == 60
    assert (rows[-1]["Lot"], rows[-1]["Standard set"]) == ("the last", "DOES NOT HOLD")


def test_rooms_of_every_lot() -> None:
    frame = orientation_tables.lots_by_room(demo_orientation())
    total = frame.groupby(["lot", "season"])["airflow_cfm"].sum()
    assert len(total) == 48
    for season, blower in (("heating", 1050), ("cooling", 1300)):
        assert total.xs(season, level="season").tolist() == pytest.approx([blower] * 24, abs=0.8)


def test_hostile_lot_names_are_text_and_sheets_are_legal(place: Path) -> None:
    _, book = book_of("full", place)
    hostile = [c for c in all_cells(book) if isinstance(c.value, str) and c.value.startswith(("=", "+", "-2", "@"))]
    lots = [c for c in hostile if any(name in c.value for name in HOSTILE[:4])]
    assert {c.value for c in lots} >= set(HOSTILE[:4])
    assert all(c.data_type == "s" for c in lots)
    assert [row["Lot"] for row in table_rows(book["Lots"], "Lot")][: len(HOSTILE)] == list(HOSTILE)
    names = book.sheetnames
    assert len({n.casefold() for n in names}) == len(names)
    for name in names:
        assert 0 < len(name) <= 31
        assert not set(name) & set("[]:*?/\\")
        assert not name.startswith("'")
        assert not name.endswith("'")
    assert not any(n.startswith(("Lot ", "Balance ")) for n in names)  # a file of their own


def test_the_pages_have_every_lot_by_its_name(place: Path) -> None:
    """Names that act in a spreadsheet are words in the PDF; no file is named after a lot."""
    result, folder = written("full", place / "full")
    sheets = read_pdf((folder / "test-plan-lots.pdf").read_bytes())
    assert len(sheets) == 2 * len(result.lots)
    for n, lot in enumerate(result.study.plan.lots):
        for sheet in sheets[2 * n : 2 * n + 2]:
            assert sheet.rows[0][0].startswith(f"Lot {lot.name}: ")
    assert all(re.fullmatch(r"[a-z0-9_.-]+", path.name) for path in folder.iterdir())


def test_lots_without_a_product_have_the_first(place: Path) -> None:
    """The page names the product that it is balanced for."""
    result, folder = written("full", place / "full")
    sheets = read_pdf((folder / "test-plan-lots.pdf").read_bytes())[::2]
    subtitles = {lot.name: sheet.rows[1][0] for lot, sheet in zip(result.study.plan.lots, sheets, strict=True)}
    assert subtitles["same"].endswith(", as drawn, meadow")
    assert subtitles["mirror"].endswith(", mirrored, meadow")
    assert subtitles["face"] == "front faces E, as drawn, granite"


def test_a_lot_whose_airflow_is_unknown(place: Path) -> None:
    """The list says so; its neighbour to the north is whole (its pages: test_lot_pages.py)."""
    result, book = book_of("unknown", place)
    assert [r.holds for r in result.lots] == [None, True]
    rows = {row["Lot"]: row for row in table_rows(book["Lots"], "Lot")}
    assert rows["east"]["Standard set"] == "not known"
    assert "no airflow for this direction" in rows["east"]["What to look at"]
    assert rows["north"]["Standard set"] == "holds"
    assert set(orientation_tables.lots_by_room(result)["lot"]) == {"north"}


def test_a_lot_where_the_set_fails_says_so(tmp_path: Path) -> None:
    result = demo_orientation()
    breach = verify_sizes(demo_study().plan, demo_study().variants.variants, dict.fromkeys(demo_study().size_set, "4"))
    bad = replace(result.lots[3], holds=False, breaches=breach.breaches[:1])
    book = Book("Demo")
    lots_sheet(book, replace(result, lots=(*result.lots[:3], bad)))
    row = table_rows(reopened(book, tmp_path)["Lots"], "Lot")[3]
    assert (row["Lot"], row["Standard set"]) == ("15", "DOES NOT HOLD")
    assert str(breach.breaches[0]) in row["What to look at"]


# -- the sun ---------------------------------------------------------------------------------------------


def test_screening_stands_beside_all_that_rests_on_the_sun(place: Path) -> None:
    result, book = book_of("sun", place)
    for name in ("Direction", "Sizes and cost", "Lots", "Findings"):
        assert SCREENING in words_of(book[name]), name
    frame = orientation_tables.peaks(result)
    assert set(frame["room"]) == set(result.study.plan.rooms)
    assert frame["house_peak_hour"].between(6, 20).all()


def test_no_screening_where_factors_are_given(place: Path) -> None:
    _, book = book_of("full", place)
    assert not [n for n in book.sheetnames if SCREENING in words_of(book[n])]


def test_glass_left_blank_without_the_extra_is_one_fault(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = by_sun(broken_down()).write(tmp_path / "plan")
    monkeypatch.setitem(sys.modules, "pvlib", None)  # what an import of it then meets
    assert main(["study", str(folder), "--out", str(tmp_path / "out")]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 2  # the fault, and how many there are
    assert "load_factors.csv" in lines[0]
    assert "pip install tractduct[solar]" in lines[0]
    assert lines[1].startswith("1 fault ")
    assert not (tmp_path / "out").exists()


# -- the command -----------------------------------------------------------------------------------------


def test_a_plan_without_lots_surfaces_or_outlines(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What is missing is said, and the rest is written: with the pages of every orientation."""
    folder, out = bare_plan().write(tmp_path / "plan"), tmp_path / "out"
    assert main(["study", str(folder), "--out", str(out)]) == 0
    words = capsys.readouterr().out
    for table in ("table lots", "tables surfaces and load_factors", "table rooms"):
        assert table in words
    book = openpyxl.load_workbook(out / "test-plan.xlsx")
    assert {"Direction", "Damper marks"} <= set(book.sheetnames)
    assert "Lots" not in book.sheetnames
    assert not {"lots.csv", "house_loads.csv", "loads_check.csv"} & {p.name for p in (out / "data").iterdir()}
    found = json.loads((out / "results.json").read_text(encoding="utf-8"))["orientation"]
    assert found["lots"] == []
    titles = [sheet.rows[0][0] for sheet in read_pdf((out / "test-plan-lots.pdf").read_bytes())[::2]]
    assert titles == ["Lot front N: Test plan", "Lot front S: Test plan"]
    assert found["sensitivity"][0]["glass_pct"] is None


def test_most_packages_is_kept(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = bare_plan().write(tmp_path / "plan")
    assert main(["study", str(folder), "--out", str(tmp_path / "out"), "--most-packages", "0"]) == 0
    assert "Packages were left out" in capsys.readouterr().out
    assert not (tmp_path / "out" / "data" / "packages.csv").exists()
    with pytest.raises(SystemExit) as stop:
        main(["study", str(folder), "--most-packages", "two"])
    assert stop.value.code == 2


def test_lots_of_a_plan_where_no_set_holds(tmp_path: Path) -> None:
    plan = with_lots(broken_down(), ("1", 98, None, False, None))
    plan.config["pressure"] = {"supply_inwc": 0.001, "return_inwc": 0.001}
    out = tmp_path / "out"
    assert main(["study", str(plan.write(tmp_path / "plan")), "--out", str(out)]) == 3
    book = openpyxl.load_workbook(out / "test-plan.xlsx")
    (row,) = table_rows(book["Lots"], "Lot")
    assert row["Standard set"] == "there is none"
    assert "Damper marks" not in book.sheetnames
    assert not {"every_degree.csv", "packages.csv"} & {p.name for p in (out / "data").iterdir()}
    assert not list(out.glob("*.pdf"))
    found = json.loads((out / "results.json").read_text(encoding="utf-8"))["orientation"]
    assert found["every_degree"] is None
    assert found["lots"][0]["holds"] is None


def test_results_hold_the_study(place: Path) -> None:
    result, folder = written("full", place / "full")
    found = json.loads((folder / "results.json").read_text(encoding="utf-8"))
    part = found["orientation"]
    assert [r["room"] for r in part["sensitivity"]] == [r.room for r in result.sensitivity]
    assert result.degrees is not None
    assert part["every_degree"]["holds"] == result.degrees.holds
    assert part["every_degree"]["directions"] == 24
    assert result.packages is not None
    for got, choice in zip(part["packages"], result.packages.choices, strict=True):
        assert got["packages"] == choice.n_package == len(got["division"])
        mean = sum(p["mix_pct"] * p["cost"] for p in got["division"]) / 100
        assert got["expected_cost"] == pytest.approx(mean, abs=1e-4)
        assert got["best_bound"] <= got["expected_cost"] + 1e-6
    for got, lot in zip(part["lots"], result.study.plan.lots, strict=True):
        assert (got["lot"], got["azimuth_deg"], got["mirrored"]) == (lot.name, lot.azimuth_deg, lot.mirrored)
        for season, total in (("heating", 230), ("cooling", 300)):
            supply = {k: v for k, v in got["run_airflow_cfm"][season].items() if k != "RET"}
            assert sum(supply.values()) == pytest.approx(total, abs=1e-4)
    assert {f["rule"] for f in found["findings"]} >= {f.rule for f in result.findings}


def test_two_runs_write_the_same_files(place: Path, tmp_path: Path) -> None:
    _, first = written("full", place / "full")
    again, second = written("full", tmp_path / "again")
    assert azimuth_label(again.lots[1].lot.azimuth_deg) == "20°"
    names, others = (sorted(p.relative_to(f).as_posix() for p in f.rglob("*") if p.is_file()) for f in (first, second))
    assert names == others
    for name in names:
        assert (first / name).read_bytes() == (second / name).read_bytes(), name
