"""Damper marks as settings of a blade: what they deliver, what is needed at least, and a search from close by."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tractduct.arrays import BoolArray, FloatArray, IntArray, each, one_after_another
from tractduct.delivery.classes import ClassAirflow, Classes, Windows
from tractduct.delivery.flow import BlowerCurve, Losses
from tractduct.delivery.response import Response
from tractduct.model.plan import Plan
from tractduct.physics.damper import blade_inwc_per_cfm2
from tractduct.sizing.case import Case

_BOUND_CFM = 1e-3  # that a room may get too much before that is proven
_ANY_CFM = 1e6  # more than any room gets
_OVER_PRESSURE = 10.0  # tolerances that a plenum at twice what it may hold counts as
_NOTHING = 1e-9
_DIGITS = 7  # of tolerances, so that settings that are as good stay so whatever the units of the plan
_UNSETTLED = 100.0  # tolerances off where no airflow balances


@dataclass(frozen=True, slots=True, eq=False)
class Position:
    """Settings and what they deliver.

    ``settings`` (n_mark, n_path) int, 0 wide open; ``airflow`` of one candidate; ``over`` (n_mark,) how far the rooms
    are beyond their limits in all, in tolerances, one more for each that is outside tolerance, and the plenum beyond
    its own: 0 where all is well.
    """

    settings: IntArray
    airflow: ClassAirflow
    over: FloatArray

    @property
    def has_damper(self) -> BoolArray:
        """(n_path,) bool: runs that are not wide open in some mark."""
        return np.asarray(np.any(self.settings > 0, axis=0))

    @property
    def dampers(self) -> int:
        return int(self.has_damper.sum())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Least:
    """What any table within the limits has at least.

    ``settings`` (n_mark, n_path): no run can be further open; ``dampers``: how many there must be; ``possible`` False
    where no table of these settings keeps the limits, whatever its dampers: proven.
    """

    settings: IntArray
    dampers: int
    possible: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Board:
    """Where marks are set: classes in given sizes, what their rooms want, and the runs that may have a damper.

    Attributes
    ----------
    size_index : (n_section,)
    mark_of : (n_class,) the mark that holds in a class, 0 to n_mark - 1
    limit : (n_room,) tolerances that a room may be off
    may : (n_path,) bool, a damper may stand there
    takes : (n_class, n_path, n_setting) inWC/cfm2 of each setting
    is_open : (n_class, n_path) bool, a supply run that is open
    losses : (n_class, n_section) arrays, what the sizes lose
    response : how the classes answer to a change
    """

    classes: Classes
    size_index: IntArray
    windows: Windows
    mark_of: IntArray
    limit: FloatArray
    may: BoolArray
    takes: FloatArray
    is_open: BoolArray
    losses: Losses
    response: Response

    @property
    def n_mark(self) -> int:
        return int(self.mark_of.max()) + 1

    @property
    def by_mark(self) -> list[BoolArray]:
        """Of each mark the classes in which it holds, (n_class,) bool."""
        return [self.mark_of == m for m in range(self.n_mark)]

    @property
    def shape(self) -> tuple[int, int]:
        """(n_mark, n_path)"""
        return self.n_mark, len(self.may)

    @property
    def wide_open(self) -> IntArray:
        return np.zeros(self.shape, dtype=np.intp)

    def within(self, limit: FloatArray | float) -> Board:
        """The same board with other limits."""
        return replace(self, limit=np.broadcast_to(np.asarray(limit, dtype=float), self.limit.shape))

    def coefficients(self, settings: IntArray) -> FloatArray:
        """(..., n_class, n_path) out of (..., n_mark, n_path)."""
        n_class, n_path, _ = self.takes.shape
        at = settings[..., self.mark_of, :]
        found: FloatArray = self.takes[np.arange(n_class)[:, None], np.arange(n_path), at]
        return found

    def simulate(
        self, coefficient: FloatArray, start: FloatArray | None = None, steps: int | None = None
    ) -> ClassAirflow:
        """Airflow of dampers (n_candidate, n_class, n_path)."""
        return self.classes.simulate(self.size_index, coefficient, start_cfm=start, most_steps=steps)

    def place(self, settings: IntArray, start: FloatArray | None = None) -> Position:
        """What settings (n_mark, n_path) deliver."""
        got = self.simulate(self.coefficients(settings)[None], start)
        return Position(settings=settings, airflow=got, over=self.over(got)[0])

    def judged(self, position: Position) -> Position:
        """A position of another board with the limits of this one."""
        return replace(position, over=self.over(position.airflow)[0])

    def off(self, got: ClassAirflow) -> FloatArray:
        """(n_candidate, n_class, n_room) distances from design in tolerances."""
        off = self.windows.off(got.room_cfm)
        return np.where(np.isnan(off), _UNSETTLED, off)

    def over(self, got: ClassAirflow) -> FloatArray:
        """(n_candidate, n_mark) how far beyond the limits; see ``Position``."""
        # The part of the pressure there is that the ducts take, (n_candidate, n_class).
        use = np.nan_to_num(got.supply_inwc / self.classes.there_inwc(got.return_inwc))
        off = self.off(got)
        return np.column_stack(
            [self.beyond(off[:, mine].max(axis=1), use[:, mine].max(axis=1)) for mine in self.by_mark]
        )

    def beyond(self, off: FloatArray, use: FloatArray, margin: float = 0.0, unsure: float = _NOTHING) -> FloatArray:
        """(n,) the same of one mark, of (n, n_room) distances from design and (n,) parts of the pressure there is.

        ``margin`` : tolerances to keep from the limits; ``unsure``: those by which distances may be wrong
        """
        far = np.maximum(off - (self.limit - margin), 0.0)
        far += off > np.maximum(self.limit, 1.0) + unsure
        total = far.sum(axis=1) + _OVER_PRESSURE * np.maximum(use - 1.0, 0.0)
        return np.where(total < _NOTHING, 0.0, np.round(total, _DIGITS))

    # -- what there must be at least ------------------------------------------------------------------------------

    def least(self) -> Least:
        """What any table within the limits must have closed.

        To close a damper gives every other room more air and its own less, whatever drives the air, and leaves no less
        pressure before its run. So a room that gets too much while no other damper is further closed than in some table
        within the limits must itself be further closed there: its own blade goes on until it takes what the room's most
        airflow leaves of that pressure, and so on until no room gets too much. A room of several runs leaves open which
        of them it is: they are left as they are, and it counts as one damper. Where a blower's pressure rises with its
        airflow none of this holds, and nothing is said.
        """
        settings = self.wide_open
        source = self.classes.source
        if isinstance(source, BlowerCurve) and np.any(np.diff(source.static_inwc, axis=1) > 1e-9):
            return Least(settings=settings, dampers=0, possible=True)
        top = self.takes.shape[2] - 1
        runs_open = np.stack([self.is_open[mine].any(axis=0) for mine in self.by_mark])
        serves = self.classes.serves
        alone = runs_open @ serves.T == 1.0  # (n_mark, n_room)
        single = (alone @ serves > 0.0) & runs_open
        tree = self.classes.case.tree
        run, path = tree.run_section, tree.path.T.astype(float)
        most = np.minimum(self.windows.high_cfm(self.limit) + _BOUND_CFM, _ANY_CFM) @ serves
        own = each(self.losses, lambda values: values[:, run]).at(most)[0]
        start = None
        while True:
            got = self.simulate(self.coefficients(settings)[None], start)
            start = got.section_cfm
            beyond = self.windows.too_much(np.nan_to_num(got.room_cfm[0]) - _BOUND_CFM) > self.limit
            much = np.stack([beyond[mine].any(axis=0) for mine in self.by_mark])
            close = (much @ serves > 0.0) & single
            stuck = bool(np.any(close & (~self.may | (settings == top))))
            if stuck or not close.any():
                break
            loss = self.losses.at(np.maximum(np.nan_to_num(got.section_cfm[0]), _NOTHING))[0]
            before = np.nan_to_num(got.supply_inwc[0])[:, None] - (loss @ path - loss[:, run])
            before = np.where(self.is_open, before, 0.0)  # nothing makes a shut run give too much
            too_open = own[..., None] + self.takes * most[..., None] ** 2 < before[..., None]
            taken = np.stack([too_open[mine].sum(axis=2).max(axis=0) for mine in self.by_mark])
            settings = np.where(close, np.clip(taken, settings + 1, top), settings)
        several = much.any(axis=0) & (np.any(settings > 0, axis=0) @ serves.T == 0.0)
        return Least(
            settings=settings, dampers=int(np.any(settings > 0, axis=0).sum() + several.sum()), possible=not stuck
        )

    # -- from close by --------------------------------------------------------------------------------------------

    def best(self, at: Position, settings: IntArray, start: FloatArray) -> Position | None:
        """The best row of (n, n_mark, n_path) for each mark by simulation; None where none is better than now.

        ``start`` (n, n_class, n_section) is airflow close by.
        """
        got = self.simulate(self.coefficients(settings), start)
        over = self.over(got)
        marks = np.arange(self.n_mark)
        pick = np.argmin(over, axis=0)
        better = over[pick, marks] < at.over - 1e-7
        if not better.any():
            return None
        row = np.where(better, pick, len(settings))[self.mark_of]
        return Position(
            settings=np.where(better[:, None], settings[pick, marks], at.settings),
            airflow=one_after_another([got, at.airflow]).mixed(row),
            over=np.where(better, over[pick, marks], at.over),
        )


def may_have_damper(case: Case) -> BoolArray:
    """(n_path,) bool: supply runs whose design airflow somewhere reaches what the plan wants for a damper."""
    most = case.variants.run_airflow_cfm.max(axis=0)
    return np.asarray((case.tree.side_of_path == 0) & (most >= case.plan.dampers.least_cfm))


def marks_by_season(plan: Plan) -> bool:
    """Whether the plan allows a mark for each of its seasons."""
    return plan.dampers.positions > 1 and len(plan.seasons) > 1


def build_board(
    classes: Classes, size_index: IntArray, *, may: BoolArray, by_season: bool, variants: BoolArray | None = None
) -> Board:
    """A board for the variants of a (n_variant,) mask, all if None, with one mark or one a season.

    ``may`` (n_path,) bool: a damper may stand there.
    """
    case = classes.case
    tree, plan = case.tree, case.plan
    shape = case.variants.airflow_cfm.shape
    area = np.array([size.area_ft2 for size in case.table.sizes])[size_index]
    takes = blade_inwc_per_cfm2(np.broadcast_to(area, shape), case.air)
    supply = tree.side_of_path == 0
    place = np.arange(len(tree.sections)), size_index
    return Board(
        classes=classes,
        size_index=size_index,
        windows=classes.windows(variants),
        mark_of=classes.season if by_season else np.zeros_like(classes.season),
        limit=np.ones(len(plan.rooms)),
        may=supply & may,
        takes=np.ascontiguousarray(takes[:, tree.run_section]),
        is_open=classes.is_open[:, tree.run_section] & supply,
        losses=each(classes.losses, lambda values: values[place].T),
        response=Response.of(classes),
    )
