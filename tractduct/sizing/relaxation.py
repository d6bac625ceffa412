"""Linear bounds of the size-set program, and the integer program that closes what they leave open.

One column a section and allowed size: 1 if the section gets the size. Rows are of four kinds:

- chain: no child larger than its parent, ``chain @ x <= 0``;
- path: one variant's losses along one path, in parts of its limit, ``left @ x <= right``;
- cover, among the same rows: if losses l_s along a path add up to more than a variant's limit, some section of
  the path must lose less than its l_s. True whatever the order of losses and sizes, and much tighter than the
  path row;
- change: a section has a size and its parent has not, ``change @ x <= y``, where y costs what the change of size
  does. A multiplier of such a row, at most that cost, is added to the reduced cost of the section's column and
  taken from its parent's; y itself is then worth nothing. So bounds by reduced costs of the columns stay true.

Rows count once a point breaks them: a few dozen of many thousands ever matter.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from tractduct.arrays import BoolArray, FloatArray, IntArray
from tractduct.sizing.enumeration import Enumeration
from tractduct.sizing.highs import Optimum, integer_program, linear_program
from tractduct.sizing.program import DIAMETER_TOLERANCE_IN, SizingProblem

SAME_COST = 1e-9  # relative; costs this close are equal
# costs are scaled to this, so that HiGHS's absolute gap of 1e-6 is far below SAME_COST
_MEAN_COLUMN_COST = 1e3
_ROW_BROKEN = 1e-7  # part of a limit; HiGHS's own tolerance
_COVER_BROKEN = 0.02  # a cover broken by less moves the bound too little to pay for its row
_BOUND_STALLS = 3e-4  # relative gain of a round of rows below which no other is tried
# columns a section: with more, a presolve takes longer than it saves; it always pays where sizes are counted
_PRESOLVE_BELOW = 2.6
_GUESS = 1.0075  # optimum over linear bound, rarely more
_GUESS_WITH_CHANGES = 1.0125  # the same where changes of size cost something
# columns a section that are in play: with fewer an integer program takes no longer than going through the trunks
_TRUNKS_FROM = 2.5
_FIRST_GUESS = 0.25  # part of that which is gone through first, where trunks are
_STEP_GROWS = 4.0  # how much further each time
_LEAST_STEP = 1e-3 * _MEAN_COLUMN_COST
_COVER_MARGIN = 1e-12  # part of a limit: levels that break it by less may add up to it in another order
_VARIANTS_FOR_COVERS = 16  # the tightest of a path at the point; more find hardly better covers
_MOST_COMBINATIONS = 4096  # of levels along one path, when looking for covers
# of a limit, in whole ones of which an integer program counts losses: half of one is far more than HiGHS's tolerances
# of 1e-6 for a row and for a whole number can move a row by
_STEPS = 1e4
_TIE_UNIT = 1e-3  # of a ceiling that only ties are within: HiGHS's tolerance of 1e-6 of this is SAME_COST
_CEILING_SPARE = 1e-5  # part of a ceiling that an integer program leaves open for the same reason


def reach(ceiling: float) -> float:
    """What still counts as at most a scaled cost; rounding around a cost of 0 included."""
    return ceiling * (1.0 + SAME_COST) + 1e-9


class Clock:
    """What is left of a time limit; None is no limit."""

    def __init__(self, limit_s: float | None) -> None:
        self._end = np.inf if limit_s is None else time.monotonic() + limit_s

    def left_s(self) -> float:
        return self._end - time.monotonic()

    def is_over(self) -> bool:
        return self.left_s() <= 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Bound:
    """A linear program's optimum.

    ``value`` bounds the cost of every size set within the program's columns. With ``constant`` and
    ``reduced_cost`` (a column) so does constant + the sum over sections of their least reduced cost, within
    any columns at all: that holds for multipliers of the right sign, optimal or not.
    """

    value: float
    x: FloatArray
    constant: float
    reduced_cost: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """What an integer program ended with; ``size_index`` is None and ``objective`` inf without a set.

    ``bound`` is proven for the objective; ``proven`` says that the program was closed, not cut short; ``is_only``
    that no other set within what was asked costs so little.
    """

    size_index: IntArray | None
    objective: float
    bound: float
    proven: bool
    is_only: bool = False


NO_SET = Found(None, np.inf, np.inf, True)  # proven: there is none within what was asked
_Rows = tuple[FloatArray, FloatArray, FloatArray]  # left side, least and most


@dataclass(frozen=True, slots=True, eq=False)
class _IntegerProgram:
    """Columns of sizes, of pairs of stock group and size where those are counted, of changes; and rows that stay."""

    n_column: int
    n_pair: int
    change_cost: FloatArray
    goal: FloatArray
    presolve: bool
    fixed: list[_Rows] = field(default_factory=list)

    def rows(
        self,
        of_column: FloatArray,
        most: FloatArray | float,
        *,
        least: float = -np.inf,
        of_pair: FloatArray | float = 0.0,
        of_change: FloatArray | float = 0.0,
    ) -> _Rows:
        left = np.zeros((len(of_column), self.goal.size))
        left[:, : self.n_column] = of_column
        left[:, self.n_column : self.n_column + self.n_pair] = of_pair
        left[:, self.n_column + self.n_pair :] = of_change
        return left, np.full(len(left), least), np.broadcast_to(most, len(left))

    def add(self, of_column: FloatArray, most: FloatArray | float, **more: Any) -> None:
        """Rows that stay; parameters as those of ``rows``."""
        self.fixed.append(self.rows(of_column, most, **more))

    def solve(self, more: list[_Rows], left_s: float) -> Optimum:
        left, least, most = (np.concatenate(part) for part in zip(*self.fixed, *more, strict=True))
        return integer_program(
            self.goal,
            left,
            least,
            most,
            whole=np.arange(self.goal.size) < self.n_column + self.n_pair,
            presolve=self.presolve,
            time_limit_s=left_s,
        )


class Relaxation:
    """The program over the sizes that ``allowed`` leaves; every section must have one.

    Costs inside are the problem's times ``scale``.
    """

    def __init__(self, problem: SizingProblem, allowed: BoolArray, clock: Clock) -> None:
        self.problem = problem
        self.clock = clock
        self.section, self.size = np.nonzero(allowed)
        self.column_of = np.full(allowed.shape, -1)
        self.column_of[self.section, self.size] = np.arange(self.section.size)
        self.all_columns: IntArray = np.arange(self.section.size)
        cost = problem.cost[self.section, self.size]
        self.change, change_cost, always = self._change_rows()
        # a size that the parent cannot have always comes with its change
        cost = cost + always
        mean = float(cost.mean() + change_cost.sum() / cost.size)
        self.scale = _MEAN_COLUMN_COST / mean if mean > 0.0 else 1.0
        self.cost: FloatArray = cost * self.scale
        self.change_cost: FloatArray = change_cost * self.scale
        self._change_in_use = np.zeros(change_cost.size, dtype=bool)
        self._loss = np.where(allowed, problem.loss_inwc, 0.0)
        self._limit = problem.limit_inwc
        most = np.where(problem.path, self._loss.max(axis=2)[:, None, :], 0.0).max(axis=2)
        self._row_scale = np.where(
            np.isfinite(self._limit), np.maximum(np.maximum(np.abs(self._limit), most), 1e-12), 1.0
        )
        self.pair_of = problem.stock_group[self.section] * allowed.shape[1] + self.size
        self.chain, self._chain_step = self._chain_rows()
        self._chain_in_use = np.zeros(len(self.chain), dtype=bool)
        self.left: FloatArray = np.zeros((0, self.section.size))
        self.right: FloatArray = np.zeros(0)
        self._in_use: set[tuple[int, int]] = set()
        self.variants_used: set[int] = set()  # whose rows or covers stand in the program
        # each path starts with the variant that loses most in the mean over sizes
        self._enumeration = Enumeration(problem)
        count = np.bincount(self.section, minlength=allowed.shape[0])
        self._add_worst_rows(self._loss.sum(axis=2) / count, -np.inf)

    @property
    def n_section(self) -> int:
        return self.problem.parent.size

    @property
    def dearest(self) -> float:
        """No size set costs more, scaled."""
        dearest = np.zeros(self.n_section)
        np.maximum.at(dearest, self.section, self.cost + self.change_cost @ (self.change > 0.0))
        return float(dearest.sum())

    def columns_of(self, size_index: IntArray) -> IntArray:
        columns: IntArray = self.column_of[np.arange(self.n_section), size_index]
        return columns

    def cost_of(self, size_index: IntArray) -> float:
        """Scaled cost of a size set."""
        return self.problem.cost_of(size_index) * self.scale

    # --- rows ------------------------------------------------------------------------------------------

    def _chain_rows(self) -> tuple[FloatArray, BoolArray]:
        """A row for each child and diameter it can have, and the child's columns of just that diameter."""
        diameter = self.problem.diameter_in[self.size]
        rows, steps = [np.zeros((0, diameter.size))], [np.zeros((0, diameter.size), dtype=bool)]
        for child, parent in enumerate(self.problem.parent):
            if parent < 0:
                continue
            of_child, of_parent = self.section == child, self.section == parent
            step = np.unique(diameter[of_child])[:, None]
            large_enough = of_parent & (diameter >= step - DIAMETER_TOLERANCE_IN)
            asks = ~large_enough[:, of_parent].all(axis=1)
            rows.append((of_child & (diameter >= step[asks])).astype(float) - large_enough[asks])
            steps.append(of_child & (diameter == step[asks]))
        return np.vstack(rows), np.vstack(steps)

    def _change_rows(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """A row for each change that costs something and may be spared: the section's column, less its parent's.

        Also the cost of each row's change, and of those that a column cannot be had without (n_column,).
        """
        problem, n_column = self.problem, self.section.size
        if problem.change_cost is None:
            return np.zeros((0, n_column)), np.zeros(0), np.zeros(n_column)
        cost = np.where(problem.parent[self.section] >= 0, problem.change_cost[self.section, self.size], 0.0)
        of_parent = self.column_of[problem.parent[self.section], self.size]
        columns = np.flatnonzero((problem.parent[self.section] >= 0) & (of_parent >= 0) & (cost > 0.0))
        rows = np.zeros((columns.size, n_column))
        rows[np.arange(columns.size), columns] = 1.0
        rows[np.arange(columns.size), of_parent[columns]] = -1.0
        return rows, cost[columns], np.where(np.isin(self.all_columns, columns), 0.0, cost)

    def _append(self, left: list[FloatArray], right: list[float]) -> int:
        if left:
            self.left = np.vstack([self.left, *left])
            self.right = np.append(self.right, right)
        return len(left)

    def _add_worst_rows(self, loss: FloatArray, broken_by: float) -> int:
        """Paths' rows that losses (n_variant, n_section) break most, if by more than ``broken_by``.

        The most broken first, and no path all of whose sections the rows before it have: where every supply
        path is joined with every return path, one row a path would say the same again and again.
        """
        problem = self.problem
        over = self._over(loss)
        worst = over.argmax(axis=0)
        left: list[FloatArray] = []
        right: list[float] = []
        seen = np.zeros(self.n_section, dtype=bool)
        for path in np.argsort(-over.max(axis=0), kind="stable"):
            variant = worst[path]
            if over[variant, path] <= broken_by:
                break
            if (variant, path) in self._in_use or not (problem.path[path] & ~seen).any():
                continue
            seen |= problem.path[path]
            self._in_use.add((variant, path))
            self.variants_used.add(int(variant))
            scale = self._row_scale[variant, path]
            on_path = problem.path[path, self.section]
            left.append(np.where(on_path, self._loss[variant, self.section, self.size], 0.0) / scale)
            right.append(self._limit[variant, path] / scale)
        return self._append(left, right)

    def _over(self, loss: FloatArray) -> FloatArray:
        """What losses (n_variant, n_section) are above the limits, in parts of the rows; (n_variant, n_path)."""
        over: FloatArray = (loss @ self.problem.path.T.astype(float) - self._limit) / self._row_scale
        return over

    def _cover(self, variant: int, path: int, level: FloatArray) -> FloatArray:
        """Some section of the path must lose less than its level (n_section,): left side, of at most -1."""
        loss = self._loss[variant, self.section, self.size]
        lower = self.problem.path[path, self.section] & (loss < level[self.section])
        return np.where(lower, -1.0, 0.0)

    def separate(self, x: FloatArray) -> int:
        """Take up rows that a fractional point breaks; their number."""
        share = np.zeros(self.column_of.shape)
        share[self.section, self.size] = x
        loss = np.einsum("vsk,sk->vs", self._loss, share)
        n_broken = 0
        for rows, in_use in ((self.chain, self._chain_in_use), (self.change, self._change_in_use)):
            broken = (rows @ x > _ROW_BROKEN) & ~in_use
            in_use |= broken
            n_broken += int(np.count_nonzero(broken))
        return n_broken + self._add_worst_rows(loss, _ROW_BROKEN) + self._add_covers(share, loss)

    def _add_covers(self, share: FloatArray, loss: FloatArray) -> int:
        """The most broken cover of each path, made as strong as it can be.

        Only losses of sizes with a share in the point matter as levels: between two of them the highest
        level breaks the limit soonest at the same violation. Only the variants whose rows are tightest at
        the point's losses (n_variant, n_section) are looked at.
        """
        problem = self.problem
        in_use = share > 1e-9
        n_in_use = in_use.sum(axis=1)
        covers: list[FloatArray] = []
        over = self._over(loss)
        n_look = min(_VARIANTS_FOR_COVERS, len(over))
        tightest = np.argpartition(-over, n_look - 1, axis=0)[:n_look]
        most = self._loss.max(axis=2, where=in_use, initial=-np.inf)
        may_break = self._over(most).max(axis=0) > 0.0
        for path, on_path in enumerate(problem.path):
            sections = np.flatnonzero(on_path)
            n_combination = n_in_use[sections].prod(dtype=float)  # beyond what a whole number holds on a long path
            if not may_break[path] or n_combination == 1 or n_combination > _MOST_COMBINATIONS:
                continue
            variants = tightest[:, path]
            total = np.zeros((n_look, 1))
            left_out = np.zeros((n_look, 1))  # share of the point that a cover counts: below 1 if broken
            for section in sections:
                sizes = np.flatnonzero(in_use[section])
                level = self._loss[variants[:, None], section, sizes]
                order = np.argsort(level, axis=1, kind="stable")
                level = np.take_along_axis(level, order, axis=1)
                sorted_share = share[section, sizes][order]
                counted = sorted_share.cumsum(axis=1) - sorted_share
                total = (total[:, :, None] + level[:, None, :]).reshape(n_look, -1)
                left_out = (left_out[:, :, None] + counted[:, None, :]).reshape(n_look, -1)
            scale = self._row_scale[variants, path]
            excess = (total - self._limit[variants, path, None]) / scale[:, None]
            left_out[excess <= _COVER_MARGIN] = np.inf
            combination = left_out.argmin(axis=1)
            least = left_out[np.arange(n_look), combination]
            at = np.lexsort((-excess[np.arange(n_look), combination], least))[0]
            if least[at] < 1.0 - _COVER_BROKEN:
                covers.append(self._lowered_cover(int(variants[at]), path, sections, in_use, int(combination[at])))
        return self._append(covers, [-1.0] * len(covers))

    def _lowered_cover(
        self, variant: int, path: int, sections: IntArray, in_use: BoolArray, combination: int
    ) -> FloatArray:
        """The cover of a combination of levels, each lowered while they break the limit: stronger."""
        self.variants_used.add(variant)
        level = np.zeros(self.n_section)
        for section in sections[::-1]:  # the last section's levels change fastest in a combination's number
            levels = np.sort(self._loss[variant, section, in_use[section]])
            combination, rank = divmod(combination, len(levels))
            level[section] = levels[rank]
        margin = _COVER_MARGIN * self._row_scale[variant, path]
        for section in sections:
            spare = level[sections].sum() - self._limit[variant, path] - margin
            losses = self._loss[variant, section, self.size[self.section == section]]
            level[section] = losses[losses > level[section] - spare].min(initial=level[section])
        return self._cover(variant, path, level)

    # --- solving ---------------------------------------------------------------------------------------

    def _chain_among(self, columns: IntArray) -> BoolArray:
        """The chain rows at diameters that the child still has; the others repeat a stricter one; (n_chain,)."""
        return np.asarray(self._chain_step[:, columns].any(axis=1))

    def _changes_among(self, columns: IntArray) -> BoolArray:
        """The change rows whose section still has the size; (n_change,)."""
        return np.asarray((self.change[:, columns] > 0.0).any(axis=1))

    def _breakable(self, left: FloatArray, right: FloatArray, columns: IntArray) -> tuple[FloatArray, FloatArray]:
        """The rows (n_row, n_column) that some choice among the columns breaks."""
        keep = np.maximum.reduceat(left, self._first(columns), axis=1).sum(axis=1) > right
        return left[keep], right[keep]

    def _in_steps(self, columns: IntArray) -> tuple[FloatArray, FloatArray]:
        """The rows of the columns with losses rounded down to whole steps of the limit, for an integer program.

        HiGHS takes a set that breaks a row by its tolerance for the best of a part of its search, leaves that part,
        and only then refuses the set: a better set may have gone with it. Between whole steps no set comes
        near enough to a limit for that. What is too large by less than the steps hold is cut off by covers.
        """
        left, right = self.left[:, columns].copy(), self.right.copy()
        paths = right > 0.0  # covers have -1
        left[paths] = np.floor(left[paths] * (_STEPS / right[paths, None])) / _STEPS
        right[paths] = 1.0 + 0.5 / _STEPS
        return left, right

    def _linear(self, columns: IntArray) -> Bound:
        among = self._chain_among(columns)
        # all of them at once are too many only where all sizes are
        chain = self.chain[among & self._chain_in_use if columns.size == self.section.size else among]
        matters = self._change_in_use & self._changes_among(columns)
        change, change_cost = self.change[matters], self.change_cost[matters]
        left = np.vstack([self.left, chain, change])
        right = np.append(self.right, np.zeros(len(chain) + len(change)))
        rows, n_change = left[:, columns], change_cost.size
        cost = np.append(self.cost[columns], change_cost)
        if n_change:
            rows = np.hstack([rows, np.vstack([np.zeros((right.size - n_change, n_change)), -np.eye(n_change)])])
        result = self._linprog(columns, cost, rows, right)
        if result.status == "infeasible":
            # one more column, dear and good for every row: its multipliers show other columns infeasible too
            rows = np.hstack([rows, np.full((right.size, 1), -1.0)])
            result = self._linprog(columns, np.append(cost, 10.0 * _MEAN_COLUMN_COST * self.n_section), rows, right)
        if result.status != "optimal":
            raise RuntimeError(f"linear bound: {result.status}")
        multiplier = np.maximum(0.0, -result.row_price[: right.size])
        of_change = multiplier[right.size - n_change :]
        np.minimum(of_change, change_cost, out=of_change)
        x = np.zeros(self.section.size)
        x[columns] = result.x[: columns.size]
        reduced_cost = self.cost + multiplier @ left
        constant = -float(multiplier @ right)
        value = constant + float(self._least(columns, reduced_cost[columns]).sum())
        return Bound(value, x, constant, reduced_cost)

    def _linprog(self, columns: IntArray, cost: FloatArray, rows: FloatArray, right: FloatArray) -> Optimum:
        one_each = np.zeros((self.n_section, cost.size))
        one_each[:, : columns.size] = self.section[columns] == np.arange(self.n_section)[:, None]
        least = np.append(np.full(right.size, -np.inf), np.ones(self.n_section))
        # programs this small are solved before a presolve pays
        return linear_program(
            cost, np.vstack([rows, one_each]), least, np.append(right, np.ones(self.n_section)), presolve=False
        )

    def bound(self, columns: IntArray, ceiling: float) -> Bound:
        """The linear bound of the columns, rows added until none is broken or it passes the ceiling."""
        best = self._linear(columns)
        while best.value <= ceiling and not self.clock.is_over() and self.separate(best.x):
            bound = self._linear(columns)
            if bound.value < best.value * (1.0 + _BOUND_STALLS):
                return bound if bound.value > best.value else best
            best = bound
        return best

    def worth_trying(self, columns: IntArray, bound: Bound, ceiling: float) -> IntArray:
        """The columns that a set of at most the ceiling can use."""
        reduced = bound.reduced_cost[columns]
        least = self._least(columns, reduced)
        spare = reach(ceiling) - bound.constant - least.sum()
        kept: IntArray = columns[reduced - least[self.section[columns]] <= spare]
        return kept

    def _least(self, columns: IntArray, values: FloatArray) -> FloatArray:
        """Least value of each section's columns; columns are in order of their sections and miss none."""
        least: FloatArray = np.minimum.reduceat(values, self._first(columns))
        return least

    def _first(self, columns: IntArray) -> IntArray:
        """Where each section's columns begin."""
        return np.flatnonzero(np.diff(self.section[columns], prepend=-1))

    def integer(
        self,
        columns: IntArray,
        *,
        ceiling: float = np.inf,
        objective: FloatArray | None = None,
        max_distinct: int | None = None,
        count_distinct: bool = False,
        other_than: IntArray | None = None,
        most_changes: tuple[FloatArray, int] | None = None,
    ) -> Found:
        """The least cost, or another objective, over sets within the columns that cost at most the ceiling.

        ``other_than`` is a set left out. ``most_changes`` says what columns count as changes (n_column of all columns),
        and how many there may be. The set found is rechecked in every variant; one that holds by the
        solver's rounding only is cut off and the program solved again.
        """
        if np.bincount(self.section[columns], minlength=self.n_section).min() == 0:
            return NO_SET
        of_cost = objective is None and not count_distinct
        program = self._integer_program(columns, objective, max_distinct, count_distinct)
        if np.isfinite(ceiling):
            self._add_ceiling(program, columns, ceiling, of_cost)
        if most_changes is not None:
            program.add(most_changes[0][None, columns], float(most_changes[1]))
        excluded = np.zeros((0, columns.size))
        if other_than is not None:
            excluded = np.isin(columns, self.columns_of(other_than))[None, :].astype(float)
        bound = 0.0
        while (left_s := self.clock.left_s()) > 0.0:
            loss = program.rows(*self._breakable(*self._in_steps(columns), columns))
            result = program.solve([loss, program.rows(excluded, self.n_section - 1.0)], left_s)
            if result.status == "infeasible":
                return NO_SET
            bound = max(bound, result.bound)
            if result.x.size:
                chosen = result.x[: columns.size] > 0.5
                size_index = np.zeros(self.n_section, dtype=np.intp)
                size_index[self.section[columns[chosen]]] = self.size[columns[chosen]]
                if not self.cut_off(size_index):
                    if self.cost_of(size_index) <= reach(ceiling):
                        value = self.cost_of(size_index) if of_cost else float(program.goal @ np.round(result.x))
                        proven = result.status == "optimal"
                        return Found(size_index, value, value if proven else min(bound, value), proven)
                    if result.status == "optimal" and of_cost:
                        return NO_SET  # the least cost is above the ceiling
                    excluded = np.vstack([excluded, chosen])
        return Found(None, np.inf, min(bound, ceiling), False)

    def _integer_program(
        self, columns: IntArray, objective: FloatArray | None, max_distinct: int | None, count_distinct: bool
    ) -> _IntegerProgram:
        """Its columns, goal and rows but for losses, a ceiling and what is left out."""
        counting = count_distinct or max_distinct is not None
        pairs, pair_of = np.unique(self.pair_of[columns], return_inverse=True)
        matters = self._changes_among(columns)
        change, change_cost = self.change[np.ix_(matters, columns)], self.change_cost[matters]
        n_column, n_pair, n_change = columns.size, pairs.size if counting else 0, change_cost.size
        goal = np.zeros(n_column + n_pair + n_change)
        if count_distinct:
            goal[n_column : n_column + n_pair] = 1.0
        elif objective is not None:
            goal[:n_column] = objective[columns]
        else:
            goal[:n_column], goal[n_column + n_pair :] = self.cost[columns], change_cost
        presolve = counting or n_column < _PRESOLVE_BELOW * self.n_section
        program = _IntegerProgram(n_column, n_pair, change_cost, goal, presolve)
        one_each = (self.section[columns] == np.arange(self.n_section)[:, None]).astype(float)
        program.add(one_each, 1.0, least=1.0)
        program.add(change, 0.0, of_change=-np.eye(n_change))
        if counting:
            program.add(np.eye(n_column), 0.0, of_pair=-np.eye(n_pair)[pair_of])
        if max_distinct is not None:
            program.add(np.zeros((1, n_column)), max_distinct, of_pair=1.0)
        chain = self.chain[np.ix_(self._chain_among(columns), columns)]
        program.add(*self._breakable(chain, np.zeros(len(chain)), columns))
        return program

    def _add_ceiling(self, program: _IntegerProgram, columns: IntArray, ceiling: float, of_cost: bool) -> None:
        unit = max(ceiling, _MEAN_COLUMN_COST)
        if of_cost:
            # what costs a little more than the ceiling takes nothing better with it
            highest = reach(ceiling) / unit + _CEILING_SPARE
        else:
            unit *= _TIE_UNIT
            highest = reach(ceiling) / unit
        program.add(self.cost[None, columns] / unit, highest, of_change=program.change_cost / unit)

    def close(self, columns: IntArray, bound: Bound, ceiling: float) -> Found:
        """The least cost over sets within the columns of at most the ceiling, given their linear bound."""
        if bound.value > reach(ceiling):
            return NO_SET
        # the optimum is likely near its bound: a ceiling just above leaves few columns and proves as much
        guess = min(bound.value * (_GUESS_WITH_CHANGES if self.change_cost.size else _GUESS), ceiling)
        in_play = self.worth_trying(columns, bound, guess)
        found = self._whole_numbers(bound)
        if in_play.size >= _TRUNKS_FROM * self.n_section:
            first = _FIRST_GUESS * (guess - bound.value) if found is None else found.objective - bound.value
            found = self._through_trunks(columns, bound, first, ceiling) or found
        if found is None:
            found = self.integer(in_play, ceiling=guess)
            if found.size_index is None and found.proven and guess < ceiling:
                found = self.integer(self.worth_trying(columns, bound, ceiling), ceiling=ceiling)
        return found

    def _whole_numbers(self, bound: Bound) -> Found | None:
        """The linear bound's own point, where it is a set that holds and costs no more than the bound."""
        chosen = bound.x > 0.5
        is_integral = np.abs(bound.x - chosen).max() < 1e-9 and chosen.sum() == self.n_section
        # chain rows are broken by whole numbers if at all; the limits are rechecked exactly
        if not is_integral or (self.chain @ chosen > 0.5).any():
            return None
        size_index = self.size[chosen]
        cost = self.cost_of(size_index)
        return (
            None
            if cost > reach(bound.value) or self.cut_off(size_index)
            else Found(size_index, cost, bound.value, True)
        )

    def _through_trunks(self, columns: IntArray, bound: Bound, first: float, ceiling: float) -> Found | None:
        """What ``close`` does, going through the sizes of the trunks; None where those are too many.

        Up to ``first`` above the bound, then further until there is a set or the ceiling is met.
        """
        reduced = bound.reduced_cost[columns]
        least = self._least(columns, reduced)
        extra = np.full(self.column_of.shape, np.inf)
        extra[self.section[columns], self.size[columns]] = reduced - least[self.section[columns]]
        ceiling = min(ceiling, self.dearest)
        step = max(first, _LEAST_STEP)
        top = min(bound.value + step, ceiling)
        while not self.clock.is_over():
            slack = (reach(top) - top) / self.scale
            spare = max(reach(top) - bound.constant - float(least.sum()), 0.0)
            through = self._enumeration.least(extra, spare, slack, np.array(sorted(self.variants_used), dtype=np.intp))
            if through is None:
                return None
            size_index, is_only = through
            if size_index is None:
                cost = np.inf
            elif self._takes_up_variants(size_index):
                continue
            elif self.cut_off(size_index):
                return None  # it holds by rounding only, which is left to the integer program
            else:
                cost = self.cost_of(size_index)
                if cost <= reach(top):
                    return Found(size_index, cost, cost, True, is_only)
            if top >= ceiling:
                return NO_SET
            step *= _STEP_GROWS
            top = min(bound.value + step, cost, ceiling)  # the least cost is no more than any set's
        return None

    def _takes_up_variants(self, size_index: IntArray) -> bool:
        """Whether a size set breaks a limit in variants that were not used yet; those that break most are from now."""
        over = self.problem.over_limit_inwc(size_index)
        n_used = len(self.variants_used)
        self.variants_used.update(over.argmax(axis=0)[over.max(axis=0) > 0.0].tolist())
        return len(self.variants_used) > n_used

    def cut_off(self, size_index: IntArray) -> bool:
        """Whether a size set breaks a limit in any variant; if so, rows are added that it breaks."""
        over = self.problem.over_limit_inwc(size_index)
        if not (over > 0.0).any():
            return False
        section = np.arange(self.n_section)
        self._add_worst_rows(self._loss[:, section, size_index], 0.0)
        # such a row may be broken by less than an integer program sees
        variant, path = np.unravel_index(over.argmax(), over.shape)
        self.variants_used.add(int(variant))
        self._append([self._cover(int(variant), int(path), self._loss[variant, section, size_index])], [-1.0])
        return True
