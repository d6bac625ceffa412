"""What readers see of options, a tract under way, flex that is not approved and fixed products: lists, sheets, pages.

Against results.json of the same report, the plan's own tables and arithmetic of the test.
"""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import openpyxl
import pypdf
import pytest
from openpyxl.workbook import Workbook
from plan_folder import PlanTables, duct, small_plan, study_of, with_prices, written
from reference import key, met
from si_cells import compare
from si_plan import write_si
from test_contract import with_options
from test_demo_book import OFFICE, converted
from test_options import alone
from workbook_reading import table_rows, words_of

import tractduct
from tractduct.orientation import study_orientation
from tractduct.report import Report, Wanted, work_out
from tractduct.writers import pictures
from tractduct.writers.data import data_files
from tractduct.writers.lot_sheets import lot_pages
from tractduct.writers.results import results
from tractduct.writers.workbook import write_workbook

LOTS = {"1": (), "2": ("bonus", "elevation b"), "3": ("elevation c",)}
ROUTES = ("T1", "DEN", "BED", "KIT", "TB", "BON", "BON2", "DEN2", "RET2")
CHANGE_PRICE, LOTS_LEFT = 7.0, 2


def turning() -> PlanTables:
    """Options; without any of them the Den is what the direction moves."""
    plan = with_options()
    for row in plan.tables["airflow"]:
        if (row["front_faces"], row["option"]) == ("S", "not bonus"):
            row["cooling_cfm"] = 190
    return plan


def tract() -> PlanTables:
    """Options, three lots of which one stands and one got slate, which is not approved; BED is always of granite."""
    plan = turning()
    plan.tables["ducts"].append(duct("slate", "flex", 0.004, derate=4))
    plan = with_prices(plan)
    plan.row("sections", "BED")["duct"] = "granite"
    plan.tables["lots"] = [
        {"lot": "1", "front_faces": "N", "options": None, "built": "yes", "flex": "meadow"},
        {"lot": "2", "front_faces": "S", "options": "bonus + elevation b", "built": None, "flex": "slate"},
        {"lot": "3", "front_faces": "S", "options": "elevation c", "built": None, "flex": None},
    ]
    sizes = {row["section"]: 12 if row["role"] == "trunk" else 9 for row in plan.tables["sections"]} | {"RET": 14}
    plan.tables["built"] = [{"section": n, "size_in": size} for n, size in sizes.items() if n != "DEN2"]
    plan.config["objective"]["change_price"] = CHANGE_PRICE
    plan.config["tolerance"] = {"room_pct": 15, "room_cfm": 20}
    rooms = ("Den", "Bed", "Kitchen", "Bonus room")
    plan.tables["rooms"] = [
        {"room": room, "x_ft": 10 * n, "y_ft": 0, "width_ft": 10, "depth_ft": 12} for n, room in enumerate(rooms)
    ]
    plan.tables["routes"] = [
        {"section": name, "x_ft": x, "y_ft": 3 + 0.5 * n} for n, name in enumerate(ROUTES) for x in (4, 30)
    ]
    return plan


@cache
def report(kind: str = "tract") -> Report:
    """Of the tract, the same in SI, or of a plan that has none of all that."""
    with written(with_prices(small_plan()) if kind == "plain" else tract()) as folder:
        plan = tractduct.load_plan(write_si(folder, folder.parent / "si") if kind == "si" else folder)
        return work_out(plan, Wanted(turned=True))


@cache
def found() -> dict[str, Any]:
    return results(report())


@cache
def lists(kind: str = "tract") -> dict[str, list[dict[str, str]]]:
    return {name: list(csv.DictReader(io.StringIO(text))) for name, text in data_files(report(kind)).items()}


@pytest.fixture(scope="module")
def paths(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("books")
    made = {kind: folder / f"{kind}.xlsx" for kind in ("tract", "si", "plain")}
    for kind, path in made.items():
        write_workbook(report(kind), path)
    return made


@pytest.fixture(scope="module")
def books(paths: dict[str, Path]) -> dict[str, Workbook]:
    return {kind: openpyxl.load_workbook(path) for kind, path in paths.items()}


@pytest.fixture(scope="module")
def printed(paths: dict[str, Path], tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Those of the tract as LibreOffice prints them."""
    kinds = ("tract", "si")
    return dict(
        zip(kinds, converted("pdf", tmp_path_factory.mktemp("pdf"), *(paths[kind] for kind in kinds)), strict=True)
    )


@pytest.mark.skipif(OFFICE is None, reason="LibreOffice is not installed")
@pytest.mark.parametrize("kind", ["tract", "si"])
def test_every_page_says_something(printed: dict[str, Path], kind: str) -> None:
    """A text that runs out of its cells to the right makes a blank page beside it; the footer alone is one line."""
    pages = pypdf.PdfReader(printed[kind]).pages
    lines = [len(page.extract_text().splitlines()) for page in pages]
    assert min(lines) > 2, lines


def number(text: str) -> float | None:
    return float(text) if text else None


def test_a_lot_is_drawn_as_it_is_built() -> None:
    """Courses of the sections that the lot has, and rooms that some section of it serves."""
    made = report()
    assert made.delivery is not None
    assert made.lots is not None
    rows = {row["section"]: row for row in tract().tables["sections"]}
    for page in lot_pages(made.delivery, made.lots):
        built = LOTS[page.name]
        drawn = [course.label.split()[0] for course in page.drawing.courses]
        assert sorted(drawn) == sorted(name for name in ROUTES if met(rows[name]["option"], built))
        rooms = {outline.room for outline in page.drawing.outlines}
        assert rooms == {"Den", "Bed", "Kitchen"} | ({"Bonus room"} if "bonus" in built else set())


def test_options_and_houses() -> None:
    for row, wanted in zip(lists()["options.csv"], found()["options"], strict=True):
        assert (row["option"], row["group"], row["meaning"]) == (wanted["option"], wanted["group"], wanted["meaning"])
        assert (row["sections"], row["drives"]) == (", ".join(wanted["sections"]), ", ".join(wanted["drives"]))
        assert number(row["covering_cost"]) == pytest.approx(wanted["covering_cost"], abs=1e-5)
        assert number(row["own_package_saves_with"]) == pytest.approx(wanted["own_package_saves_with"], abs=1e-5)
    houses = {row["options"]: float(row["cost"]) for row in lists()["houses.csv"]}
    assert houses == pytest.approx({" + ".join(h["options"]): h["cost"] for h in found()["houses"]}, abs=1e-5)
    assert len(houses) == 6
    assert houses["Bonus"] > houses[""]


def test_each_variant_is_told_with_its_options() -> None:
    """In every list of variants a column of its own; the flex product stands alone beside it."""
    runs = {
        (e["front_faces"], e["season"], e["flex"], " + ".join(e["options"]), run): path["loss_inwc"]
        for e in found()["variants"]
        for run, path in e["paths"].items()
    }
    told = {
        (r["front_faces"], r["season"], r["flex"], r["options"], r["run"]): float(r["loss_inwc"])
        for r in lists()["runs_all_variants.csv"]
    }
    assert told == pytest.approx(runs, abs=2e-6)
    for name in ("system", "rooms_all_variants", "runs_delivered"):
        assert {row["flex"] for row in lists()[f"{name}.csv"]} == {"meadow", "granite"}
        assert {row["options"] for row in lists()[f"{name}.csv"]} == {row["options"] for row in lists()["houses.csv"]}
    assert [key(row["options"]) for row in lists()["lots.csv"]] == [" + ".join(built) for built in LOTS.values()]
    tightest = {row["run"]: row["variant"] for row in lists()["margins_by_run.csv"]}
    assert all(("with Bonus" in tightest[run]) for run in ("BON", "RET2"))


def test_what_to_change_and_what_it_is_worth() -> None:
    """Worth by hand: what the set saves on each lot left, less the price of each change."""
    built, rows = found()["built"], lists()["changes_of_built.csv"]
    assert len(rows) == len(built["by_changes"]) > 1
    for row, wanted in zip(rows, built["by_changes"], strict=True):
        changed = "; ".join(f"{s} {was} to {now}" for s, (was, now) in wanted["changed"].items())
        assert row["changed"] == (changed or "none: keep what is built")
        assert (int(row["changes"]), row["proven"] == "yes") == (wanted["changes"], wanted["status"] == "optimal")
        assert float(row["once"]) == pytest.approx(CHANGE_PRICE * wanted["changes"])
        worth = LOTS_LEFT * (built["cost"] - float(row["cost"])) - CHANGE_PRICE * int(row["changes"])
        assert float(row["worth"]) == pytest.approx(worth, abs=1e-4)
    assert [int(row["changes"]) for row in rows if row["best"] == "yes"] == [built["best_changes"]]


@pytest.mark.parametrize("of", ["built", "slate"])
def test_marks_of_what_is_built_and_of_what_arrived(of: str) -> None:
    if of == "built":
        tables, sizes, rows = found()["built"]["damper_marks"], found()["built"]["size_set"], "marks_of_built.csv"
    else:
        (other,) = found()["other_flex"]
        (row,) = lists()["other_flex.csv"]
        assert (row["flex"], row["lots"]) == ("slate", "2")
        dampers = {run for table in other["damper_marks"] for run in table["runs"]}
        assert (int(row["rooms_outside"]), int(row["dampers"])) == (other["rooms_outside"], len(dampers))
        tables, sizes, rows = other["damper_marks"], found()["size_set"], "marks_of_other_flex.csv"
    wanted = {
        (n, run, season): (mark, sizes[run])
        for n, table in enumerate(tables, start=1)
        for run, marks in table["angles_deg"].items()
        for season, mark in marks.items()
    }
    told = {(int(r["table"]), r["run"], r["season"]): (float(r["mark_deg"]), r["size"]) for r in lists()[rows]}
    assert told == wanted


def test_a_fixed_product_is_shown_as_that() -> None:
    assert "BED" not in {row["section"] for row in lists()["sizes_by_flex.csv"]}
    assert {row["section"]: row["duct"] for row in lists()["sizes.csv"]}["BED"] == "granite"
    assert {row["section"]: row["option"] for row in lists()["sizes.csv"]}["BON2"] == "Bonus and not elevation b"


def test_each_room_is_shown_in_the_house_in_which_it_moves_most() -> None:
    """Against the plan of each house alone: most size steps, then largest over smallest; rooms that it has got only."""
    plan = turning()
    study = study_of(plan)
    most: dict[str, tuple[int, float]] = {}
    of_house: dict[tuple[str, tuple[str, ...]], tuple[int, float]] = {}
    for house in study.plan.houses:
        for r in study_orientation(study_of(alone(plan, list(house.options)))).sensitivity:
            if r.largest_cfm > 0.0:
                steps = r.size_steps, round(r.ratio, 9)
                of_house[r.room, house.options] = steps
                most[r.room] = max(most.get(r.room, steps), steps)
    mine = study_orientation(study).sensitivity
    assert {r.room: (r.size_steps, round(r.ratio, 9)) for r in mine} == most
    for r in mine:
        assert of_house[r.room, r.options] == most[r.room]
    assert len({r.options for r in mine}) > 1


def test_rooms_by_front_are_of_the_house_that_needs_most() -> None:
    """Against every house's airflow."""
    every: dict[tuple[str, str], dict[str, float]] = {}
    for row in lists()["airflow_by_front.csv"]:
        of = every.setdefault((row["room"], row["season"]), {})
        of[row["options"]] = max(of.get(row["options"], 0.0), float(row["N"]), float(row["S"]))
    shown = lists()["rooms_by_front.csv"]
    assert len(shown) == len(every)
    for row in shown:
        houses = every[row["room"], row["season"]]
        assert float(row["largest_cfm"]) == max(houses.values()) == houses[row["options"]] > 0.0


def test_the_picture_of_rooms_by_front_has_no_empty_row() -> None:
    """Of a plan of the first house alone with a room that has no air in it."""
    study = report().study
    there = {label.get_text() for axes in pictures.rooms_by_front(study).axes for label in axes.get_yticklabels()}
    assert {"Den", "Bed", "Kitchen", "Bonus room"} <= there
    first = replace(study, case=replace(study.case, plan=study.plan.of_house(study.plan.houses[0].options)))
    left = {label.get_text() for axes in pictures.rooms_by_front(first).axes for label in axes.get_yticklabels()}
    assert there - left == {"Bonus room"}


def test_sheets_show_them(books: dict[str, Workbook]) -> None:
    book = books["tract"]
    costs = book["Sizes and cost"]
    options = table_rows(costs, "Option")
    assert [row["Option"] for row in options] == [one["option"] for one in found()["options"]]
    for row, one in zip(options, found()["options"], strict=True):
        assert row["Covering it costs, per lot, USD"] == pytest.approx(one["covering_cost"])
    changes = table_rows(costs, "Sections changed")
    assert [row["Worth over the lots left, USD"] for row in changes] == pytest.approx(
        [one["worth"] for one in found()["built"]["by_changes"]]
    )
    dearest = max(found()["houses"], key=lambda h: h["cost"])
    said = f"{dearest['cost']:,.0f} USD (with {' + '.join(dearest['options'])}) per lot"
    assert said in words_of(costs)
    assert f"Costs are of least-cost sets, for the {LOTS_LEFT} lots left." in words_of(costs)
    assert "keep what is built, or change it on the 2 lots left" in words_of(costs)
    answer = words_of(book["Answer"])
    assert said in answer
    assert "over the 2 lots left" in answer
    assert (
        f"slate arrived on 1 lot (2): damper marks of its own leave {found()['other_flex'][0]['rooms_outside']} room"
        in answer
    )
    assert "6 houses by options built" in answer
    flex = book["Flex products"]
    assert [(r["Product"], r["Arrived on lots"]) for r in table_rows(flex, "Product")] == [("slate", "2")]
    marked = table_rows(flex, "Run")
    first = found()["other_flex"][0]["damper_marks"][0]["angles_deg"]
    assert {r["Run"]: r["Heating: mark, °"] for r in marked} == {run: m["heating"] for run, m in first.items()}
    assert "of the house in which it needs most (column Options)" in words_of(book["Rooms by front"])
    assert "the house in which the direction moves it most (column Options)" in words_of(book["Direction"])
    assert {row["Options"] for row in table_rows(book["Direction"], "Room")} == {
        " + ".join(r.options) or "none" for r in study_orientation(report().study).sensitivity
    }
    basis = words_of(book["Basis"])
    assert "one flex product, the options that are built." in basis
    assert "or of the product that is fixed for a section" in basis
    assert [row["Options"] for row in table_rows(book["Lots"], "Lot")] == ["none", "Bonus + elevation b", "elevation c"]


def test_in_si_they_differ_by_their_units(paths: dict[str, Path]) -> None:
    sheets = ("Sizes", "Sizes and cost", "Flex products", "Lots")
    assert compare(paths["tract"], paths["si"], sheets) > 100


def test_a_plan_without_them_says_nothing_of_them(books: dict[str, Workbook]) -> None:
    assert not {"options.csv", "houses.csv", "changes_of_built.csv", "other_flex.csv"} & set(lists("plain"))
    assert not any("option" in column for rows in lists("plain").values() for column in rows[0])
    for sheet in books["plain"].worksheets:
        for words in ("Options", "already built", "not approved", "lots left"):
            assert words not in words_of(sheet), (sheet.title, words)
