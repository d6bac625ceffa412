"""The stock list of many plans: which distinct sizes to carry, for the least total cost; and a plan's part of it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tractduct.arrays import IntArray
from tractduct.sizing.case import Case
from tractduct.sizing.program import SizingProblem
from tractduct.systems import joined, stock_groups
from tractduct.units import IP, NOMINAL

CLOSED = 1e-6  # relative: a cost this close to its bound is the least


@dataclass(frozen=True, slots=True, kw_only=True)
class StockSize:
    """A size of one kind and shape of duct; ``unit`` is in or mm."""

    kind: str
    shape: str
    size: str
    unit: str = IP.unit(NOMINAL)

    @property
    def order(self) -> tuple[str, bool, bool, float, str]:
        """Inches first, flex first, round first, then by width and height."""
        across = math.prod(float(part) for part in self.size.split("x"))
        return (self.unit, self.kind != "flex", self.shape != "round", across, self.size)

    def __str__(self) -> str:
        return f"{self.size} {self.unit} {self.kind}" + (" rectangular" if self.shape == "rectangular" else "")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StockPlan:
    """What the stock list needs of one plan: its program, and what each stock group and size of it is.

    The program's costs are in ``cost_unit``, the plan's own.

    ``sizes``: by stock group, then by size of the program. ``sets``: size sets that are known to hold, each
    (n_section,) of the program's sizes. ``bound``: no set costs less.
    """

    name: str
    lots: int
    cost_unit: str
    problem: SizingProblem
    sizes: tuple[tuple[StockSize, ...], ...]
    sets: tuple[IntArray, ...] = ()
    bound: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class StockEntry:
    """The best choice of a number of sizes. ``bound``: no choice of as many costs less."""

    sizes: tuple[StockSize, ...]
    cost: float
    bound: float
    worst_plan: str
    worst_pct: float

    @property
    def proven(self) -> bool:
        return self.bound >= self.cost * (1.0 - 2.0 * CLOSED)

    @property
    def gap_pct(self) -> float:
        """By how much another choice could cost less, in % of the cost; 0 where proven."""
        return 0.0 if self.proven else 100.0 * (1.0 - self.bound / self.cost)

    @property
    def said(self) -> str:
        """What is proven of it, in words."""
        return "proven" if self.proven else f"searched, not proven: {self.gap_pct:.3f} % less may be possible"


@dataclass(frozen=True, slots=True, kw_only=True)
class StockList:
    """The least total cost by number of sizes, fewest first; ``least_cost`` is that of every plan's own best.

    ``why_empty`` says why there are no entries.
    """

    entries: tuple[StockEntry, ...] = ()
    least_cost: float = 0.0
    cost_unit: str = ""
    plans: int = 0
    why_empty: str = ""
    solved: int = 0  # size sets that were worked out exactly
    rounds: int = 0  # integer programs over the choice of sizes


def stock_plan(
    cases: Sequence[Case], name: str, sets: Sequence[Mapping[str, str]] = (), bound: float = 0.0
) -> StockPlan:
    """A plan's part of the stock list. Sizes that no section may have are left out of its program.

    Parameters
    ----------
    cases : one for each system of the plan
    name : of the plan
    sets : section -> size, of size sets that the plan's study found; one that does not hold is left out
    bound : of the plan's cost, in its own unit
    """
    plan, problem = cases[0].plan, joined(cases)
    units = plan.units
    quantity = "USD" if plan.prices else "ft2"
    kept = np.flatnonzero(problem.allowed.any(axis=0))
    labels = [cases[0].table.sizes[k].label for k in kept]
    change_cost = problem.change_cost
    problem = replace(
        problem,
        loss_inwc=problem.loss_inwc[:, :, kept],
        cost=units.shown(problem.cost[:, kept], quantity),
        allowed=problem.allowed[:, kept],
        diameter_in=problem.diameter_in[kept],
        change_cost=None if change_cost is None else units.shown(change_cost[:, kept], quantity),
    )
    names = [section.name for case in cases for section in case.tree.sections]
    return StockPlan(
        name=name,
        lots=plan.lots_left or len(plan.lots),
        cost_unit=units.unit(quantity),
        problem=problem,
        sizes=tuple(
            tuple(StockSize(kind=kind, shape=shape, size=label, unit=units.unit(NOMINAL)) for label in labels)
            for kind, shape in stock_groups(cases)
        ),
        sets=tuple(_that_hold(problem, names, labels, sets)),
        bound=bound,
    )


def _that_hold(
    problem: SizingProblem, names: Sequence[str], labels: Sequence[str], sets: Iterable[Mapping[str, str]]
) -> Iterator[IntArray]:
    for one in sets:
        if all(one.get(name) in labels for name in names):
            size_index = np.array([labels.index(one[name]) for name in names], dtype=np.intp)
            if problem.holds(size_index):
                yield size_index
