"""Sizes and balancing dampers searched together: what each number of dampers costs in duct, from none upwards.

A state is a size for each section and a setting of the blade for each run and season. What every single change of it
does to the rooms is worked out from one linear system a class (`response`): a section up or down a size or two, its
parents or children with it as far as they must; a damper put in, moved or taken out. Effects of several changes
multiply. Changes are put one after the other as long as that promises more, then, where that leads nowhere, in pairs
and triples; the most promising are simulated, and the best that keeps every limit at design airflow is taken. Where
none is better, some changes at random lead out of the hollow. A room outside tolerance is worth little at first and
much at last, so that what comes cheaply is found first. All states that were simulated are kept by number of dampers.

Seeded, and stopped by a count of candidates. Nothing here is proven: the bound is the least cost of sizes without the
condition on airflow. Every entry is worked out again at the end by the ordinary prediction of all variants and by the
independent check of the sizes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tractduct.delivery.balance import tolerances_off
from tractduct.delivery.classes import ClassAirflow, Classes, build_classes
from tractduct.delivery.damper_proof import DamperBound
from tractduct.delivery.flow import FloatArray, with_dampers
from tractduct.delivery.mark_board import build_board
from tractduct.delivery.mark_program import least_worst
from tractduct.delivery.marks import AIM
from tractduct.delivery.predict import Delivered, Drive, installed_ducts, predict
from tractduct.delivery.response import Answers, Response
from tractduct.errors import SolverError
from tractduct.physics.damper import blade_inwc_per_cfm2
from tractduct.sizing.candidates import at_sizes
from tractduct.sizing.case import Case
from tractduct.sizing.program import DIAMETER_TOLERANCE_IN
from tractduct.sizing.solve import Solution
from tractduct.sizing.verify import verify_cap, verify_sizes

IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

_NEAR = 0.001  # part of the least cost that a room at its tolerance may cost to bring to the aim
_LADDER = (0.02, 0.06, 0.2)  # parts of the least cost that a room outside is worth, before it is worth all of it
_OUTSIDE = 2.0  # tolerances that a room outside counts as beyond its distance
_INSIDE = 0.998  # tolerances that count as inside after a few Newton steps
_STEPS = 2  # Newton steps from the state beside
_NEW_SETTINGS = (3, 5, 6, 7, 8, 9, 10)  # of a blade: less is little, more is all but shut
_LEAST_CFM = 1e-6
_REFRESH, _GROUPING = 30, 120  # what working out changes and groups of them costs, in candidates simulated
_SIMULATED = 24
_CHAIN, _CHAINED = 8, 150  # changes one after the other, out of so many
_RANKED = 480  # groups of changes, of which the first that hold are simulated
_SINGLES = (40, 25, 15, 20)  # that are paired: by value, by cost saved, by airflow mended; exchanges by value
_EXCHANGED = 20  # sections; in larger trees exchanges of a section and its child are more than they are worth
_TRIPLES = 12_000  # about so many are looked at
_KEPT = 3  # states of each number of dampers
_SEED = 2
_SHAKEN = (3, 8)  # changes at random
_LEAST_IDLE = 4  # times that shaking did not help, one after the other; half as many as there are sections, if more
_NUMBERS, _FEW = 1.0e6, 8.0  # candidates times classes times sections, more of them where sections are few
_CANDIDATES = (2_500, 20_000)
_PARTS = (0.15, 0.72)  # of the candidates: up to the end of the search without dampers, and at their price
_LAST = 0.1  # of the candidates, once more without dampers
_MORE = 3  # dampers beyond the number that pays, each number looked at


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

    @property
    def solution(self) -> Solution:
        """The sizes as a solution: searched, with the least cost as the bound; for ``one_plan.with_sizes``."""
        return Solution(
            status="feasible",
            size_index=self.size_index,
            cost=self.duct_cost,
            bound=self.bound,
            distinct_sizes=self.distinct_sizes,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DamperFront:
    """The best that was found for each number of dampers, from none upwards.

    ``entries``: each with fewer rooms outside than those before it, or as few at a lower cost in duct. ``simulated``:
    candidates simulated on the way. ``proof``: what no set with every room right costs less than, where that was asked
    for.
    """

    entries: tuple[DamperEntry, ...]
    simulated: int
    proof: DamperBound | None = None

    def least(self) -> DamperEntry:
        """What ``choose = "dampers"`` takes: no room outside, or the fewest; then the least cost of duct, fittings and
        dampers; then the fewest distinct sizes, then the fewest dampers."""
        return min(self.entries, key=lambda e: (e.rooms_outside, round(e.cost, 6), e.distinct_sizes, e.dampers))


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
        checked: list[DamperEntry] = []
        for expected, size, settings in found[number]:
            checked.append(search.entry(size, settings))
            if checked[-1].rooms_outside <= expected:
                break
        entry = min(checked, key=lambda e: (e.rooms_outside, e.duct_cost, e.worst_tolerances))
        last = entries[-1] if entries else None
        if last is None or (entry.rooms_outside, entry.duct_cost + 1e-6) < (last.rooms_outside, last.duct_cost):
            _verify(case, entry.size_index)
            entries.append(entry)
    return DamperFront(entries=tuple(entries), simulated=search.simulated)


def _verify(case: Case, size_index: IntArray) -> None:
    """The independent check of an entry's sizes; SolverError, a fault of the program, where it refuses them."""
    variants, labels = case.variants.variants, case.labels(size_index)
    breaches = verify_sizes(case.plan, variants, labels).breaches + verify_cap(case.plan, variants, labels)
    if breaches:
        raise SolverError(f"the independent check refuses a size set of the search with dampers: {breaches[0]}")


@dataclass(frozen=True, slots=True, eq=False)
class _Batch:
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
class _State:
    """One state, settled: a batch of one, and what the air does in each class."""

    one: _Batch
    airflow: ClassAirflow


@dataclass(frozen=True, slots=True, eq=False)
class _Changes:
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

    def without(self, touched: BoolArray) -> _Changes:
        """Those that have nothing to do with some sections and runs."""
        rest = np.flatnonzero(~np.any(self.touched & touched, axis=1))
        parts = {name: getattr(self, name)[rest] for name in self.__slots__ if name != "times"}
        return _Changes(**parts, times=self.times[:, rest])

    def applied(self, state: _State, group: tuple[int, ...]) -> tuple[IntArray, IntArray, BoolArray]:
        """Sizes and settings of a state with some changes made, and what they touch."""
        size, settings = state.one.size[0].copy(), state.one.settings[0].copy()
        for k in group:
            moved = self.touched[k]
            sections, runs = moved[: len(size)], moved[len(size) :]
            size[sections] = self.size[k, sections]
            settings[:, runs] = self.settings[k][:, runs]
        return size, settings, np.logical_or.reduce(self.touched[list(group)])


@dataclass(frozen=True, slots=True)
class _Aim:
    """What a descent looks for: the price of a damper, the most dampers, and what a room outside is worth.

    ``room`` is a part of the least cost. At little, sizes and dampers are found that come cheaply; then it is raised.
    """

    price: float
    most: int
    room: float = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class _Sums:
    """What groups of changes come to; groups are given as their first, second and third members."""

    search: _Search
    state: _State
    changes: _Changes
    aim: _Aim

    def off(self, members: Sequence[IntArray]) -> FloatArray:
        """(n, n_room) distances from design."""

        def by_class() -> Iterator[FloatArray]:
            for base, times in zip(self.state.one.room_cfm[0], self.changes.times, strict=True):
                room = times[members[0]] * np.maximum(base, _LEAST_CFM).astype(np.float32)
                for member in members[1:]:
                    room *= times[member]
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
            total(_differ(one.settings), changes.differ),
            self.off(members) if off is None else off,
            total(one.over, changes.over),
        )


class _Search:
    def __init__(self, case: Case, least: Solution, drive: Drive | None, effort: float) -> None:
        plan, tree = case.plan, case.tree
        self.case, self.least, self.effort = case, least, effort
        self.classes: Classes = build_classes(case, drive)
        self.response = Response.of(self.classes)
        windows = self.classes.windows()
        allowed = (
            np.maximum(windows.most_tolerance_cfm, _LEAST_CFM),
            np.maximum(windows.least_tolerance_cfm, _LEAST_CFM),
        )
        # Distances in tolerances as straight lines of a room's airflow.
        self.lines = tuple(
            line.astype(np.float32)
            for line in (
                windows.most_cfm / allowed[0],
                1.0 / allowed[0],
                windows.least_cfm / allowed[1],
                1.0 / allowed[1],
            )
        )
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
        supply = np.array([run.side != "return" for run in tree.runs])
        self.may = supply & (case.variants.run_airflow_cfm.max(axis=0) >= plan.dampers.least_cfm)
        self.by_season = plan.dampers.positions > 1 and len(plan.seasons) > 1
        # A return that the pressure of the supply does not hang on has no say in what arrives.
        apart = plan.budget_given and self.classes.drive is not Drive.BLOWER
        self.free = np.array([not (apart and s.side == "return") for s in tree.sections])
        self.worth = max(least.cost, 1e-9)
        self.simulated = 0
        self.spent = 0
        self.archive: dict[int, list[tuple[tuple[int, float], IntArray, IntArray]]] = {}
        self.random = np.random.default_rng(_SEED)

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
        diameter = problem.diameter_in[size]
        larger = diameter > diameter[:, problem.parent] + DIAMETER_TOLERANCE_IN
        fine &= ~np.any(larger & (problem.parent >= 0), axis=1)
        loss = problem.loss_inwc[:, at, size[fine]] @ self.path  # (n_variant, n, n_circuit)
        fine[fine] = np.all(loss <= self.limit_inwc[:, None], axis=(0, 2))
        return np.asarray(fine)

    def value(
        self, aim: _Aim, cost: FloatArray, dampers: IntArray, differ: FloatArray, off: FloatArray, over: FloatArray
    ) -> FloatArray:
        """(n,) what a descent makes small: cost, dampers, rooms (n, n_room) off, pressure (n, n_class) over."""
        near = np.clip((off - AIM) / (1.0 - AIM), 0.0, 1.0).sum(axis=1)
        outside = off > _INSIDE
        step = 0.5 if aim.room < 1.0 else _OUTSIDE
        beyond = np.where(outside, step + np.minimum(off - _INSIDE, 3.0), 0.0).sum(axis=1)
        pressure = np.maximum(over, 0.0).max(axis=1)
        rooms = _NEAR * near + aim.room * (beyond + 20.0 * pressure) + 5.0 * np.maximum(dampers - aim.most, 0)
        return np.asarray(cost + aim.price * (dampers + 0.02 * differ) + self.worth * rooms)

    def value_of(self, aim: _Aim, batch: _Batch) -> FloatArray:
        off = self.off(batch.room_cfm.swapaxes(0, 1))
        return self.value(aim, batch.cost, batch.dampers, _differ(batch.settings), off, batch.over)

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

    def there_inwc(self, return_inwc: FloatArray) -> FloatArray:
        """What the supply plenum may hold; infinite where nothing bounds it."""
        return np.minimum(self.classes.supply_limit_inwc, self.classes.ducts_limit_inwc - return_inwc)

    def simulate(
        self, size: IntArray, settings: IntArray, start: FloatArray | None, steps: int | None = _STEPS
    ) -> tuple[_Batch, ClassAirflow]:
        """A batch of states, and what the air does in them."""
        got = self.classes.simulate(size, self.dampers(size, settings), start_cfm=start, most_steps=steps)
        self.simulated += len(size)
        self.spent += len(size)
        there = self.there_inwc(got.return_inwc)
        over = np.where(np.isfinite(there), got.supply_inwc / np.maximum(there, 1e-9) - 1.0 - 1e-9, -1.0)
        batch = _Batch(
            size=size,
            settings=settings,
            cost=self.cost(size),
            dampers=np.any(settings > 0, axis=1).sum(axis=1),
            room_cfm=got.room_cfm,
            over=np.nan_to_num(over, nan=1.0),
        )
        return batch, got

    def state(self, size: IntArray, settings: IntArray, start: FloatArray | None = None) -> _State:
        """One state, settled."""
        batch, got = self.simulate(size[None], settings[None], start, None)
        self.keep(batch)
        return _State(batch, got)

    def keep(self, batch: _Batch) -> None:
        """The best of a batch whose sizes hold, by number of dampers."""
        off = self.off(batch.room_cfm.swapaxes(0, 1))
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

    def changes(self, state: _State, aim: _Aim) -> _Changes:
        """Every single change of a state and what it does."""
        self.spent += _REFRESH
        size, settings = state.one.size[0], state.one.settings[0]
        answers = self.response.around(size, self.dampers(state.one.size, state.one.settings)[0], state.airflow)
        parts = [self._resized(state, size, settings, answers)]
        if aim.most > 0:
            parts.append(self._set(state, size, settings, answers))
        sizes, marks, touched, times, over, exchange = (np.concatenate(part) for part in zip(*parts, strict=True))
        return _Changes(
            size=sizes,
            settings=marks,
            touched=touched,
            times=np.ascontiguousarray(times.swapaxes(0, 1), dtype=np.float32),
            cost=self.cost(sizes) - state.one.cost,
            dampers=np.any(marks > 0, axis=1).sum(axis=1) - state.one.dampers,
            differ=_differ(marks) - _differ(state.one.settings),
            over=over,
            exchange=exchange,
        )

    def _resized(
        self, state: _State, size: IntArray, settings: IntArray, answers: Answers
    ) -> tuple[IntArray, IntArray, BoolArray, FloatArray, FloatArray, BoolArray]:
        """One section a size or two up or down, parents and children as far as they must; or against a child of its."""
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

    def _over(self, state: _State, plenum_inwc: FloatArray) -> FloatArray:
        """(n, n_class) change of the part beyond what there is, of a plenum's change."""
        there = self.there_inwc(state.airflow.return_inwc[0])
        return np.where(np.isfinite(there), plenum_inwc / np.maximum(there, 1e-9), 0.0)

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

    def _set(
        self, state: _State, size: IntArray, settings: IntArray, answers: Answers
    ) -> tuple[IntArray, IntArray, BoolArray, FloatArray, FloatArray, BoolArray]:
        """Every setting of one run's damper worth a try, alike in all seasons or not."""
        season, section = self.classes.season, self.case.tree.run_section
        n_season, n_path = settings.shape
        n_setting = self.takes.shape[3]
        own = np.take_along_axis(self.takes, size[section][None, :, None, None], axis=2)[:, :, 0]
        blade = np.zeros((self.classes.n_class, len(size), n_setting))
        blade[:, section] = own
        times, plenum = answers.of(blade, state.one.room_cfm[0], own_size=True)  # (n_class, n_section, n_setting, ...)
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
        at = np.arange(len(season)), section[run][:, None], new[np.arange(n)[:, None], season, run[:, None]]
        touched = np.zeros((n, len(size) + n_path), dtype=bool)
        touched[np.arange(n), len(size) + run] = True
        sizes, none = np.repeat(size[None], n, axis=0), np.zeros(n, dtype=bool)
        return sizes, new, touched, times[at], self._over(state, plenum[at]), none

    # -- groups of changes -----------------------------------------------------------------------------------------

    def chain(self, state: _State, changes: _Changes, aim: _Aim) -> list[tuple[int, ...]]:
        """Changes one after the other, each the best beside those before it."""
        sums = _Sums(self, state, changes, aim)
        value = sums.value([np.arange(len(changes))])
        left = np.argsort(value, kind="stable")[:_CHAINED]
        taken, least = [int(left[0])], value[left[0]]
        while len(taken) < _CHAIN:
            left = left[~np.any(changes.touched[left] & changes.touched[taken[-1]], axis=1)]
            if not left.size:
                break
            value = sums.value([*(np.full(len(left), k) for k in taken), left])
            at = int(np.argmin(value))
            if value[at] >= least:
                break
            least = value[at]
            taken.append(int(left[at]))
        return [tuple(taken[: n + 1]) for n in range(len(taken))]

    def groups(self, state: _State, changes: _Changes, aim: _Aim) -> list[tuple[int, ...]]:
        """The most promising singles, pairs and triples of changes, best first."""
        self.spent += _GROUPING
        sums = _Sums(self, state, changes, aim)
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

    # -- descents -------------------------------------------------------------------------------------------------

    def better(
        self, state: _State, changes: _Changes, aim: _Aim, groups: list[tuple[int, ...]]
    ) -> tuple[_State, BoolArray] | None:
        """The best state that some groups of changes lead to and what they touch; None where none is better."""
        made: list[tuple[IntArray, IntArray, BoolArray]] = []
        for first in range(0, len(groups), 2 * _SIMULATED):
            some = [changes.applied(state, g) for g in groups[first : first + 2 * _SIMULATED]]
            made += [some[n] for n in np.flatnonzero(self.holds(np.array([size for size, _, _ in some])))]
            if len(made) >= _SIMULATED:
                break
        if not made:
            return None
        made = made[:_SIMULATED]
        start = state.airflow.section_cfm
        tried, got = self.simulate(np.array([size for size, _, _ in made]), np.array([m for _, m, _ in made]), start)
        self.keep(tried)
        value = self.value_of(aim, tried)
        goal = self.value_of(aim, state.one)[0] - 1e-7 * self.worth
        for n in np.argsort(value, kind="stable")[:2]:
            if value[n] < goal:
                new = self.state(tried.size[n], tried.settings[n], got.section_cfm[[n]])
                if self.value_of(aim, new.one)[0] < goal:
                    return new, made[n][2]
        return None

    def descend(self, state: _State, aim: _Aim, budget: int, *, last: bool = True) -> tuple[_State, _Changes | None]:
        """Down to where no change helps, or the candidates are spent; and the changes of the last state.

        Pairs and triples only in the ``last`` of several descents.
        """
        changes, stuck = None, False
        while self.spent < budget and not stuck:
            changes, stuck = self.changes(state, aim), True
            for ways in (self.chain, self.groups) if last else (self.chain,):
                while len(changes):
                    found = self.better(state, changes, aim, ways(state, changes, aim))
                    if found is None:
                        break
                    # The others do much the same from the state beside.
                    state, changes, stuck = found[0], changes.without(found[1]), False
                if not stuck:
                    break
        return state, changes

    def shaken(self, state: _State, changes: _Changes) -> _State | None:
        """A state a few changes at random away, whose sizes hold."""
        for _ in range(20):
            group: list[int] = []
            taken = np.zeros(changes.touched.shape[1], dtype=bool)
            number = int(self.random.integers(_SHAKEN[0], _SHAKEN[1] + 1))
            for k in self.random.choice(len(changes), size=number).tolist():
                if not (changes.touched[k] & taken).any():
                    taken |= changes.touched[k]
                    group.append(k)
            size, settings, _ = changes.applied(state, tuple(group))
            if self.holds(size[None])[0]:
                return self.state(size, settings, state.airflow.section_cfm)
        return None

    def explore(
        self, starts: Sequence[_State], aim: _Aim, budget: int, *, first: tuple[float, ...] = _LADDER
    ) -> _State:
        """Descents from some states as rooms gain in worth, then from the best of them shaken while that helps."""
        best, changes = None, None
        turn = idle = 0
        while self.spent < budget and idle < max(int(self.free.sum()) // 2, _LEAST_IDLE):
            if turn < len(starts):
                new, ladder = starts[turn], first
            else:
                assert best is not None
                shaken = self.shaken(best, changes) if changes is not None and len(changes) else None
                if shaken is None:
                    break
                # In turn straight down, and from where a room outside is worth little once more.
                low = float(np.exp(self.random.uniform(*np.log([_LADDER[0], _LADDER[-1]]))))
                new, ladder = shaken, (low,) if turn % 2 or aim.most else ()
            turn += 1
            for room in ladder:
                new, _ = self.descend(new, replace(aim, room=room), budget, last=False)
            new, found = self.descend(new, aim, budget)
            idle += turn > len(starts)
            if best is None or self.value_of(aim, new.one)[0] < self.value_of(aim, best.one)[0] - 1e-7 * self.worth:
                best, changes, idle = new, found, 0
        return best or starts[0]

    def best_kept(self, aim: _Aim) -> _State:
        """The best state so far by an aim."""
        known = [(s, m) for found in self.archive.values() for _, s, m in found]
        batch, _ = self.simulate(np.array([s for s, _ in known]), np.array([m for _, m in known]), None, None)
        at = int(np.argmin(self.value_of(aim, batch)))
        return self.state(batch.size[at], batch.settings[at])

    def marked(self, state: _State) -> _State:
        """A state's sizes with the marks of the least worst distance; itself where there are none."""
        everyone = np.ones(len(self.case.variants.variants), dtype=bool)
        size = state.one.size[0]
        board = build_board(self.classes, size, may=self.may, by_season=self.by_season, variants=everyone)
        found = least_worst(board)
        if found is None:
            return state
        season = self.classes.season
        of_season = [board.mark_of[int(np.argmax(season == k))] for k in range(len(self.case.plan.seasons))]
        return self.state(size, found.settings[of_season])

    def stripped(self) -> None:
        """Each kept state once more without one of its dampers, and without any: its sizes may do without."""
        for number in sorted(self.archive, reverse=True):
            sizes, settings = [], []
            for _, size, marks in self.archive[number][:1]:
                for runs in [marks.any(axis=0), *np.eye(marks.shape[1], dtype=bool)[marks.any(axis=0)]]:
                    sizes.append(size)
                    settings.append(np.where(runs, 0, marks))
            self.keep(self.simulate(np.array(sizes), np.array(settings), None, None)[0])

    def run(
        self, starts: Sequence[IntArray], on_step: Callable[[int, int], None]
    ) -> dict[int, list[tuple[int, IntArray, IntArray]]]:
        """Rooms outside as far as is known, sizes and settings worth a check; by number of dampers, the best first."""
        n_season, n_path = len(self.case.plan.seasons), self.takes.shape[1]
        wide_open = np.zeros((n_season, n_path), dtype=np.intp)
        total = self.effort * np.clip(
            _NUMBERS / self.classes.is_open.size * (1.0 + _FEW / len(self.free)), *_CANDIDATES
        )
        price = max(self.case.plan.damper_cost, 1e-3 * self.worth)
        none, any_number = _Aim(price, 0), _Aim(price, n_path)
        assert self.least.size_index is not None
        different = {tuple(np.where(self.free, s, self.least.size_index).tolist()): None for s in starts}
        opened = [self.state(np.array(s, dtype=np.intp), wide_open) for s in different]
        self.explore(opened, none, int(_PARTS[0] * total))
        on_step(1, 3)
        if self.may.any():
            marked = [self.marked(state) for state in opened]
            for n, state in enumerate(opened):  # each for itself: the better start need not end better
                spent = _PARTS[0] + (_PARTS[1] - _PARTS[0]) * (n + 1) / len(opened)
                self.explore([state], any_number, int(spent * total))
            best = self.best_kept(any_number)
            on_step(2, 3)
            number, last = int(best.one.dampers[0]), int(self.may.sum())
            fewer, more = range(1, number), range(number + 1, min(number + _MORE, last) + 1)
            # Beyond the number that pays is where the least duct without a room outside is found.
            turns = [(k, 1) for k in fewer] + [(k, 2) for k in more] + [(last, 1)]
            start, shares = self.spent, sum(share for _, share in turns)
            done = 0
            for k, share in turns:
                done += share
                aim = _Aim(1e-3 * price, k)
                budget = int(start + (total - start) * done / shares)
                self.explore([self.best_kept(aim), *(marked if k == last else ())], aim, budget, first=())
            self.stripped()
            self.explore([self.best_kept(none)], none, int(total * (1.0 + _LAST)), first=())
        on_step(3, 3)
        return {number: [(key[0], s, m) for key, s, m in best] for number, best in self.archive.items()}

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
            cost=duct + number * plan.damper_cost,
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
