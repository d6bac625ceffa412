"""Delivered airflow, balancing, lots, orientation and purchasing: the sheets of a plan in SI against those in cfm.

The same plan is written in both units, with the factors of ``si_plan``; the plans are invented.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import openpyxl
import pytest
from breakdowns import broken_down, by_sun, with_lots
from openpyxl.worksheet.worksheet import Worksheet
from plan_folder import PlanTables, small_plan, with_prices
from si_cells import LEFT_OVER, UNITS, compare, near, pairs, text_fits, unit_of
from si_plan import FOOT_M, write_si

import tractduct
from tractduct.report import Report
from tractduct.delivery.deliver import deliver
from tractduct.delivery.lots import deliver_lots
from tractduct.orientation import study_orientation
from tractduct.purchasing.buy import buy
from tractduct.writers.purchasing_tables import purchase_csv
from tractduct.writers.workbook import write_workbook

LETTER_IN, A4_IN = (8.5, 11.0), (8.268, 11.693)  # ISO 216: 210 x 297 mm
BALANCING = ("Design", "Reads before", "Hood range", "Reads after", "Heating", "Cooling")  # their group names the unit


def driven() -> PlanTables:
    """A blower gives the pressure; a coil and a filter take some of it."""
    plan = with_prices(small_plan())
    del plan.config["pressure"]
    plan.config["blower"] = {"heating_speed": "low", "cooling_speed": "high", "capacity_tons": 0.9}
    plan.tables["blower"] = [
        {"speed": speed, "airflow_cfm": cfm, "external_static_inwc": static}
        for speed, points in (
            ("low", {60: 0.60, 230: 0.50, 300: 0.38, 500: 0.05}),
            ("high", {60: 0.78, 230: 0.62, 300: 0.52, 400: 0.30, 600: 0.05}),
        )
        for cfm, static in points.items()
    ]
    plan.tables["devices"] = [
        {"device": "coil", "side": "supply", "loss_inwc": 0.18, "at_cfm": 300, "season": "cooling"},
        {"device": "filter", "side": "return", "loss_inwc": 0.06, "at_cfm": 300, "loaded_loss_inwc": 0.12},
    ]
    plan.config["purchase"] = {"box_ft": 25, "waste_pct": 10}
    return plan


def turning() -> PlanTables:
    """Lots between the fronts, and glass by the sun; no prices, so that costs are duct wall."""
    return with_lots(by_sun(broken_down()), ("a", 20.0, None, False, "meadow"), ("b", None, "E", False, None))


@dataclass(frozen=True)
class Books:
    """The same workbooks in both units: of ``deliver`` and ``buy`` together, and of ``lots``; purchase.csv."""

    bought: tuple[Path, Path]
    lots: tuple[Path, Path]
    csv: tuple[str, str]


def _books(plan: PlanTables, folder: Path) -> Books:
    ip = plan.write(folder / "ip")
    bought, turned, texts = [], [], []
    for name, place in (("ip", ip), ("si", write_si(ip, folder / "si"))):
        study = tractduct.study(place)
        delivery, buying, orientation = deliver(study), buy(study, lots=3), study_orientation(study)
        bought.append(folder / f"{name}-bought.xlsx")
        write_workbook(Report(study=study, delivery=delivery, buying=buying), bought[-1])
        turned.append(folder / f"{name}-lots.xlsx")
        write_workbook(Report(study=study, delivery=delivery, orientation=orientation), turned[-1])
        texts.append(purchase_csv(buying))
    return Books((bought[0], bought[1]), (turned[0], turned[1]), (texts[0], texts[1]))


@pytest.fixture(scope="module")
def books(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Books]:
    plans = {"driven": driven(), "turning": turning()}
    return {name: _books(plan, tmp_path_factory.mktemp(name)) for name, plan in plans.items()}


def names(path: Path) -> list[str]:
    return openpyxl.load_workbook(path, read_only=True).sheetnames


def by_title(sheet: Worksheet) -> dict[str, str]:
    """Headers of the sheet's tables that leave the unit to its title -> that unit; season has none."""
    unit = unit_of(str(sheet["A1"].value))
    headers = [str(cell.value) for table in sheet.tables.values() for cell in sheet[table.ref][0]]
    return {header: unit for header in headers if unit}


def test_delivered_airflow(books: dict[str, Books]) -> None:
    sheets = ("Delivered by room", "System", "Substitution", "Substitution by room", "Robustness")
    for found in books.values():
        assert compare(*found.bought, [*sheets, "Delivered in all variants"]) > 100


def test_low_airflow_is_marked_below_the_same_in_si(books: dict[str, Books]) -> None:
    """350 cfm a ton (California Title 24, alternative test) in the rule that colours the cells."""
    limits = []
    for path in books["driven"].bought:
        sheet = openpyxl.load_workbook(path)["System"]
        rules = " ".join(str(r.formula) for area in sheet.conditional_formatting for r in area.rules)
        (limit,) = re.findall(r'"cooling",\$[A-Z][0-9]+<([0-9.]+)', rules)
        limits.append(float(limit))
    assert limits == [350.0, pytest.approx(350.0 * UNITS["cfm a ton"][1], rel=1e-9)]


def test_purchasing(books: dict[str, Books]) -> None:
    for found in books.values():
        sheets = [n for n in names(found.bought[0]) if n.startswith("Buy ")]
        assert len(sheets) >= 2
        assert compare(*found.bought, ["Product comparison", "Stock list", *sheets]) > 30


def test_purchase_csv(books: dict[str, Books]) -> None:
    """Lengths in m, sizes in mm, prices of a m; boxes, pieces and costs are the same."""
    ip, si = (list(csv.DictReader(io.StringIO(text))) for text in books["driven"].csv)
    turned = {"size_in": "size_mm", "drawn_ft": "drawn_m", "with_waste_ft": "with_waste_m", "package_ft": "package_m"}
    assert list(si[0]) == [turned.get(name, name) for name in ip[0]]
    assert len(ip) == len(si) > 5
    for one, other in zip(ip, si, strict=True):
        assert {k: v for k, v in one.items() if k in other and k not in ("price_usd", "price_for")} == {
            k: v for k, v in other.items() if k in one and k not in ("price_usd", "price_for")
        }
        assert float(other["size_mm"]) == pytest.approx(25.4 * float(one["size_in"]))
        duct = one["item"] == "duct"
        assert other["price_for"] == ("m" if duct else one["price_for"])
        for name in ("drawn_ft", "with_waste_ft", "package_ft") if duct else ():
            assert float(other[turned[name]]) == pytest.approx(FOOT_M * float(one[name]), abs=0.003)
        if one["price_usd"]:
            price = float(one["price_usd"]) / (FOOT_M if duct else 1.0)
            assert float(other["price_usd"]) == pytest.approx(price, abs=1e-6)


def test_orientation(books: dict[str, Books]) -> None:
    known = {"Orientation", "Airflow by front", "House by front", "Packages", "Package sizes", "Every degree", "Lots"}
    for kind, found in books.items():
        have = names(found.lots[0])
        sheets = [n for n in have if n in {*known, "Lots by room"}]
        assert len(sheets) >= (8 if kind == "turning" else 5)
        one = openpyxl.load_workbook(found.lots[0])
        words = {"diversity_btuh": "diversity_w"}
        assert sum(compare(*found.lots, [n], units=by_title(one[n]), words=words) for n in sheets) > 50


# -- balancing, by itself and on the second page of a lot ------------------------------------------------


def balancing_faults(ip: Worksheet, si: Worksheet) -> Iterator[str]:
    """Cells of a page of runs that are not the same in SI; headers stand in the row that begins with Run."""
    headers: dict[int, str] = {}
    for pair in pairs(ip, si, {}):
        column, row = ip[pair.at].column, ip[pair.at].row
        if ip.cell(row, 1).value == "Run":
            headers[column] = str(pair.value)
        in_body = "" if row == ip[pair.at].row and ip.cell(row, 1).value == "Run" else headers.get(column, "")
        unit = "cfm" if in_body in BALANCING else unit_of(in_body) or pair.unit
        fixed = Pairless(pair.value, pair.si, unit)
        if not fixed.fits:
            yield f"{pair}, taken as {unit or 'no unit'}"
        if isinstance(pair.si, str) and LEFT_OVER.search(pair.si):
            yield f"{pair}: a unit is left"


@dataclass(frozen=True)
class Pairless:
    value: object
    si: object
    unit: str

    @property
    def fits(self) -> bool:
        if isinstance(self.value, int | float) and isinstance(self.si, int | float):
            wanted = self.value * (UNITS[self.unit][1] if self.unit else 1.0)
            return abs(self.si - wanted) <= 1e-5 * max(1.0, abs(wanted))
        if "–" in str(self.value) and self.unit == "cfm":
            ends = zip(str(self.value).split("–"), str(self.si).split("–"), strict=True)
            return all(near(one, other, "cfm") for one, other in ends)
        return text_fits(str(self.value), str(self.si), {})


def test_balancing_and_lots(books: dict[str, Books]) -> None:
    for paths, start in ((books["driven"].bought, "Balance "), (books["turning"].lots, "Lot ")):
        ip, si = (openpyxl.load_workbook(path) for path in paths)
        sheets = [n for n in ip.sheetnames if n.startswith(start)]
        assert len(sheets) >= 2
        faults = [fault for n in sheets for fault in balancing_faults(ip[n], si[n])]
        assert not faults, "\n".join(faults[:30])


def test_lots_print_on_a4(books: dict[str, Books]) -> None:
    """Both pages of a lot, and a balancing sheet's rows, within the paper on its side at the sheet's scale."""
    for path, number, (short, long) in zip(books["turning"].lots, (1, 9), (LETTER_IN, A4_IN), strict=True):
        book = openpyxl.load_workbook(path)
        for sheet in (book[n] for n in book.sheetnames if n.startswith("Lot ")):
            setup, margins = sheet.page_setup, sheet.page_margins
            assert (setup.orientation, int(setup.paperSize)) == ("landscape", number)
            scale = setup.scale / 100
            last = openpyxl.utils.range_boundaries(sheet.print_area.partition("!")[2])[2]
            letters = [openpyxl.utils.get_column_letter(c + 1) for c in range(last)]
            wide = sum(7 * sheet.column_dimensions[letter].width + 5 for letter in letters) / 96 * scale
            assert 0.7 * (long - margins.left - margins.right) < wide <= long - margins.left - margins.right
            (page_end,) = [b.id for b in sheet.row_breaks.brk]
            for first, end in ((1, page_end), (page_end + 1, sheet.max_row)):
                high = sum(sheet.row_dimensions[r].height or 15.0 for r in range(first, end + 1))
                assert high / 72 * scale <= short - margins.top - margins.bottom
