"""Damper marks as settings of a blade: what they deliver, what is needed at least, and a search from close by."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint
from scipy.sparse import csr_array

from tractduct.delivery.classes import ClassAirflow, Classes, Windows
from tractduct.delivery.flow import BlowerCurve, FloatArray, Losses
from tractduct.delivery.predict import Drive
from tractduct.physics.damper import blade_inwc_per_cfm2
from tractduct.sizing.highs import integer_program

IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

_BOUND_STEPS = 4  # Newton steps after one step of a blade: far closer than the margin below
_BOUND_CFM = 1e-3
_MOVES_AT_ONCE = (1, 2, 3, 5, 8)
_OPENED = 3  # dampers that do least harm when opened, tried one after another
_FAR = 4  # settings that one move may go, but for wide open
_NEW = 0.01  # tolerances that one damper more must be worth
_CLOSE = 1.0  # tolerances beyond the limits in all, under which a program is worth its time
_NEAR = 1  # settings that a move of that program may go
_SPEAK = 2  # classes that count in it, for each room
_NODES, _GAP = 20, 0.03
_OVER_PRESSURE = 10.0  # tolerances that a plenum at twice what it may hold counts as
_NOTHING = 1e-9
_UNSETTLED = 100.0  # tolerances off where no airflow balances


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Position:
    """Settings and what they deliver.

    ``settings`` (n_mark, n_path) int, 0 wide open; ``airflow`` of one candidate; ``over`` (n_mark,) how far the rooms
    are beyond their limits in all, in tolerances, and the plenum beyond its own: 0 where all is well.
    """

    settings: IntArray
    airflow: ClassAirflow
    over: FloatArray

    @property
    def dampers(self) -> int:
        return int(np.any(self.settings > 0, axis=0).sum())


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

    @property
    def n_mark(self) -> int:
        return int(self.mark_of.max()) + 1

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
        return Position(settings=settings, airflow=got, over=self.over(*self.reads(got))[0])

    def judged(self, position: Position) -> Position:
        """A position of another board with the limits of this one."""
        return replace(position, over=self.over(*self.reads(position.airflow))[0])

    def off(self, got: ClassAirflow) -> FloatArray:
        """(n_candidate, n_class, n_room) distances from design in tolerances."""
        off = self.windows.off(got.room_cfm)
        return np.where(np.isnan(off), _UNSETTLED, off)

    def reads(self, got: ClassAirflow) -> tuple[FloatArray, FloatArray]:
        """Rooms' airflow, and the part of the pressure there is that the ducts take (n_candidate, n_class)."""
        classes = self.classes
        there = np.minimum(classes.supply_limit_inwc, classes.ducts_limit_inwc - got.return_inwc)
        return got.room_cfm, got.supply_inwc / np.maximum(there, 1e-6)

    def over(self, room_cfm: FloatArray, use: FloatArray) -> FloatArray:
        """(n_candidate, n_mark) how far beyond the limits; see ``Position``."""
        off = np.nan_to_num(self.windows.off(room_cfm) - self.limit, nan=_UNSETTLED)
        use = np.nan_to_num(use, nan=0.0)
        total = np.zeros((len(off), self.n_mark))
        for m in range(self.n_mark):
            mine = self.mark_of == m
            total[:, m] = np.maximum(off[:, mine].max(axis=1), 0.0).sum(axis=1)
            total[:, m] += _OVER_PRESSURE * np.maximum(use[:, mine].max(axis=1) - 1.0, 0.0)
        return np.where(total < _NOTHING, 0.0, total)

    # -- what there must be at least ------------------------------------------------------------------------------

    def least(self, known: IntArray | None = None) -> Least:
        """What any table within the limits must have closed, from what is known already.

        To close a damper gives every other room more air and its own less, whatever drives the air. So a room that
        gets too much while no other damper is further closed than in some table within the limits must itself be
        further closed there: its own blade goes on by a step, and so on until no room gets too much. A room of
        several runs leaves open which of them it is: they are left as they are, and it counts as one damper. Where a
        blower's pressure rises with its airflow none of this holds, and nothing is said.
        """
        settings = self.wide_open if known is None else known
        source = self.classes.source
        if isinstance(source, BlowerCurve) and np.any(np.diff(source.static_inwc, axis=1) > 1e-9):
            return Least(settings=settings, dampers=0, possible=True)
        top = self.takes.shape[2] - 1
        runs_open = np.stack([self.is_open[self.mark_of == m].any(axis=0) for m in range(self.n_mark)])
        serves = self.classes.serves
        alone = runs_open @ serves.T == 1.0  # (n_mark, n_room)
        single = (alone @ serves > 0.0) & runs_open
        start = None
        while True:
            got = self.simulate(self.coefficients(settings)[None], start, None if start is None else _BOUND_STEPS)
            start = got.section_cfm
            beyond = self.windows.too_much(np.nan_to_num(got.room_cfm[0]) - _BOUND_CFM) > self.limit
            much = np.stack([beyond[self.mark_of == m].any(axis=0) for m in range(self.n_mark)])
            close = (much @ serves > 0.0) & single
            stuck = bool(np.any(close & (~self.may | (settings == top))))
            if stuck or not close.any():
                break
            settings = settings + close
        several = much.any(axis=0) & (np.any(settings > 0, axis=0) @ serves.T == 0.0)
        return Least(
            settings=settings,
            dampers=int(np.any(settings > 0, axis=0).sum() + several.sum()),
            possible=not stuck,
        )

    # -- from close by --------------------------------------------------------------------------------------------

    def around(self, got: ClassAirflow) -> Around:
        """How the airflow of one candidate answers to its dampers."""
        return Around.of(self, got)

    def descend(self, at: Position, allowed: BoolArray, least: IntArray, rounds: int = 8) -> Position:
        """Set the dampers of some runs anew, a few at a time, for as long as the rooms come nearer their limits.

        What every setting of one run alone would do follows from the straight lines around the present airflow. Those
        whose changes, added in the logarithm of airflow, promise most are made together; where none helps alone, an
        integer program chooses among those close by. What is taken is what the simulation confirms, for each mark of
        its own, since marks do not touch each other.
        """
        allowed = allowed & self.may
        settings = np.where(allowed, np.maximum(at.settings, least), at.settings)
        if np.any(settings != at.settings):
            at = self.place(settings, at.airflow.section_cfm)
        for _ in range(rounds):
            if not at.over.any() or not allowed.any():
                break
            around = self.around(at.airflow)
            moves = [
                _Moves.of(self, at, around, allowed, least, m) if at.over[m] > 0.0 else None for m in range(self.n_mark)
            ]
            better = self._best(at, [one.together() if one else [] for one in moves])
            if better is None and at.over.sum() < _CLOSE:
                better = self._best(at, [one.program() if one else [] for one in moves])
            if better is None:
                break
            at = better
        return at

    def _best(self, at: Position, ways: list[list[IntArray]]) -> Position | None:
        """The best way of each mark by simulation; None where none is better than now."""
        n = max(len(way) for way in ways)
        if not n:
            return None
        settings = np.repeat(at.settings[None], n, axis=0)
        for m, way in enumerate(ways):
            for k, row in enumerate(way):
                settings[k, m] = row
        got = self.simulate(self.coefficients(settings), at.airflow.section_cfm)
        over = self.over(*self.reads(got))
        marks = np.arange(self.n_mark)
        pick = np.argmin(over, axis=0)
        better = over[pick, marks] < at.over - 1e-7
        if not better.any():
            return None
        chosen = np.where(better[:, None], settings[pick, marks], at.settings)
        if not (better.all() and np.all(pick == pick[0])):
            return self.place(chosen, got.section_cfm[[pick[int(np.argmax(better))]]])
        return Position(settings=chosen, airflow=got.only(int(pick[0])), over=over[pick[0]])

    def fewer(self, at: Position, least: IntArray, tries: int) -> Position:
        """Open dampers one after another, the others making up for it, for as long as all stay within."""
        while True:
            spare = np.flatnonzero(np.any(at.settings > 0, axis=0) & ~np.any(least > 0, axis=0))
            if not spare.size:
                return at
            tried = np.repeat(at.settings[None], len(spare), axis=0)
            tried[np.arange(len(spare)), :, spare] = 0
            got = self.simulate(self.coefficients(tried), at.airflow.section_cfm)
            over = self.over(*self.reads(got))
            for k in np.argsort(over.sum(axis=1), kind="stable")[:_OPENED]:
                if tries <= 0:
                    return at
                tries -= 1
                without = Position(settings=tried[k], airflow=got.only(int(k)), over=over[k])
                without = self.descend(without, np.any(tried[k] > 0, axis=0), least, rounds=4)
                if not without.over.any():
                    at = without
                    break
            else:
                return at


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Around:
    """Straight lines around a known airflow, class by class.

    Attributes
    ----------
    flow_cfm : (n_class, n_path), 0 where shut
    path_inwc : (n_class, n_path) what the ducts of each path lose, without dampers
    shared : (n_class, n_path, n_path) inWC of a path for each cfm more of a run
    plenum_inwc, fall : (n_class,) the supply plenum's pressure, and its change with its airflow; -inf where the
        airflow is held
    """

    flow_cfm: FloatArray
    path_inwc: FloatArray
    shared: FloatArray
    plenum_inwc: FloatArray
    fall: FloatArray

    @staticmethod
    def of(board: Board, got: ClassAirflow) -> Around:
        classes = board.classes
        path = classes.case.tree.path.astype(float)
        loss, slope = board.losses.at(np.maximum(np.nan_to_num(got.section_cfm[0]), 1e-6))
        flow = np.where(board.is_open, np.nan_to_num(got.run_cfm[0]), 0.0)
        fall = np.full(len(flow), -np.inf if classes.drive is Drive.AIRFLOW else 0.0)
        if classes.drive is Drive.BLOWER:
            # Some more resistance at every register shows how the blower and the returns give way.
            more = 0.1 * got.supply_inwc[0, :, None] / np.maximum(flow, 1.0) ** 2
            pushed = board.simulate((got.damper_inwc_per_cfm2[0] + more)[None], got.section_cfm)
            carried = np.where(board.is_open, pushed.run_cfm[0], 0.0).sum(axis=1) - flow.sum(axis=1)
            fall = np.nan_to_num((pushed.supply_inwc - got.supply_inwc)[0] / np.minimum(carried, -1e-6))
        return Around(
            flow_cfm=flow,
            path_inwc=loss @ path.T,
            shared=np.einsum("ps,cs,js->cpj", path, slope, path, optimize=True) * board.is_open[:, None, :],
            plenum_inwc=np.nan_to_num(got.supply_inwc[0]),
            fall=fall,
        )

    def answers(self, damper: FloatArray, is_open: BoolArray) -> tuple[FloatArray, FloatArray]:
        """Airflow of each run (n_class, n_path, n_path), and the plenum's pressure (n_class, n_path), for each inWC
        more that the damper of a run takes."""
        n_path = self.flow_cfm.shape[1]
        both = is_open[:, :, None] & is_open[:, None, :]
        own = 2.0 * damper * self.flow_cfm
        grid = np.where(both, self.shared, 0.0)
        grid[:, np.arange(n_path), np.arange(n_path)] += np.where(is_open, own, 1.0) + 1e-12
        inverse = np.linalg.inv(grid) * both
        # shared dq = dP - dh with dP = fall x the sum of dq, or no change of that sum
        column, row = inverse.sum(axis=2), inverse.sum(axis=1)
        total = column.sum(axis=1)
        held = np.isinf(self.fall)
        part = np.where(held, 1.0, -self.fall * total / (1.0 - np.where(held, 0.0, self.fall) * total))
        share = row / np.maximum(total, 1e-30)[:, None]
        plenum = part[:, None] * share
        return column[:, :, None] * plenum[:, None, :] - inverse, plenum


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Moves:
    """What every setting of every run promises for one mark.

    ``run``, ``setting`` (n_move,); ``now`` (n_mine, n_room + 1) the log of what is read in its classes, pressure last;
    ``change`` (n_move, n_mine, n_room + 1)
    """

    board: Board
    at: Position
    mark: int
    mine: BoolArray
    run: IntArray
    setting: IntArray
    now: FloatArray
    change: FloatArray

    @staticmethod
    def of(board: Board, at: Position, around: Around, allowed: BoolArray, least: IntArray, m: int) -> _Moves:
        mine = board.mark_of == m
        n_setting = board.takes.shape[2]
        run, setting = (a.ravel() for a in np.meshgrid(np.flatnonzero(allowed), np.arange(n_setting), indexing="ij"))
        far = np.abs(setting - at.settings[m, run])
        keep = (setting >= least[m, run]) & (far > 0) & ((far <= _FAR) | (setting == 0))
        run, setting = run[keep], setting[keep]
        damper = board.coefficients(at.settings)
        flow, plenum = around.answers(damper, board.is_open)
        flow, plenum, old = flow[mine], plenum[mine], damper[mine][:, run]
        q, new = around.flow_cfm[mine][:, run], board.takes[mine][:, run, setting]
        # The rest of the network answers to a run in a straight line; its own damper by the square.
        rest = 1.0 / np.maximum(-flow[:, run, run], 1e-12) - 2.0 * old * q
        rest = np.maximum(rest, 1e-12)
        there = old * q**2 + rest * q
        own = 2.0 * there / (rest + np.sqrt(rest**2 + 4.0 * new * there))
        step = new * own**2 - old * q**2
        # Straight lines made with the old damper in place answer to what it took beyond them.
        push = step - 2.0 * old * q * (own - q)
        gives = np.einsum("rp,cpj->crj", board.classes.serves, flow)
        read, use = board.reads(at.airflow)
        room = read[0, mine]
        change = gives[:, :, run] * push[:, None, :]
        pressure = around.plenum_inwc[mine]
        more = plenum[:, run] * push / np.maximum(pressure, 1e-6)[:, None]
        ratio = np.concatenate([change / np.maximum(room, 1.0)[:, :, None], more[:, None, :]], axis=1)
        now = np.log(np.maximum(np.column_stack([room, use[0, mine]]), 1e-6))
        return _Moves(
            board=board,
            at=at,
            mark=m,
            mine=mine,
            run=run,
            setting=setting,
            now=now,
            change=np.log(np.maximum(1.0 + np.moveaxis(ratio, 2, 0), 0.05)),
        )

    def promise(self, log: FloatArray) -> FloatArray:
        """(n,) how far beyond the limits the mark's classes would be at (n, n_mine, n_room + 1)."""
        value, w, mine = np.exp(log), self.board.windows, self.mine
        low = (w.most_cfm[mine] - value[..., :-1]) / w.most_tolerance_cfm[mine]
        high = (value[..., :-1] - w.least_cfm[mine]) / w.least_tolerance_cfm[mine]
        beyond = np.maximum(np.maximum(low, high).max(axis=1) - self.board.limit, 0.0).sum(axis=1)
        return np.asarray(beyond + _OVER_PRESSURE * np.maximum(value[..., -1].max(axis=1) - 1.0, 0.0))

    def together(self) -> list[IntArray]:
        """Settings (n_path,) after one, two, ... of the moves that promise most together."""
        best, now, row = self.at.over[self.mark], self.now, self.at.settings[self.mark]
        found: list[IntArray] = []
        free = np.ones(len(self.run), dtype=bool)
        new = _NEW * ((self.setting > 0) & ~np.any(self.at.settings > 0, axis=0)[self.run])
        while len(found) < _MOVES_AT_ONCE[-1] and free.any():
            promise = np.where(free, self.promise(now + self.change) + new, np.inf)
            k = int(np.argmin(promise))
            if promise[k] > best - 1e-6:
                break
            best, now = promise[k], now + self.change[k]
            row = self._set(row, k)
            found.append(row)
            free &= self.run != self.run[k]
        return [row for n, row in enumerate(found, 1) if n in _MOVES_AT_ONCE or n == len(found)]

    def program(self) -> list[IntArray]:
        """Settings after the moves close by that are best together, one a run: an integer program on the logarithms.

        Unknown are the moves, and how far beyond its limit each room is, and the plenum.
        """
        board, mine = self.board, self.mine
        close = np.abs(self.setting - self.at.settings[self.mark, self.run]) <= _NEAR
        run, change = self.run[close], self.change[close]
        n, n_beyond = len(run), change.shape[2]
        w, limit = board.windows, board.limit
        high = (w.least_cfm + limit * w.least_tolerance_cfm)[mine]
        low = np.maximum((w.most_cfm - limit * w.most_tolerance_cfm)[mine], 1e-3)
        rows, sides = [], []
        for sign, bound, off in ((1.0, high, w.least_tolerance_cfm[mine]), (-1.0, low, w.most_tolerance_cfm[mine])):
            counts = np.isfinite(bound) & (bound > 0.0)
            side = np.where(counts, sign * (np.log(np.where(counts, bound, 1.0)) - self.now[:, :-1]), np.inf)
            # The classes nearest to the bound speak for those that a move changes alike.
            c, r = np.nonzero(counts & (np.argsort(np.argsort(side, axis=0), axis=0) < _SPEAK))
            beyond = np.zeros((len(c), n_beyond))
            beyond[np.arange(len(c)), r] = -(off / np.where(counts, bound, 1.0))[c, r]
            rows.append(np.hstack([sign * change[:, c, r].T, beyond]))
            sides.append(side[c, r])
        new = (self.setting > 0)[close] & ~np.any(self.at.settings > 0, axis=0)[run]
        pressure = np.zeros((change.shape[1], n_beyond))
        pressure[:, -1] = -1.0 / _OVER_PRESSURE
        rows += [np.hstack([change[:, :, -1].T, pressure]), np.zeros((board.shape[1], n + n_beyond))]
        rows[-1][run, np.arange(n)] = 1.0
        sides += [-self.now[:, -1], np.ones(board.shape[1])]
        found = integer_program(
            np.r_[np.where(new, 0.2 * _NEW, 1e-4), np.ones(n_beyond), 1.0],
            constraints=LinearConstraint(
                csr_array(np.pad(np.vstack(rows), ((0, 0), (0, 1)))), -np.inf, np.concatenate(sides)
            ),
            # The last one is always 1, so that a gap in per cent is one in tolerances.
            bounds=Bounds(np.r_[np.zeros(n + n_beyond), 1.0], np.r_[np.ones(n), np.full(n_beyond, np.inf), 1.0]),
            integrality=np.r_[np.ones(n), np.zeros(n_beyond + 1)],
            options={"node_limit": _NODES, "mip_rel_gap": _GAP},
        )
        if found.x is None:
            return []
        row = self.at.settings[self.mark]
        for k in np.flatnonzero(close)[found.x[:n] > 0.5]:
            row = self._set(row, k)
        return [row]

    def _set(self, row: IntArray, k: int) -> IntArray:
        return np.where(np.arange(len(row)) == self.run[k], self.setting[k], row)


def build_board(
    classes: Classes,
    size_index: IntArray,
    *,
    may: BoolArray,
    by_season: bool,
    variants: BoolArray | None = None,
) -> Board:
    """A board for the variants of a (n_variant,) mask, all if None, with one mark or one a season.

    ``may`` (n_path,) bool: a damper may stand there.
    """
    case = classes.case
    tree, plan = case.tree, case.plan
    shape = case.variants.airflow_cfm.shape
    area = np.array([size.area_ft2 for size in case.table.sizes])[size_index]
    takes = blade_inwc_per_cfm2(np.broadcast_to(area, shape), case.air)
    supply = np.array([run.side != "return" for run in tree.runs], dtype=bool)
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
        losses=Losses(*(getattr(classes.losses, f.name)[place].T for f in fields(Losses))),
    )
