"""Damper marks for given sizes: the fewest tables, the fewest marks and the fewest dampers that put every room right.

One mark a run for all lots, seasons and flex products where that does it; else one a season; else two or three tables
by groups of orientations; else the rooms that cannot be right.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Any

import numpy as np

from tractduct.arrays import BoolArray, FloatArray, IntArray
from tractduct.delivery.balance import tolerances_off
from tractduct.delivery.classes import Classes, Windows, build_classes
from tractduct.delivery.mark_board import Board, Position, build_board, marks_by_season, may_have_damper
from tractduct.delivery.mark_groups import (
    MOST_ORIENTATIONS,
    Needs,
    best_partition,
    fewest_groups,
    groups_that_can,
    members_of,
)
from tractduct.delivery.mark_search import fewer, improved, without
from tractduct.delivery.predict import Delivered, Drive, default_drive, installed_ducts, predict, supply_runs_of_rooms
from tractduct.model.plan import Plan, is_outside
from tractduct.model.words import FACES
from tractduct.network.variants import Variant
from tractduct.orientation.azimuths import nearest_front
from tractduct.physics.damper import blade_angles_deg, blade_free_share
from tractduct.sizing.case import Case

Orientation = tuple[str, bool]  # front face, mirrored

AIM = 0.9  # tolerances: what is built is not quite what is drawn
_SLACK = 0.02  # tolerances
_STEPS = tuple(np.arange(0.5, 1.01, 0.05).round(2).tolist())  # tolerances at which groups are looked for


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MarkTable:
    """One table of damper marks.

    Attributes
    ----------
    orientations : the fronts, mirrored or not, whose lots are set by it
    seasons : of the plan
    positions : 1, the same mark in all seasons, or as many as seasons
    runs : names of the runs that have a damper; the others stay wide open
    angle_deg, inwc_per_cfm2 : (n_run, n_season) of the blade, 0 wide open
    design_cfm : (n_run, n_season, 2) least and most over its lots; 0 where the run is shut
    rooms_outside : rooms that are outside tolerance in some variant of the table
    worst_tolerances : the largest distance from design
    """

    orientations: tuple[Orientation, ...]
    seasons: tuple[str, ...]
    positions: int
    runs: tuple[str, ...]
    angle_deg: FloatArray
    inwc_per_cfm2: FloatArray
    design_cfm: FloatArray
    rooms_outside: int
    worst_tolerances: float

    @property
    def dampers(self) -> int:
        return len(self.runs)

    def serves(self, variants: Sequence[Variant]) -> BoolArray:
        """(n_variant,) bool: those of its orientations."""
        return np.array([(v.front, v.mirrored) in self.orientations for v in variants], dtype=bool)

    def nearest(self, azimuth_deg: float, mirrored: bool) -> Orientation:
        """Of the fronts of the table, mirrored so if it has one, that which is nearest to an azimuth."""
        fronts = [front for front, m in self.orientations if m == mirrored]
        mirrored = mirrored if fronts else not mirrored
        return nearest_front(fronts or [front for front, _ in self.orientations], azimuth_deg), mirrored

    @property
    def free_share(self) -> FloatArray:
        """(n_run, n_season) share of the opening that the blade leaves free."""
        return blade_free_share(self.angle_deg)

    @property
    def takes_inwc(self) -> FloatArray:
        """(n_run, n_season, 2) what each damper would take at the least and the most design airflow.

        More than the plenum has where the run gets less than its design, such as one of two runs of a room.
        """
        return self.inwc_per_cfm2[:, :, None] * self.design_cfm**2


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomOutside:
    """A room that marks leave outside tolerance, where it is farthest off."""

    room: str
    variant: str
    delivered_cfm: float
    design_cfm: float
    tolerances: float

    @property
    def off_cfm(self) -> float:
        """How far beyond its tolerance: what is missing (below 0) or too much."""
        off = self.delivered_cfm - self.design_cfm
        return off * (1.0 - 1.0 / self.tolerances)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Setting:
    """Tables of marks and what they deliver.

    ``coefficient`` (n_variant, n_section) inWC/cfm2; ``delivered`` by the ordinary prediction of every variant;
    ``off`` (n_variant, n_room) distances from design in tolerances; ``outside`` as ``rooms_outside`` finds them.
    """

    tables: tuple[MarkTable, ...]
    coefficient: FloatArray
    delivered: Delivered
    off: FloatArray
    outside: tuple[RoomOutside, ...]

    @property
    def rooms_outside(self) -> int:
        return len(self.outside)

    @property
    def runs(self) -> tuple[str, ...]:
        """Runs that have a damper in any table, in the order of the tree."""
        built = {run for table in self.tables for run in table.runs}
        return tuple(run.name for run in self.delivered.tree.runs if run.name in built)

    @property
    def worst_tolerances(self) -> float:
        return max(table.worst_tolerances for table in self.tables)

    def number_of(self, table: MarkTable) -> int | None:
        """From 1; None where the table is none of these."""
        return next((n for n, one in enumerate(self.tables, start=1) if one is table), None)

    def nearest_first(self, front: str, mirrored: bool) -> list[int]:
        """Numbers of the tables, that of a front first; as it is not mirrored, or is, where the plan has no mirror."""
        for wanted in ((front, mirrored), (front, not mirrored)):
            for n, table in enumerate(self.tables):
                if wanted in table.orientations:
                    return [n, *(k for k in range(len(self.tables)) if k != n)]
        return list(range(len(self.tables)))

    @property
    def positions(self) -> int:
        return max(table.positions for table in self.tables)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Marks:
    """The damper marks of a plan in given sizes.

    Attributes
    ----------
    chosen : what the crew sets
    rooms_outside_open : rooms outside tolerance in some variant with every damper wide open
    one_alone : what one mark a run for everything gives, where ``chosen`` is more than that
    one_impossible : proven that no single mark a run puts every room within tolerance
    least_dampers : proven: any single table that puts every room within tolerance has at least so many dampers;
        None where none does, or ``chosen`` is several tables
    least_tables : proven: fewer tables cannot put every room within tolerance; 4 for more than three. 1 unless
        groups were looked for
    """

    chosen: Setting
    rooms_outside_open: int
    one_alone: Setting | None
    one_impossible: bool
    least_dampers: int | None
    least_tables: int


def find_marks(
    case: Case,
    size_index: IntArray,
    *,
    drive: Drive | None = None,
    aim: float = AIM,
    fewest: bool = True,
    runs: Collection[str] | None = None,
) -> Marks:
    """The damper marks of a case in given sizes (n_section,).

    Parameters
    ----------
    aim : tolerances that rooms are kept within where that can be
    fewest : look for fewer dampers too; else the first that do it
    runs : those that may have a damper; all if None

    InputFaults where the airflow can't be predicted, or the blower's curve never meets the system's, dampers open.
    """
    drive = drive or default_drive(case.plan)
    finder = Finder(case, size_index, drive, aim, runs)
    opened = rooms_outside(case, predict(case, installed_ducts(case, size_index), drive=drive))
    one = finder.table(by_season=False)
    tables, least_tables = [[one]], 1
    if one.outside:
        if marks_by_season(case.plan):
            tables.append([finder.table(by_season=True, start=one)])
        if tables[-1][0].outside:
            least_tables, grouped = finder.groups(one, tables[-1][0])
            tables += grouped
    # The fewest rooms outside, then the fewest tables, then the fewest marks.
    chosen = min(tables, key=lambda t: (len({r for one in t for r in one.outside}), len(t)))
    setting = finder.setting(finder.few(chosen) if fewest else chosen)
    single = len(chosen) == 1 and not setting.outside
    return Marks(
        chosen=setting,
        rooms_outside_open=len(opened),
        one_alone=None if chosen[0] is one else finder.setting([one]),
        one_impossible=bool(one.outside) and not one.board.within(1.0).least().possible,
        least_dampers=chosen[0].board.within(1.0).least().dampers if single else None,
        least_tables=least_tables,
    )


def rooms_outside(case: Case, delivered: Delivered) -> tuple[RoomOutside, ...]:
    """Rooms that are outside tolerance in some variant, each where it is farthest off."""
    off, variants = tolerances_off(delivered, case.plan.tolerance), case.variants.variants
    room, design = delivered.room_cfm, delivered.room_design_cfm
    return farthest_outside(case.plan.rooms, off, room, design, lambda v: str(variants[v]))


def farthest_outside(
    rooms: Sequence[str], off: FloatArray, room_cfm: FloatArray, design_cfm: FloatArray, variant: Callable[[int], str]
) -> tuple[RoomOutside, ...]:
    """Of rooms ``off`` by (n_variant, n_room) tolerances those outside, each where it is farthest off."""
    # The first of several equal variants is named whatever their last bits are.
    off = np.round(off, 9)
    worst = np.argmax(off, axis=0)
    return tuple(
        RoomOutside(
            room=str(rooms[n]),
            variant=variant(int(worst[n])),
            delivered_cfm=float(room_cfm[worst[n], n]),
            design_cfm=float(design_cfm[worst[n], n]),
            tolerances=float(off[worst[n], n]),
        )
        for n in np.flatnonzero(is_outside(off.max(axis=0))).tolist()
    )


def pass_range_cfm(plan: Plan, delivered: Delivered) -> tuple[FloatArray, FloatArray]:
    """(n_variant, n_path) the least and the most that the hood may read: a run's part of its room's tolerance.

    NaN for a return and where the run is shut.
    """
    low, high = (np.full_like(delivered.run_design_cfm, np.nan) for _ in range(2))
    allowed = plan.tolerance.of_room_cfm(delivered.room_design_cfm)
    for n, runs in enumerate(supply_runs_of_rooms(plan, delivered.tree)):
        mine = np.flatnonzero(runs)
        design = delivered.run_design_cfm[:, mine]
        is_open = np.isfinite(design)
        whole = np.where(is_open, design, 0.0).sum(axis=1, keepdims=True)
        count = np.maximum(is_open.sum(axis=1, keepdims=True), 1)
        part = np.divide(design, whole, out=np.broadcast_to(1.0 / count, design.shape).copy(), where=whole > 0.0)
        low[:, mine] = np.where(is_open, np.maximum(design - part * allowed[:, [n]], 0.0), np.nan)
        high[:, mine] = np.where(is_open, design + part * allowed[:, [n]], np.nan)
    return low, high


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Table:
    """A table while it is looked for: its board with the limits that its settings are to keep, and rooms outside."""

    board: Board
    variants: BoolArray
    at: Position

    @property
    def by_season(self) -> bool:
        return self.board.n_mark > 1

    @property
    def outside(self) -> tuple[int, ...]:
        return tuple(np.flatnonzero(is_outside(self.board.off(self.at.airflow)[0].max(axis=0))).tolist())


class Finder:
    """The search for one case in given sizes; see ``find_marks``."""

    def __init__(
        self,
        case: Case,
        size_index: IntArray,
        drive: Drive,
        aim: float = AIM,
        runs: Collection[str] | None = None,
    ) -> None:
        self.case, self.size_index, self.drive, self.aim = case, size_index, drive, aim
        self.classes: Classes = build_classes(case, drive)
        self.may = may_have_damper(case)
        if runs is not None:
            self.may &= np.array([run.name in runs for run in case.tree.runs])
        self.opened = self.classes.simulate(size_index)

    def table(self, *, by_season: bool, variants: BoolArray | None = None, start: Table | None = None) -> Table:
        """One table for some variants, all if None: the fewest rooms outside, within the aim if that can be."""
        mask = np.ones(len(self.classes.of_variant), dtype=bool) if variants is None else variants
        board = build_board(self.classes, self.size_index, may=self.may, by_season=by_season, variants=mask)
        # An aim is not a tolerance: what is a little beyond it is no reason for more work, or for one damper more.
        board = board.within(min(self.aim + _SLACK, 1.0))
        settings, airflow = board.wide_open, self.opened
        if start is not None:
            settings, airflow = settings + start.at.settings, start.at.airflow
        at = improved(board, board.judged(Position(settings, airflow, np.zeros(board.n_mark))))
        # Each room keeps the least of some limits that it is within now, or what it has.
        off = board.off(at.airflow)[0].max(axis=0)
        limits = (board.limit[0], 0.5 * (self.aim + 1.0), 1.0)
        limit = next((one for one in limits if off.max() <= one), 1.0)
        board = board.within(np.maximum(limit, off + 1e-6 * (off > 1.0)))
        return Table(board=board, variants=mask, at=board.judged(at))

    def few(self, tables: list[Table]) -> list[Table]:
        """The same limits with fewer dampers, on each table and then on all of them together."""
        least = [table.board.least() for table in tables]
        found = [
            replace(t, at=fewer(t.board, t.at, low.settings, low.dampers)) for t, low in zip(tables, least, strict=True)
        ]
        if len(found) == 1:
            return found
        # What one table has counts nothing on another.
        for run in np.argsort(np.sum([t.at.has_damper for t in found], axis=0), kind="stable"):
            built = np.any([t.at.has_damper for t in found], axis=0)
            needed = any(np.any(low.settings[:, run] > 0) for low in least)
            opened = [
                without(t.board, t.at, run, built, low.settings) if t.at.settings[:, run].any() else t.at
                for t, low in zip(found if built[run] and not needed else (), least, strict=False)
            ]
            if opened and None not in opened:
                found = [replace(t, at=at) for t, at in zip(found, opened, strict=True) if at is not None]
        return found

    # -- groups of orientations ----------------------------------------------------------------------------------

    def groups(self, one: Table, whole: Table) -> tuple[int, list[list[Table]]]:
        """How many tables there must be at least, and sets of two or three tables that may do.

        What is proven takes each class by itself; what is tried takes the ratios between the classes of a mark from
        the table for all.
        """
        variants = self.case.variants.variants
        orientations = list(dict.fromkeys((v.front, v.mirrored) for v in variants))
        if not 1 < len(orientations) <= MOST_ORIENTATIONS:
            return 1, []
        of_orientation = np.array([orientations.index((v.front, v.mirrored)) for v in variants])
        windows = self.classes.windows_of(of_orientation, len(orientations))
        proven = fewest_groups(groups_that_can(self._needs(windows), 1.0))
        unlike = _unlike(orientations)
        needs = self._needs(windows, whole.at, whole.board.mark_of)
        found: list[list[Table]] = []
        for n_group in range(max(2, proven), min(3, len(orientations)) + 1):
            split = best_partition(needs, n_group, unlike, _STEPS)
            if split is None:
                continue
            tables = []
            for group in split[0]:
                mine = np.isin(of_orientation, members_of(group, len(orientations)))
                # From the table for all, or else from wide open; with one mark, or else with one a season.
                tried: list[Table] = []
                for by_season, start in product((False, True) if whole.by_season else (False,), (one, None)):
                    tried.append(self.table(by_season=by_season, variants=mine, start=start))
                    if not tried[-1].outside:
                        break
                tables.append(min(tried, key=lambda t: len(t.outside)))
            found.append(tables)
            if not any(t.outside for t in tables):
                break
        return proven, found

    def _needs(self, windows: list[Windows], at: Position | None = None, marks: IntArray | None = None) -> Needs:
        """What some windows want of each room: class by class, or of each mark in its mean class.

        There each mark (n_class,) is taken to give a room airflow in its classes in the ratios of a position.
        """
        total = self.classes.case.variants.room_airflow_cfm.sum(axis=1)
        ratio = np.ones_like(windows[0].most_cfm)
        mark_of = np.arange(len(total)) if marks is None else marks
        if at is not None:
            room = np.maximum(np.nan_to_num(at.airflow.room_cfm[0]), 1.0)
            each = [mark_of == m for m in range(mark_of.max() + 1)]
            ratio = room / np.array([room[mine].mean(axis=0) for mine in each])[mark_of]
            total = np.array([total[mine].mean() for mine in each])
        wants: dict[str, Any] = {
            name: np.array([getattr(w, f"{name}_cfm") for w in windows]) / ratio
            for name in ("most", "most_tolerance", "least", "least_tolerance")
        }
        return Needs(**wants, mark_of=mark_of, total=total if self.drive is Drive.AIRFLOW else None)

    # -- results --------------------------------------------------------------------------------------------------

    def setting(self, tables: list[Table]) -> Setting:
        """The tables with the ordinary prediction of every variant."""
        case, tree = self.case, self.case.tree
        coefficient = np.zeros(case.variants.airflow_cfm.shape)
        for table in tables:
            by_class = table.board.coefficients(table.at.settings)
            at = np.flatnonzero(table.variants)
            coefficient[np.ix_(at, tree.run_section)] = by_class[self.classes.of_variant[at]]
        ducts = installed_ducts(case, self.size_index, dampers=coefficient)
        delivered = predict(case, ducts, drive=self.drive, strict=False)
        off = tolerances_off(delivered, case.plan.tolerance)
        return Setting(
            tables=tuple(self._named(table, off[table.variants]) for table in tables),
            coefficient=coefficient,
            delivered=delivered,
            off=off,
            outside=rooms_outside(case, delivered),
        )

    def _named(self, table: Table, off: FloatArray) -> MarkTable:
        case, tree, classes = self.case, self.case.tree, self.classes
        seasons = case.plan.seasons
        settings = table.at.settings
        has = np.flatnonzero(table.at.has_damper)
        # A class of each season says which mark holds then, and what its air makes of it.
        first = np.array([np.argmax(classes.season == k) for k in range(len(seasons))], dtype=np.intp)
        marks = table.board.mark_of[first]
        season = np.array([seasons.index(v.season) for v in case.variants.variants])
        design = [case.variants.run_airflow_cfm[table.variants & (season == k)][:, has] for k in range(len(seasons))]
        served = (case.variants.variants[v] for v in np.flatnonzero(table.variants))
        return MarkTable(
            orientations=tuple(dict.fromkeys((v.front, v.mirrored) for v in served)),
            seasons=seasons,
            positions=table.board.n_mark,
            runs=tuple(tree.runs[p].name for p in has),
            angle_deg=blade_angles_deg()[settings[marks][:, has]].T,
            inwc_per_cfm2=table.board.coefficients(settings)[np.ix_(first, has)].T,
            design_cfm=np.array([[of.min(axis=0), of.max(axis=0)] for of in design]).transpose(2, 0, 1),
            rooms_outside=int(is_outside(off.max(axis=0)).sum()),
            worst_tolerances=float(off.max()),
        )


def _unlike(orientations: list[Orientation]) -> FloatArray:
    """How unlike two orientations are to who builds them: quarter turns between the fronts, one for the mirror."""
    turn = np.array([FACES.index(face) if face in FACES else 0 for face, _ in orientations])
    mirrored = np.array([m for _, m in orientations])
    apart = np.abs((turn[:, None] - turn + len(FACES) // 2) % len(FACES) - len(FACES) // 2) / 2.0
    return np.asarray(apart + (mirrored[:, None] != mirrored))
