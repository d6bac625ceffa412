"""A number counts as it is seen: with the unit, the currency, the per cent or the thousands that its format shows."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import openpyxl
import pytest
from conftest import WritePlan
from plan_folder import PlanTables, small_plan, with_prices

import tractduct
from tractduct.inputs.number_formats import as_shown


def shows(number_format: str, value: float) -> str:
    return as_shown(value, f"{value:g}", number_format)


# What stands beside the digits is what LibreOffice 7.4 shows for the same value and format, converted to HTML; digits
# are those of the value, not the rounded ones, and a sign is put before the number.
SHOWN: list[tuple[str, dict[float, str]]] = [
    ("0.00", {3.7: "3.7", -5: "-5"}),
    ("#,##0", {1234: "1234"}),  # thousands parted are the same number
    ("0.00E+00", {3.7: "3.7"}),
    ("# ??/16", {3.7: "3.7"}),
    ("+0;-0;0", {3.7: "3.7", -5: "-5"}),
    ("@", {3.7: "3.7"}),
    ("0_m", {3.7: "3.7"}),
    ("[Red]0.0;[Blue]-0.0", {3.7: "3.7", -5: "-5"}),
    ("0%", {0.05: "5%"}),
    ('0"%"', {5: "5%"}),
    ("0\\%", {5: "5%"}),
    ('0.0 "m"', {3.7: "3.7 m"}),
    ("0.0\\ \\m", {3.7: "3.7 m"}),
    ('0"\'"', {3: "3'"}),
    ("0°", {45: "45°"}),
    ('[$-409]0.0" L/s"', {3.7: "3.7 L/s"}),
    ("[$ft] 0", {3: "ft 3"}),
    ('"$"#,##0.00', {3.7: "$3.7"}),
    ("$#,##0.00", {3.7: "$3.7"}),
    ('#,##0.00\\ "€"', {3.7: "3.7 €"}),
    ("[$€-407]\\ #,##0.00", {3.7: "€ 3.7"}),
    ("[$$-409]#,##0.00;[Red]\\-[$$-409]#,##0.00", {3.7: "$3.7", -5: "$-5"}),
    ('_("$"* #,##0.00_);_("$"* \\(#,##0.00\\);_("$"* "-"??_);_(@_)', {3.7: "$3.7", -5: "$-5", 0: "$0"}),
    ('_(* #,##0.00_);_(* \\(#,##0.00\\);_(* "-"??_);_(@_)', {3.7: "3.7", -5: "-5", 0: "0"}),
    ('0.0,"k"', {1_234_567: "1234.567 thousand k"}),
    ("0.0,,", {1_234_567: "1.234567 million"}),
    ('[>=1000]0.0,"k";0', {37: "37", 1_234_567: "1234.567 thousand k"}),
    ('[<10]0.0" ft";0" in"', {3.7: "3.7 ft", 144: "144 in"}),
    ('0;-0;"none"', {3: "3", 0: "none"}),
    ('"R-"0', {8: "R-8"}),
    ('"Lot "0', {12: "Lot 12"}),
    ('0" ft "0" in"', {37: "37 ft  in"}),
    (";;;", {3.7: "3.7"}),
]


@pytest.mark.parametrize(("number_format", "seen"), SHOWN, ids=lambda value: value if isinstance(value, str) else "")
def test_what_a_format_shows(number_format: str, seen: dict[float, str]) -> None:
    for value, text in seen.items():
        assert shows(number_format, value) == text


def formatted(plan: PlanTables, folder: Path, cells: dict[tuple[str, str], tuple[Any, str]]) -> Path:
    """The plan as a workbook with some cells, by table and place, of another value and format."""
    plan.write(folder, "xlsx")
    book = openpyxl.load_workbook(folder / "house.xlsx")
    for (table, place), (value, number_format) in cells.items():
        book[table][place].value, book[table][place].number_format = value, number_format
    book.save(folder / "house.xlsx")
    return folder


@pytest.mark.parametrize(
    ("table", "place", "value", "number_format", "says"),
    [
        ("sections", "G3", 3.7, '0.0 "m"', "'length_ft': got '3.7 m': expected a number of ft .*this is in m"),
        ("sections", "G3", 12, "0.0,", "'length_ft': got '0.012 thousand': expected a number of ft"),
        ("airflow", "C2", 60, '0 "L/s"', "'heating_cfm': got '60 L/s': .*this is in L/s"),
        ("airflow", "C2", 60, '"about "0', "'heating_cfm': got 'about 60'"),
        ("prices", "C2", 1.5, '0.00 "€"', "'price_per_ft': got '1.5 €': expected a number of USD/ft .*this is in EUR"),
        ("prices", "C2", 1.5, "[$€-2] 0.00", "'price_per_ft': got '€ 1.5': .*this is in EUR"),
        ("prices", "B2", 100, '0 "mm"', "'size_in': got '100 mm': expected a size in inches.* this is in mm"),
        ("prices", "C2", 1500, '0.0,"k$"', "'price_per_ft': got '1.5 thousand k.*'"),
        ("ducts", "C2", 0.09, '0.00" mm"', "'roughness_ft': got '0.09 mm': .*this is in mm"),
    ],
)
def test_another_unit_is_refused_as_if_it_were_typed(
    table: str, place: str, value: Any, number_format: str, says: str, tmp_path: Path
) -> None:
    folder = formatted(with_prices(small_plan()), tmp_path / "plan", {(table, place): (value, number_format)})
    with pytest.raises(tractduct.InputFaults, match=f"row {place[1:]}, column {says}"):
        tractduct.load_plan(folder)


def test_its_own_unit_is_read_and_said(tmp_path: Path, write_plan: WritePlan) -> None:
    plan = with_prices(small_plan())
    good = tractduct.load_plan(write_plan(plan))
    price = plan.tables["prices"][0]["price_per_ft"]
    folder = formatted(
        plan,
        tmp_path / "plan",
        {
            ("sections", "G3"): (12, '0.0 "ft"'),
            ("sections", "G4"): (20, "0.0'"),
            ("airflow", "C2"): (60, '#,##0" cfm"'),
            ("prices", "B2"): (4, '0\\"'),
            ("prices", "C2"): (price, '_("$"* #,##0.00_);_("$"* \\(#,##0.00\\);_("$"* "-"??_);_(@_)'),
            ("prices", "C3"): (plan.tables["prices"][1]["price_per_ft"], "#,##0.00\\ [$$-409]"),
        },
    )
    read = tractduct.load_plan(folder)
    assert (read.sections, read.prices) == (good.sections, good.prices)
    said = "\n".join(str(finding) for finding in read.findings)
    assert "'12 ft' in row 3 is read as 12, and 1 more in this column" in said
    assert "'60 cfm' in row 2 is read as 60" in said
    assert f"'${price:g}' in row 2 is read as {price:g}, and 1 more in this column" in said


@pytest.mark.parametrize(
    ("currency", "good", "bad"),
    [
        (
            "USD",
            ["$1.5", "1.5 $", "1.5 USD", "$ 1.5/ft", "1.5 $/ft", "1.5/ft"],
            ["€1.5", "1.5 EUR/ft", "1.5 $/m", "1.5 ft"],
        ),
        ("EUR", ["€1.5", "1.5 €", "1.5 EUR", "€1.5/ft", "1.5 EUR/ft"], ["$1.5", "1.5 USD/ft", "£1.5"]),
        ("€", ["€1.5", "1.5 EUR", "1.5 €/ft"], ["$1.5"]),
        ("CHF", ["CHF 1.5", "1.5 chf", "1.5 CHF/ft"], ["$1.5", "1.5 €", "1.5 CHF/m"]),
    ],
)
def test_prices_in_the_plans_currency(currency: str, good: list[str], bad: list[str], write_plan: WritePlan) -> None:
    """As typed; a format shows the same."""
    plan = with_prices(small_plan())
    plan.config["currency"] = currency
    key = ("galvanised", "4")
    for text in good:
        plan.tables["prices"][0]["price_per_ft"] = text
        assert tractduct.load_plan(write_plan(plan)).prices[key] == 1.5
    for text in bad:
        plan.tables["prices"][0]["price_per_ft"] = text
        with pytest.raises(tractduct.InputFaults, match="row 2, column 'price_per_ft'"):
            tractduct.load_plan(write_plan(plan))
