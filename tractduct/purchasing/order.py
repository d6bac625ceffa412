"""The purchase list: feet and boxes of duct, fittings by size, with waste and whole packages."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from tractduct.inputs.plan import Plan, is_reducer
from tractduct.inputs.schema import FLEX
from tractduct.one_plan import Study


@dataclass(frozen=True, slots=True, kw_only=True)
class DuctLine:
    """One duct product in one size. ``feet`` are drawn, ``bought_ft`` with waste, ``packages`` whole ones.

    ``insulation`` is the level that the price is for; empty where the prices table gives none.
    """

    duct: str
    size: str
    insulation: str
    feet: float
    bought_ft: float
    package_ft: float
    packages: int
    price_per_ft: float  # NaN without a price

    @property
    def cost(self) -> float:
        """Of the whole packages."""
        return self.packages * self.package_ft * self.price_per_ft


@dataclass(frozen=True, slots=True, kw_only=True)
class FittingLine:
    """One fitting in one size; for a reducer ``size`` names both, larger first."""

    fitting: str
    size: str
    count: int
    price: float  # NaN without a price

    @property
    def cost(self) -> float:
        return self.count * self.price


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What to buy for some lots: ``lots`` counts them by the flex product delivered."""

    lots: Mapping[str, int]
    ducts: tuple[DuctLine, ...]
    fittings: tuple[FittingLine, ...]

    @property
    def cost(self) -> float:
        """Of what has a price; packages are rounded up over all lots together."""
        lines = [line.cost for line in self.ducts] + [line.cost for line in self.fittings]
        return float(np.nansum(lines))


def make_order(study: Study, lots: Mapping[str, int]) -> Order:
    """The order for a number of lots by flex product; ValueError without a size set."""
    if not study.size_set:
        raise ValueError("no size set holds, so there is nothing to buy")
    plan, sizes = study.plan, study.size_set
    total = sum(lots.values())
    feet: Counter[tuple[str, str]] = Counter()
    count: Counter[tuple[str, str, str]] = Counter()
    for section in study.tree.sections:
        size = sizes[section.name]
        for duct, n in lots.items() if section.duct == FLEX else ((section.duct, total),):
            feet[duct, size] += section.length_ft * n  # type: ignore[assignment]
        for name, each in section.fittings:
            if not is_reducer(name):
                count[name, size, size] += each * total
            elif section.parent and sizes[section.parent] != size:
                count[name, f"{sizes[section.parent]} to {size}", size] += each * total
    rank = {size.label: i for i, size in enumerate(plan.sizes)}
    return Order(
        lots=dict(lots),
        ducts=tuple(
            _duct_line(plan, duct, size, float(length))
            for (duct, size), length in sorted(feet.items(), key=lambda item: (item[0][0], rank[item[0][1]]))
            if length > 0.0
        ),
        fittings=tuple(
            FittingLine(
                fitting=name,
                size=shown,
                count=n,
                price=_known(plan.fitting_prices.get((name, size))),
            )
            for (name, shown, size), n in sorted(count.items(), key=lambda i: (i[0][0], rank[i[0][2]], i[0][1]))
        ),
    )


def _duct_line(plan: Plan, duct: str, size: str, feet: float) -> DuctLine:
    bought = feet * (1.0 + plan.purchase.waste_pct / 100.0)
    package = plan.purchase.package_ft.get((duct, size), plan.purchase.box_ft)
    return DuctLine(
        duct=duct,
        size=size,
        insulation=plan.purchase.insulation.get((duct, size), ""),
        feet=feet,
        bought_ft=bought,
        package_ft=package,
        packages=math.ceil(bought / package - 1e-9),
        price_per_ft=_known(plan.prices.get((duct, size))),
    )


def _known(price: float | None) -> float:
    return math.nan if price is None else price
