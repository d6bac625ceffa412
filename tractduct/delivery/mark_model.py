"""What damper settings give, near enough to choose among thousands, around an airflow that is known.

What the air loses before it comes to a run hangs on what all runs get together, which marks hardly change. So that
stays as it is, and with a plenum's pressure the airflow of each run follows from its own losses and its damper alone;
the pressure is what makes them add up to what drives the air. What this leaves out is mended by making the model anew
around the airflow that the settings found really give.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from tractduct.arrays import BoolArray, FloatArray, IntArray, each, one_after_another
from tractduct.delivery.flow import BlowerCurve, HeldPressure
from tractduct.delivery.mark_board import Board, Position

_PRESSURES = 12  # of the plenum, that settings for all runs at once are made for
_LEAST_TIMES, _MOST_TIMES = 0.7, 2.8  # what it is now
_WAYS = np.linspace(0.0, 1.0, 24)  # from the most open settings within the limits to the most closed
_DITHER = 0.5  # of that way, by which rooms go ahead of others
_GOLDEN = 0.6180339887498949  # multiples of it, less whole numbers, lie far from each other
_SKIPPED = 2  # settings of further runs of a room: each second is looked at
_GAP = 5.0  # tolerances that rooms are off by for each part that they do not add up by, about
_BEST = 2  # settings for all runs at once that are changed further
_CHANGES = np.array([-1, 1])  # settings that one change may go
_MOST_CHANGES = 40  # one after another
_TOGETHER = (1, 2, 3, 5, 8)  # changes that are better alone
_PAIRED = 24  # changes, the best of which none is better alone
_UNSURE = 0.01  # tolerances by which the model may be wrong close by
_NEWTON = 3  # steps for a plenum's pressure
_LEAST_CFM = 1e-6
_BY_CLASS = ("shared_inwc", "takes", "plenum_inwc", "total_cfm", "there_inwc", "slope")


@dataclass(frozen=True, slots=True, kw_only=True)
class Manner:
    """How settings are chosen, in tolerances.

    ``margin`` : to keep from the limits; ``damper`` : worth of a run without a damper; ``worth`` : what a change must
    bring at least; ``kept`` : settings for all runs at once that are kept at each pressure
    """

    margin: float
    damper: float
    worth: float
    kept: int


@dataclass(frozen=True, slots=True, eq=False)
class Tried:
    """Settings (n, n_path) of one mark and what they give in its classes.

    ``run_cfm`` (n, n_mine, n_path), ``pressure`` (n, n_mine), ``value`` (n,): tolerances beyond the limits, and what
    the dampers count
    """

    settings: IntArray
    run_cfm: FloatArray
    pressure: FloatArray
    value: FloatArray

    def only(self, rows: IntArray | list[int]) -> Tried:
        return each(self, lambda values: values[rows])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MarkModel:
    """The model for the classes of one mark; ``n_mine`` of them.

    Attributes
    ----------
    mine : (n_class,) bool
    shared_inwc : (n_mine, n_path) what is lost before the run
    takes : (n_mine, n_path, n_setting) inWC/cfm2 of the run and its damper, infinite where it is shut
    plenum_inwc, total_cfm, there_inwc : (n_mine,) pressure and airflow of the supply, and the most that may be
    slope : (n_mine,) change of that airflow for each inWC more: 0 at a held airflow, below 0 on a blower's curve, NaN
        where the pressure is held
    may : (n_path,) bool
    lines : what the classes want, ``Windows.lines``
    damper : (n_path,) tolerances that it is worth to have no damper there
    """

    board: Board
    mine: BoolArray
    shared_inwc: FloatArray
    takes: FloatArray
    plenum_inwc: FloatArray
    total_cfm: FloatArray
    there_inwc: FloatArray
    slope: FloatArray
    may: BoolArray
    lines: tuple[FloatArray, ...]
    damper: FloatArray
    manner: Manner

    @staticmethod
    def around(board: Board, at: Position, manner: Manner) -> list[MarkModel]:
        """The model of each mark. A damper that another mark has counts nothing."""
        tree, got = board.classes.case.tree, at.airflow
        run = tree.run_section
        flow = np.maximum(np.nan_to_num(got.section_cfm[0]), _LEAST_CFM)
        loss = board.losses.at(flow)[0]
        takes = loss[:, run, None] / flow[:, run, None] ** 2 + np.where(board.may[:, None], board.takes, 0.0)
        every = (
            loss @ tree.path.T.astype(float) - loss[:, run],
            np.where(board.is_open[:, :, None], takes, np.inf),
            np.maximum(np.nan_to_num(got.supply_inwc[0]), _LEAST_CFM),
            np.nan_to_num(got.room_cfm[0]).sum(axis=1),
            board.classes.there_inwc(got.return_inwc[0]),
            _slope(board, at),
        )

        def of_mark(m: int, mine: BoolArray) -> MarkModel:
            others = np.any(np.delete(at.settings, m, axis=0) > 0, axis=0)
            return MarkModel(
                board=board,
                mine=mine,
                may=board.may & board.is_open[mine].any(axis=0),
                lines=board.windows.only(mine).lines,
                damper=np.where(others, 0.0, manner.damper),
                manner=manner,
                **{name: values[mine] for name, values in zip(_BY_CLASS, every, strict=True)},
            )

        return [of_mark(m, mine) for m, mine in enumerate(board.by_mark)]

    def beyond(self, room_cfm: FloatArray, pressure: FloatArray) -> FloatArray:
        """(n,) tolerances beyond the limits in all, of (n, n_mine, n_room) and (n, n_mine)."""
        return self.board.beyond(
            self._off(room_cfm), (pressure / self.there_inwc).max(axis=1), self.manner.margin, -_UNSURE
        )

    def tried(self, settings: IntArray, pressure: FloatArray) -> Tried:
        """Settings (n, n_path), from a pressure (n, n_mine) close by."""
        takes = self.takes[np.arange(self.mine.sum())[:, None], np.arange(len(self.may)), settings[:, None]]
        by_square = 1.0 / takes
        pressure = np.broadcast_to(pressure, takes.shape[:2])
        for _ in range(0 if np.isnan(self.slope[0]) else _NEWTON):
            push = np.maximum(pressure[..., None] - self.shared_inwc, 1e-9)
            run = np.sqrt(push * by_square)
            gap = run.sum(axis=2) - self.total_cfm - self.slope * (pressure - self.plenum_inwc)
            steep = 0.5 * (run / push).sum(axis=2) - self.slope
            pressure = np.maximum(pressure - gap / np.maximum(steep, 1e-30), 0.2 * pressure)
        run = np.sqrt(np.maximum(pressure[..., None] - self.shared_inwc, 0.0) * by_square)
        value = self.beyond(run @ self.board.classes.serves.T, pressure) + (settings > 0) @ self.damper
        return Tried(settings, run, pressure, value)

    def all_at_once(self) -> tuple[IntArray, FloatArray]:
        """Settings (n, n_path) for every run that put its room within its limits, each at so many times the plenum's
        pressure as it is (n,)."""
        held = np.isnan(self.slope[0])
        times = np.ones(1) if held else np.geomspace(_LEAST_TIMES, _MOST_TIMES, _PRESSURES)
        pressure = times[:, None] * self.plenum_inwc
        gets, further = self._rooms(pressure)
        off = self._off(gets).swapaxes(1, 2)  # (n_pressure, n_setting, n_room)
        within = off <= self.board.limit - self.manner.margin
        none, nearest = ~within.any(axis=1), np.argmin(off, axis=1)
        first = np.where(none, nearest, np.argmax(within, axis=1))
        last = np.where(none, nearest, off.shape[1] - 1 - np.argmax(within[:, ::-1], axis=1))
        # From the most open setting within the limits to the most closed, not in all rooms at once: at some place in
        # between they add up to what there is.
        serves = self.board.classes.serves
        ahead = np.arange(len(serves)) * _GOLDEN % 1.0  # from 0 to 1, neighbours far apart
        part = np.clip(_WAYS[:, None, None] * (1.0 + _DITHER) - _DITHER * ahead, 0.0, 1.0)
        picked = np.ceil(first + part * (last - first) - 1e-9).astype(np.intp)
        picked = np.concatenate([picked, nearest[None]])  # (n_way, n_pressure, n_room)
        if not held:
            total = np.take_along_axis(gets[None], picked[:, :, None, :, None], axis=4)[..., 0].sum(axis=3)
            wanted = self.total_cfm + self.slope * (pressure - self.plenum_inwc)
            gap = np.abs(total / wanted - 1.0).max(axis=2)
            score = np.round(_GAP * gap + (picked > 0) @ (serves @ self.damper), 9)
            picked = np.take_along_axis(
                picked, np.argsort(score, axis=0, kind="stable")[: self.manner.kept, :, None], axis=0
            )
        of_room, is_first = np.argmax(serves, axis=0), np.any(_first_runs(serves) > 0.0, axis=0)
        others = np.take_along_axis(further[None], picked[:, :, None], axis=2)[:, :, 0]
        settings = np.where(is_first, picked[..., of_room], others[..., of_room])
        return settings.reshape(-1, len(self.may)), np.tile(times, len(picked))

    def _rooms(self, pressure: FloatArray) -> tuple[FloatArray, IntArray]:
        """What rooms get by the setting of their first run, at some pressures (n_pressure, n_mine).

        Further runs of a room have the setting that goes best with it, (n_pressure, n_setting, n_room). Airflow is
        (n_pressure, n_mine, n_room, n_setting).
        """
        serves = self.board.classes.serves
        first = _first_runs(serves)
        gives = np.sqrt(np.maximum(pressure[:, :, None] - self.shared_inwc, 0.0)[..., None] / self.takes)
        gets, n_setting = first @ gives, self.takes.shape[2]
        further = np.zeros((len(pressure), n_setting, len(serves)), dtype=np.intp)
        several = np.flatnonzero(serves.sum(axis=1) > 1.0)
        if several.size:
            some = np.arange(0, n_setting, _SKIPPED)
            more = (serves - first)[several] @ gives
            best = some[np.argmin(self._off(gets[:, :, several, :, None] + more[:, :, :, None, some], several), axis=3)]
            further[:, :, several] = best.swapaxes(1, 2)
            gets[:, :, several] += np.take_along_axis(more, best[:, None], axis=3)
        return gets, further

    def _off(self, gets: FloatArray, rooms: IntArray | slice = slice(None)) -> FloatArray:
        """The worst class's distance from design, of (n, n_mine, n_room, ...)."""
        more = (None,) * (gets.ndim - 3)
        low, per_low, high, per_high = (line[(slice(None), rooms, *more)] for line in self.lines)
        return np.asarray(np.maximum(low - gets * per_low, gets * per_high - high).max(axis=1))

    def changed(self, at: Tried, allowed: BoolArray, least: IntArray) -> Tried:
        """Settings of one start changed, a few runs together, for as long as that is better.

        ``allowed`` (n_path,): runs whose damper may move; ``least`` (n_path,) settings.
        """
        for _ in range(_MOST_CHANGES):
            after = self._after(at, allowed, least)
            if after is None or after.value[0] > at.value[0] - self.manner.worth:
                break
            at = after
        return at

    def _after(self, at: Tried, allowed: BoolArray, least: IntArray) -> Tried | None:
        """The best of some changes together, each of them better alone; or of pairs where none is."""
        here, serves = at.settings[0], self.board.classes.serves
        steps = here[:, None] + np.array([*_CHANGES, 0])
        steps[:, -1] = 0
        fine = (steps >= least[:, None]) & (steps < self.takes.shape[2]) & (steps != here[:, None]) & allowed[:, None]
        run, to = np.nonzero(fine)[0], steps[fine]
        if not run.size:
            return None
        push = np.maximum(at.pressure[0, :, None] - self.shared_inwc, 1e-9)  # (n_mine, n_path)
        mine = np.arange(len(push))[:, None]
        gets = (np.sqrt(push[:, run] / self.takes[mine, run, to]) - at.run_cfm[0][:, run]).T
        more = gets[..., None] * serves.T[run][:, None, :]  # (n_change, n_mine, n_room)
        change = np.zeros_like(gets)
        if not np.isnan(self.slope[0]):
            # The others by a straight line, so that they add up again.
            gives = 0.5 * at.run_cfm[0] / push
            change = -gets / np.maximum(gives.sum(axis=1) - self.slope, 1e-30)
            more += change[..., None] * (gives @ serves.T)
        room = at.run_cfm[0] @ serves.T
        dampers = self.damper[run] * ((to > 0).astype(float) - (here[run] > 0))
        value = self.beyond(room + more, at.pressure[0] + change) + dampers + (here > 0) @ self.damper
        order = np.argsort(value, kind="stable")
        better = order[value[order] < at.value[0] - self.manner.worth]
        better = better[np.sort(np.unique(run[better], return_index=True)[1])]  # one a run
        if better.size:
            some = [better[:n] for n in _TOGETHER if n <= len(better)]
        else:
            i, j = (order[:_PAIRED][a] for a in np.triu_indices(min(_PAIRED, len(order)), 1))
            apart = run[i] != run[j]
            i, j = i[apart], j[apart]
            value = self.beyond(room + more[i] + more[j], at.pressure[0] + change[i] + change[j])
            best = np.argsort(value + dampers[i] + dampers[j], kind="stable")[: len(_TOGETHER)]
            some = list(np.column_stack([i[best], j[best]]))
        settings = np.repeat(at.settings, len(some), axis=0)
        for row, changes in zip(settings, some, strict=True):
            row[run[changes]] = to[changes]
        tried = self.tried(settings, np.repeat(at.pressure, len(some), axis=0))
        return tried.only([int(np.argmin(tried.value))]) if len(some) else None

    def best(self, settings: IntArray, allowed: BoolArray, least: IntArray) -> Tried:
        """The best few that come of settings (n_path,) at hand, and of some for all runs at once."""
        allowed = allowed & self.may
        rows, times = self.ends().all_at_once()
        starts = self.tried(np.where(allowed, np.maximum(rows, least), 0), times[:, None] * self.plenum_inwc)
        some = np.argsort(starts.value, kind="stable")
        if settings.any():
            starts = one_after_another([starts.only(some[:1]), self.tried(settings[None], self.plenum_inwc[None])])
        else:
            starts = starts.only(some[:_BEST])
        every = one_after_another([self.changed(starts.only([k]), allowed, least) for k in range(len(starts.value))])
        return every.only(np.argsort(every.value, kind="stable"))

    def ends(self) -> MarkModel:
        """Of each season and the same runs open the classes of least and most pressure: those in between follow."""
        classes = self.board.classes
        alike: dict[tuple[int, bytes], list[int]] = {}
        for n, c in enumerate(np.flatnonzero(self.mine)):
            alike.setdefault((int(classes.season[c]), classes.is_open[c].tobytes()), []).append(n)
        ends = {end(some, key=self.plenum_inwc.__getitem__) for some in alike.values() for end in (min, max)}
        rows = sorted(ends)
        arrays: dict[str, Any] = {name: getattr(self, name)[rows] for name in _BY_CLASS}
        return replace(self, lines=tuple(line[rows] for line in self.lines), **arrays)


def _first_runs(serves: FloatArray) -> FloatArray:
    """(n_room, n_path) 1 for the first run of each room."""
    return np.asarray(serves * (np.cumsum(serves, axis=1) == 1.0))


def _slope(board: Board, at: Position) -> FloatArray:
    """(n_class,) as ``MarkModel.slope``."""
    source = board.classes.source
    if not isinstance(source, BlowerCurve):
        return np.full(len(board.mark_of), np.nan if isinstance(source, HeldPressure) else 0.0)
    # Whatever changes in the supply, pressure and airflow stay on the line that blower and returns give; a change of
    # the returns moves that line.
    answers = board.response.around(board.size_index, at.airflow.damper_inwc_per_cfm2[0], at.airflow)
    carried, plenum = answers.room.sum(axis=2), np.where(board.classes.case.tree.is_supply, answers.plenum, 0.0)
    rows, most = np.arange(len(plenum)), np.argmax(plenum, axis=1)
    return np.asarray(np.minimum(carried[rows, most] / np.maximum(plenum[rows, most], 1e-9), 0.0))
