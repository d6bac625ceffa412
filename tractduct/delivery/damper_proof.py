"""What no size set with every room within tolerance can cost less than: a relaxed integer program, for small plans.

Sizes are choices, as in the sizing program, with its limits at design airflow. Beside them, for each class of variants
and each size of a supply section, stand an airflow within what the rooms beyond it want, and a loss between straight
lines under its curve and a chord over it. What a path loses, and its damper takes, is what the plenum has. Every set
whose rooms are all within tolerance is among what that allows, so the least cost is a bound; it allows more, so the
bound may lie below what can be had: the gap says by how much at most.

On some fifteen sections it closes; on thirty or more it takes long and says little.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tractduct.arrays import FloatArray, IntArray
from tractduct.delivery.classes import TOTALS_ALIKE, Classes, build_classes
from tractduct.delivery.flow import BlowerCurve, HeldAirflow, HeldPressure, Losses
from tractduct.delivery.mark_board import may_have_damper
from tractduct.delivery.predict import Drive, supply_runs_of_rooms
from tractduct.sizing.case import Case
from tractduct.sizing.highs import integer_program
from tractduct.sizing.program import DIAMETER_TOLERANCE_IN

if TYPE_CHECKING:
    from scipy.sparse import csr_array

_LINES = 4  # under a loss
_POINTS = 65  # of a loss, at which lines are held under it and the chord over it
_CLEAR = 1e-6  # inWC that they keep from it besides: what a row of the solver may be off
_NODES = 20_000
_ROUNDS = 40
_UNSURE = 0.005  # tolerances by which the classes of variants may be off


@dataclass(frozen=True, slots=True, kw_only=True)
class DamperBound:
    """What is proven.

    ``bound``: no set with every room within tolerance costs less, ducts, fittings and dampers; infinite where there is
    none. ``closed``: the programs were solved to the end, and not stopped by their number of nodes.
    """

    bound: float
    closed: bool

    def gap_pct(self, cost: float) -> float:
        """By how much at most a cost at hand could be less."""
        return 100.0 * max(1.0 - self.bound / cost, 0.0) if cost > 0.0 else 0.0


def prove_dampers(
    case: Case, *, drive: Drive | None = None, dampers: bool = True, nodes: int = _NODES, rounds: int = _ROUNDS
) -> DamperBound:
    """The bound on sets with every room within tolerance; without any damper if not ``dampers``.

    Without dampers each set that the program finds is simulated; one that leaves a room outside is cut off and the
    program solved anew, for at most so many ``rounds``: the bound rises to the cost of the first that does not.

    InputFaults where the airflow can't be predicted.
    """
    classes = build_classes(case, drive)
    windows = classes.windows()
    rows = _Rows(case, classes, dampers)
    bound = 0.0
    for _ in range(rounds):
        found = integer_program(
            rows.cost,
            *rows.matrix(),
            whole=rows.whole,
            low=rows.low,
            high=rows.high,
            most_nodes=nodes,
        )
        if found.status == "infeasible":
            return DamperBound(bound=np.inf, closed=True)
        bound = max(bound, found.bound)
        if found.status != "optimal":
            return DamperBound(bound=bound, closed=False)
        if dampers:
            break
        size = rows.size_index(found.x)
        off = windows.off(classes.simulate(size).room_cfm).max()
        if not off > 1.0 + _UNSURE:
            break
        rows.cut_off(size)
    return DamperBound(bound=bound, closed=True)


class _Rows:
    """The program: columns with cost and bounds, rows as lists of (column, factor)."""

    def __init__(self, case: Case, classes: Classes, dampers: bool) -> None:
        self.case, self.classes, self.dampers = case, classes, dampers
        self.problem = case.problem()
        self.columns: list[tuple[float, float, float, bool]] = []  # cost, low, high, whole
        self.rows: list[tuple[IntArray, FloatArray, float, float]] = []
        allowed = self.problem.tightened()
        self.sizes = [np.flatnonzero(row) for row in allowed]
        self.x = [
            np.array([self._column(float(self.problem.cost[s, k]), 0.0, 1.0, True) for k in sizes], dtype=np.intp)
            for s, sizes in enumerate(self.sizes)
        ]
        self._sizing()
        self._airflow()
        cost, low, high, whole = (np.array(part) for part in zip(*self.columns, strict=True))
        self.cost, self.low, self.high, self.whole = cost, low, high, whole

    def size_index(self, x: FloatArray) -> IntArray:
        """(n_section,) the sizes of a solution."""
        return np.array([s[int(np.argmax(x[at]))] for s, at in zip(self.sizes, self.x, strict=True)], dtype=np.intp)

    def cut_off(self, size_index: IntArray) -> None:
        """No set with these sizes; those of returns count only where a blower's curve answers to them."""
        every = self.classes.drive is Drive.BLOWER
        counts = [s for s, section in enumerate(self.case.tree.sections) if every or section.side != "return"]
        columns = [int(self.x[s][self.sizes[s] == size_index[s]][0]) for s in counts]
        self._row(columns, [1.0] * len(columns), -np.inf, len(columns) - 1.0)

    def matrix(self) -> tuple[csr_array, FloatArray, FloatArray]:
        """Left side, least and most of the rows."""
        from scipy.sparse import coo_array  # who does not ask for the proof need not wait for it

        at = np.concatenate([np.full(len(c), n) for n, (c, _, _, _) in enumerate(self.rows)])
        column = np.concatenate([c for c, _, _, _ in self.rows])
        factor = np.concatenate([f for _, f, _, _ in self.rows])
        matrix = coo_array((factor, (at, column)), shape=(len(self.rows), len(self.columns))).tocsr()
        return matrix, np.array([low for _, _, low, _ in self.rows]), np.array([high for _, _, _, high in self.rows])

    def _column(self, cost: float, low: float, high: float, whole: bool = False) -> int:
        self.columns.append((cost, low, high, whole))
        return len(self.columns) - 1

    def _row(self, columns: list[int], factors: list[float], low: float, high: float) -> None:
        self.rows.append((np.array(columns, dtype=np.intp), np.array(factors), low, high))

    def _sizing(self) -> None:
        """One size a section, none larger than its parent's, and every path within its limit at design airflow."""
        problem, diameter = self.problem, self.problem.diameter_in
        for s, parent in enumerate(problem.parent.tolist()):
            self._row(self.x[s].tolist(), [1.0] * len(self.x[s]), 1.0, 1.0)
            for k in self.sizes[s] if parent >= 0 else ():
                # a child of this size or larger wants a parent as large
                larger = self.x[s][diameter[self.sizes[s]] >= diameter[k] - DIAMETER_TOLERANCE_IN]
                enough = self.x[parent][diameter[self.sizes[parent]] >= diameter[k] - DIAMETER_TOLERANCE_IN]
                factors = [1.0] * len(larger) + [-1.0] * len(enough)
                self._row([*larger, *enough], factors, -np.inf, 0.0)
            if problem.change_cost is not None and parent >= 0:
                for k, x in zip(self.sizes[s], self.x[s], strict=True):
                    price = float(problem.change_cost[s, k])
                    same = self.x[parent][self.sizes[parent] == k]
                    changed = self._column(price, 0.0, 1.0)
                    self._row([x, changed, *same], [1.0, -1.0] + [-1.0] * len(same), -np.inf, 0.0)
        seen = set()
        for p, on in enumerate(problem.path):
            mine = np.flatnonzero(on)
            columns = [int(x) for s in mine for x in self.x[s]]
            for v in np.flatnonzero(np.isfinite(problem.available_inwc[:, p])):
                limit = float(problem.limit_inwc[v, p])
                factors = [float(problem.loss_inwc[v, s, k]) / limit for s in mine for k in self.sizes[s]]
                key = (p, tuple(np.round(factors, 12)))
                if key not in seen:
                    seen.add(key)
                    self._row(columns, factors, -np.inf, 1.0 + _CLEAR)

    def _airflow(self) -> None:
        """Airflow and losses of the supply in each class."""
        tree, classes, plan = self.case.tree, self.classes, self.case.plan
        supply = np.flatnonzero(tree.is_supply).tolist()
        windows = classes.windows()
        serves = supply_runs_of_rooms(plan, tree)
        wide = 1.0 + (0.1 * TOTALS_ALIKE if np.any(classes.scale < 1.0) else 0.0)
        damper = {
            p: self._column(plan.damper_cost, 0.0, 1.0, True)
            for p in (np.flatnonzero(may_have_damper(self.case)).tolist() if self.dampers else ())
        }
        total = classes.case.variants.room_airflow_cfm.sum(axis=1)
        for c in range(classes.n_class):
            low = np.maximum(windows.low_cfm()[c], 0.0) / wide
            high = windows.high_cfm()[c] * wide
            opened = classes.is_open[c, tree.run_section]
            room_runs = [np.flatnonzero((row > 0) & opened) for row in serves]
            held = isinstance(classes.source, HeldAirflow)
            most = self._most_inwc(c)
            plenum = self._column(0.0, most if isinstance(classes.source, HeldPressure) else 0.0, most)
            flow: dict[int, list[int]] = {}
            loss: dict[int, list[int]] = {}
            for s in supply:
                beyond = tree.path[:, s] & opened
                if not beyond.any():
                    continue
                least = sum(low[r] for r, runs in enumerate(room_runs) if runs.size and beyond[runs].all())
                largest = sum(high[r] for r, runs in enumerate(room_runs) if runs.size and beyond[runs].any())
                if held:
                    others = sum(low[r] for r, runs in enumerate(room_runs) if runs.size and not beyond[runs].any())
                    largest = min(largest, float(total[c]) * wide - others)
                if largest < least:
                    self._row([plenum], [0.0], 1.0, 1.0)  # no airflow suits this class: the program has no set
                    continue
                flow[s], loss[s] = self._section(c, s, float(least), float(max(largest, 0.0)), most)
            for r, runs in enumerate(room_runs):
                ends = [q for p in runs for q in flow.get(int(tree.run_section[p]), [])]
                if ends:
                    self._row(ends, [1.0] * len(ends), float(low[r]), float(high[r]))
            for s in supply:
                children = [q for child in tree.children(s) for q in flow.get(child, [])]
                if s in flow and children:
                    self._row([*flow[s], *children], [1.0] * len(flow[s]) + [-1.0] * len(children), 0.0, 0.0)
            tops = [q for s in supply if tree.parent[s] < 0 for q in flow.get(s, [])]
            if held and tops:
                self._row(tops, [1.0] * len(tops), float(total[c]) / wide, float(total[c]) * wide)
            for p in np.flatnonzero(opened & np.isin(tree.run_section, supply)).tolist():
                on_way = [h for s in np.flatnonzero(tree.path[p]).tolist() for h in loss.get(s, [])]
                taken = [self._column(0.0, 0.0, most)] if p in damper else []
                factors = [1.0] * (len(on_way) + len(taken)) + [-1.0]
                self._row([*on_way, *taken, plenum], factors, 0.0, 0.0)
                if taken:
                    self._row([*taken, damper[p]], [1.0, -most], -np.inf, 0.0)

    def _most_inwc(self, c: int) -> float:
        """What the supply plenum of a class may hold at most."""
        classes, source = self.classes, self.classes.source
        if isinstance(source, HeldPressure):
            return float(source.supply_inwc[c])
        if isinstance(source, BlowerCurve):
            return float(np.nanmax(source.static_inwc[c]))
        limit = min(float(classes.supply_limit_inwc[c]), float(classes.ducts_limit_inwc[c]))
        return limit * (1.0 + 1e-6)

    def _section(self, c: int, s: int, low: float, high: float, most: float) -> tuple[list[int], list[int]]:
        """Columns of airflow and loss of a section in a class, one of each a size."""
        q = np.linspace(low, max(high, low + 1e-3), _POINTS)
        flows, losses = [], []
        for k, x in zip(self.sizes[s].tolist(), self.x[s].tolist(), strict=True):
            curve = Losses(
                *(np.full(_POINTS, getattr(self.classes.losses, name)[s, k, c]) for name in Losses.__slots__)
            )
            height, slope = curve.at(np.maximum(q, 1e-6))
            flow, loss = self._column(0.0, 0.0, float(q[-1])), self._column(0.0, 0.0, most)
            flows.append(flow)
            losses.append(loss)
            self._row([flow, x], [1.0, -float(q[-1])], -np.inf, 0.0)
            self._row([flow, x], [1.0, -float(q[0])], 0.0, np.inf)
            chord = (height[-1] - height[0]) / (q[-1] - q[0])
            over = float(np.max(height - chord * q)) + _CLEAR
            self._row([loss, flow, x], [1.0, -float(chord), -over], -np.inf, 0.0)
            for n in np.linspace(0, _POINTS - 1, _LINES).round().astype(int):
                under = float(np.min(height - slope[n] * q)) - _CLEAR
                self._row([loss, flow, x], [1.0, -float(slope[n]), -under], 0.0, np.inf)
        return flows, losses
