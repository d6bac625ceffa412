"""Single changes of a state, what each does near by, and the groups of them that promise most."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tractduct.arrays import BoolArray, FloatArray, IntArray
from tractduct.delivery.damper_states import LEAST_CFM, Aim, State, States, differ
from tractduct.delivery.marks import AIM
from tractduct.delivery.response import Answers

_NEW_SETTINGS = (3, 5, 6, 7, 8, 9, 10)  # of a blade: less is little, more is all but shut
_REFRESH, _GROUPING = 30, 120  # what working out changes and groups of them costs, in candidates simulated
_CHAIN, _CHAINED = 8, 150  # changes one after the other, out of so many
_RANKED = 480  # groups of changes, of which the first that hold are simulated
_SINGLES = (40, 25, 15, 20)  # that are paired: by value, by cost saved, by airflow mended; exchanges by value
_EXCHANGED = 20  # sections; in larger trees exchanges of a section and its child are more than they are worth
_TRIPLES = 12_000  # about so many are looked at


# Of some changes: sizes, settings, touched, times (n, n_class, n_room), over, exchange; see ``Changes``.
_Parts = tuple[IntArray, IntArray, BoolArray, FloatArray, FloatArray, BoolArray]


@dataclass(frozen=True, slots=True, eq=False)
class Changes:
    """Single changes of a state and what each does close to that state; ``n`` of them.

    Attributes
    ----------
    size : (n, n_section), settings : (n, n_season, n_path), of the state with the change
    touched : (n, n_section + n_path) bool, what it changes
    times : (n_class, n, n_room) what rooms get over what they got; effects of several changes multiply
    cost, dampers, differ : (n,) and over : (n, n_class), differences from the state
    exchange : (n,) bool, a section against a child of its
    """

    size: IntArray
    settings: IntArray
    touched: BoolArray
    times: NDArray[np.float32]
    cost: FloatArray
    dampers: IntArray
    differ: FloatArray
    over: FloatArray
    exchange: BoolArray

    def __len__(self) -> int:
        return len(self.cost)

    def without(self, touched: BoolArray) -> Changes:
        """Those that have nothing to do with some sections and runs."""
        rest = np.flatnonzero(~np.any(self.touched & touched, axis=1))
        parts = {name: getattr(self, name)[rest] for name in self.__slots__ if name != "times"}
        return Changes(**parts, times=self.times[:, rest])

    def applied(self, state: State, group: tuple[int, ...]) -> tuple[IntArray, IntArray, BoolArray]:
        """Sizes and settings of a state with some changes made, and what they touch."""
        size, settings = state.one.size[0].copy(), state.one.settings[0].copy()
        for k in group:
            moved = self.touched[k]
            sections, runs = moved[: len(size)], moved[len(size) :]
            size[sections] = self.size[k, sections]
            settings[:, runs] = self.settings[k][:, runs]
        return size, settings, np.logical_or.reduce(self.touched[list(group)])


@dataclass(frozen=True, slots=True, eq=False)
class Sums:
    """What groups of changes come to; groups are given as their first, second and third members.

    A member that all groups have is given once, before those that differ.
    """

    search: States
    state: State
    changes: Changes
    aim: Aim

    def off(self, members: Sequence[IntArray]) -> FloatArray:
        """(n, n_room) distances from design."""

        def by_class() -> Iterator[FloatArray]:
            for base, times in zip(self.state.one.room_cfm[0], self.changes.times, strict=True):
                room = times[members[0]] * np.maximum(base, LEAST_CFM).astype(np.float32)
                for member in members[1:]:
                    more = times[member]
                    room = np.multiply(room, more, out=more)
                yield room

        return self.search.off(by_class())

    def value(self, members: Sequence[IntArray], off: FloatArray | None = None) -> FloatArray:
        """(n,) values."""
        one, changes = self.state.one, self.changes

        def total(start: NDArray[Any], of: NDArray[Any]) -> NDArray[Any]:
            return np.asarray(start + sum(of[m] for m in members))

        return self.search.value(
            self.aim,
            total(one.cost, changes.cost),
            total(one.dampers, changes.dampers),
            total(differ(one.settings), changes.differ),
            self.off(members) if off is None else off,
            total(one.over, changes.over),
        )


class Changing(States):
    """States and what is next to each."""

    def changes(self, state: State, aim: Aim) -> Changes:
        """Every single change of a state and what it does."""
        self.spent += _REFRESH
        dampers = self.dampers(state.one.size, state.one.settings)[0]
        answers = self.response.around(state.one.size[0], dampers, state.airflow)
        parts = [self._resized(state, answers)]
        if aim.most > 0:
            parts.append(self._set(state, answers))
        sizes, marks, touched, times, over, exchange = (np.concatenate(part) for part in zip(*parts, strict=True))
        return Changes(
            size=sizes,
            settings=marks,
            touched=touched,
            times=np.ascontiguousarray(times.swapaxes(0, 1), dtype=np.float32),
            cost=self.problem.costs_of(sizes) - state.one.cost,
            dampers=np.any(marks > 0, axis=1).sum(axis=1) - state.one.dampers,
            differ=differ(marks) - differ(state.one.settings),
            over=over,
            exchange=exchange,
        )

    def _resized(self, state: State, answers: Answers) -> _Parts:
        """One section a size or two up or down, parents and children as far as they must; or against a child of its."""
        size, settings = state.one.size[0], state.one.settings[0]
        n_path, found, exchanges = settings.shape[1], [], []
        for s in np.flatnonzero(self.free).tolist():
            for step in (-2, -1, 1, 2):
                new = self._moved(size, s, step)
                if new is None:
                    continue
                found.append(new)
                for child in self.children[s] if len(size) <= _EXCHANGED else ():
                    more = [self._moved(new, child, against) for against in ((-1, -2) if step > 0 else (1, 2))]
                    exchanges += [n for n in more if n is not None and not np.array_equal(n, size)]
        exchange = np.arange(len(found) + len(exchanges)) >= len(found)
        found += exchanges
        sizes = np.array(found, dtype=np.intp).reshape(-1, len(size))
        changed = sizes != size
        # A damper in a run of another size is another damper.
        blade = np.zeros((self.classes.n_class, *self.allowed.shape))
        of_run = settings[self.classes.season][:, :, None, None]  # (n_class, n_path, ...)
        blade[:, self.case.tree.run_section] = np.take_along_axis(self.takes, of_run, axis=3)[:, :, :, 0]
        times, plenum = answers.of(blade, state.one.room_cfm[0])  # (n_class, n_section, n_size, ...)
        n_class, n_room = self.classes.n_class, times.shape[3]
        all_times, all_over = np.ones((len(sizes), n_class, n_room)), np.zeros((len(sizes), n_class))
        row, which = np.nonzero(changed)
        np.multiply.at(all_times, row, times[:, which, sizes[row, which]].swapaxes(0, 1))
        np.add.at(all_over, row, plenum[:, which, sizes[row, which]].T)
        touched = np.column_stack([changed, np.zeros((len(sizes), n_path), dtype=bool)])
        marks = np.repeat(settings[None], len(sizes), axis=0)
        return sizes, marks, touched, all_times, self._over(state, all_over), exchange

    def _over(self, state: State, plenum_inwc: FloatArray) -> FloatArray:
        """(n, n_class) change of the part beyond what there is, of a plenum's change."""
        there = self.classes.there_inwc(state.airflow.return_inwc[0])
        return np.where(np.isfinite(there), plenum_inwc / there, 0.0)

    def _moved(self, size: IntArray, s: int, step: int) -> IntArray | None:
        """Sizes with a section so many of its sizes larger; None where that can't be."""
        ladder = self.ladder[s]
        at = self.rung[s, size[s]] + step
        if self.rung[s, size[s]] < 0 or not 0 <= at < len(ladder):
            return None
        new = size.copy()
        new[s] = ladder[at]
        return new if self._mended(new, s) else None

    def _mended(self, size: IntArray, s: int) -> bool:
        """Parents made as large and children as small as the section's new size wants; False where none is."""
        diameter, at = self.problem.diameter_in, s
        while (parent := int(self.problem.parent[at])) >= 0 and diameter[size[parent]] < diameter[size[at]] - 1e-9:
            fits = [k for k in self.ladder[parent] if diameter[k] >= diameter[size[at]] - 1e-9]
            if not fits:
                return False
            size[parent], at = fits[0], parent
        left = [s]
        while left:
            at = left.pop()
            for child in self.children[at]:
                if diameter[size[child]] > diameter[size[at]] + 1e-9:
                    most = diameter[size[at]] + 1e-9
                    fits = [k for k in self.ladder[child] if diameter[k] <= most]
                    if not fits:
                        return False
                    size[child] = fits[-1]
                    left.append(child)
        return True

    def _set(self, state: State, answers: Answers) -> _Parts:
        """Every setting of one run's damper worth a try, alike in all seasons or not."""
        size, settings = state.one.size[0], state.one.settings[0]
        season, section = self.classes.season, self.case.tree.run_section
        n_season, n_path = settings.shape
        n_setting = self.takes.shape[3]
        own = np.take_along_axis(self.takes, size[section][None, :, None, None], axis=2)[:, :, 0]
        times, plenum = answers.of(own, state.one.room_cfm[0], runs=section)  # (n_class, n_path, n_setting, ...)
        marks: list[tuple[int, tuple[int, ...]]] = []
        for p in np.flatnonzero(self.may).tolist():
            here = tuple(settings[:, p].tolist())
            near = {0, *(h + d for h in here for d in (-2, -1, 0, 1, 2))} if any(here) else set(_NEW_SETTINGS)
            levels = sorted(level for level in near if 0 <= level < n_setting)
            alike = [(level,) * n_season for level in levels]
            apart = list(product(*([*levels, h] for h in here))) if self.by_season else []
            marks += [(p, c) for c in dict.fromkeys([*alike, *apart]) if c != here]
        n = len(marks)
        run = np.array([p for p, _ in marks], dtype=np.intp)
        new = np.repeat(settings[None], n, axis=0)
        new[np.arange(n), :, run] = np.array([c for _, c in marks], dtype=np.intp).reshape(n, n_season)
        at = np.arange(len(season)), run[:, None], new[np.arange(n)[:, None], season, run[:, None]]
        touched = np.zeros((n, len(size) + n_path), dtype=bool)
        touched[np.arange(n), len(size) + run] = True
        sizes, none = np.repeat(size[None], n, axis=0), np.zeros(n, dtype=bool)
        return sizes, new, touched, times[at], self._over(state, plenum[at]), none

    # -- groups of changes -----------------------------------------------------------------------------------------

    def chain(self, state: State, changes: Changes, aim: Aim) -> list[tuple[int, ...]]:
        """Changes one after the other, each the best beside those before it."""
        sums = Sums(self, state, changes, aim)
        value = sums.value([np.arange(len(changes))])
        left = np.argsort(value, kind="stable")[:_CHAINED]
        taken, least = [int(left[0])], value[left[0]]
        while len(taken) < _CHAIN:
            left = left[~np.any(changes.touched[left] & changes.touched[taken[-1]], axis=1)]
            if not left.size:
                break
            value = sums.value([*(np.array([k]) for k in taken), left])
            at = int(np.argmin(value))
            if value[at] >= least:
                break
            least = value[at]
            taken.append(int(left[at]))
        return [tuple(taken[: n + 1]) for n in range(len(taken))]

    def groups(self, state: State, changes: Changes, aim: Aim) -> list[tuple[int, ...]]:
        """The most promising singles, pairs and triples of changes, best first."""
        self.spent += _GROUPING
        sums = Sums(self, state, changes, aim)
        every = np.arange(len(changes))
        off = sums.off([every])
        alone = sums.value([every], off)
        plain, exchange = np.flatnonzero(~changes.exchange), np.flatnonzero(changes.exchange)
        saved = changes.cost + aim.price * changes.dampers
        missing = np.maximum(off - AIM, 0.0).sum(axis=1)
        by = ((plain, alone), (plain, saved), (plain, missing), (exchange, alone))
        best = [some[np.argsort(of[some], kind="stable")[:n]] for (some, of), n in zip(by, _SINGLES, strict=True)]
        kept = np.array(list(dict.fromkeys(np.concatenate(best).tolist())), dtype=np.intp)
        touched = changes.touched[kept].astype(np.float32)
        clash = touched @ touched.T > 0.0
        i, j = np.triu_indices(len(kept), 1)
        fine = ~clash[i, j]
        i, j = i[fine], j[fine]
        pair_value = sums.value([kept[i], kept[j]])
        top = np.argsort(pair_value, kind="stable")
        tripled = top[: _TRIPLES // len(kept)]
        a, b = np.repeat(i[tripled], len(kept)), np.repeat(j[tripled], len(kept))
        c = np.tile(np.arange(len(kept)), len(tripled))
        fine = ~clash[a, c] & ~clash[b, c] & (c > b)
        triples = [kept[a[fine]], kept[b[fine]], kept[c[fine]]]
        triple_value = sums.value(triples)
        top, top3 = top[:_RANKED], np.argsort(triple_value, kind="stable")[:_RANKED]
        found: list[tuple[int, ...]] = [(k,) for k in kept.tolist()]
        found += zip(kept[i[top]].tolist(), kept[j[top]].tolist(), strict=True)
        found += zip(*(t[top3].tolist() for t in triples), strict=True)
        values = np.concatenate([alone[kept], pair_value[top], triple_value[top3]])
        return [found[n] for n in np.argsort(values, kind="stable")[:_RANKED]]
