"""A price that falls as the size grows: two rows exchanged, a slipped decimal. Told by its rows, and the plan runs."""

from __future__ import annotations

from pathlib import Path

import pytest
from conftest import WritePlan
from plan_folder import PlanTables, small_plan, with_prices
from si_plan import write_si

import tractduct
from tractduct.findings import Finding, Severity

RECTANGLES = [[8, 8], [8, 10], [8, 12], [10, 10], [14, 8], [12, 8]]


def priced() -> PlanTables:
    plan = small_plan()
    plan.config["sizes"]["rectangular_in"] = RECTANGLES
    plan = with_prices(plan)
    plan.config["purchase"] = {"insulation": "R-6"}
    return plan


def price(plan: PlanTables, duct: str, size: str, value: object) -> int:
    """Set a price; the number of its row in the file, below the header."""
    for number, row in enumerate(plan.tables["prices"], start=2):
        if (row["duct"], row["size_in"]) == (duct, size):
            row["price_per_ft"] = value
            return number
    raise KeyError(size)


def told(folder: Path) -> list[Finding]:
    found = [f for f in tractduct.load_plan(folder).findings if f.rule == "price falls with size"]
    assert all(f.severity is Severity.CAUTION for f in found)
    return found


def test_prices_that_rise_say_nothing(write_plan: WritePlan, demo_folder: Path) -> None:
    assert told(write_plan(priced())) == []
    assert told(demo_folder) == []
    assert told(demo_folder.parent / "quernby-1180") == []


def test_two_rows_exchanged(write_plan: WritePlan) -> None:
    """Of meadow 8 and 9 in are exchanged, so that 9 in costs less than 8 in; the neighbours still rise."""
    plan = priced()
    first, second = price(plan, "meadow", "8", 4.10), price(plan, "meadow", "9", 3.87)
    (found,) = told(write_plan(plan))
    assert found.subject == "prices.csv, duct meadow"
    assert found.message == f"8 in (row {first}) costs 4.10 and 9 in (row {second}) 3.87 USD/ft"


def test_a_slipped_decimal_each_way(write_plan: WritePlan) -> None:
    plan = priced()
    lower = price(plan, "meadow", "12", 0.41)
    upper = price(plan, "granite", "6", 24.0)
    first, second = told(write_plan(plan))
    assert f"12 in (row {lower}) 0.41 USD/ft" in first.message
    assert first.message.startswith("10 in (row ")
    assert second.message.startswith(f"6 in (row {upper}) costs 24.00 and 7 in (row ")
    assert ";" not in first.message + second.message


def test_a_size_that_is_not_offered_is_passed_over(write_plan: WritePlan) -> None:
    plan = priced()
    price(plan, "meadow", "9", "-")
    assert told(write_plan(plan)) == []
    price(plan, "meadow", "10", 0.5)
    (found,) = told(write_plan(plan))
    assert found.message.startswith("8 in (row ")
    assert "10 in (row " in found.message


@pytest.mark.parametrize(
    ("cheap", "than"),
    [
        # 10x10 has 8x8 and 8x10 within it; 8x14 is not within it, nor it within 8x14
        ("10x10", ["8x10"]),
        # 12x8 is 8x12 turned: as large; 8x10 is within it
        ("12x8", ["8x10"]),
        ("14x8", ["8x12", "12x8"]),
        ("8x8", []),  # the smallest may be as cheap as it likes
    ],
)
def test_rectangles_are_compared_by_both_sides(cheap: str, than: list[str], write_plan: WritePlan) -> None:
    """Worked out by hand. Between round and rectangular sizes nothing is compared."""
    plan = priced()
    price(plan, "galvanised", cheap, 0.05)
    found = told(write_plan(plan))
    assert len(found) == bool(than)
    said = found[0].message.split("; ") if found else []
    assert sorted(part.split(" in ")[0] for part in said) == sorted(than)
    assert all(f"and {cheap} in (row " in part for part in said)


def test_equal_prices_do_not_fall(write_plan: WritePlan) -> None:
    plan = priced()
    for row in plan.tables["prices"]:
        row["price_per_ft"] = 2.0
    assert told(write_plan(plan)) == []


def test_another_level_of_insulation_does_not_count(write_plan: WritePlan) -> None:
    plan = priced()
    for row in plan.tables["prices"]:
        row["insulation"] = None
    plan.tables["prices"] += [
        {"duct": "meadow", "size_in": "9", "price_per_ft": 0.2, "insulation": "R-8"},
    ]
    assert told(write_plan(plan)) == []


def test_many_falls_are_one_finding(write_plan: WritePlan) -> None:
    """Nine round sizes that all fall: eight steps, of which four are shown."""
    plan = priced()
    for n, size in enumerate((4, 5, 6, 7, 8, 9, 10, 12, 14)):
        price(plan, "meadow", str(size), 20.0 - n)
    (found,) = told(write_plan(plan))
    assert found.message.count("costs") == 4
    assert found.message.endswith(", and 4 more")


def test_prices_of_fittings(write_plan: WritePlan) -> None:
    plan = priced()
    plan.tables["fitting_prices"] = [
        {"fitting": "collar", "size_in": row["size_in"], "price": 5.0 if row["size_in"] != "10" else 0.5}
        for row in plan.tables["prices"]
        if row["duct"] == "galvanised"
    ]
    (found,) = told(write_plan(plan))
    assert found.subject == "fitting_prices.csv, fitting collar"
    assert "10 in (row " in found.message
    assert found.message.endswith("0.50 USD")


def test_in_si(write_plan: WritePlan, tmp_path: Path) -> None:
    """9 in is 228.6 mm, and 3.87 USD a foot 12.70 USD a metre."""
    plan = priced()
    first, second = price(plan, "meadow", "8", 4.10), price(plan, "meadow", "9", 3.87)
    (found,) = told(write_si(write_plan(plan), tmp_path / "si"))
    assert f"228.6 mm (row {second}) 12.70 USD/m" in found.message
    assert f"203.2 mm (row {first}) costs 13.45" in found.message
