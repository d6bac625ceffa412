"""The least-cost size set, and what fewer distinct sizes cost; every optimum proven.

How the number of distinct sizes is dealt with: the multipliers of any linear bound give, for every set of
stock at once, a bound on the cost of the size sets that use it (``_StockSets``). Stock sets are taken lowest
bound first; each gets its own linear bound, whose multipliers cut the others down further, and only if that
stays below the best set in hand is it closed by an integer program. A few dozen of thousands are. Where the
best set in hand leaves few sizes in play, one integer program over all stock closes the number instead.

Ties: of equal costs the fewest distinct sizes, then the set whose ``size_index`` comes first in
lexicographic order. So the answer does not depend on how the solver got there.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from tractduct.arrays import BoolArray, FloatArray, IntArray
from tractduct.sizing.program import SizingProblem
from tractduct.sizing.relaxation import NO_SET, SAME_COST, Bound, Clock, Found, Relaxation, reach

Status = Literal["optimal", "feasible", "infeasible", "unknown"]
_MOST_SIZES_IN_TABLE = 14  # of one stock group: a table has 2 to this power entries
_MOST_TABLES = 300  # kept besides the root's, the latest
_FEW_STOCK_SETS = 8  # are closed one by one whatever their columns
_FEW_COLUMNS_A_SECTION = 3.5  # in play on average: then one integer program beats closing stock sets one by one
_MOST_STOCK_SETS = 3_000_000  # in hand at one number of distinct sizes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Solution:
    """A size set and what is proven of it.

    Attributes
    ----------
    status
        ``optimal``: proven; ``feasible``: time ran out with a set in hand; ``infeasible``: proven that no set
        holds within what was asked; ``unknown``: time ran out with none.
    size_index : (n_section,) int, or None without a set
    cost
        Of the set; ``inf`` without one.
    bound
        No set within what was asked costs less; ``inf`` where infeasible.
    distinct_sizes
        Pairs of stock group and size in the set; 0 without one.
    variants_used
        The variants whose limits the proof of an unrestricted least cost rests on: without any of the others the
        same set is proven, as long as the same sizes are left to choose from. None where that is not known.
    """

    status: Status
    size_index: IntArray | None
    cost: float
    bound: float
    distinct_sizes: int
    variants_used: frozenset[int] | None = None

    @property
    def gap_pct(self) -> float:
        """How much of its cost a set within what was asked could save at most; 0 where proven, NaN without a set."""
        if self.size_index is None:
            return np.nan
        return 100.0 * (1.0 - self.bound / self.cost) if self.status != "optimal" and self.cost > 0.0 else 0.0

    def changes_from(self, built: IntArray) -> int:
        """Sections that have another size than was built; not those with -1, of which nothing is."""
        assert self.size_index is not None
        return int(np.count_nonzero((built >= 0) & (self.size_index != built)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TradeOff:
    """Least cost at each number of distinct sizes worth paying for.

    Attributes
    ----------
    least_cost
        The least-cost set with no cap on distinct sizes.
    entries : by rising number of distinct sizes and falling cost
        An entry with n sizes is the least cost with at most n. Empty if no set holds within the cap.
    open_numbers : numbers of distinct sizes that time ran out on, without an entry of their own
        Each with a bound on the cost of the sets that have so many.
    status
        ``optimal`` if every entry is and none is missing; ``infeasible`` if no set holds within the cap;
        ``feasible`` or ``unknown`` if time ran out, with or without entries.
    """

    least_cost: Solution
    entries: tuple[Solution, ...]
    status: Status
    open_numbers: tuple[tuple[int, float], ...] = ()


def least_cost(
    problem: SizingProblem,
    *,
    usable: BoolArray | None = None,
    max_distinct: int | None = None,
    time_limit_s: float | None = None,
) -> Solution:
    """The least-cost size set that holds.

    Parameters
    ----------
    usable : (n_group, n_size) bool, stock that may be used; all of it if None
    max_distinct : most distinct sizes the set may have; no cap if None
    time_limit_s : then the best so far with its bound; no limit if None
    """
    search = _Search.start(problem, usable, time_limit_s)
    if search is None:
        return _INFEASIBLE
    least = search.least()
    if max_distinct is None or least.size_index is None or least.distinct_sizes <= max_distinct:
        return least
    return search.within_cap(max_distinct, least.bound)


def least_costs(problem: SizingProblem, stocks: Iterable[BoolArray | None] = (None,)) -> list[float]:
    """The least cost with each of some stocks (n_group, n_size) bool alone, all of it if None; proven, infinite where
    no set holds. Quicker than ``least_cost``, as it does not matter which of several sets costs that."""
    search = _Search.start(problem, None, None)
    if search is None:
        return [np.inf for _ in stocks]
    relaxation, found = search.relaxation, []
    for usable in stocks:
        columns, bound = relaxation.all_columns, search.root
        if usable is not None:
            allowed = problem.tightened(usable)
            if not allowed.any(axis=1).all():
                found.append(np.inf)
                continue
            columns = np.flatnonzero(allowed[relaxation.section, relaxation.size])
            bound = relaxation.bound(columns, np.inf)
        best = relaxation.close(columns, bound, np.inf).size_index
        found.append(np.inf if best is None else problem.cost_of(best))
    return found


def trade_off_of(
    problem: SizingProblem,
    *,
    max_distinct: int | None = None,
    time_limit_s: float | None = None,
    on_step: Callable[[int, int], None] = lambda done, total: None,
) -> TradeOff:
    """Least cost for each number of distinct sizes, from the fewest that hold to those of the least cost.

    ``max_distinct`` caps the number; ``on_step(done, total)`` is called after each number of sizes.
    """
    search = _Search.start(problem, None, time_limit_s)
    if search is None:
        return TradeOff(least_cost=_INFEASIBLE, entries=(), status="infeasible")
    least = search.least()
    cap = problem.parent.size if max_distinct is None else max_distinct
    if least.status != "optimal":
        within_cap = _if_within(least, cap)
        entries = () if within_cap.size_index is None else (within_cap,)
        last = cap if least.size_index is None else min(cap, least.distinct_sizes - 1)
        untried = range(search.fewest_conceivable, last + 1) if least.status != "infeasible" else ()
        return TradeOff(
            least_cost=least,
            entries=entries,
            status=within_cap.status,
            open_numbers=tuple((number, least.bound) for number in untried),
        )
    numbers = range(search.fewest_conceivable, min(cap + 1, least.distinct_sizes))
    steps = len(numbers) + (least.distinct_sizes <= cap)
    found: list[Solution] = []
    open_numbers: tuple[tuple[int, float], ...] = ()
    finished = True
    for done, number in enumerate(numbers, start=1):
        ceiling = found[-1].cost * (1.0 - 3.0 * SAME_COST) if found else np.inf
        solution = search.fewest(range(number, number + 1), ceiling * search.relaxation.scale, least.bound)
        finished = solution.status in ("optimal", "infeasible")
        if solution.size_index is not None:
            found.append(solution)
        on_step(done, steps)
        if not finished:
            at_this = () if solution.size_index is not None else ((number, solution.bound),)
            open_numbers = (*at_this, *((more, least.bound) for more in range(number + 1, numbers.stop)))
            break
    if least.distinct_sizes <= cap:
        found.append(least)
        on_step(steps, steps)
    if found:
        status: Status = "optimal" if finished else "feasible"
    else:
        status = "infeasible" if finished else "unknown"
    return TradeOff(least_cost=least, entries=tuple(found), status=status, open_numbers=open_numbers)


def recommended(front: TradeOff, within_pct: float) -> Solution:
    """Of a front, the fewest distinct sizes that cost at most this much over the least cost.

    If the front's cap leaves no set that costs so little: the least cost within the cap. Raises ValueError
    for a front without entries.
    """
    if not front.entries:
        raise ValueError("no size set to recommend: the front has no entries")
    ceiling = front.least_cost.cost * (1.0 + within_pct / 100.0) * (1.0 + SAME_COST)
    return next((entry for entry in front.entries if entry.cost <= ceiling), front.entries[-1])


def recommend(
    problem: SizingProblem,
    within_pct: float,
    *,
    max_distinct: int | None = None,
    time_limit_s: float | None = None,
    least: Solution | None = None,
) -> tuple[Solution, Solution]:
    """The least-cost set, and what ``recommended`` takes from the front, without solving the whole front.

    The first is the least cost with no cap; the second keeps to ``max_distinct`` and is infeasible where
    that cannot be met. If time runs out, the second is the best set in hand and is not proven to have the
    fewest sizes. ``least`` is the first, where it is proven already.
    """
    search = _Search.start(problem, None, time_limit_s)
    if search is None:
        return _INFEASIBLE, _INFEASIBLE
    least = least or search.least()
    cap = problem.parent.size if max_distinct is None else max_distinct
    if least.status != "optimal":
        return least, _if_within(least, cap)
    within = least.cost * (1.0 + within_pct / 100.0) * search.relaxation.scale
    numbers = range(search.fewest_conceivable, min(cap + 1, least.distinct_sizes))
    solution = search.fewest(numbers, within, least.bound)
    if solution.size_index is not None:
        return least, solution
    if least.distinct_sizes <= cap:
        # the least cost itself is the recommendation, or the best in hand
        return least, least if solution.status == "infeasible" else replace(least, status="feasible")
    if solution.status == "unknown":
        return least, solution
    return least, search.within_cap(cap, least.bound)


def change_front(problem: SizingProblem, built: IntArray, *, time_limit_s: float | None = None) -> tuple[Solution, ...]:
    """The least cost by number of sections that differ from built sizes (n_section,), -1 where nothing is built.

    From the fewest changes that hold, up to those of the least cost; numbers that save nothing over fewer are left
    out. The number is ``changes_from(built)`` of each entry. An entry is proven unless time ran out, which ends it.
    """
    search = _Search.start(problem, None, time_limit_s)
    if search is None:
        return ()
    relaxation = search.relaxation
    was = built[relaxation.section]
    differs = ((was >= 0) & (relaxation.size != was)).astype(float)
    least = search.least()
    fewest = relaxation.integer(relaxation.all_columns, objective=differs)
    if least.size_index is None or fewest.size_index is None or not fewest.proven:
        return ()
    found: list[Solution] = []
    for number in range(round(fewest.objective), least.changes_from(built) + 1):
        ceiling = found[-1].cost * (1.0 - 3.0 * SAME_COST) * relaxation.scale if found else np.inf
        columns = relaxation.worth_trying(relaxation.all_columns, search.root, ceiling)
        best = relaxation.integer(columns, ceiling=ceiling, most_changes=(differs, number))
        if best.size_index is not None:
            bound = max(best.bound, least.bound * relaxation.scale)
            found.append(search._solution("optimal" if best.proven else "feasible", best.size_index, bound))
        if not best.proven or (found and found[-1].cost <= least.cost * (1.0 + SAME_COST)):
            break
    return tuple(found)


_INFEASIBLE = Solution(status="infeasible", size_index=None, cost=np.inf, bound=np.inf, distinct_sizes=0)


def _if_within(least: Solution, cap: int) -> Solution:
    """What an unproven least cost says of the sets within a cap."""
    if least.status == "feasible" and least.distinct_sizes > cap:
        return replace(least, status="unknown", size_index=None, cost=np.inf, distinct_sizes=0)
    return least


@dataclass(frozen=True, slots=True, eq=False)
class _Tables:
    """A linear bound, summed up for every set of stock.

    ``by_group[g][t]`` is the sum over the group's sections of their least reduced cost among the sizes of set
    ``t`` (bit i: the group's i-th size); ``lowest[g][n]`` its minimum over sets of n sizes.
    """

    constant: float
    by_group: list[FloatArray]
    lowest: list[FloatArray]

    def bound(self, stock: IntArray) -> FloatArray:
        """Bound of stock sets (n_set, n_group)."""
        total = np.full(len(stock), self.constant)
        for group, table in enumerate(self.by_group):
            total += table[stock[:, group]]
        return total

    def raised(self, stock: IntArray, bound: FloatArray, ceiling: float) -> tuple[IntArray, FloatArray]:
        """The stock sets that keep to the ceiling by this bound too, each with the better of its bounds."""
        bound = np.maximum(bound, self.bound(stock))
        kept = bound <= ceiling
        return stock[kept], bound[kept]


class _StockSets:
    """Bounds on sets of stock: which sizes of which group are used at all."""

    def __init__(self, relaxation: Relaxation) -> None:
        problem = relaxation.problem
        self._relaxation = relaxation
        groups = np.unique(problem.stock_group)
        self._sections = [np.flatnonzero(problem.stock_group == group) for group in groups]
        offered = relaxation.column_of >= 0
        self._sizes = [np.flatnonzero(offered[sections].any(axis=0)) for sections in self._sections]
        self.fit_in_tables = max(sizes.size for sizes in self._sizes) <= _MOST_SIZES_IN_TABLE
        self._count = [_bits(sizes.size if self.fit_in_tables else 0) for sizes in self._sizes]
        self.tables: list[_Tables] = []

    def learn(self, bound: Bound) -> None:
        """Add the tables of a linear bound."""
        reduced = np.append(bound.reduced_cost, np.inf)[self._relaxation.column_of]
        by_group, lowest = [], []
        for sections, sizes, count in zip(self._sections, self._sizes, self._count, strict=True):
            least = np.full((1 << sizes.size, sections.size), np.inf)
            for bit, size in enumerate(sizes):
                np.minimum(least[: 1 << bit], reduced[sections, size], out=least[1 << bit : 2 << bit])
            table = least.sum(axis=1)
            by_number = np.full(sizes.size + 1, np.inf)
            np.minimum.at(by_number, count, table)
            by_group.append(table)
            lowest.append(by_number)
        self.tables.append(_Tables(bound.constant, by_group, lowest))
        del self.tables[1:-_MOST_TABLES]

    def columns(self, stock: IntArray) -> IntArray:
        """Columns of one stock set (n_group,)."""
        relaxation = self._relaxation
        usable = np.zeros(relaxation.column_of.shape, dtype=bool)
        for sections, sizes, chosen in zip(self._sections, self._sizes, stock, strict=True):
            usable[np.ix_(sections, sizes[(chosen >> np.arange(sizes.size)) & 1 == 1])] = True
        columns: IntArray = np.flatnonzero(usable[relaxation.section, relaxation.size])
        return columns

    def within(self, number: int, ceiling: float) -> tuple[IntArray, FloatArray] | None:
        """All stock sets of exactly this number of sizes whose bound keeps to the ceiling, with their bounds.

        None if there are too many to hold.
        """
        tables = max(self.tables, key=lambda each: _least_total(each, number)[0][number])
        # least total of the groups from g on, by number of sizes
        _, rest = _least_total(tables, number)
        stock = np.zeros((1, 0), dtype=np.intp)
        bound, used = np.array([tables.constant]), np.array([0])
        for group, (table, count) in enumerate(zip(tables.by_group, self._count, strict=True)):
            parts: list[tuple[IntArray, FloatArray, IntArray]] = []
            total = 0
            for n in range(1, number + 1):
                sets = np.flatnonzero((count == n) & np.isfinite(table))
                sets = sets[np.argsort(table[sets], kind="stable")]
                left = number - used - n
                possible = np.flatnonzero(left >= 0)
                room = ceiling - bound[possible] - rest[group + 1][left[possible]]
                reached = np.searchsorted(table[sets], room, side="right")
                total += int(reached.sum())
                if total > _MOST_STOCK_SETS:
                    return None
                first = np.repeat(possible, reached)
                second = np.arange(reached.sum()) - np.repeat(reached.cumsum() - reached, reached)
                new = sets[second]
                parts.append((np.column_stack([stock[first], new]), bound[first] + table[new], used[first] + n))
            stock, bound, used = (np.concatenate(part) for part in zip(*parts, strict=True))
        for other in reversed(self.tables):
            stock, bound = other.raised(stock, bound, ceiling)
        return stock, bound


def _bits(n_bit: int) -> IntArray:
    """Number of bits set in 0, 1, ... up to 2**n_bit - 1."""
    count = np.zeros(1, dtype=np.intp)
    for _ in range(n_bit):
        count = np.concatenate([count, count + 1])
    return count


def _least_total(tables: _Tables, number: int) -> tuple[FloatArray, list[FloatArray]]:
    """Least bound by number of sizes up to ``number``, and the least total of the groups from g on."""
    rest = [np.where(np.arange(number + 1) == 0, 0.0, np.inf)]
    for lowest in reversed(tables.lowest):
        total = np.full(number + 1, np.inf)
        for n in range(1, min(number, lowest.size - 1) + 1):
            total[n:] = np.minimum(total[n:], lowest[n] + rest[0][: number + 1 - n])
        rest.insert(0, total)
    return tables.constant + rest[0], rest


class _Search:
    """One call's work: the relaxation and what was learnt of the stock sets. Costs in here are scaled."""

    def __init__(self, relaxation: Relaxation, rows: IntArray) -> None:
        self.relaxation = relaxation
        self._rows = rows  # of the relaxation's variants among all
        self.root = relaxation.bound(relaxation.all_columns, np.inf)
        self._stock_sets = _StockSets(relaxation)
        self._learnt_root = False
        self._few_columns = _FEW_COLUMNS_A_SECTION * relaxation.n_section

    @classmethod
    def start(cls, problem: SizingProblem, usable: BoolArray | None, time_limit_s: float | None) -> _Search | None:
        """None where some section is left without a size."""
        clock = Clock(time_limit_s)
        rows = problem.unlike_variants()
        problem = problem.of_variants(rows)
        allowed = problem.tightened(usable)
        return cls(Relaxation(problem, allowed, clock), rows) if allowed.any(axis=1).all() else None

    @property
    def fewest_conceivable(self) -> int:
        """A size a stock group."""
        return int(np.unique(self.relaxation.problem.stock_group).size)

    def _solution(self, status: Status, size_index: IntArray | None, bound: float) -> Solution:
        problem, bound = self.relaxation.problem, bound / self.relaxation.scale
        if size_index is None:
            return Solution(status=status, size_index=None, cost=np.inf, bound=bound, distinct_sizes=0)
        cost = problem.cost_of(size_index)
        return Solution(
            status=status,
            size_index=size_index,
            cost=cost,
            bound=cost if status == "optimal" else min(bound, cost),
            distinct_sizes=problem.distinct_sizes(size_index),
        )

    def least(self) -> Solution:
        """The least cost with no cap on distinct sizes."""
        relaxation = self.relaxation
        found = relaxation.close(relaxation.all_columns, self.root, np.inf)
        if found.size_index is None:
            return self._solution("infeasible" if found.proven else "unknown", None, max(found.bound, self.root.value))
        if not found.proven:
            return self._solution("feasible", found.size_index, max(found.bound, self.root.value))
        cost = relaxation.cost_of(found.size_index)
        columns = self._columns_within(cost)
        first = self._first_of_ties(columns, found, max_distinct=None, count=True)
        used = frozenset(self._rows[sorted(relaxation.variants_used)].tolist())
        return replace(self._solution("optimal", first, cost), variants_used=used)

    def _first_of_ties(self, columns: IntArray, found: Found, *, max_distinct: int | None, count: bool) -> IntArray:
        """The first of the sets that cost the same as an optimum, by the stated order.

        ``count``: whether fewer sizes come first; not needed where all of them have as many. If time runs
        out the set so far is returned: it costs the same.
        """
        relaxation = self.relaxation
        size_index = found.size_index
        assert size_index is not None
        cost = relaxation.cost_of(size_index)
        columns = np.union1d(columns, relaxation.columns_of(size_index))
        if found.is_only or columns.size == relaxation.n_section:
            return size_index
        other = relaxation.integer(columns, ceiling=cost, max_distinct=max_distinct, other_than=size_index)
        if other.size_index is None:
            return size_index
        if count:
            fewest = relaxation.integer(columns, ceiling=cost, count_distinct=True)
            if fewest.size_index is None:
                return size_index
            size_index, max_distinct = fewest.size_index, round(fewest.objective)
        rank = relaxation.size.astype(float)
        for section in range(relaxation.n_section):
            of_section = relaxation.section[columns] == section
            smaller = of_section & (relaxation.size[columns] < size_index[section])
            if smaller.any():
                objective = np.where(relaxation.section == section, rank, 0.0)
                found = relaxation.integer(
                    columns[~of_section | smaller],
                    ceiling=cost,
                    objective=objective,
                    max_distinct=max_distinct,
                )
                if found.size_index is not None:
                    size_index = found.size_index
            columns = columns[~of_section | (relaxation.size[columns] == size_index[section])]
        return size_index

    def fewest(self, numbers: range, ceiling: float, least: float) -> Solution:
        """Least cost at the first of the numbers of distinct sizes with which a set keeps to the ceiling.

        ``least`` bounds the cost of every set, unscaled. Sets that use fewer sizes than the number count too.
        """
        for number in numbers:
            found = self._with_at_most(number, ceiling)
            bound = max(found.bound, least * self.relaxation.scale)
            if found.size_index is not None:
                return self._solution("optimal" if found.proven else "feasible", found.size_index, bound)
            if not found.proven:
                return self._solution("unknown", None, bound)
        return _INFEASIBLE

    def within_cap(self, cap: int, least: float) -> Solution:
        """Least cost within a cap; of equal costs, the fewest distinct sizes."""
        solution = self.fewest(range(cap, cap + 1), np.inf, least)
        if solution.status != "optimal":
            return solution
        fewer = range(self.fewest_conceivable, solution.distinct_sizes)
        same_cost = self.fewest(fewer, solution.cost * self.relaxation.scale, least)
        return solution if same_cost.size_index is None else same_cost

    def _with_at_most(self, number: int, ceiling: float) -> Found:
        """Least cost of at most the ceiling over all stock sets of a number of sizes."""
        relaxation, sets = self.relaxation, self._stock_sets
        if number < self.fewest_conceivable:
            return NO_SET
        if not sets.fit_in_tables:
            return self._whole(number, ceiling)
        if not self._learnt_root:
            sets.learn(self.root)
            self._learnt_root = True
        ceiling = min(ceiling, relaxation.dearest)
        listed = sets.within(number, reach(ceiling))
        if listed is None:
            return self._whole(number, ceiling)
        stock, bound = listed
        best = NO_SET
        while len(stock):
            lowest = min(float(bound.min()), ceiling)
            if relaxation.clock.is_over():
                return Found(best.size_index, best.objective, lowest, False)
            if len(stock) > _FEW_STOCK_SETS and self._columns_within(ceiling).size <= self._few_columns:
                whole = self._whole(number, ceiling)
                return (
                    whole
                    if whole.proven or whole.objective < best.objective
                    else (Found(best.size_index, best.objective, max(lowest, whole.bound), False))
                )
            at = int(bound.argmin())
            columns = sets.columns(stock[at])
            linear = relaxation.bound(columns, ceiling)
            sets.learn(linear)
            found = relaxation.close(columns, linear, ceiling)
            if not found.proven:
                better = found if found.objective < best.objective else best
                return Found(better.size_index, better.objective, lowest, False)
            if found.size_index is not None:
                columns = relaxation.worth_trying(columns, linear, found.objective)
                first = self._first_of_ties(columns, found, max_distinct=None, count=False)
                is_lower = found.objective < best.objective * (1.0 - SAME_COST)
                if best.size_index is None or is_lower or tuple(first) < tuple(best.size_index):
                    best = Found(first, found.objective, found.objective, True)
                ceiling = min(ceiling, found.objective)
            bound[at] = np.inf
            stock, bound = sets.tables[-1].raised(stock, bound, reach(ceiling))
        return best

    def _columns_within(self, ceiling: float) -> IntArray:
        return self.relaxation.worth_trying(self.relaxation.all_columns, self.root, ceiling)

    def _whole(self, number: int, ceiling: float) -> Found:
        """The same by one integer program over all stock: better where the ceiling leaves few columns."""
        found = self.relaxation.integer(self._columns_within(ceiling), ceiling=ceiling, max_distinct=number)
        if found.size_index is None or not found.proven:
            return found
        columns = self._columns_within(found.objective)
        first = self._first_of_ties(columns, found, max_distinct=number, count=True)
        return Found(first, found.objective, found.bound, True)
