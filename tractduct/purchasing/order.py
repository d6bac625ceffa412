"""The purchase list: feet and boxes of duct, fittings by size, with waste and whole packages."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from tractduct.model.options import Built
from tractduct.model.plan import Plan, pieces_of
from tractduct.model.words import STICK_FT
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
    """One fitting in one size; ``size`` names all its openings, the parent's first: ``10 to 7``, ``8 x 6 x 6``."""

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
        lines: tuple[DuctLine | FittingLine, ...] = (*self.ducts, *self.fittings)
        return float(np.nansum([line.cost for line in lines]))

    def cost_of_feet(self, *, waste: bool) -> float:
        """The same if duct were sold by the foot: as drawn, or with waste."""
        ducts = [(line.bought_ft if waste else line.feet) * line.price_per_ft for line in self.ducts]
        return float(np.nansum([*ducts, *(line.cost for line in self.fittings)]))


DAMPER = "balancing damper"  # as the lists call it


def make_order(
    study: Study,
    lots: Mapping[str, int],
    dampers: Sequence[str] = (),
    houses: Mapping[tuple[str, Built], int] | None = None,
) -> Order:
    """The order for a number of lots by flex product; ValueError without a size set.

    ``dampers`` : the runs that have one. ``houses`` : the same lots by flex product and options; all are the plan's
    first house if None.
    """
    if not study.size_set:
        raise ValueError("no size set holds, so there is nothing to buy")
    plan, sizes = study.plan, study.size_set
    rank = {size.label: i for i, size in enumerate(plan.sizes)}
    diameter = plan.diameter_by_size
    feet: Counter[tuple[str, str]] = Counter()
    count: Counter[tuple[str, str, str]] = Counter()
    blades: Counter[str] = Counter()
    first = plan.every_house[0].options
    for (flex, built), n in (houses or {(flex, first): n for flex, n in lots.items()}).items():
        sections = [section for section in study.tree.sections if section.is_built(built)]
        for section in sections:
            size = sizes[section.name]
            feet[section.duct_in(flex), size] += section.length_ft * n  # type: ignore[assignment]
            blades[size] += n * (section.name in dampers)
        for piece in pieces_of(sections, plan.fittings):
            size = sizes[piece.section]
            others = sorted((sizes[name] for name in piece.branches), key=lambda label: -diameter[label])
            if not piece.is_reducer:
                count[piece.fitting, " x ".join([size, *others]), size] += piece.count * n
            elif others != [size]:
                count[piece.fitting, f"{others[0]} to {size}", size] += piece.count * n
    ducts = [
        _duct_line(plan, duct, size, float(length))
        for (duct, size), length in sorted(feet.items(), key=lambda item: (item[0][0], rank[item[0][1]]))
        if length > 0.0
    ]
    fittings = [
        FittingLine(fitting=name, size=shown, count=n, price=_known(plan.fitting_prices.get((name, size))))
        for (name, shown, size), n in sorted(count.items(), key=lambda i: (i[0][0], rank[i[0][2]], i[0][1]))
    ]
    fittings += [
        FittingLine(fitting=DAMPER, size=size, count=n, price=plan.dampers.price if plan.prices else math.nan)
        for size, n in sorted(blades.items(), key=lambda item: rank[item[0]])
        if n
    ]
    return Order(lots=dict(lots), ducts=tuple(ducts), fittings=tuple(fittings))


def _duct_line(plan: Plan, duct: str, size: str, feet: float) -> DuctLine:
    bought = feet * (1.0 + plan.purchase.waste_pct / 100.0)
    otherwise = plan.purchase.box_ft if plan.ducts[duct].kind == "flex" else STICK_FT
    package = plan.purchase.package_ft.get((duct, size), otherwise)
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
