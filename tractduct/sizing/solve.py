"""The least-cost size set, and what fewer distinct sizes cost; every optimum proven."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array, vstack

from tractduct.sizing.program import HOLDS_TOLERANCE, SizingProblem

Status = Literal["optimal", "feasible", "infeasible", "unknown"]
SAME_COST = 1e-9  # relative; costs this close are equal


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Solution:
    """A size set and what is proven of it.

    Attributes
    ----------
    status
        ``optimal``: proven; ``feasible``: time ran out with a set in hand; ``infeasible``: proven that no set
        holds (or none below the cutoff); ``unknown``: time ran out with none.
    size_index : (n_section,) int, or None without a set
    cost
        Of the set; ``inf`` without one.
    bound
        No set that holds costs less; ``inf`` where infeasible.
    distinct_sizes
        Pairs of stock group and size in the set; 0 without one.
    """

    status: Status
    size_index: NDArray[np.intp] | None
    cost: float
    bound: float
    distinct_sizes: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SizeFront:
    """Least cost at each number of distinct sizes worth paying for.

    Attributes
    ----------
    entries : by rising number of distinct sizes, and so by falling cost
        Entry with n sizes: the least cost with at most n. Empty if no set holds.
    status
        ``optimal`` if every entry is; ``infeasible`` if no set holds; ``feasible`` or ``unknown`` if time ran
        out, with or without entries.
    """

    entries: tuple[Solution, ...]
    status: Status


def least_cost(
    problem: SizingProblem,
    *,
    usable: NDArray[np.bool_] | None = None,
    max_distinct: int | None = None,
    time_limit_s: float | None = None,
    cutoff: float | None = None,
) -> Solution:
    """The least-cost size set that holds; of equal costs, the fewest distinct sizes."""
    program = _Program(problem, usable, _Clock(time_limit_s))
    return program.solve(max_distinct, cutoff)


def size_front(
    problem: SizingProblem,
    *,
    max_distinct: int | None = None,
    time_limit_s: float | None = None,
    on_step: Callable[[int, int], None] | None = None,
) -> SizeFront:
    """Least cost for each number of distinct sizes, from the fewest that hold to those of the least cost."""
    program = _Program(problem, None, _Clock(time_limit_s))
    entries: list[Solution] = []
    n = max_distinct
    while n is None or n > 0:
        solution = program.solve(n, None)
        if solution.size_index is None:
            if not entries:
                return SizeFront(entries=(), status=solution.status)
            break
        entries.append(solution)
        n = solution.distinct_sizes - 1
        if on_step is not None:
            on_step(len(entries), len(entries) + n)
    done = all(e.status == "optimal" for e in entries)
    return SizeFront(entries=tuple(reversed(entries)), status="optimal" if done else "feasible")


def recommended(front: SizeFront, within_pct: float) -> Solution:
    """Of a front, the fewest distinct sizes that cost at most this much over the least cost.

    Raises ValueError for a front without entries.
    """
    if not front.entries:
        raise ValueError("no size set holds, so none can be recommended")
    ceiling = front.entries[-1].cost * (1.0 + within_pct / 100.0) * (1.0 + SAME_COST)
    return next(entry for entry in front.entries if entry.cost <= ceiling)


def recommend(
    problem: SizingProblem,
    within_pct: float,
    *,
    max_distinct: int | None = None,
    time_limit_s: float | None = None,
) -> tuple[Solution, Solution]:
    """The least-cost set and the recommended one."""
    front = size_front(problem, max_distinct=max_distinct, time_limit_s=time_limit_s)
    if not front.entries:
        nothing = Solution(status=front.status, size_index=None, cost=np.inf, bound=np.inf, distinct_sizes=0)
        return nothing, nothing
    return front.entries[-1], recommended(front, within_pct)


class _Clock:
    """Time left of a limit."""

    def __init__(self, limit_s: float | None) -> None:
        self._end = np.inf if limit_s is None else time.monotonic() + limit_s

    def left_s(self) -> float:
        return self._end - time.monotonic()


class _Program:
    """The program with its reductions; rows are generated as solutions break them."""

    def __init__(self, problem: SizingProblem, usable: NDArray[np.bool_] | None, clock: _Clock) -> None:
        self.problem = problem
        self.clock = clock
        self.limit = problem.available_inwc * (1.0 + HOLDS_TOLERANCE)
        allowed = problem.allowed if usable is None else problem.allowed & usable[problem.stock_group]
        self.allowed = allowed.copy()
        self.section, self.size = np.nonzero(self.allowed)
        self.cost = problem.cost[self.section, self.size]
        self.pair, self.pair_of = np.unique(
            problem.stock_group[self.section] * problem.diameter_in.size + self.size, return_inverse=True
        )
        self.scale = max(float(self.cost.mean()), 1e-300) / 100 if self.cost.size else 1.0
        n_column = self.section.size
        self.one_each = csr_array(
            (np.ones(n_column), (self.section, np.arange(n_column))), shape=(self.n_section, n_column)
        )
        self.chain = self._chain()
        self.rows = np.zeros((0, n_column))
        self.has_row: set[tuple[int, int]] = set()
        self.covers = np.zeros((0, n_column))

    @property
    def n_section(self) -> int:
        return self.problem.parent.size

    def _chain(self) -> csr_array:
        diameter = self.problem.diameter_in[self.size]
        rows = []
        for child, parent in enumerate(self.problem.parent):
            if parent < 0:
                continue
            of_child, of_parent = self.section == child, self.section == parent
            for d in np.unique(diameter[of_child]):
                rows.append((of_child & (diameter >= d)).astype(float) - (of_parent & (diameter >= d - 1e-9)))
        return csr_array(np.array(rows).reshape(-1, self.section.size))

    def broken(self, size_index: NDArray[np.intp]) -> list[tuple[int, int]]:
        loss = self.problem.loss_inwc[:, np.arange(self.n_section), size_index]
        over = loss @ self.problem.path.T.astype(float) - self.limit
        worst = over.argmax(axis=0)
        return [(int(v), p) for p, v in enumerate(worst) if over[v, p] > 0.0]

    def add(self, row: tuple[int, int], size_index: NDArray[np.intp]) -> None:
        """Add a broken row; if it is there already, cut off the sizes that break it by rounding only."""
        variant, path = row
        loss = self.problem.loss_inwc[variant, self.section, self.size]
        on_path = self.problem.path[path, self.section]
        if row in self.has_row:
            at = self.problem.loss_inwc[variant, np.arange(self.n_section), size_index]
            cover = on_path & (loss < at[self.section])
            self.covers = np.vstack([self.covers, cover])
            return
        self.has_row.add(row)
        limit = self.limit[variant, path]
        coef = np.where(on_path, loss, 0.0)
        coef = coef - limit / max(1, self.problem.path[path].sum()) * on_path  # sum of choices is 1 a section
        self.rows = np.vstack([self.rows, coef / max(np.abs(coef).max(), 1e-300)])

    def solve(self, max_distinct: int | None, cutoff: float | None) -> Solution:
        n_column, n_pair = self.section.size, self.pair.size
        none = Solution(status="infeasible", size_index=None, cost=np.inf, bound=np.inf, distinct_sizes=0)
        if not self.allowed.any(axis=1).all():
            return none
        bound = 0.0
        while True:
            if self.clock.left_s() <= 0:
                return Solution(status="unknown", size_index=None, cost=np.inf, bound=bound, distinct_sizes=0)
            link = csr_array(
                (
                    np.r_[np.ones(n_column), -np.ones(n_column)],
                    (np.r_[:n_column, :n_column], np.r_[:n_column, n_column + self.pair_of]),
                ),
                shape=(n_column, n_column + n_pair),
            )
            left = vstack([self.one_each, self.chain, csr_array(self.rows), csr_array(self.covers)])
            left = csr_array((left.data, left.indices, left.indptr), shape=(left.shape[0], n_column + n_pair))
            n_row, n_cover = len(self.rows), len(self.covers)
            lower = np.r_[np.ones(self.n_section), np.full(self.chain.shape[0] + n_row, -np.inf), np.ones(n_cover)]
            upper = np.r_[np.ones(self.n_section), np.zeros(self.chain.shape[0] + n_row), np.full(n_cover, np.inf)]
            count = csr_array(np.r_[np.zeros(n_column), np.ones(n_pair)][None, :])
            constraints = [
                LinearConstraint(left, lower, upper),
                LinearConstraint(link, -np.inf, 0),
                LinearConstraint(count, 0, n_pair if max_distinct is None else max_distinct),
            ]
            objective = np.r_[self.cost / self.scale, np.zeros(n_pair)]
            if cutoff is not None:
                constraints.append(LinearConstraint(csr_array(objective[None, :]), -np.inf, cutoff / self.scale))
            result = milp(
                objective,
                integrality=np.ones(n_column + n_pair),
                bounds=Bounds(0, 1),
                constraints=constraints,
                options={"mip_rel_gap": 0.0, "time_limit": max(0.01, min(self.clock.left_s(), 1e6))},
            )
            if result.status == 2:
                return none
            if result.mip_dual_bound is not None:
                bound = max(bound, float(result.mip_dual_bound) * self.scale)
            if result.x is None:
                continue
            chosen = result.x[:n_column] > 0.5
            size_index = np.zeros(self.n_section, dtype=np.intp)
            size_index[self.section[chosen]] = self.size[chosen]
            broken = self.broken(size_index)
            if not broken:
                cost = float(self.cost[chosen].sum())
                distinct = int(np.unique(self.pair_of[chosen]).size)
                proven = result.status == 0
                return Solution(
                    status="optimal" if proven else "feasible",
                    size_index=size_index,
                    cost=cost,
                    bound=cost if proven else min(bound, cost),
                    distinct_sizes=distinct,
                )
            for row in broken:
                self.add(row, size_index)
