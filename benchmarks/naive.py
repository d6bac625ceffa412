"""The size-set program written down as it reads: the baseline that the solver is measured against.

A row for every path and variant, built row by row; a child's diameter at most its parent's; a literal a pair
of stock group and size; solved by HiGHS to a gap of 0.
"""

from __future__ import annotations

import time

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array, vstack

from tractduct.sizing.program import SizingProblem


class Naive:
    """The program's arrays, built once a plan."""

    def __init__(self, problem: SizingProblem) -> None:
        self.problem = problem
        self.section, self.size = np.nonzero(problem.allowed)
        self.pairs, self.pair_of = np.unique(
            problem.stock_group[self.section] * problem.diameter_in.size + self.size, return_inverse=True
        )
        n_column, n_pair = self.section.size, self.pairs.size
        width = n_column + n_pair
        rows, lower, upper = [], [], []

        def add(coefficients: np.ndarray, least: float, most: float) -> None:
            rows.append(csr_array(coefficients[None, :]))
            lower.append(least)
            upper.append(most)

        for section in range(problem.parent.size):
            row = np.zeros(width)
            row[:n_column] = self.section == section
            add(row, 1.0, 1.0)
        diameter = problem.diameter_in[self.size]
        for child, parent in enumerate(problem.parent):
            if parent >= 0:
                for step in np.unique(diameter[self.section == child]):
                    row = np.zeros(width)
                    row[:n_column] = (self.section == child) & (diameter >= step)
                    row[:n_column] -= (self.section == parent) & (diameter >= step)
                    add(row, -np.inf, 0.0)
        for column, pair in enumerate(self.pair_of):
            row = np.zeros(width)
            row[column], row[n_column + pair] = 1.0, -1.0
            add(row, -np.inf, 0.0)
        for variant in range(len(problem.loss_inwc)):
            for path, on_path in enumerate(problem.path):
                limit = problem.limit_inwc[variant, path]
                if np.isfinite(limit):
                    row = np.zeros(width)
                    loss = problem.loss_inwc[variant, self.section, self.size]
                    row[:n_column] = np.where(on_path[self.section], loss, 0.0) / limit
                    add(row, -np.inf, 1.0)
        row = np.zeros(width)
        row[n_column:] = 1.0
        add(row, 0.0, n_pair)
        self.matrix, self.lower, self.upper = vstack(rows), np.array(lower), np.array(upper)
        self.goal = np.append(problem.cost[self.section, self.size], np.zeros(n_pair))

    def solve(self, max_distinct: int | None, time_limit_s: float) -> tuple[float, int] | None:
        """Least cost and its number of distinct sizes; None if infeasible.

        Raises TimeoutError if not proven in time.
        """
        upper = self.upper.copy()
        if max_distinct is not None:
            upper[-1] = max_distinct
        result = milp(
            self.goal,
            integrality=np.ones(self.goal.size),
            bounds=Bounds(0.0, 1.0),
            constraints=LinearConstraint(self.matrix, self.lower, upper),
            options={"mip_rel_gap": 0.0, "time_limit": max(time_limit_s, 0.001)},
        )
        if result.status == 2:
            return None
        if result.status != 0:
            raise TimeoutError
        chosen = result.x[: self.section.size] > 0.5
        return float(self.goal[: self.section.size][chosen].sum()), int(np.unique(self.pair_of[chosen]).size)

    def front(self, time_limit_s: float) -> list[tuple[int, float]] | None:
        """(distinct sizes, cost) from the most to the fewest; None if the sweep does not end in time."""
        end = time.monotonic() + time_limit_s
        front: list[tuple[int, float]] = []
        number = self.pairs.size
        try:
            while number > 0 and (found := self.solve(number, end - time.monotonic())) is not None:
                if front and abs(front[-1][1] - found[0]) < 1e-6:
                    front.pop()  # the same cost with fewer sizes
                front.append((found[1], found[0]))
                number = found[1] - 1
        except TimeoutError:
            return None
        return front
