"""The study's sheets of a plan in SI: the same as those of the plan in cfm, in and ft, but for the units."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from openpyxl.workbook import Workbook
from openpyxl.worksheet.worksheet import Worksheet
from plan_folder import PlanTables, section, small_plan, with_prices
from si_cells import UNITS, compare
from si_plan import write_si
from workbook_reading import Sums, all_cells, blocks, words_of

import tractduct
from tractduct import Study, tables
from tractduct.report import Report
from tractduct.writers.workbook import write_workbook

SHEETS = (
    "Answer", "Sizes", "Pencil check", "Rooms by front", "Sizes and cost", "Flex products", "Robustness and margins",
    "Findings", "Basis",
)  # fmt: skip
KINDS = ("priced", "blower", "infeasible")
RATE = "inWC/100 ft"
UNITS_OF = {"Friction, per 100 ft": RATE, "Friction to use, per 100 ft": RATE, "Limits of this sort": ""}
# What is more than another unit: a friction rate is for one metre, so its 100 goes.
WORDS = {
    "100 x what": "what",
    ") / 100 + loss": ") + loss",
    "100 x available": "available",
    "per 100 ft": "Pa/m",
    "exp(-0.126 D)": f"exp(-{0.126 / 25.4:.5f} D)",
    "D in inches": "D in mm",
}


@dataclass(frozen=True)
class Both:
    """A plan's studies and workbooks in the trade's units, and in SI."""

    studies: tuple[Study, Study]
    ip: Path
    si: Path

    def books(self) -> tuple[Workbook, Workbook]:
        return _open(self.ip), _open(self.si)


@cache
def _open(path: Path) -> Workbook:
    return openpyxl.load_workbook(path)


def priced() -> PlanTables:
    """Prices in another currency, loss coefficients, a rectangular trunk, a run of one season."""
    plan = small_plan()
    plan.config["currency"] = "EUR"
    plan.config["sizes"]["rectangular_in"] = [[6, 8], [8, 8], [10, 8], [12, 8]]
    plan.row("sections", "T1")["shape"] = "rectangular"
    plan.tables["sections"] += [
        section("T2", "T1", "trunk", "galvanised", 14, "elbow_90*2"),
        section("DEN2", "T2", "branch", "flex", 25, "collar + boot_floor", "Den", season="cooling"),
        section("BED2", "T2", "branch", "flex", 6, "collar + boot_floor", "Bed"),
    ]
    for row in plan.tables["fittings"]:
        if row["fitting"] in ("wye", "elbow_90"):
            row["loss_coefficient"] = 0.2
    return with_prices(plan)


def blower() -> PlanTables:
    """The pressure from a blower and devices; no prices, so that the cost is an area. The numbers are invented.

    A set drawn for the front with the most air breaks a velocity limit at the other one.
    """
    plan = small_plan(blower={"heating_speed": "low", "cooling_speed": "high", "capacity_tons": 1.5})
    del plan.config["pressure"]
    plan.config["limits"] = {"branch_flex_fpm": 500}
    next(r for r in plan.tables["airflow"] if (r["front_faces"], r["room"]) == ("N", "Kitchen"))["cooling_cfm"] += 40
    speeds = {
        "low": {200: 0.52, 300: 0.50, 400: 0.42, 550: 0.20, 700: 0.0},
        "high": {200: 0.78, 300: 0.74, 450: 0.60, 700: 0.26, 800: 0.0},
    }
    plan.tables["blower"] = [
        {"speed": speed, "airflow_cfm": q, "external_static_inwc": p}
        for speed, c in speeds.items()
        for q, p in c.items()
    ]
    plan.tables["devices"] = [
        {"device": "coil", "side": "supply", "loss_inwc": 0.20, "at_cfm": 400, "season": "cooling"},
        {"device": "filter", "side": "return", "loss_inwc": 0.08, "at_cfm": 350, "loaded_loss_inwc": 0.20},
    ]
    return plan


def infeasible() -> PlanTables:
    """Too little pressure. Only sizes with a price are offered as a way out: those of SI would not be these."""
    return with_prices(small_plan(pressure={"supply_inwc": 0.012}, sizes={"round_in": [4, 5, 6, 7, 8]}))


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Both]:
    plans = {"priced": priced(), "blower": blower(), "infeasible": infeasible()}
    found = {}
    for kind, plan in plans.items():
        folder = tmp_path_factory.mktemp(kind)
        ip = plan.write(folder / "ip")
        studies = [tractduct.study(f) for f in (ip, write_si(ip, folder / "si"))]
        for name, study in zip(("ip", "si"), studies, strict=True):
            write_workbook(Report(study=study), folder / f"{name}.xlsx")
        found[kind] = Both((studies[0], studies[1]), folder / "ip.xlsx", folder / "si.xlsx")
    return found


def own_sheets(book: Workbook) -> list[str]:
    return [name for name in SHEETS if name in book.sheetnames]


@pytest.mark.parametrize("kind", KINDS)
def test_cells_are_the_same_but_for_their_units(both: dict[str, Both], kind: str) -> None:
    pair = both[kind]
    sheets = own_sheets(pair.books()[0])
    assert compare(pair.ip, pair.si, sheets, words=WORDS, units=UNITS_OF) > 100


@pytest.mark.parametrize(("kind", "unit"), [("priced", "inWC"), ("blower", "fpm")])
def test_limits_broken_have_the_unit_of_their_row(both: dict[str, Both], kind: str, unit: str) -> None:
    """Pressure and velocity stand in one column of the list."""
    ip, si = (tables.single_orientation(study) for study in both[kind].studies)
    name, factor = UNITS[unit]
    mine = ip["unit"] == unit
    assert mine.any()
    assert set(si.loc[mine, "unit"]) == {name}
    for column in ("amount", "allowed"):
        assert si.loc[mine, column].tolist() == pytest.approx((factor * ip.loc[mine, column]).tolist(), rel=1e-6)


@pytest.mark.parametrize("kind", KINDS)
def test_stored_values_are_what_the_formulas_come_to(both: dict[str, Both], kind: str) -> None:
    live, stored = both[kind].books()[1], openpyxl.load_workbook(both[kind].si, data_only=True)
    sums, number = Sums(live), 0
    for cell in all_cells(live):
        if cell.data_type == "f":
            name = cell.parent.title
            wanted, value = sums.value(name, cell.coordinate), stored[name][cell.coordinate].value
            assert value == (pytest.approx(wanted, rel=1e-5, abs=2e-4) if isinstance(wanted, float) else wanted)
            number += 1
    assert number > 20


@pytest.mark.parametrize("kind", KINDS)
def test_colours_change_at_the_same_values(both: dict[str, Both], kind: str) -> None:
    """Rules are the same but for the numbers of airflow between which the colours of Rooms by front run."""
    ip, si = both[kind].books()
    rules = 0
    for name in own_sheets(ip):
        mine, other = (list(conditions(book[name])) for book in (ip, si))
        assert [m[:2] for m in mine] == [o[:2] for o in other]
        for (_, _, numbers), (_, _, in_si) in zip(mine, other, strict=True):
            assert in_si == pytest.approx([UNITS["cfm"][1] * n for n in numbers], abs=1e-5)
        rules += len(mine)
    assert rules > 3


def conditions(sheet: Worksheet) -> Iterator[tuple[str, list[str], list[float]]]:
    """Area, formulas and numbers of each conditional format."""
    for area in sheet.conditional_formatting:
        for rule in area.rules:
            ends = rule.colorScale.cfvo if rule.colorScale else []
            yield str(area.sqref), rule.formula, [float(end.val) for end in ends]


def test_friction_rate_is_pressure_over_length(both: dict[str, Both]) -> None:
    """In SI, Pa/m = Pa / m; the lengths and the pressure straight from the tables."""
    pair, plan = both["priced"], priced()
    book, (metre, pascal) = pair.books()[1], (UNITS[u][1] for u in ("ft", "inWC"))
    sums, found = Sums(book), blocks(book["Pencil check"])
    lengths = {r["fitting"]: r["equivalent_length_ft"] for r in plan.tables["fittings"]}
    for name, rows in found.items():
        feet, at, row = 0.0, name, plan.row("sections", name)
        given = plan.config["pressure"]["return_inwc" if row.get("side") == "return" else "supply_inwc"]
        while at:
            row = plan.row("sections", at)
            feet += row["length_ft"]
            for item in filter(None, re.split(r" *\+ *", row["fittings"])):
                fitting, _, count = item.partition("*")
                feet += lengths[fitting] * int(count or 1)
            at = row["parent"]
        below = rows["Length with fittings"]
        assert sums.value("Pencil check", f"D{below}") == pytest.approx(feet * metre)
        assert sums.value("Pencil check", f"H{below}") == pytest.approx(given * pascal / (feet * metre))
        assert sums.value("Pencil check", f"I{below}") == "as in the study"
    assert len(found) == len([r for r in plan.tables["sections"] if r["room"]])


@pytest.mark.parametrize(("times", "told"), [(0.5, "as in the study"), (2.0, "changed: run the study again")])
def test_a_changed_length_is_told_from_the_same_rate_on(both: dict[str, Both], times: float, told: str) -> None:
    """A friction rate that is off by 0.0005 inWC/100 ft prints the same; in SI that is 0.0041 Pa/m."""
    book = both["priced"].books()[1]
    sheet = book["Pencil check"]
    below = blocks(sheet)["DEN2"]["Length with fittings"]
    row = next(r for r in range(1, sheet.max_row + 1) if sheet.cell(r, 1).value == "DEN2")  # its inputs come first
    total, rate = f"D{below}", f"H{below}"
    before = Sums(book)
    length, slope = (before.value("Pencil check", cell) for cell in (total, rate))
    more = times * 0.0005 * UNITS[RATE][1] / (slope / length)
    moved = Sums(book, {("Pencil check", f"D{row}"): sheet.cell(row, 4).value + more})
    assert moved.value("Pencil check", total) == pytest.approx(length + more)
    assert moved.value("Pencil check", f"I{below}") == told


def test_speed_and_velocity_pressure_by_first_principles(both: dict[str, Both]) -> None:
    """v = Q / A of a round duct, and p = rho v2 / 2 (Bernoulli); 4005 of the trade's form is rounded to 0.1 %."""
    pair = both["blower"]
    sheet, density = pair.books()[1]["Pencil check"], density_kg_per_m3(pair.books()[1])
    seen = 0
    for row in range(1, sheet.max_row + 1):
        size, flow, speed, pressure = (sheet.cell(row, c).value for c in (3, 2, 4, 10))
        if pressure is not None and all(isinstance(v, int | float) for v in (size, flow, speed, pressure)):
            assert speed == pytest.approx(flow / 1000.0 / (math.pi / 4.0 * (size / 1000.0) ** 2), rel=1e-6)
            assert pressure == pytest.approx(0.5 * density * speed**2, rel=4e-3)
            seen += 1
    assert seen >= len(pair.studies[0].tree.sections)


def density_kg_per_m3(book: Workbook) -> Any:
    sheet = book["Basis"]
    return next(sheet.cell(r, 2).value for r in range(1, 20) if sheet.cell(r, 1).value == "Air density, kg/m3")


def test_cost_is_in_the_plans_currency_or_an_area(both: dict[str, Both]) -> None:
    for book in both["priced"].books():
        words = "\n".join(words_of(book[name]) for name in own_sheets(book))
        assert "USD" not in words
        assert "EUR" in words
    cost = both["blower"].studies[0].recommended.cost * UNITS["ft2"][1]
    assert f"{cost:,.1f} m2 of duct wall" in words_of(both["blower"].books()[1]["Answer"])
