"""The size-set program by OR-tools CP-SAT: the reference that the solver is raced and tested against.

It gets the same reductions as the solver: sizes tightened through the tree and the paths, and the path rows
and covers of the solver's own root bound; more rows are generated as solutions break them and kept over the
whole sweep. Sizes are "at least" steps joined to one literal a size, costs are whole cents (the plans are
priced so), losses are millionths of a limit rounded down and every solution is rechecked exactly. Each solve
is given the solution before it as a hint.
"""

from __future__ import annotations

import numpy as np
from ortools.sat.python import cp_model

from tractduct.sizing.program import SizingProblem
from tractduct.sizing.relaxation import Clock, Relaxation

LOSS_PARTS = 1_000_000


class CpSat:
    """One model, solved again and again with another cap on distinct sizes."""

    def __init__(self, problem: SizingProblem, workers: int) -> None:
        self.relaxation = Relaxation(problem, problem.tightened(), Clock(None))
        self.relaxation.bound(self.relaxation.all_columns, np.inf)
        self.problem = problem
        self.cents = np.rint(100.0 * problem.cost[self.relaxation.section, self.relaxation.size]).astype(int)
        self.model = cp_model.CpModel()
        self.choice = [self.model.new_bool_var("") for _ in self.cents]
        for section in range(self.relaxation.n_section):
            self.model.add_exactly_one([self.choice[c] for c in np.flatnonzero(self.relaxation.section == section)])
        pairs = np.unique(self.relaxation.pair_of)
        self.used = {pair: self.model.new_bool_var("") for pair in pairs}
        for literal, pair in zip(self.choice, self.relaxation.pair_of, strict=True):
            self.model.add_implication(literal, self.used[pair])
        for pair in pairs:
            self.model.add_bool_or(
                [self.choice[c] for c in np.flatnonzero(self.relaxation.pair_of == pair)] + [~self.used[pair]]
            )
        cents = [int(c) * literal for c, literal in zip(self.cents, self.choice, strict=True)]
        self.model.minimize(sum(cents + self._change_cents()))
        self._add_chain()
        self._n_row = 0
        self._add_rows()
        self.count = self.model.new_int_var(0, len(pairs), "")
        self.model.add(self.count == sum(self.used.values()))
        self.solver = cp_model.CpSolver()
        self.solver.parameters.num_workers = workers

    def _add_chain(self) -> None:
        """Implied literals "at least this diameter" a section; a child's implies its parent's."""
        relaxation, problem = self.relaxation, self.problem
        steps: list[dict[float, cp_model.IntVar]] = []
        for section, parent in enumerate(problem.parent):
            columns = np.flatnonzero(relaxation.section == section)
            diameter = problem.diameter_in[relaxation.size[columns]]
            at_least: dict[float, cp_model.IntVar] = {}
            for step in np.unique(diameter)[1:]:
                at_least[step] = literal = self.model.new_bool_var("")
                large = [self.choice[c] for c in columns[diameter >= step]]
                self.model.add(sum(large) == literal)
            for low, high in zip(list(at_least)[:-1], list(at_least)[1:], strict=True):
                self.model.add_implication(at_least[high], at_least[low])
            steps.append(at_least)
            if parent < 0:
                continue
            for step in np.unique(diameter):
                of_parent = [d for d in steps[parent] if d >= step - 1e-9]
                parent_columns = np.flatnonzero(relaxation.section == parent)
                smallest = problem.diameter_in[relaxation.size[parent_columns]].min()
                if smallest >= step - 1e-9:
                    continue
                large_parent = steps[parent][min(of_parent)] if of_parent else None
                mine = at_least.get(step)
                if mine is None:  # the child's smallest size: it is always at least that
                    if large_parent is not None:
                        self.model.add_bool_or([large_parent])
                elif large_parent is None:
                    self.model.add_bool_or([~mine])
                else:
                    self.model.add_implication(mine, large_parent)

    def _change_cents(self) -> list[cp_model.LinearExpr]:
        """What each change of size adds: a literal that a section's size and another of its parent imply."""
        relaxation, problem = self.relaxation, self.problem
        if problem.change_cost is None:
            return []
        terms = []
        for literal, section, size in zip(self.choice, relaxation.section, relaxation.size, strict=True):
            cents = round(100.0 * problem.change_cost[section, size])
            if problem.parent[section] < 0 or cents == 0:
                continue
            of_parent = relaxation.column_of[problem.parent[section], size]
            if of_parent >= 0:
                changes = self.model.new_bool_var("")
                self.model.add_bool_or([~literal, self.choice[of_parent], changes])
                terms.append(cents * changes)
            else:
                terms.append(cents * literal)
        return terms

    def _add_rows(self) -> None:
        left, right = self.relaxation.left, self.relaxation.right
        for row, limit in zip(left[self._n_row :], right[self._n_row :], strict=True):
            on = np.flatnonzero(row)
            if limit < 0.0:
                self.model.add_bool_or([self.choice[c] for c in on])
            else:
                parts = np.floor(row[on] * LOSS_PARTS).astype(int)
                self.model.add(
                    sum(int(p) * self.choice[c] for p, c in zip(parts, on, strict=True))
                    <= int(np.ceil(limit * LOSS_PARTS))
                )
        self._n_row = len(left)

    def solve(self, max_distinct: int) -> tuple[int, np.ndarray] | None:
        """Least cost in cents and its sizes with at most this many distinct sizes; None if none holds."""
        while True:
            model = self.model.clone()
            count = model.get_int_var_from_proto_index(self.count.index)
            model.add(count <= max_distinct)
            status = self.solver.solve(model)
            if status == cp_model.INFEASIBLE:
                return None
            if status != cp_model.OPTIMAL:
                raise RuntimeError(f"CP-SAT ended with {self.solver.status_name(status)}")
            values = [self.solver.value(literal) for literal in self.choice]
            self.model.clear_hints()  # type: ignore[no-untyped-call]
            for literal, value in zip(self.choice, values, strict=True):
                self.model.add_hint(literal, value)
            chosen = np.array(values, dtype=bool)
            size_index = np.zeros(self.relaxation.n_section, dtype=np.intp)
            size_index[self.relaxation.section[chosen]] = self.relaxation.size[chosen]
            if not self.relaxation.cut_off(size_index):
                return round(100.0 * self.problem.cost_of(size_index)), size_index
            self._add_rows()


def cpsat_front(problem: SizingProblem, workers: int = 1) -> list[tuple[int, int]]:
    """(distinct sizes, cost in cents) of the front, from the most to the fewest distinct sizes."""
    program = CpSat(problem, workers)
    front: list[tuple[int, int]] = []
    number = len(program.used)
    while number > 0 and (found := program.solve(number)) is not None:
        cents, size_index = found
        number = problem.distinct_sizes(size_index)
        if front and front[-1][1] == cents:
            front.pop()  # the same cost with fewer sizes
        front.append((number, cents))
        number -= 1
    return front
