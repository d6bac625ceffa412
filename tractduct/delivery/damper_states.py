"""Sizes and dampers of a plan as states: what they cost, what they deliver, what they are worth, and the best of each
number of dampers that were met."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from tractduct.arrays import BoolArray, FloatArray, IntArray
from tractduct.delivery.classes import ClassAirflow, Classes, build_classes
from tractduct.delivery.mark_board import marks_by_season, may_have_damper
from tractduct.delivery.marks import AIM
from tractduct.delivery.predict import Drive
from tractduct.delivery.response import Response
from tractduct.physics.damper import blade_inwc_per_cfm2
from tractduct.sizing.case import Case
from tractduct.sizing.program import DIAMETER_TOLERANCE_IN
from tractduct.sizing.solve import Solution

_NEAR = 0.001  # part of the least cost that a room at its tolerance may cost to bring to the aim
_OUTSIDE = 2.0  # tolerances that a room outside counts as beyond its distance
_INSIDE = 0.998  # tolerances that count as inside after a few Newton steps
_STEPS = 2  # Newton steps from the state beside
_KEPT = 3  # states of each number of dampers
LEAST_CFM = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class Batch:
    """States that were simulated; ``n`` of them.

    Attributes
    ----------
    size : (n, n_section), settings : (n, n_season, n_path)
    cost, dampers : (n,) of ducts and fittings; runs with a damper
    room_cfm : (n, n_class, n_room), over : (n, n_class) of the plenum's pressure beyond what there is, as a part
    """

    size: IntArray
    settings: IntArray
    cost: FloatArray
    dampers: IntArray
    room_cfm: FloatArray
    over: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """One state, settled: a batch of one, and what the air does in each class."""

    one: Batch
    airflow: ClassAirflow


@dataclass(frozen=True, slots=True, eq=False)
class Kept:
    """One of the best states of a number of dampers; ``key``: rooms outside, its worth; the air as far as known."""

    key: tuple[int, float]
    size: IntArray
    settings: IntArray
    section_cfm: FloatArray


@dataclass(frozen=True, slots=True)
class Aim:
    """What a descent looks for: the price of a damper, the most dampers, and what a room outside is worth.

    ``room`` is a part of the least cost. At little, sizes and dampers are found that come cheaply; then it is raised.
    """

    price: float
    most: int
    room: float = 1.0


class States:
    """The states of a case, beside its least-cost set."""

    def __init__(self, case: Case, least: Solution, drive: Drive | None) -> None:
        plan, tree = case.plan, case.tree
        self.case, self.least = case, least
        self.classes: Classes = build_classes(case, drive)
        self.response = Response.of(self.classes)
        self.lines = tuple(line.astype(np.float32) for line in self.classes.windows().lines)
        self.problem = case.problem()
        self.path, self.limit_inwc = self.problem.path.T.astype(float), self.problem.limit_inwc
        self.allowed = self.problem.tightened()
        self.children = [tree.children(i) for i in range(len(tree.sections))]
        self.by_size = np.argsort(self.problem.diameter_in, kind="stable")
        self.ladder = [self.by_size[row[self.by_size]] for row in self.allowed]
        self.rung = np.full(self.allowed.shape, -1, dtype=np.intp)
        for s, sizes in enumerate(self.ladder):
            self.rung[s, sizes] = np.arange(len(sizes))
        ducts = self.classes.case.table.ducts
        self.takes = blade_inwc_per_cfm2(
            ducts.area_ft2[:, tree.run_section], self.classes.case.air[:, tree.run_section, None]
        )
        self.may, self.by_season = may_have_damper(case), marks_by_season(plan)
        # A return that the pressure of the supply does not hang on has no say in what arrives.
        apart = plan.budget_given and self.classes.drive is not Drive.BLOWER
        self.free = np.array([not (apart and s.side == "return") for s in tree.sections])
        self.worth = max(least.cost, 1e-9)
        self.simulated = 0
        self.spent = 0
        self.archive: dict[int, list[Kept]] = {}

    # -- what a state is worth ---------------------------------------------------------------------------------

    def holds(self, size: IntArray) -> BoolArray:
        """(n,) bool: sizes that keep every limit at design airflow, and no child larger than its parent."""
        problem, at = self.problem, np.arange(size.shape[1])
        fine = problem.allowed[at, size].all(axis=1)
        diameter = problem.diameter_in[size]
        larger = diameter > diameter[:, problem.parent] + DIAMETER_TOLERANCE_IN
        fine &= ~np.any(larger & (problem.parent >= 0), axis=1)
        loss = problem.loss_inwc[:, at, size[fine]] @ self.path  # (n_variant, n, n_circuit)
        fine[fine] = np.all(loss <= self.limit_inwc[:, None], axis=(0, 2))
        return np.asarray(fine)

    def value(
        self, aim: Aim, cost: FloatArray, dampers: IntArray, differ: FloatArray, off: FloatArray, over: FloatArray
    ) -> FloatArray:
        """(n,) what a descent makes small: cost, dampers, rooms (n, n_room) off, pressure (n, n_class) over."""
        near = np.clip((off - AIM) / (1.0 - AIM), 0.0, 1.0).sum(axis=1)
        outside = off > _INSIDE
        step = 0.5 if aim.room < 1.0 else _OUTSIDE
        beyond = np.where(outside, step + np.minimum(off - _INSIDE, 3.0), 0.0).sum(axis=1)
        pressure = np.maximum(over, 0.0).max(axis=1)
        rooms = _NEAR * near + aim.room * (beyond + 20.0 * pressure) + 5.0 * np.maximum(dampers - aim.most, 0)
        return np.asarray(cost + aim.price * (dampers + 0.02 * differ) + self.worth * rooms)

    def value_of(self, aim: Aim, batch: Batch) -> FloatArray:
        off = self.off(batch.room_cfm.swapaxes(0, 1))
        return self.value(aim, batch.cost, batch.dampers, differ(batch.settings), off, batch.over)

    def off(self, room_cfm: Iterable[FloatArray]) -> FloatArray:
        """(n, n_room) the worst class's distance from design in tolerances, of (n, n_room) airflow by class."""
        worst: FloatArray | None = None
        for room, low, per_low, high, per_high in zip(room_cfm, *self.lines, strict=True):
            little, much = low - room * per_low, room * per_high - high
            np.maximum(little, much, out=little)
            worst = little if worst is None else np.maximum(worst, little, out=worst)
        assert worst is not None
        return np.nan_to_num(worst, nan=100.0)

    # -- simulation ----------------------------------------------------------------------------------------------

    def dampers(self, size: IntArray, settings: IntArray) -> FloatArray:
        """(n, n_class, n_path) inWC/cfm2 of sizes (n, n_section) and settings (n, n_season, n_path)."""
        n_class, n_path = self.takes.shape[:2]
        run_size, at = size[:, None, self.case.tree.run_section], settings[:, self.classes.season]
        return np.asarray(self.takes[np.arange(n_class)[:, None], np.arange(n_path), run_size, at])

    def simulate(
        self, size: IntArray, settings: IntArray, start: FloatArray | None, steps: int | None = _STEPS
    ) -> tuple[Batch, ClassAirflow]:
        """A batch of states, and what the air does in them."""
        got = self.classes.simulate(size, self.dampers(size, settings), start_cfm=start, most_steps=steps)
        self.simulated += len(size)
        self.spent += len(size)
        there = self.classes.there_inwc(got.return_inwc)
        over = np.where(np.isfinite(there), got.supply_inwc / there - 1.0 - 1e-9, -1.0)
        batch = Batch(
            size=size,
            settings=settings,
            cost=self.problem.costs_of(size),
            dampers=np.any(settings > 0, axis=1).sum(axis=1),
            room_cfm=got.room_cfm,
            over=np.nan_to_num(over, nan=1.0),
        )
        return batch, got

    def state(self, size: IntArray, settings: IntArray, start: FloatArray | None = None) -> State:
        """One state, settled."""
        batch, got = self.simulate(size[None], settings[None], start, None)
        self.keep(batch, got)
        return State(batch, got)

    def keep(self, batch: Batch, airflow: ClassAirflow) -> None:
        """The best of a batch whose sizes hold, by number of dampers."""
        off = self.off(batch.room_cfm.swapaxes(0, 1))
        outside = (off > _INSIDE).sum(axis=1)
        near = np.clip((off - AIM) / (1.0 - AIM), 0.0, 1.0).sum(axis=1)
        soft = batch.cost + self.worth * _NEAR * near
        for n in np.flatnonzero(batch.over.max(axis=1) <= 0.0):
            number, key = int(batch.dampers[n]), (int(outside[n]), round(float(soft[n]), 6))
            best = self.archive.setdefault(number, [])
            size, settings = batch.size[n], batch.settings[n]
            if (len(best) < _KEPT or key < best[-1].key) and not any(
                np.array_equal(size, of.size) and np.array_equal(settings, of.settings) for of in best
            ):
                best.append(Kept(key, size.copy(), settings.copy(), airflow.section_cfm[n].copy()))
                best.sort(key=lambda of: of.key)
                del best[_KEPT:]


def differ(settings: IntArray) -> FloatArray:
    """(n,) runs whose mark is not the same in all seasons, of settings (n, n_season, n_path)."""
    return np.asarray(np.any(settings != settings[:, :1], axis=1).sum(axis=1), dtype=float)
