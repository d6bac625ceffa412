"""The search for the stock list.

For a choice of sizes each plan costs its least cost with those alone, times its lots. That is a function of the
choice; it is bounded from below by straight lines:

- The multipliers of a plan's linear program (``sizing.relaxation``) bound the plan's cost for every choice at once:
  a constant, and for each section the least reduced cost among the sizes carried. Lines below that are cuts.
- Where a plan's exact cost is known for one choice, no part of that choice costs less: a cut for what the linear
  program leaves open.
- A choice that a plan cannot be built from needs some size more.

A small integer program over "size carried or not" with these cuts gives the best choice still possible and a bound
on all others. The plans are then solved exactly for that choice, which gives a cost and new cuts, until bound and
cost meet. An exact cost holds for all choices between the sizes it uses and the sizes it was offered, so that few
have to be solved. The number of rounds is limited, and the time may be; what is not closed then says how far off it
can be. The sets that the plans' own studies found are there from the start, so that there always is a list.
"""

from __future__ import annotations

import functools
import math
import operator
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from tractduct.arrays import BoolArray, FloatArray, IntArray
from tractduct.errors import OutOfTime, SolverError
from tractduct.portfolio.pool import Pool
from tractduct.portfolio.stock import CLOSED, StockEntry, StockList, StockPlan, StockSize
from tractduct.sizing.highs import Optimum, integer_program, linear_program
from tractduct.sizing.program import SizingProblem
from tractduct.sizing.relaxation import SAME_COST, Clock, Relaxation
from tractduct.sizing.solve import least_cost

_CUT_BROKEN = 1e-5  # part of the total: a cut broken by less moves the bound too little
_STALLS = 1e-6  # relative gain of a round of cuts below which the linear program is left
_MOST_LINEAR_ROUNDS = 60
_MOST_ROUNDS = 60  # integer programs for each number of sizes, where time is not limited
_MOST_NODES = 20_000  # of the branches of one of them: a limit by which the same input still gives the same list
_MISSING = 2.0  # times a section's dearest size: what a section without any size costs in a bound


def stock_list(
    plans: Sequence[StockPlan],
    *,
    pool: Pool | None = None,
    time_limit_s: float | None = None,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> StockList:
    """The least total cost for each number of sizes, from the fewest that serve all plans.

    Parameters
    ----------
    plans : each must have a size set
    pool : processes for the exact costs; this one alone if None
    time_limit_s : of the whole search; then the best found, with its bound. No limit if None
    progress : called with the numbers of sizes done, and at most how many

    Raises OutOfTime where time runs out before each plan has a set, which one with ``sets`` always has.
    """
    units = {plan.cost_unit for plan in plans}
    size_units = {size.unit for plan in plans for sizes in plan.sizes for size in sizes}
    if not plans:
        return StockList(why_empty="no plan has a size set")
    if len(units) > 1:
        why = f"the plans' costs are in {' and '.join(sorted(units))}, so that they can't be added up"
        return StockList(why_empty=why, plans=len(plans))
    if len(size_units) > 1:
        why = "some plans have sizes in inches and others in mm, so that they share no stock"
        return StockList(why_empty=why, plans=len(plans))
    return _Search(plans, pool or Pool(1), Clock(time_limit_s)).run(progress)


@dataclass(frozen=True, slots=True, eq=False)
class _Multipliers:
    """A bound by a linear program's multipliers: ``constant`` and each section's least reduced cost.

    ``reduced`` (n_section, n + 1) by size of the whole list, the last for a section without a size; ``order``
    and ``rising`` the same by rising cost; ``last`` the last place by section that is finite.
    """

    constant: float
    reduced: FloatArray
    order: IntArray
    rising: FloatArray
    last: IntArray

    def line(self, available: FloatArray, need: float) -> tuple[float, FloatArray]:
        """A line below the bound: total and slope by size.

        Each section costs a level less what each cheaper size saves; the level is where the sizes available
        (n + 1,) add up to the need.
        """
        filled = np.cumsum(available[self.order], axis=1)
        at = np.minimum((filled < need).sum(axis=1), self.last)
        # no level above that of a section without a size, which is always to be had
        level = np.minimum(self.rising[np.arange(len(at)), at], self.reduced[:, -1])
        slope: FloatArray = -np.maximum(0.0, level[:, None] - self.reduced[:, :-1]).sum(axis=0)
        return self.constant + float(level.sum()), slope


@dataclass(slots=True, eq=False)
class _Known:
    """One plan in the search; sizes are numbers of the whole list, choices are sets of them as bits."""

    plan: StockPlan
    number: IntArray  # (n_group, n_size) of each size in the whole list
    relaxation: Relaxation
    column_size: IntArray  # (n_column,) size of each column in the whole list
    relevant: int = 0
    own: float = np.inf  # cost of the best set known
    floor: float = 0.0  # no set costs less
    sets: list[tuple[int, float]] = field(default_factory=list)  # sizes used, cost
    # sizes used, sizes offered, cost: the least cost of every choice between the two
    exact: list[tuple[int, int, float]] = field(default_factory=list)
    bounds: list[_Multipliers] = field(default_factory=list)

    def keep(self, size_index: IntArray | None, cost: float, offered: int | None = None) -> None:
        """Note a set that holds; ``offered``: it is the best of a choice of these sizes, None where none holds."""
        used = 0
        if size_index is not None:
            used = _bits(self.number[self.plan.problem.stock_group, size_index])
            self.sets.append((used, cost))
        if offered is not None:
            self.exact.append((used, offered, cost))

    def found(self, choice: int) -> float | None:
        """The least cost within a choice, where it is known; inf where none holds."""
        offered = choice & self.relevant
        for used, most, cost in self.exact:
            if not offered & ~most and not used & ~offered:
                return cost
        return None

    def best(self, choice: int) -> tuple[float, int]:
        """What the best set known within a choice costs and uses; inf without one."""
        return min(((cost, used) for used, cost in self.sets if not used & ~choice), default=(np.inf, 0))


class _Search:
    """Cuts and costs over all plans; ``n`` sizes in the whole list, costs weighted by lots."""

    def __init__(self, plans: Sequence[StockPlan], pool: Pool, clock: Clock) -> None:
        used = sorted(
            {
                plan.sizes[group][size]
                for plan in plans
                for section, group in enumerate(plan.problem.stock_group)
                for size in np.flatnonzero(plan.problem.allowed[section])
            },
            key=lambda size: size.order,
        )
        self.sizes = used
        self.n = len(used)
        self.pool = pool
        self.clock = self.whole_time = clock
        at = {size: i for i, size in enumerate(used)}
        self.plans = [self._known(plan, at) for plan in plans]
        self.weight = np.array([plan.lots for plan in plans], dtype=float)
        self.solved = 0
        self.rounds = 0
        everything = (1 << self.n) - 1
        self.best_of_all, self.least = self.evaluate(everything)
        for known in self.plans:
            known.own = known.best(everything)[0]
            known.floor = max(known.floor, known.found(everything) or 0.0)
            if not math.isfinite(known.floor):
                raise ValueError(f"no size set holds in plan {known.plan.name}")
            if not math.isfinite(known.own):
                raise OutOfTime(f"{known.plan.name}: no size set was found in time, so that there is no stock list")
        self.left: list[FloatArray] = []  # rows over (sizes, plans): left @ (y, cost) >= right
        self.right: list[float] = []
        self._seen: set[bytes] = set()
        self._stacked: tuple[FloatArray, FloatArray] = (np.zeros((0, self.n + len(plans))), np.zeros(0))
        for known in self.plans:
            self._cover_sections(known)

    def _known(self, plan: StockPlan, at: dict[StockSize, int]) -> _Known:
        number = np.array([[at.get(size, -1) for size in row] for row in plan.sizes], dtype=np.intp)
        problem = plan.problem
        relaxation = Relaxation(problem, problem.tightened(), self.clock)
        root = relaxation.bound(relaxation.all_columns, np.inf)  # finds the rows that matter
        column_size = number[problem.stock_group[relaxation.section], relaxation.size]
        known = _Known(plan, number, relaxation, column_size, relevant=_bits(np.unique(column_size)))
        known.floor = max(plan.bound, root.value / relaxation.scale)
        for size_index in plan.sets:
            cost = problem.cost_of(size_index)
            known.keep(size_index, cost, known.relevant if cost <= plan.bound * (1.0 + SAME_COST) else None)
        return known

    # --- exact costs -----------------------------------------------------------------------------------

    def evaluate(self, choice: int) -> tuple[int, float]:
        """Work out every plan's least cost within a choice, where it is not known yet and time is left.

        What the best sets known within it use, and their total.
        """
        asked = [] if self.clock.is_over() else [known for known in self.plans if known.found(choice) is None]
        tasks = (
            # read when a process is free for it: that is when its time begins
            (n, known.plan.problem, self._usable(known, choice), self.clock.left_s())
            for n, known in enumerate(asked)
        )
        self.solved += len(asked)
        for n, size_index, cost, proven in self.pool.answers(_least, tasks, _no_answer):
            asked[n].keep(size_index, cost, choice & asked[n].relevant if proven else None)
        return self._best(choice)

    def _best(self, choice: int) -> tuple[int, float]:
        """What the best sets known within a choice use, and their total."""
        sets = [known.best(choice) for known in self.plans]
        used = functools.reduce(operator.or_, (used for _, used in sets))
        return used, float(sum(w * cost for w, (cost, _) in zip(self.weight, sets, strict=True)))

    def _mask(self, choice: int) -> BoolArray:
        return np.array([bool(choice >> i & 1) for i in range(self.n)])

    # --- cuts ------------------------------------------------------------------------------------------

    def _add(self, left: FloatArray, right: float) -> None:
        """A row, unless it is there."""
        key = np.append(left, right).round(9).tobytes()
        if key not in self._seen:
            self._seen.add(key)
            self.left.append(left)
            self.right.append(right)

    def _cover_sections(self, known: _Known) -> None:
        """Every section needs one of its sizes."""
        for section in range(known.relaxation.n_section):
            left = np.zeros(self.n + len(self.plans))
            left[known.column_size[known.relaxation.section == section]] = 1.0
            self._add(left, 1.0)

    def _linear(self, known: _Known, y: FloatArray) -> None:
        """Solve a plan's linear program with each size available in part, and keep its multipliers' bound."""
        relaxation = known.relaxation
        n_section, section = relaxation.n_section, relaxation.section
        dearest = np.zeros(n_section)
        np.maximum.at(dearest, section, relaxation.cost)
        # a section without a size counts in each row as its best size would
        starts = np.flatnonzero(np.diff(section, prepend=-1))
        without = np.minimum(np.minimum.reduceat(relaxation.left, starts, axis=1), 0.0)
        left = np.hstack([relaxation.left, without])
        cost = np.append(relaxation.cost, _MISSING * dearest)
        of = np.append(section, np.arange(n_section))
        upper = np.append(np.minimum(y[known.column_size], 1.0), np.ones(n_section))
        one_each = (of == np.arange(n_section)[:, None]).astype(float)
        result = linear_program(
            cost,
            np.vstack([left, one_each]),
            np.append(np.full(len(left), -np.inf), np.ones(n_section)),
            np.append(relaxation.right, np.ones(n_section)),
            high=upper,
        )
        if result.status != "optimal":
            return
        multiplier = np.maximum(0.0, -result.row_price[: len(left)])
        reduced = (cost + multiplier @ left) / relaxation.scale
        table = np.full((n_section, self.n + 1), np.inf)
        table[section, known.column_size] = reduced[: section.size]
        table[:, -1] = reduced[section.size :]
        order = np.argsort(table, axis=1, kind="stable")
        known.bounds.append(
            _Multipliers(
                -float(multiplier @ relaxation.right) / relaxation.scale,
                table,
                order,
                np.take_along_axis(table, order, axis=1),
                np.isfinite(table).sum(axis=1) - 1,
            )
        )

    def _best_line(self, known: _Known, y: FloatArray, *, second: bool = False) -> tuple[float, FloatArray]:
        """The line (total, slope by size) below the plan's bounds that is highest at y.

        ``second``: with each section's level one size further, as high where y is whole, and higher where
        sizes are given up.
        """
        available = np.append(y, 1.0)
        need = 2.0 - 1e-9 if second else 1.0 - 1e-9
        lines = [bound.line(available, need) for bound in known.bounds]
        return max(lines, key=lambda line: line[0] + float(line[1] @ y))

    def _cut(self, p: int, constant: float, slope: FloatArray) -> None:
        left = np.zeros(self.n + len(self.plans))
        left[: self.n] = -slope
        left[self.n + p] = 1.0
        self._add(left, constant)

    def _learn(self, y: FloatArray, floor: FloatArray) -> None:
        """Cuts at a point for every plan whose cost there is above what the present cuts say (floor)."""
        tolerance = _CUT_BROKEN * self.least / len(self.plans)
        for p, known in enumerate(self.plans):
            if known.bounds:
                constant, slope = self._best_line(known, y)
                if self.weight[p] * (constant + slope @ y - floor[p]) > tolerance:
                    self._cut(p, constant, slope)
                    continue
            self._linear(known, y)
            if known.bounds:
                constant, slope = self._best_line(known, y)
                if self.weight[p] * (constant + slope @ y - floor[p]) > 0.01 * tolerance:
                    self._cut(p, constant, slope)

    def _learn_whole(self, choice: int, floor: FloatArray) -> None:
        """Cuts at a choice that was evaluated."""
        y = self._mask(choice).astype(float)
        for p, known in enumerate(self.plans):
            cost = known.found(choice)
            if cost is None:  # time ran out on it
                continue
            outside = self._mask(known.relevant & ~choice)
            if not math.isfinite(cost):
                self._add(np.append(outside, np.zeros(len(self.plans))), 1.0)
                continue
            if cost <= floor[p] + 1e-9 * cost:
                continue
            self._linear(known, y)
            for second in (False, True):
                constant, slope = self._best_line(known, y, second=second)
                self._cut(p, constant, slope)
            # no part of this choice costs less
            slope = np.where(outside, known.floor - cost, 0.0)
            self._cut(p, cost, slope)

    def _refused(self, choice: int) -> bool:
        """Whether some plan plainly can't be built from a choice; then each such plan needs some size more.

        The choice is first made as large as it can be and still not do: the fewer sizes left outside, the
        more the cut says.
        """
        refused = False
        for known in self.plans:
            if not self._plainly_short(known, choice):
                continue
            refused, most = True, choice & known.relevant
            for i in range(self.n):
                if known.relevant >> i & 1 and self._plainly_short(known, most | 1 << i):
                    most |= 1 << i
            self._add(np.append(self._mask(known.relevant & ~most), np.zeros(len(self.plans))), 1.0)
        return refused

    def _plainly_short(self, known: _Known, choice: int) -> bool:
        """Whether reductions alone show that a plan can't be built from a choice."""
        return not known.plan.problem.tightened(self._usable(known, choice)).any(axis=1).all()

    def _usable(self, known: _Known, choice: int) -> BoolArray:
        """(n_group, n_size) of the plan's program: the sizes of a choice."""
        usable: BoolArray = self._mask(choice)[known.number] & (known.number >= 0)
        return usable

    # --- the choice ------------------------------------------------------------------------------------

    def _matrix(self) -> tuple[FloatArray, FloatArray]:
        """All rows: left @ (sizes, costs) >= right."""
        if len(self._stacked[1]) < len(self.right):
            self._stacked = np.array(self.left), np.array(self.right)
        return self._stacked

    def _program(self) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """What both programs share: costs of the variables, their bounds, and the row that counts sizes."""
        n_plan = len(self.plans)
        weight = np.append(np.zeros(self.n), self.weight)
        low = np.append(np.zeros(self.n), self._floor())
        high = np.append(np.ones(self.n), np.full(n_plan, np.inf))
        count = np.append(np.ones(self.n), np.zeros(n_plan))[None, :]
        return weight, low, high, count

    def _floor(self) -> FloatArray:
        return np.array([known.floor for known in self.plans])

    def _tighten(self, number: int) -> Optimum | None:
        """The linear program over the choice, with cuts added until they no longer raise it; None: no choice."""
        before = -np.inf
        weight, low, high, count = self._program()
        for _ in range(_MOST_LINEAR_ROUNDS):
            left, right = self._matrix()
            result = linear_program(
                weight,
                np.vstack([count, left]),
                np.append(-np.inf, right),
                np.append(float(number), np.full(len(left), np.inf)),
                low=low,
                high=high,
            )
            if result.status == "infeasible":
                return None
            if result.objective <= before + _STALLS * self.least:
                break
            before = result.objective
            if self.clock.is_over():
                break
            self._learn(np.clip(result.x[: self.n], 0.0, 1.0), result.x[self.n :])
        return result

    def _within(self, linear: Optimum, cost: float, low: FloatArray, high: FloatArray) -> None:
        """Settle the sizes that a choice of at most this cost must or cannot have, by their reduced costs."""
        spare = cost - linear.objective + CLOSED * self.least
        high[: self.n][linear.column_price[: self.n] > spare] = 0.0
        low[: self.n][-linear.column_price[: self.n] > spare] = 1.0

    def best(self, number: int, start: int | None) -> tuple[int | None, float, float]:
        """The best choice of at most a number of sizes, its cost, and a bound on all.

        None without one: none serves where the bound is inf, and none was found in time where it is not. ``start``
        is a choice to begin with.
        """
        best, cost = None, np.inf
        self.clock = self.whole_time
        if start is not None:
            used, cost = self.evaluate(start)
            best = used if math.isfinite(cost) else None
        self.clock = Clock(self.whole_time.left_s() / number)  # the numbers to come get as much
        linear = self._tighten(number)
        if linear is None:
            return best, cost, cost
        bound = linear.objective
        weight, low, high, count = self._program()
        for _ in range(_MOST_ROUNDS):
            if self.clock.is_over() or bound >= cost * (1.0 - CLOSED):
                break
            self._within(linear, cost, low, high)
            left, right = self._matrix()
            self.rounds += 1
            result = integer_program(
                weight,
                np.vstack([count, left]),
                np.append(0.0, right),
                np.append(float(number), np.full(len(left), np.inf)),
                whole=np.arange(weight.size) < self.n,
                low=low,
                high=high,
                gap=0.1 * CLOSED,
                time_limit_s=self.clock.left_s(),
                most_nodes=_MOST_NODES,
            )
            if result.status == "infeasible":
                return best, cost, cost  # none that costs less
            bound = max(bound, min(result.bound, cost))
            if result.status != "optimal":
                break
            choice = _bits(np.flatnonzero(result.x[: self.n] > 0.5))
            if self._refused(choice):
                continue
            used, total = self.evaluate(choice)
            if total < cost:
                best, cost = used, total
            self._learn_whole(choice, result.x[self.n :])
        return best, cost, min(bound, cost)

    def run(self, progress: Callable[[int, int], None]) -> StockList:
        """From what each plan's own least cost uses, at least one size fewer each time."""
        choice = self.best_of_all
        most = choice.bit_count()
        entries = [self._entry(choice, self.least, float(self.weight @ self._floor()))]
        none_serves = False
        while choice.bit_count() > 1 and not self.whole_time.is_over():
            progress(most - choice.bit_count(), most)
            found, cost, bound = self.best(choice.bit_count() - 1, self._without_one(choice))
            if found is None:
                none_serves = math.isinf(bound)
                break
            choice = found
            bound = max(bound, min(cost, entries[0].bound))  # fewer sizes cost no less
            _add(entries, self._entry(choice, cost, bound))
        if not none_serves:
            self._add_untried(entries, choice)
        return StockList(
            entries=tuple(entries),
            least_cost=self.least,
            cost_unit=self.plans[0].plan.cost_unit,
            plans=len(self.plans),
            solved=self.solved,
            rounds=self.rounds,
        )

    def _add_untried(self, entries: list[StockEntry], choice: int) -> None:
        """Choices of fewer sizes that serve by the sets in hand, where there is no time to look for better ones."""
        fewest = (min(known.sets, key=lambda one: one[0].bit_count())[0] for known in self.plans)
        found: dict[int, tuple[float, int]] = {}  # by number of sizes
        for start in (choice, functools.reduce(operator.or_, fewest)):
            used, cost = self._best(start)
            while math.isfinite(cost):
                number = used.bit_count()
                found[number] = min(found.get(number, (np.inf, 0)), (cost, used))
                smaller = [self._best(used & ~(1 << i)) for i in range(self.n) if used >> i & 1]
                used, cost = min(smaller, key=lambda one: one[1])
        bound = entries[0].bound
        for number in sorted(found, reverse=True):
            cost, used = found[number]
            if number < len(entries[0].sizes):
                _add(entries, self._entry(used, cost, bound))

    def _without_one(self, choice: int) -> int | None:
        """The choice less the size that is missed least by the bounds; None where all are needed."""
        best, least = None, np.inf
        rows, right = self._matrix()
        for i in range(self.n):
            if not choice >> i & 1:
                continue
            y = self._mask(choice & ~(1 << i)).astype(float)
            need = right - rows[:, : self.n] @ y
            cost = self._floor()
            plans = rows[:, self.n :]
            of_plan = plans.any(axis=1)
            if (need[~of_plan] > 1e-9).any():
                continue
            np.maximum.at(cost, plans[of_plan].argmax(axis=1), need[of_plan])
            total = float(self.weight @ cost)
            if total < least:
                best, least = choice & ~(1 << i), total
        return best

    def _entry(self, choice: int, cost: float, bound: float) -> StockEntry:
        more = [100.0 * (known.best(choice)[0] / known.own - 1.0) for known in self.plans]
        worst = int(np.argmax(more))
        return StockEntry(
            sizes=tuple(size for i, size in enumerate(self.sizes) if choice >> i & 1),
            cost=cost,
            bound=bound,
            worst_plan=self.plans[worst].plan.name,
            worst_pct=more[worst],
        )


def _add(entries: list[StockEntry], entry: StockEntry) -> None:
    """Put an entry of fewer sizes before the others, in place of those that are no cheaper."""
    while entries and entry.cost <= entries[0].cost * (1.0 + CLOSED):
        entries.pop(0)
    entries.insert(0, entry)


def _least(task: tuple[int, SizingProblem, BoolArray, float]) -> tuple[int, IntArray | None, float, bool]:
    """A task's number, the best set found, its cost, and whether it is proven that there is no better one."""
    number, problem, usable, time_limit_s = task
    found = least_cost(problem, usable=usable, time_limit_s=time_limit_s)
    return number, found.size_index, found.cost, found.status in ("optimal", "infeasible")


def _no_answer(task: tuple[int, SizingProblem, BoolArray, float]) -> tuple[int, IntArray | None, float, bool]:
    raise SolverError(
        "a process that worked on the stock list died, most likely for want of memory. Try again with fewer --jobs"
    )


def _bits(numbers: Iterable[int] | IntArray) -> int:
    bits = 0
    for number in numbers:
        bits |= 1 << int(number)
    return bits
