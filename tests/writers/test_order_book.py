"""The workbook for purchasing: its first page against results.json, the tables of prices and own arithmetic."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from openpyxl.worksheet.worksheet import Worksheet
from plan_folder import PlanTables, small_plan, with_prices, written

from tractduct.inputs.reader import load_plan
from tractduct.report import MadeFrom, Report, Wanted, work_out
from tractduct.writers.order_book import write_order
from tractduct.writers.output import write_report

ROOM_PCT, ROOM_CFM = 10.0, 8.0


def plan() -> PlanTables:
    found = with_prices(small_plan(tolerance={"room_pct": ROOM_PCT, "room_cfm": ROOM_CFM}))
    found.config["purchase"] = {"box_ft": 25, "waste_pct": 10, "lots": 4}
    return found


@pytest.fixture(scope="module")
def report() -> Report:
    with written(plan()) as folder:
        made_from = MadeFrom(fingerprint="0123456789abcdef", date="2 March")
        return replace(work_out(load_plan(folder), Wanted(bought=True)), made_from=made_from)


@pytest.fixture(scope="module")
def out(report: Report, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("out")
    write_report(report, folder)
    return folder


def table_below(sheet: Worksheet, header: str) -> list[dict[str, Any]]:
    """The rows of the table whose first header that is."""
    (ref,) = (t.ref for t in sheet.tables.values() if sheet[t.ref.partition(":")[0]].value == header)
    head, *rows = sheet[ref]
    return [{str(h.value): cell.value for h, cell in zip(head, row, strict=True)} for row in rows]


def with_damper(found: dict[str, Any]) -> set[str]:
    """The runs that have a damper in any table of marks."""
    return {run for table in found["damper_marks"] for run in table["angles_deg"]}


def rooms_outside(entries: list[dict[str, Any]], rooms: dict[str, str]) -> int:
    """Rooms that are off by more than the greater of the two tolerances in some of these variants."""
    off = set()
    for entry in entries:
        for room in set(rooms.values()):
            runs = [entry["runs"][run] for run, its in rooms.items() if its == room and run in entry["runs"]]
            got, design = (sum(run[name] for run in runs) for name in ("airflow_cfm", "design_cfm"))
            if abs(got - design) > max(ROOM_PCT / 100.0 * design, ROOM_CFM):
                off.add(room)
    return len(off)


def test_what_changes_if_another_flex_is_delivered(report: Report, out: Path) -> None:
    """Rooms from results.json; costs from feet and prices of the plan's own tables, 10 % waste, 20 USD a damper."""
    found = json.loads((out / "results.json").read_text())
    tables = plan().tables
    rooms = {r["section"]: r["room"] for r in tables["sections"] if r.get("side") != "return" and r.get("room")}
    price = {(r["duct"], str(r["size_in"])): float(r["price_per_ft"]) for r in tables["prices"]}
    dampers = len(with_damper(found))
    sheet = openpyxl.load_workbook(out / "test-plan-order.xlsx")["Start here"]
    rows = {row["Delivered"]: row for row in table_below(sheet, "Delivered")}
    assert set(rows) == {"meadow", "granite"}
    cost = {
        flex: 20.0 * dampers
        + 1.1 * sum(
            s["length_ft"] * price[flex if s["duct"] == "flex" else s["duct"], found["size_set"][s["section"]]]
            for s in tables["sections"]
        )
        for flex in rows
    }  # fmt: skip
    for flex, row in rows.items():
        mine = {name: [e for e in found[name] if e["flex"] == flex] for name in ("delivered", "delivered_marked")}
        assert row["Rooms outside, dampers open"] == rooms_outside(mine["delivered"], rooms)
        assert row["Rooms outside, with the marks"] == rooms_outside(mine["delivered_marked"], rooms)
        assert row["Dampers"] == dampers
        assert row["One of many lots, with waste, USD"] == pytest.approx(cost[flex], abs=0.005)
        assert row["More than the cheapest, USD"] == pytest.approx(cost[flex] - min(cost.values()), abs=0.005)
    assert max(row["Farthest off, tolerances"] for row in rows.values()) == pytest.approx(
        max(table["worst_tolerances"] for table in found["damper_marks"]), abs=1e-6
    )


def test_a_flex_that_the_plan_was_not_sized_for(report: Report, out: Path) -> None:
    """Every pair once; what a section goes up by is a step between sizes of the plan, and costs something."""
    sheet = openpyxl.load_workbook(out / "test-plan-order.xlsx")["Start here"]
    rows = table_below(sheet, "Sized for")
    assert [(r["Sized for"], r["Delivered"]) for r in rows] == [("meadow", "granite"), ("granite", "meadow")]
    sizes = {size.label for size in report.study.plan.sizes}
    for row in rows:
        steps = [] if str(row["Which sections"]).startswith("none") else str(row["Which sections"]).split("; ")
        assert row["Sections up"] == len(steps)
        for step in steps:
            name, before, _, after = step.rsplit(" ", 3)
            assert name in report.study.size_set
            assert {before, after} <= sizes
        assert (row["To hold again, USD"] > 0.0) == bool(steps)


def test_each_list_has_its_sheet_and_all_carry_the_stamp(report: Report, out: Path, tmp_path: Path) -> None:
    book = openpyxl.load_workbook(out / "test-plan-order.xlsx")
    assert book.sheetnames == ["Start here", "Buy one lot", "Buy several lots", "Product comparison", "Stock list"]
    first = book["Start here"]
    links = {row[0].value: row[1].value for row in first.iter_rows() if row[0].hyperlink}
    assert set(links) == set(book.sheetnames[1:])
    assert "to order 4 lots, meadow in 4" in str(links["Buy several lots"])
    for sheet in book.worksheets:
        foot = str(sheet.oddFooter.left.text)
        assert all(words in foot for words in ("Test plan", "tractduct", "0123456789ab", "2 March"))
        assert (sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight) == (1, 1)  # a page each
    write_order(report, tmp_path / "again.xlsx")
    assert (tmp_path / "again.xlsx").read_bytes() == (out / "test-plan-order.xlsx").read_bytes()


def test_dampers_are_bought_by_size(report: Report, out: Path) -> None:
    found = json.loads((out / "results.json").read_text())
    sizes = [found["size_set"][run] for run in with_damper(found)]
    for name, lots in (("Buy one lot", 1), ("Buy several lots", 4)):
        rows = table_below(openpyxl.load_workbook(out / "test-plan-order.xlsx")[name], "Fitting")
        bought = {str(r["Size, in"]): r["Pieces"] for r in rows if r["Fitting"] == "balancing damper"}
        assert bought == {size: lots * sizes.count(size) for size in sizes}


def test_without_a_set_it_says_so(tmp_path: Path) -> None:
    bad = plan()
    bad.config["pressure"]["supply_inwc"] = 0.001
    with written(bad) as folder:
        write_order(work_out(load_plan(folder), Wanted(bought=True)), tmp_path / "book.xlsx")
    book = openpyxl.load_workbook(tmp_path / "book.xlsx")
    words = " ".join(str(c.value) for row in book["Start here"].iter_rows() for c in row)
    assert "No size set holds, so there is nothing to order yet." in words
    assert not [name for name in book.sheetnames if name.startswith("Buy")]
