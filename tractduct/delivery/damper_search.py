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

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tractduct.arrays import BoolArray, FloatArray, IntArray
from tractduct.delivery.balance import tolerances_off
from tractduct.delivery.damper_changes import Changes, Changing
from tractduct.delivery.damper_proof import DamperBound
from tractduct.delivery.damper_states import Aim, State, differ
from tractduct.delivery.mark_board import build_board
from tractduct.delivery.mark_search import improved
from tractduct.delivery.marks import AIM
from tractduct.delivery.predict import Delivered, Drive, installed_ducts, predict
from tractduct.errors import SolverError
from tractduct.model.plan import is_outside
from tractduct.physics.damper import blade_inwc_per_cfm2
from tractduct.sizing.candidates import at_sizes
from tractduct.sizing.case import Case
from tractduct.sizing.solve import Solution
from tractduct.sizing.verify import verify_cap, verify_sizes

_LADDER = (0.02, 0.06, 0.2)  # parts of the least cost that a room outside is worth, before it is worth all of it
_SIMULATED = 24
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
    entries: list[DamperEntry] = []
    for _, found in sorted(search.run([least.size_index, *starts], on_step).items()):
        checked: list[DamperEntry] = []
        for expected, size, settings in found:
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
    of = case.plan, case.variants.variants, case.labels(size_index)
    breaches = verify_sizes(*of).breaches + verify_cap(*of)
    if breaches:
        raise SolverError(f"the independent check refuses a size set of the search with dampers: {breaches[0]}")


class _Search(Changing):
    """The search: descents, shaking, and what is looked for in turn."""

    def __init__(self, case: Case, least: Solution, drive: Drive | None, effort: float) -> None:
        super().__init__(case, least, drive)
        self.effort = effort
        self.random = np.random.default_rng(_SEED)

    def better(
        self, state: State, changes: Changes, aim: Aim, groups: list[tuple[int, ...]]
    ) -> tuple[State, BoolArray] | None:
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
        self.keep(tried, got)
        value = self.value_of(aim, tried)
        goal = self.value_of(aim, state.one)[0] - 1e-7 * self.worth
        for n in np.argsort(value, kind="stable")[:2]:
            if value[n] < goal:
                new = self.state(tried.size[n], tried.settings[n], got.section_cfm[[n]])
                if self.value_of(aim, new.one)[0] < goal:
                    return new, made[n][2]
        return None

    def descend(self, state: State, aim: Aim, budget: int, *, last: bool = True) -> tuple[State, Changes | None]:
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

    def shaken(self, state: State, changes: Changes) -> State | None:
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

    def explore(self, starts: Sequence[State], aim: Aim, budget: int, *, first: tuple[float, ...] = _LADDER) -> State:
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

    def best_kept(self, aim: Aim) -> State:
        """The best state so far by an aim."""
        known = [of for found in self.archive.values() for of in found]
        size, settings, airflow = (
            np.array([getattr(of, name) for of in known]) for name in ("size", "settings", "section_cfm")
        )
        batch, got = self.simulate(size, settings, airflow, None)
        at = int(np.argmin(self.value_of(aim, batch)))
        return self.state(size[at], settings[at], got.section_cfm[[at]])

    def marked(self, state: State) -> State:
        """A state's sizes with marks that ought to put every room within the aim."""
        size = state.one.size[0]
        board = build_board(self.classes, size, may=self.may, by_season=self.by_season).within(AIM)
        found = improved(board, board.place(board.wide_open))
        season = self.classes.season
        of_season = [board.mark_of[int(np.argmax(season == k))] for k in range(len(self.case.plan.seasons))]
        return self.state(size, found.settings[of_season])

    def stripped(self) -> None:
        """Each kept state once more without one of its dampers, and without any: its sizes may do without."""
        for number in sorted(self.archive, reverse=True):
            sizes, settings = [], []
            for of in self.archive[number][:1]:
                has = of.settings.any(axis=0)
                for runs in [has, *np.eye(has.size, dtype=bool)[has]]:
                    sizes.append(of.size)
                    settings.append(np.where(runs, 0, of.settings))
            self.keep(*self.simulate(np.array(sizes), np.array(settings), None, None))

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
        none, any_number = Aim(price, 0), Aim(price, n_path)
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
                aim = Aim(1e-3 * price, k)
                budget = int(start + (total - start) * done / shares)
                self.explore([self.best_kept(aim), *(marked if k == last else ())], aim, budget, first=())
            self.stripped()
            self.explore([self.best_kept(none)], none, int(total * (1.0 + _LAST)), first=())
        on_step(3, 3)
        return {number: [(of.key[0], of.size, of.settings) for of in best] for number, best in self.archive.items()}

    def entry(self, size: IntArray, settings: IntArray) -> DamperEntry:
        """A state worked out again by the ordinary prediction."""
        case, plan = self.case, self.case.plan
        ducts = installed_ducts(case, size, dampers=damper_coefficients(case, size, settings))
        delivered = predict(case, ducts, drive=self.classes.drive, strict=False)
        off = np.round(tolerances_off(delivered, plan.tolerance), 9)
        number = int(np.any(settings > 0, axis=0).sum())
        duct = case.cost_of(size)
        return DamperEntry(
            size_index=size,
            settings=settings,
            dampers=number,
            positions=2 if differ(settings[None])[0] else 1,
            duct_cost=duct,
            cost=duct + number * plan.damper_cost,
            bound=self.least.bound,
            distinct_sizes=self.problem.distinct_sizes(size),
            rooms_outside=int(is_outside(off.max(axis=0)).sum()),
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
