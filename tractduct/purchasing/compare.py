"""Flex products against each other: alone, approved together, at what price equal, and badly installed."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from itertools import combinations, permutations

import numpy as np

from tractduct.arrays import IntArray
from tractduct.delivery.balance import Balance, balance
from tractduct.delivery.predict import Delivered, Drive, default_drive, installed_ducts, predict
from tractduct.delivery.robust import MOST_COMPRESSION_PCT
from tractduct.model.plan import Plan
from tractduct.sizing.case import Case, build_case
from tractduct.sizing.governing import headroom_by_run
from tractduct.sizing.solve import Solution, least_cost, least_costs
from tractduct.sizing.verify import verify_sizes

COMPRESSIONS_PCT = (4.0, 10.0, MOST_COMPRESSION_PCT)
_ALL_SUBSETS_UP_TO = 5  # products; beyond, alone, in pairs and all together


@dataclass(frozen=True, slots=True, kw_only=True)
class Compressed:
    """A product left compressed by a per cent.

    ``holds``: the product's own set still holds; ``broken`` sections of it are out of limits. ``cost`` is the
    least cost of a set made for that compression, NaN where none holds. ``worst_room_pct`` is the least that a
    room gets, of its design airflow, in the product's own set with dampers set for the duct as the plan has it;
    NaN where the blower's table and the system do not meet in some variant.
    """

    compression_pct: float
    holds: bool
    broken: int
    cost: float
    worst_room: str
    worst_room_pct: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Alone:
    """One product as the only approved one.

    ``least`` and ``recommended`` are infeasible where no set holds; then the rest is empty or NaN. All of it is
    of the recommended set: ``headroom_run`` is the run with the least room for more air and
    ``least_headroom_pct`` how much; ``lowest_room`` gets the least of its design airflow with all dampers open,
    ``lowest_room_pct``; ``balanced_within``: once balanced, every room is within tolerance in every variant.
    """

    flex: str
    least: Solution
    recommended: Solution
    size_set: Mapping[str, str] = field(default_factory=dict)
    headroom_run: str = ""
    least_headroom_pct: float = np.nan
    lowest_room: str = ""
    lowest_room_pct: float = np.nan
    balanced_within: bool = False
    compressed: tuple[Compressed, ...] = ()


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
    """Compare the approved flex products; None where the plan has none. Every search goes on until proven."""
    plan = case.plan
    if plan.flex == ("",):
        return None
    subsets = _subsets(plan.flex)
    alone: list[Alone] = []
    approved: list[Approved] = []
    for done, subset in enumerate(subsets):
        on_step(done, len(subsets) + 1)
        together = _of(case, subset)
        found = together.recommended()
        if len(subset) == 1:
            alone.append(_alone(together, subset[0], found, drive or default_drive(plan)))
        approved.append(_approved(case, subset, found))
    on_step(len(subsets), len(subsets) + 1)
    break_even = _break_even(case, alone) if plan.prices else ()
    return FlexComparison(alone=tuple(alone), approved=tuple(approved), break_even=break_even)


def _subsets(flex: tuple[str, ...]) -> list[tuple[str, ...]]:
    counts = range(1, len(flex) + 1) if len(flex) <= _ALL_SUBSETS_UP_TO else sorted({1, 2, len(flex)})
    return [subset for n in counts for subset in combinations(flex, n)]


def _of(case: Case, flex: tuple[str, ...]) -> Case:
    return case.only(np.array([v.flex in flex for v in case.variants.variants]))


def _alone(case: Case, flex: str, found: tuple[Solution, Solution], drive: Drive) -> Alone:
    least, recommended = found
    index = recommended.size_index
    if index is None:
        return Alone(flex=flex, least=least, recommended=recommended)
    tightest = min(headroom_by_run(case, index), key=lambda h: h.extra_pct)
    as_drawn = balance(case, installed_ducts(case, index), drive=drive)
    room, room_pct = _lowest_room(case.plan, as_drawn.before)
    return Alone(
        flex=flex,
        least=least,
        recommended=recommended,
        size_set=case.labels(index),
        headroom_run=tightest.run,
        least_headroom_pct=tightest.extra_pct,
        lowest_room=room,
        lowest_room_pct=room_pct,
        balanced_within=bool(as_drawn.after.room_within(case.plan.tolerance).all()),
        compressed=tuple(_compressed(case, flex, index, pct, as_drawn) for pct in COMPRESSIONS_PCT),
    )


def _lowest_room(plan: Plan, got: Delivered) -> tuple[str, float]:
    """The room that gets the least of its design airflow, and how many per cent; NaN where not all is known."""
    off = got.room_off_pct
    if not got.solution.settled.all() or np.isnan(off).all():
        return "", float("nan")
    n = int(np.argmin(np.round(np.nanmin(np.where(np.isnan(off), np.inf, off), axis=0), 9)))
    return plan.rooms[n], 100.0 + float(np.nanmin(off))


def _compressed(case: Case, flex: str, size_index: IntArray, pct: float, as_drawn: Balance) -> Compressed:
    duct = replace(case.plan.ducts[flex], compression_pct=pct)
    squeezed = replace(case.plan, flex=(flex,), ducts={**case.plan.ducts, flex: duct})
    other = build_case(squeezed)
    checked = verify_sizes(squeezed, other.variants.variants, case.labels(size_index))
    ducts = installed_ducts(case, size_index, compression_pct=pct, dampers=as_drawn.coefficient)
    room, room_pct = _lowest_room(case.plan, predict(case, ducts, drive=as_drawn.after.drive, strict=False))
    return Compressed(
        compression_pct=pct,
        holds=checked.holds,
        broken=len({b.section for b in checked.breaches}),
        cost=_finite(least_costs(other.problem())[0]),
        worst_room=room,
        worst_room_pct=room_pct,
    )


def _approved(case: Case, subset: tuple[str, ...], found: tuple[Solution, Solution]) -> Approved:
    extra = {}
    for flex in subset if len(subset) > 1 else ():
        rest = tuple(f for f in subset if f != flex)
        without = _of(case, rest).least_cost()
        at_same_price = _of(case, subset).priced_for(rest).problem()
        # More products never make a set cheaper: where those sizes hold with all of them, nothing is to be sought.
        fits = without.size_index is not None and at_same_price.holds(without.size_index)
        extra[flex] = 0.0 if fits else _finite(least_costs(at_same_price)[0]) - _finite(without.cost)
    return Approved(flex=subset, least=found[0], recommended=found[1], extra_cost=extra)


def _finite(cost: float) -> float:
    return cost if np.isfinite(cost) else float("nan")


def _break_even(case: Case, alone: list[Alone]) -> tuple[BreakEven, ...]:
    found = []
    for one, other in permutations(alone, 2):
        target, pct = other.least.cost, float("nan")
        if np.isfinite(target):
            pct = _price_for(_of(case, (one.flex,)), one.least, target)
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
    """What it costs not to stock one size of a set.

    ``cost`` is the least cost with any other size on offer in its place, ``rest_cost`` with the other sizes of
    the set alone; infinite where no set holds so.
    """

    kind: str
    shape: str
    size: str
    cost: float
    rest_cost: float


def without_each_size(case: Case, size_index: IntArray) -> tuple[Dropped, ...]:
    """Which size of a set to drop first: the one whose loss the rest of the set bears for the least money."""
    problem = case.problem()
    stock = np.zeros((len(case.stock_groups), len(case.table.sizes)), dtype=bool)
    stock[problem.stock_group, size_index] = True
    dropped = [tuple(at) for at in np.argwhere(stock)]
    others, rest = (np.repeat(of[None], len(dropped), axis=0) for of in (np.ones_like(stock), stock))
    for n, at in enumerate(dropped):
        others[n][at] = rest[n][at] = False
    costs = least_costs(problem, [*others, *rest])
    found = []
    for (group, size), cost, rest_cost in zip(dropped, costs, costs[len(dropped) :], strict=False):
        (kind, shape), label = case.stock_groups[group], case.table.sizes[size].label
        found.append(Dropped(kind=kind, shape=shape, size=label, cost=cost, rest_cost=rest_cost))
    return tuple(sorted(found, key=lambda d: (round(d.rest_cost, 6), round(d.cost, 6))))
