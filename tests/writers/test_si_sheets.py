"""Delivered airflow, damper marks, lots, orientation and purchasing: the sheets of a plan in SI against those in cfm.

The same plan is written in both units, with the factors of ``si_plan``; the plans are invented.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path

import openpyxl
import pytest
from plan_folder import PlanTables, small_plan, with_prices
from si_cells import compare
from si_plan import FOOT_M, write_si
from surface_plans import broken_down, by_sun, with_lots

import tractduct
from tractduct.delivery.deliver import deliver
from tractduct.orientation import study_orientation
from tractduct.purchasing.buy import buy
from tractduct.report import Report
from tractduct.writers.order_book import write_order
from tractduct.writers.purchasing_tables import purchase_csv
from tractduct.writers.workbook import write_workbook


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
    """The same workbooks in both units: of ``deliver`` and orders of ``buy``, and of ``lots``; purchase.csv."""

    bought: tuple[Path, Path]
    ordered: tuple[Path, Path]
    lots: tuple[Path, Path]
    csv: tuple[str, str]


def _books(plan: PlanTables, folder: Path) -> Books:
    ip = plan.write(folder / "ip")
    bought, ordered, turned, texts = [], [], [], []
    for name, place in (("ip", ip), ("si", write_si(ip, folder / "si"))):
        study = tractduct.study(place)
        delivery, buying, orientation = deliver(study), buy(study, lots=3), study_orientation(study)
        bought.append(folder / f"{name}-bought.xlsx")
        report = Report(study=study, delivery=delivery, buying=buying)
        write_workbook(report, bought[-1])
        ordered.append(folder / f"{name}-order.xlsx")
        write_order(report, ordered[-1])
        turned.append(folder / f"{name}-lots.xlsx")
        write_workbook(Report(study=study, delivery=delivery, orientation=orientation), turned[-1])
        texts.append(purchase_csv(buying))
    return Books((bought[0], bought[1]), (ordered[0], ordered[1]), (turned[0], turned[1]), (texts[0], texts[1]))


@pytest.fixture(scope="module")
def books(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Books]:
    plans = {"driven": driven(), "turning": turning()}
    return {name: _books(plan, tmp_path_factory.mktemp(name)) for name, plan in plans.items()}


def names(path: Path) -> list[str]:
    return openpyxl.load_workbook(path, read_only=True).sheetnames


def test_delivered_airflow_and_marks(books: dict[str, Books]) -> None:
    """Where one mark all year can't do it, several settings are as good, and rounding says which is told (A5); likewise
    which of several variants ends a run's headroom (K21)."""
    for found in books.values():
        sheets = ("Delivered", "Flex products", "Robustness and margins", "Damper marks")
        assert (
            compare(
                *found.bought,
                sheets,
                units={"Limits of this sort": ""},
                skip=["Damper marks!A5", "Robustness and margins!K21"],
            )
            > 100
        )


def test_purchasing(books: dict[str, Books]) -> None:
    for found in books.values():
        sheets = names(found.ordered[0])
        assert len([n for n in sheets if n.startswith("Buy ")]) >= 2
        assert compare(*found.ordered, sheets) > 40


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
    for kind, found in books.items():
        sheets = [n for n in names(found.lots[0]) if n in ("Direction", "Sizes and cost", "Lots")]
        assert len(sheets) == (3 if kind == "turning" else 2)
        assert compare(*found.lots, sheets, words={"diversity_btuh": "diversity_w"}) > 30
