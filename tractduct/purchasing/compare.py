"""Flex products against each other: alone, approved together, at what price equal, and badly installed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from tractduct.delivery.balance import balance
from tractduct.delivery.flow import with_dampers
from tractduct.delivery.predict import Drive, default_drive, installed_ducts, predict
from tractduct.inputs.plan import Plan
from tractduct.sizing.case import Case, build_case
from tractduct.sizing.drivers import find_headroom
from tractduct.sizing.solve import Solution, least_cost, recommend
from tractduct.sizing.verify import verify_sizes

COMPRESSIONS_PCT = (4.0, 10.0, 15.0)
_ALL_SUBSETS_UP_TO = 5  # products; beyond, alone, in pairs and all together


@dataclass(frozen=True, slots=True, kw_only=True)
class Compressed:
    """A product left compressed by a per cent.

    ``holds``: the product's own set still holds. ``cost`` is the least cost of a set made for that compression,
    NaN where none holds. ``worst_room_pct`` is the least that a room gets, of its design airflow, in the
    product's own set with dampers set for the stretched duct.
    """

    compression_pct: float
    holds: bool
    broken: int
    cost: float
    worst_room_pct: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Alone:
    """One product as the only approved one.

    ``least`` and ``recommended`` are infeasible where no set holds; then the rest is empty or NaN.
    ``least_headroom_pct`` is the run with the least room for more air, ``headroom_run`` its name.
    """

    flex: str
    least: Solution
    recommended: Solution
    headroom_run: str
    least_headroom_pct: float
    compressed: tuple[Compressed, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Approved:
    """Some products approved together.

    ``least`` is at their mean price. ``extra_cost`` by product: what approving it besides the others costs at
    the others' mean price, in sizes alone; NaN where no set holds.
    """

    flex: tuple[str, ...]
    least: Solution
    recommended: Solution
    extra_cost: dict[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class BreakEven:
    """The price at which one product costs as much as another, each in its own best sizes.

    ``price_pct`` is of the product's present prices; NaN where no price makes them equal.
    """

    product: str
    against: str
    price_pct: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FlexComparison:
    """All of it."""

    alone: tuple[Alone, ...]
    approved: tuple[Approved, ...]
    break_even: tuple[BreakEven, ...]


def compare_flex(
    case: Case, *, drive: Drive | None = None, on_step: Callable[[int, int], None] = lambda done, total: None
) -> FlexComparison | None:
    """Compare the approved flex products; None where the plan has none."""
    plan = case.plan
    if plan.flex == ("",):
        return None
    subsets = _subsets(plan.flex)
    total = len(plan.flex) + len(subsets)
    alone = []
    for flex in plan.flex:
        alone.append(_alone(case.only(case.variants.where(flex=flex)), flex, drive or default_drive(plan)))
        on_step(len(alone), total)
    approved = []
    for subset in subsets:
        approved.append(_approved(case, subset))
        on_step(len(alone) + len(approved), total)
    return FlexComparison(
        alone=tuple(alone), approved=tuple(approved), break_even=_break_even(case, alone) if plan.prices else ()
    )


def _subsets(flex: tuple[str, ...]) -> list[tuple[str, ...]]:
    counts = range(1, len(flex) + 1) if len(flex) <= _ALL_SUBSETS_UP_TO else sorted({1, 2, len(flex)})
    return [subset for n in counts for subset in combinations(flex, n)]


def _of(case: Case, flex: tuple[str, ...]) -> Case:
    return case.only(np.array([v.flex in flex for v in case.variants.variants]))


def _recommended(case: Case) -> tuple[Solution, Solution]:
    plan = case.plan
    return recommend(case.problem(), plan.standardize_within_pct, max_distinct=plan.max_distinct_sizes or None)


def _alone(case: Case, flex: str, drive: Drive) -> Alone:
    least, recommended = _recommended(case)
    index = recommended.size_index
    if index is None:
        return Alone(
            flex=flex,
            least=least,
            recommended=recommended,
            headroom_run="",
            least_headroom_pct=np.nan,
            compressed=(),
        )
    tightest = min(find_headroom(case, index), key=lambda h: h.extra_pct)
    return Alone(
        flex=flex,
        least=least,
        recommended=recommended,
        headroom_run=tightest.run,
        least_headroom_pct=tightest.extra_pct,
        compressed=tuple(_compressed(case, flex, index, pct, drive) for pct in COMPRESSIONS_PCT),
    )


def _compressed(case: Case, flex: str, index: NDArray[np.intp], pct: float, drive: Drive) -> Compressed:
    squeezed = _squeezed(case.plan, flex, pct)
    other = build_case(squeezed)
    checked = verify_sizes(squeezed, other.variants.variants, case.labels(index))
    as_drawn = balance(case, installed_ducts(case, index), drive=drive)
    got = predict(
        case,
        with_dampers(installed_ducts(case, index, compression_pct=pct), as_drawn.coefficient),
        drive=drive,
        strict=False,
    )
    return Compressed(
        compression_pct=pct,
        holds=checked.holds,
        broken=len({b.section for b in checked.breaches}),
        cost=_finite(least_cost(other.problem()).cost),
        worst_room_pct=100.0 + float(np.nanmin(got.room_off_pct)),
    )


def _squeezed(plan: Plan, flex: str, pct: float) -> Plan:
    """The plan with one flex only, compressed by a per cent."""
    ducts = {**plan.ducts, flex: replace(plan.ducts[flex], compression_pct=pct)}
    return replace(plan, flex=(flex,), ducts=ducts)


def _approved(case: Case, subset: tuple[str, ...]) -> Approved:
    together = _of(case, subset)
    least, recommended = _recommended(together)
    extra = {}
    for flex in subset if len(subset) > 1 else ():
        rest = tuple(f for f in subset if f != flex)
        without = least_cost(_of(case, rest).problem())
        at_same_price = least_cost(together.priced_for(rest).problem())
        extra[flex] = _finite(at_same_price.cost) - without.cost
    return Approved(flex=subset, least=least, recommended=recommended, extra_cost=extra)


def _finite(cost: float) -> float:
    return cost if np.isfinite(cost) else np.nan


def _break_even(case: Case, alone: list[Alone]) -> tuple[BreakEven, ...]:
    found = []
    for one in alone:
        for other in alone:
            if one.flex != other.flex:
                target = other.least.cost
                pct = _price_for(_of(case, (one.flex,)), one.least, target) if np.isfinite(target) else np.nan
                found.append(BreakEven(product=one.flex, against=other.flex, price_pct=pct))
    return tuple(found)


def _price_for(case: Case, start: Solution, target: float) -> float:
    """Per cent of a product's present prices at which its least cost is the target.

    The least cost is concave and piecewise straight in the price: each step solves the straight piece of the
    present sizes, and the sizes for that price give the next piece. Stops when they no longer change.
    """
    flex_cost, sections = case.flex_duct_cost, np.arange(len(case.tree.sections))
    problem = case.problem()
    at, solution = 100.0, start
    for _ in range(40):
        if solution.size_index is None:
            return float("nan")
        flex_part = float(flex_cost[sections, solution.size_index].sum())
        rest = case.cost_of(solution.size_index) - flex_part
        if flex_part <= 0.0 or target <= rest:
            return float("nan")
        new = 100.0 * (target - rest) / flex_part
        if abs(new - at) < 1e-9:
            return new
        at = new
        scaled = problem.cost + np.where(problem.allowed, flex_cost * (at / 100.0 - 1.0), 0.0)
        solution = least_cost(replace(problem, cost=scaled))
    return at


@dataclass(frozen=True, slots=True, kw_only=True)
class Dropped:
    """The least cost without one size in stock; infinite where no set holds without it."""

    kind: str
    shape: str
    size: str
    cost: float


def without_each_size(case: Case, size_index: NDArray[np.intp]) -> tuple[Dropped, ...]:
    """Which size of a set to drop first: the least cost without each, the cheapest to miss at the head."""
    problem = case.problem()
    kinds = [(s.kind, s.shape) for s in case.tree.sections]
    n_group = int(problem.stock_group.max()) + 1
    found = []
    for group, size in sorted({(int(g), int(k)) for g, k in zip(problem.stock_group, size_index, strict=True)}):
        usable = np.ones((n_group, len(case.table.sizes)), dtype=bool)
        usable[group, size] = False
        kind, shape = kinds[int(np.argmax(problem.stock_group == group))]
        cost = least_cost(problem, usable=usable).cost
        found.append(Dropped(kind=kind, shape=shape, size=case.table.sizes[size].label, cost=cost))
    return tuple(sorted(found, key=lambda d: d.cost))
