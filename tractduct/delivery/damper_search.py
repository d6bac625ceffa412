"""Sizes and balancing dampers searched together: what each number of dampers costs in duct, from none upwards.

A state is a size for each section and a setting of the blade for each run and season. From a state every single change
is simulated in one batch: a section up or down a size or two, its parents or children with it as far as they must; a
damper put in, moved or taken out. Seasons do not act on each other, so one simulation of a setting in all seasons tells
of all combinations of settings. Pairs and triples of changes are ranked by adding up the singles' changes of log
airflow; the best of them are simulated. The best that keeps every limit at design airflow is taken; where none is
better, a few changes at random lead out of the hollow. All states that were simulated are kept by number of dampers.

Nothing here is proven: the bound is the least cost of sizes without the condition on airflow. Every entry is worked out
again at the end by the ordinary prediction of all variants and by the independent check of the sizes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tractduct.delivery.balance import tolerances_off
from tractduct.delivery.classes import Classes, build_classes
from tractduct.delivery.flow import FloatArray, with_dampers
from tractduct.delivery.predict import Delivered, Drive, installed_ducts, predict
from tractduct.errors import SolverError
from tractduct.physics.damper import blade_inwc_per_cfm2
from tractduct.sizing.candidates import at_sizes
from tractduct.sizing.case import Case
from tractduct.sizing.program import DIAMETER_TOLERANCE_IN
from tractduct.sizing.solve import Solution
from tractduct.sizing.verify import verify_cap, verify_sizes

IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

AIM = 0.9  # tolerances: what is built is not quite what is drawn
_NEAR = 0.002  # part of the least cost that a room at its tolerance may cost to bring to the aim
_ROOM = 1.0  # part of the least cost that a room outside may cost to bring inside
_INSIDE = 0.998  # tolerances that count as inside after a few Newton steps
_STEPS = 2  # Newton steps from the state beside
_NEW_SETTINGS = (3, 5, 6, 7, 8, 9, 10)  # of a blade: less is little, more is all but shut
_SIMULATED = 48
_RANKED = 480  # groups of changes, of which the first that hold are simulated
_SINGLES = (60, 40, 30)  # that are paired: by value, by cost saved, by airflow mended
_PAIRS = 60  # that are made triples
_KEPT = 3  # states of each number of dampers
_SHAKEN = (2, 5)  # changes at random
_CLASS_SIMULATIONS = 240_000  # candidates times classes: about 400 times one prediction of all variants
_CANDIDATES = (4_000, 40_000)
_PARTS = (0.1, 0.35, 0.45, 0.7, 0.9)  # of the candidates: up to the end of each part of the search


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DamperEntry:
    """A size set with the dampers that go with it.

    Attributes
    ----------
    size_index : (n_section,)
    settings : (n_season, n_path) int into ``blade_angles_deg``, 0 wide open; seasons as in the plan
    dampers, positions : runs with a damper; marks on each, 1 where no two seasons differ
    duct_cost, cost : ducts and fittings; with the dampers
    bound : no size set that holds costs less in duct, whatever arrives
    delivered : the ordinary prediction of every variant
    """

    size_index: IntArray
    settings: IntArray
    dampers: int
    positions: int
    duct_cost: float
    cost: float
    bound: float
    distinct_sizes: int
    rooms_outside: int
    worst_tolerances: float
    delivered: Delivered


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DamperFront:
    """The best that was found for each number of dampers, from none upwards.

    ``entries``: each with fewer rooms outside than those before it, or as few at a lower cost in duct. ``simulated``:
    candidates simulated on the way.
    """

    entries: tuple[DamperEntry, ...]
    simulated: int

    def least(self) -> DamperEntry:
        """What ``choose = "dampers"`` takes: no room outside, or the fewest; then the least cost of duct, fittings and
        dampers; then the fewest distinct sizes, then the fewest dampers."""
        return min(self.entries, key=lambda e: (e.rooms_outside, round(e.cost, 6), e.distinct_sizes, e.dampers))


@dataclass(frozen=True, slots=True, eq=False)
class _Batch:
    """States, or changes of one state; ``n`` of them.

    Attributes
    ----------
    size : (n, n_section), settings : (n, n_season, n_path)
    cost, dampers : (n,) of ducts and fittings; runs with a damper
    room_cfm : (n, n_class, n_room), over : (n, n_class) of the plenum's pressure beyond what there is, as a part
    touched : (n, n_section + n_path) bool, what a change changes
    """

    size: IntArray
    settings: IntArray
    cost: FloatArray
    dampers: IntArray
    room_cfm: FloatArray
    over: FloatArray
    touched: BoolArray

    def __len__(self) -> int:
        return len(self.cost)

    def at(self, rows: IntArray) -> _Batch:
        return _Batch(*(getattr(self, name)[rows] for name in self.__slots__))

    @staticmethod
    def joined(parts: Sequence[_Batch]) -> _Batch:
        return _Batch(*(np.concatenate([getattr(p, name) for p in parts]) for name in _Batch.__slots__))


@dataclass(frozen=True, slots=True, eq=False)
class _State:
    """One state, settled: a batch of one, and each section's airflow (n_class, n_section) to start others from."""

    one: _Batch
    section_cfm: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class _Changes:
    """Single changes of a state and what each does, close to that state: arrays of (n, ...).

    ``times`` (n, n_class, n_room) is what rooms get over what they got; the others are differences.
    """

    batch: _Batch
    times: FloatArray
    cost: FloatArray
    dampers: IntArray
    differ: FloatArray
    over: FloatArray

    def without(self, touched: BoolArray) -> _Changes:
        """Those that have nothing to do with some sections and runs."""
        rest = np.flatnonzero(~np.any(self.batch.touched & touched, axis=1))
        return _Changes(
            self.batch.at(rest),
            self.times[rest],
            self.cost[rest],
            self.dampers[rest],
            self.differ[rest],
            self.over[rest],
        )


@dataclass(frozen=True, slots=True)
class _Aim:
    """What a descent looks for: the price of a damper, and the most dampers."""

    price: float
    most: int


def search_dampers(
    case: Case,
    least: Solution,
    starts: Sequence[IntArray] = (),
    *,
    drive: Drive | None = None,
    effort: float = 1.0,
    on_step: Callable[[int, int], None] = lambda done, total: None,
) -> DamperFront:
    """Search sizes and dampers of a case together.

    Parameters
    ----------
    least : the least-cost set, whose bound stands beside every entry
    starts : other size sets that hold, such as the standard set
    effort : times the usual number of candidates
    on_step : called with the parts of the search done, and how many there are

    Raises ValueError where ``least`` has no set; InputFaults where the airflow can't be predicted.
    """
    if least.size_index is None:
        raise ValueError("no size set holds, so there is nothing to search from")
    search = _Search(case, least, drive, effort)
    found = search.run([least.size_index, *starts], on_step)
    entries: list[DamperEntry] = []
    for number in sorted(found):
        entry = min(
            (search.entry(*state) for state in found[number]),
            key=lambda e: (e.rooms_outside, e.duct_cost, e.worst_tolerances),
        )
        last = entries[-1] if entries else None
        better = last is None or (entry.rooms_outside, entry.duct_cost + 1e-6) < (last.rooms_outside, last.duct_cost)
        if better:
            _verify(case, entry.size_index)
            entries.append(entry)
    return DamperFront(entries=tuple(entries), simulated=search.simulated)


def _verify(case: Case, size_index: IntArray) -> None:
    """The independent check of an entry's sizes; SolverError, a fault of the program, where it refuses them."""
    variants, labels = case.variants.variants, case.labels(size_index)
    breaches = verify_sizes(case.plan, variants, labels).breaches + verify_cap(case.plan, variants, labels)
    if breaches:
        raise SolverError(f"the independent check refuses a size set of the search with dampers: {breaches[0]}")


class _Search:
    def __init__(self, case: Case, least: Solution, drive: Drive | None, effort: float) -> None:
        plan, tree = case.plan, case.tree
        self.case, self.least, self.effort = case, least, effort
        self.classes: Classes = build_classes(case, drive)
        self.windows = self.classes.windows()
        windows = self.windows
        # Distances in tolerances as straight lines of a room's airflow.
        self.lines = (
            windows.most_cfm / windows.most_tolerance_cfm,
            1.0 / windows.most_tolerance_cfm,
            windows.least_cfm / windows.least_tolerance_cfm,
            1.0 / windows.least_tolerance_cfm,
        )
        self.problem = case.problem()
        self.allowed = self.problem.tightened()
        self.children = [tree.children(i) for i in range(len(tree.sections))]
        self.by_size = np.argsort(self.problem.diameter_in, kind="stable")
        ducts = self.classes.case.table.ducts
        self.takes = blade_inwc_per_cfm2(
            ducts.area_ft2[:, tree.run_section], self.classes.case.air[:, tree.run_section, None]
        )
        supply = np.array([run.side != "return" for run in tree.runs])
        self.may = supply & (case.variants.run_airflow_cfm.max(axis=0) >= plan.dampers.least_cfm)
        self.by_season = plan.dampers.positions > 1 and len(plan.seasons) > 1
        # A return that the pressure of the supply does not hang on has no say in what arrives.
        apart = plan.budget_given and self.classes.drive is not Drive.BLOWER
        self.free = np.array([not (apart and s.side == "return") for s in tree.sections])
        self.worth = max(least.cost, 1e-9)
        self.simulated = 0
        self.archive: dict[int, list[tuple[tuple[int, float], IntArray, IntArray]]] = {}
        self.random = np.random.default_rng(0)

    # -- what a state is worth ---------------------------------------------------------------------------------

    def cost(self, size: IntArray) -> FloatArray:
        """(n,) of ducts and fittings."""
        at = np.arange(size.shape[1])
        total = self.problem.cost[at, size].sum(axis=1)
        if self.problem.change_cost is not None:
            parent = self.problem.parent
            changes = (parent >= 0) & (size != size[:, parent])
            total = total + np.where(changes, self.problem.change_cost[at, size], 0.0).sum(axis=1)
        return np.asarray(total)

    def holds(self, size: IntArray) -> BoolArray:
        """(n,) bool: sizes that keep every limit at design airflow, and no child larger than its parent."""
        problem, at = self.problem, np.arange(size.shape[1])
        fine = problem.allowed[at, size].all(axis=1)
        parent = problem.parent
        diameter = problem.diameter_in[size]
        larger = diameter > diameter[:, parent] + DIAMETER_TOLERANCE_IN
        fine &= ~np.any(larger & (parent >= 0), axis=1)
        for n in np.flatnonzero(fine):
            fine[n] = bool(np.all(problem.over_limit_inwc(size[n]) <= 0.0))
        return np.asarray(fine)

    def value(
        self,
        aim: _Aim,
        cost: FloatArray,
        dampers: IntArray,
        settings_differ: FloatArray,
        off: FloatArray,
        over: FloatArray,
    ) -> FloatArray:
        """(n,) what a descent makes small: cost, dampers, rooms (n, n_room) off, pressure (n, n_class) over."""
        near = np.clip((off - AIM) / (1.0 - AIM), 0.0, 1.0).sum(axis=1)
        beyond = np.where(off > _INSIDE, 0.5 + np.minimum(off - _INSIDE, 3.0), 0.0).sum(axis=1)
        pressure = np.maximum(over, 0.0).max(axis=1)
        return np.asarray(
            cost
            + aim.price * (dampers + 0.02 * settings_differ)
            + self.worth * (_NEAR * near + _ROOM * (beyond + 20.0 * pressure + 5.0 * np.maximum(dampers - aim.most, 0)))
        )

    def worth_of(self, aim: _Aim, batch: _Batch) -> FloatArray:
        off = self.off(batch.room_cfm)
        return self.value(aim, batch.cost, batch.dampers, _differ(batch.settings), off, batch.over)

    def off(self, room_cfm: FloatArray) -> FloatArray:
        """(n, n_room) the worst class's distance from design in tolerances."""
        low, per_low, high, per_high = self.lines
        off = np.maximum(low - room_cfm * per_low, room_cfm * per_high - high).max(axis=1)
        return np.asarray(np.nan_to_num(off, nan=100.0))

    # -- simulation ----------------------------------------------------------------------------------------------

    def simulate(
        self, size: IntArray, settings: IntArray, start: FloatArray | None, steps: int | None = _STEPS
    ) -> tuple[_Batch, FloatArray]:
        """A batch of states, and its sections' airflow (n, n_class, n_section)."""
        classes = self.classes
        run_size = size[:, self.case.tree.run_section]
        n_class, n_path = self.takes.shape[:2]
        at = settings[:, classes.season]  # (n, n_class, n_path)
        damper = self.takes[np.arange(n_class)[:, None], np.arange(n_path), run_size[:, None], at]
        got = classes.simulate(size, damper, start_cfm=start, most_steps=steps)
        self.simulated += len(size)
        there = np.minimum(classes.supply_limit_inwc, classes.ducts_limit_inwc - got.return_inwc)
        over = np.where(np.isfinite(there), got.supply_inwc / np.maximum(there, 1e-9) - 1.0 - 1e-9, -1.0)
        n = len(size)
        batch = _Batch(
            size=size,
            settings=settings,
            cost=self.cost(size),
            dampers=np.any(settings > 0, axis=1).sum(axis=1),
            room_cfm=got.room_cfm,
            over=np.nan_to_num(over, nan=1.0),
            touched=np.zeros((n, size.shape[1] + n_path), dtype=bool),
        )
        return batch, got.section_cfm

    def state(self, size: IntArray, settings: IntArray, start: FloatArray | None = None) -> _State:
        """One state, settled."""
        batch, section = self.simulate(size[None], settings[None], None if start is None else start[None], None)
        self.keep(batch)
        return _State(batch, section[0])

    def keep(self, batch: _Batch) -> None:
        """The best of a batch whose sizes hold, by number of dampers."""
        off = self.off(batch.room_cfm)
        outside = (off > _INSIDE).sum(axis=1)
        near = np.clip((off - AIM) / (1.0 - AIM), 0.0, 1.0).sum(axis=1)
        soft = batch.cost + self.worth * _NEAR * near
        for n in np.flatnonzero(batch.over.max(axis=1) <= 0.0):
            number, key = int(batch.dampers[n]), (int(outside[n]), round(float(soft[n]), 6))
            best = self.archive.setdefault(number, [])
            if (len(best) < _KEPT or key < best[-1][0]) and not any(
                np.array_equal(batch.size[n], s) and np.array_equal(batch.settings[n], m) for _, s, m in best
            ):
                best.append((key, batch.size[n].copy(), batch.settings[n].copy()))
                best.sort(key=lambda item: item[0])
                del best[_KEPT:]

    # -- changes -------------------------------------------------------------------------------------------------

    def resized(self, size: IntArray) -> tuple[IntArray, BoolArray]:
        """(n, n_section) sizes with one section one or two sizes away, parents and children as far as they must."""
        diameter, found = self.problem.diameter_in, []
        for s in np.flatnonzero(self.free):
            ladder = self.by_size[self.allowed[s, self.by_size]]
            here = np.flatnonzero(ladder == size[s])
            if not here.size:
                continue
            for step in (-2, -1, 1, 2):
                at = int(here[0]) + step
                if 0 <= at < len(ladder):
                    new = size.copy()
                    new[s] = ladder[at]
                    if self._mended(new, int(s), diameter):
                        found.append(new)
        sizes = np.array(found, dtype=np.intp).reshape(-1, len(size))
        return sizes, sizes != size

    def _mended(self, size: IntArray, s: int, diameter: FloatArray) -> bool:
        """Parents made as large and children as small as the section's new size wants; False where none is."""
        at = s
        while (parent := int(self.problem.parent[at])) >= 0 and diameter[size[parent]] < diameter[size[at]] - 1e-9:
            fits = [k for k in self.by_size if self.allowed[parent, k] and diameter[k] >= diameter[size[at]] - 1e-9]
            if not fits:
                return False
            size[parent], at = fits[0], parent
        left = [s]
        while left:
            at = left.pop()
            for child in self.children[at]:
                if diameter[size[child]] > diameter[size[at]] + 1e-9:
                    fits = [
                        k for k in self.by_size if self.allowed[child, k] and diameter[k] <= diameter[size[at]] + 1e-9
                    ]
                    if not fits:
                        return False
                    size[child] = fits[-1]
                    left.append(child)
        return True

    def singles(self, state: _State, aim: _Aim) -> _Batch:
        """Every single change of a state, simulated."""
        one, start = state.one, state.section_cfm[None]
        sizes, changed = self.resized(one.size[0])
        n_path = one.settings.shape[2]
        resized, _ = self.simulate(sizes, np.repeat(one.settings, len(sizes), axis=0), start)
        resized = replace(resized, touched=np.column_stack([changed, np.zeros((len(sizes), n_path), dtype=bool)]))
        parts = [resized]
        if aim.most > 0:
            parts.append(self._set(state, start))
        return _Batch.joined(parts)

    def _set(self, state: _State, start: FloatArray) -> _Batch:
        """Every setting of one run's damper worth a try, one season or both."""
        one, season = state.one, self.classes.season
        n_season, n_path = one.settings.shape[1:]
        tried: list[tuple[int, list[int]]] = []
        last = self.takes.shape[-1] - 1
        for p in np.flatnonzero(self.may):
            here = one.settings[0, :, p]
            levels = (
                set(_NEW_SETTINGS) if not here.any() else {0, *(int(h) + d for h in here for d in (-2, -1, 0, 1, 2))}
            )
            tried.append((int(p), sorted(level for level in levels if 0 <= level <= last)))
        rows = [(p, level) for p, levels in tried for level in levels]
        settings = np.repeat(one.settings, len(rows), axis=0)
        for n, (p, level) in enumerate(rows):
            settings[n, :, p] = level
        got, _ = self.simulate(np.repeat(one.size, len(rows), axis=0), settings, start)
        at = {row: n for n, row in enumerate(rows)}
        parts = []
        for p, levels in tried:
            here = one.settings[0, :, p]
            alike = [(level,) * n_season for level in levels]
            apart = _combinations(levels, here) if self.by_season else []
            combos = [c for c in dict.fromkeys([*alike, *apart]) if c != tuple(here)]
            # The classes of a season come from the simulation of that season's setting, or stay as they are.
            source = np.array(
                [[at.get((p, c[k]), -1) for k in range(n_season)] for c in combos], dtype=np.intp
            ).reshape(-1, n_season)
            by_class = source[:, season]
            room = np.where((by_class >= 0)[:, :, None], got.room_cfm[by_class, np.arange(len(season))], one.room_cfm)
            over = np.where(by_class >= 0, got.over[by_class, np.arange(len(season))], one.over)
            new = np.repeat(one.settings, len(combos), axis=0)
            new[:, :, p] = np.array(combos, dtype=np.intp).reshape(-1, n_season)
            touched = np.zeros((len(combos), one.size.shape[1] + n_path), dtype=bool)
            touched[:, one.size.shape[1] + p] = True
            parts.append(
                _Batch(
                    size=np.repeat(one.size, len(combos), axis=0),
                    settings=new,
                    cost=np.repeat(one.cost, len(combos)),
                    dampers=np.any(new > 0, axis=1).sum(axis=1),
                    room_cfm=room,
                    over=over,
                    touched=touched,
                )
            )
        return _Batch.joined(parts)

    def changes(self, state: _State, aim: _Aim) -> _Changes:
        """Every single change of a state, simulated."""
        one, singles = state.one, self.singles(state, aim)
        return _Changes(
            batch=singles,
            # Logs of airflow add up, so these multiply.
            times=np.maximum(singles.room_cfm, 1e-6) / np.maximum(one.room_cfm, 1e-6),
            cost=singles.cost - one.cost,
            dampers=singles.dampers - one.dampers,
            differ=_differ(singles.settings) - _differ(one.settings),
            over=singles.over - one.over,
        )

    def groups(self, state: _State, changes: _Changes, aim: _Aim) -> list[tuple[int, ...]]:
        """The most promising singles, pairs and triples of changes, best first."""
        one = state.one
        room, differ = np.maximum(one.room_cfm, 1e-6), _differ(one.settings)

        def off(members: Sequence[IntArray]) -> FloatArray:
            product_of = room * changes.times[members[0]]
            for member in members[1:]:
                product_of *= changes.times[member]
            return self.off(product_of)

        def value(members: Sequence[IntArray], off_of: FloatArray) -> FloatArray:
            """(n,) of groups, as lists of their first, second and third members."""

            def total(start: NDArray[Any], of: NDArray[Any]) -> NDArray[Any]:
                return start + sum(of[m] for m in members)

            return self.value(
                aim,
                total(one.cost, changes.cost),
                total(one.dampers, changes.dampers),
                total(differ, changes.differ),
                off_of,
                total(one.over, changes.over),
            )

        every = np.arange(len(changes.cost))
        off_alone = off([every])
        alone = value([every], off_alone)
        order = [
            np.argsort(alone, kind="stable"),
            np.argsort(changes.cost + aim.price * changes.dampers, kind="stable"),
            np.argsort(np.maximum(off_alone - AIM, 0.0).sum(axis=1), kind="stable"),
        ]
        best = [o[:n] for o, n in zip(order, _SINGLES, strict=True)]
        kept = np.array(list(dict.fromkeys(np.concatenate(best).tolist())), dtype=np.intp)
        touched = changes.batch.touched[kept].astype(np.float32)
        clash = touched @ touched.T > 0.0
        i, j = np.triu_indices(len(kept), 1)
        fine = ~clash[i, j]
        i, j = i[fine], j[fine]
        pair_value = value([kept[i], kept[j]], off([kept[i], kept[j]]))
        top = np.argsort(pair_value, kind="stable")
        a, b = np.repeat(i[top[:_PAIRS]], len(kept)), np.repeat(j[top[:_PAIRS]], len(kept))
        c = np.tile(np.arange(len(kept)), len(top[:_PAIRS]))
        fine = ~clash[a, c] & ~clash[b, c] & (c > b)
        a, b, c = a[fine], b[fine], c[fine]
        triples = [kept[a], kept[b], kept[c]]
        triple_value = value(triples, off(triples)) if len(a) else np.zeros(0)
        top, top3 = top[:_RANKED], np.argsort(triple_value, kind="stable")[:_RANKED]
        found = [(k,) for k in kept.tolist()]
        found += list(zip(kept[i[top]].tolist(), kept[j[top]].tolist(), strict=True))
        found += list(zip(*(t[top3].tolist() for t in triples), strict=True))
        values = np.concatenate([alone[kept], pair_value[top], triple_value[top3]])
        return [found[n] for n in np.argsort(values, kind="stable")[:_RANKED]]

    def applied(self, state: _State, changes: _Changes, group: tuple[int, ...]) -> tuple[IntArray, IntArray, BoolArray]:
        """Sizes and settings with some changes made, and what they touch."""
        size, settings = state.one.size[0].copy(), state.one.settings[0].copy()
        batch, n_section = changes.batch, len(size)
        for k in group:
            moved = batch.touched[k]
            size[moved[:n_section]] = batch.size[k, moved[:n_section]]
            settings[:, moved[n_section:]] = batch.settings[k][:, moved[n_section:]]
        return size, settings, batch.touched[list(group)].any(axis=0)

    # -- descents -------------------------------------------------------------------------------------------------

    def better(self, state: _State, changes: _Changes, aim: _Aim) -> tuple[_State, BoolArray] | None:
        """The best state one, two or three changes away and what they touch; None where none is better."""
        sizes, settings, touched = [], [], []
        groups = self.groups(state, changes, aim)
        for first in range(0, len(groups), 2 * _SIMULATED):
            made = [self.applied(state, changes, g) for g in groups[first : first + 2 * _SIMULATED]]
            for n in np.flatnonzero(self.holds(np.array([size for size, _, _ in made]))):
                for found, one in zip((sizes, settings, touched), made[n], strict=True):
                    found.append(one)
            if len(sizes) >= _SIMULATED:
                break
        if not sizes:
            return None
        tried, section = self.simulate(
            np.array(sizes[:_SIMULATED]), np.array(settings[:_SIMULATED]), state.section_cfm[None]
        )
        self.keep(tried)
        value = self.worth_of(aim, tried)
        goal = self.worth_of(aim, state.one)[0] - 1e-7 * self.worth
        for n in np.argsort(value, kind="stable")[:2]:
            if value[n] < goal:
                new = self.state(tried.size[n], tried.settings[n], section[n])
                if self.worth_of(aim, new.one)[0] < goal:
                    return new, touched[n]
        return None

    def descend(self, state: _State, aim: _Aim, budget: int) -> tuple[_State, _Changes | None]:
        """Down to where no change helps, or the candidates are spent; and the changes of the last state."""
        changes, fresh = None, False
        while self.simulated < budget:
            if changes is None:
                changes, fresh = self.changes(state, aim), True
            found = self.better(state, changes, aim) if len(changes.cost) else None
            if found is not None:
                state, touched = found
                # The others do much the same from the state beside.
                changes, fresh = changes.without(touched), False
            elif fresh:
                break
            else:
                changes = None
        return state, changes

    def shaken(self, state: _State, changes: _Changes) -> _State | None:
        """A state a few changes at random away, whose sizes hold."""
        for _ in range(20):
            group: list[int] = []
            taken = np.zeros(changes.batch.touched.shape[1], dtype=bool)
            number = int(self.random.integers(_SHAKEN[0], _SHAKEN[1] + 1))
            for k in self.random.choice(len(changes.cost), size=number).tolist():
                if not (changes.batch.touched[k] & taken).any():
                    taken |= changes.batch.touched[k]
                    group.append(k)
            size, settings, _ = self.applied(state, changes, tuple(group))
            if self.holds(size[None])[0]:
                return self.state(size, settings, state.section_cfm)
        return None

    def explore(self, state: _State, aim: _Aim, budget: int) -> _State:
        """Descents from states shaken, each from the best so far."""
        best, changes = self.descend(state, aim, budget)
        while self.simulated < budget and changes is not None and len(changes.cost):
            start = self.shaken(best, changes)
            if start is None:
                break
            new, found = self.descend(start, aim, budget)
            if self.worth_of(aim, new.one)[0] < self.worth_of(aim, best.one)[0] - 1e-7 * self.worth:
                best, changes = new, found
        return best

    def best_kept(self, aim: _Aim) -> _State:
        """The best state so far by an aim."""
        known = [(s, m) for found in self.archive.values() for _, s, m in found]
        batch, _ = self.simulate(np.array([s for s, _ in known]), np.array([m for _, m in known]), None, None)
        at = int(np.argmin(self.worth_of(aim, batch)))
        return self.state(batch.size[at], batch.settings[at])

    def run(
        self, starts: Sequence[IntArray], on_step: Callable[[int, int], None]
    ) -> dict[int, list[tuple[IntArray, IntArray]]]:
        """Sizes and settings worth a check, by number of dampers, the best first."""
        n_season, n_path = len(self.case.plan.seasons), self.takes.shape[1]
        wide_open = np.zeros((n_season, n_path), dtype=np.intp)
        total = self.effort * np.clip(_CLASS_SIMULATIONS / self.classes.n_class, *_CANDIDATES)
        price = max(self.case.plan.dampers.price, 1e-3 * self.worth)
        none, any_number = _Aim(price, 0), _Aim(price, n_path)
        assert self.least.size_index is not None
        opened = [self.state(np.where(self.free, s, self.least.size_index), wide_open) for s in starts]
        for state in opened:
            self.descend(state, none, int(_PARTS[0] * total))
        self.explore(self.best_kept(none), none, int(_PARTS[1] * total))
        on_step(1, 4)
        if self.may.any():
            for state in opened:
                self.descend(state, any_number, int(_PARTS[2] * total))
            best = self.explore(self.best_kept(any_number), any_number, int(_PARTS[3] * total))
            on_step(2, 4)
            number = int(best.one.dampers[0])
            for k in range(1, number):
                aim = _Aim(1e-3 * price, k)
                spent = _PARTS[3] + (_PARTS[4] - _PARTS[3]) * k / max(number - 1, 1)
                self.explore(self.best_kept(aim), aim, int(spent * total))
            on_step(3, 4)
            cheap = _Aim(0.2 * price, n_path)
            self.explore(self.best_kept(cheap), cheap, int(total))
        on_step(4, 4)
        return {number: [(s, m) for _, s, m in best] for number, best in self.archive.items()}

    def entry(self, size: IntArray, settings: IntArray) -> DamperEntry:
        """A state worked out again by the ordinary prediction."""
        case, plan = self.case, self.case.plan
        coefficient = damper_coefficients(case, size, settings)
        delivered = predict(
            case, with_dampers(installed_ducts(case, size), coefficient), drive=self.classes.drive, strict=False
        )
        off = np.round(np.nan_to_num(tolerances_off(delivered, plan.tolerance), nan=np.inf), 9)
        number = int(np.any(settings > 0, axis=0).sum())
        duct = case.cost_of(size)
        return DamperEntry(
            size_index=size,
            settings=settings,
            dampers=number,
            positions=2 if _differ(settings[None])[0] else 1,
            duct_cost=duct,
            cost=duct + number * plan.dampers.price,
            bound=self.least.bound,
            distinct_sizes=self.problem.distinct_sizes(size),
            rooms_outside=int(np.any(off > 1.0, axis=0).sum()),
            worst_tolerances=float(off.max()),
            delivered=delivered,
        )


def damper_coefficients(case: Case, size_index: IntArray, settings: IntArray) -> FloatArray:
    """(n_variant, n_section) inWC/cfm2 of blades at settings (n_season, n_path) in some sizes."""
    tree, variants = case.tree, case.variants.variants
    season = np.array([case.plan.seasons.index(v.season) for v in variants])
    area = at_sizes(case.table.ducts.area_ft2, size_index)[:, tree.run_section]
    found = np.zeros(case.variants.airflow_cfm.shape)
    takes = blade_inwc_per_cfm2(area, case.air[:, tree.run_section])
    found[:, tree.run_section] = np.take_along_axis(takes, settings[season][:, :, None], axis=2)[:, :, 0]
    return found


def _differ(settings: IntArray) -> FloatArray:
    """(n,) runs whose mark is not the same in all seasons, of settings (n, n_season, n_path)."""
    return np.asarray(np.any(settings != settings[:, :1], axis=1).sum(axis=1), dtype=float)


def _combinations(levels: Sequence[int], here: IntArray) -> Iterable[tuple[int, ...]]:
    """Settings by season: each of some levels, or what is there."""
    return product(*([*levels, int(h)] for h in here))
