"""When no size set holds: what stands in the way, and what would help, each way tested by solving again."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import partial
from itertools import combinations
from typing import Any

import numpy as np

from tractduct.arrays import BoolArray, FloatArray
from tractduct.model.plan import NO_CAP, Duct, Plan, Section
from tractduct.model.sizes import size_of
from tractduct.network.variants import Variant
from tractduct.sizing.case import Case, build_case, least_cost_of
from tractduct.sizing.program import DIAMETER_TOLERANCE_IN, HOLDS_TOLERANCE, highest_allowed
from tractduct.sizing.solve import Solution, least_cost, trade_off_of
from tractduct.units import IP, UnitSystem

PRESSURE_STEP_INWC = 0.01
MOST_PAIRS = 15
NEXT_ROUND_IN = (4, 5, 6, 7, 8, 9, 10, 12, 14, 16, 18, 20, 22, 24, 26, 28, 30)  # common practice, no source
NEXT_ROUND_MM = (80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800)  # EN 1506, from memory


@dataclass(frozen=True, slots=True, kw_only=True)
class Conflict:
    """A limit that no size on offer keeps.

    ``limit`` is pressure, velocity, size, distinct sizes or steps over the own size; ``least`` is the best that can be
    had and ``allowed`` what is allowed, both in ``unit``; ``variant`` is the worst one. ``units`` are those that it is
    told in.
    """

    path: str
    section: str
    limit: str
    variant: Variant | None
    least: float
    allowed: float
    unit: str
    units: UnitSystem = IP

    @property
    def missing(self) -> float:
        return self.least - self.allowed

    def __str__(self) -> str:
        where = f" with {self.variant}" if self.variant else ""
        if self.limit == "size":
            least, largest = (self.units.number(d, "in", ".3g") for d in (self.least, self.allowed))
            has = f"the largest on offer within its bounds is {largest}" if self.allowed else "none is on offer"
            return f"{self.section} on the way to {self.path}: it needs at least {self.units.size(least)}, and {has}"
        if self.limit == "distinct sizes":
            return f"no set with {self.allowed:g} distinct sizes holds; the fewest that hold are {self.least:g}"
        if self.limit == "steps over the own size":
            return (
                f"{self.section} needs {self.least:g} standard sizes above what the friction-rate method gives it "
                f"anywhere, and {self.allowed:g} are allowed"
            )
        of = f"velocity in {self.section}" if self.limit == "velocity" else f"pressure to {self.path}"
        return (
            f"{of}{where}: at least {self.units.say(self.least, self.unit, '.4g')} whatever the sizes, "
            f"{self.units.number(self.allowed, self.unit, '.4g')} allowed, "
            f"{self.units.number(self.missing, self.unit, '.3g')} too much"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Remedy:
    """One change that was tried. ``solution`` is its least-cost set; infeasible where it does not help."""

    kind: str
    change: str
    solution: Solution

    @property
    def helps(self) -> bool:
        return self.solution.size_index is not None


def diagnose(case: Case) -> tuple[Conflict, ...]:
    """What breaks in any sizes that bounds and parents leave, worst variant of each.

    Where each limit could be kept alone, the cap on steps over the own size or that on distinct sizes stands in the
    way, or the limits cannot all be kept at once: then the tightest path is named.
    """
    alone = _single_conflicts(case)
    if alone:
        return alone
    steps = fewest_steps_over_own(case)
    if steps is not None and steps > case.plan.most_steps_over_own:
        return _steps_conflicts(case, steps)
    allowed = case.plan.max_distinct_sizes
    without_cap = trade_off_of(case.problem()).entries if allowed else ()
    if without_cap:
        return (_conflict(case, "distinct sizes", without_cap[0].distinct_sizes, allowed, "sizes"),)
    return _joint_conflict(case)


def _conflict(
    case: Case,
    limit: str,
    least: float,
    allowed: float,
    unit: str,
    section: int | None = None,
    variant: int | None = None,
    beyond: int | None = None,
) -> Conflict:
    """A conflict of a section, by its index, on the way to the first run through it, or through one ``beyond`` it."""
    path, name = "", ""
    if section is not None:
        through = case.tree.path[:, section if beyond is None else beyond]
        path, name = case.tree.runs[int(np.argmax(through))].name, case.tree.sections[section].name
    return Conflict(
        path=path,
        section=name,
        limit=limit,
        variant=None if variant is None else case.variants.variants[variant],
        least=float(least),
        allowed=float(allowed),
        unit=unit,
        units=case.plan.units,
    )


def fewest_steps_over_own(case: Case, max_distinct: int | None = None) -> int | None:
    """The least cap on steps over the own size, from the plan's up, that leaves a set; None where none does."""
    first = case.plan.most_steps_over_own

    def leaves_one(steps: int) -> bool:
        return least_cost(case.capped_at(steps).problem(), max_distinct=max_distinct).size_index is not None

    return first + _fewest_steps(lambda n: leaves_one(first + n)) if leaves_one(NO_CAP) else None


def _steps_conflicts(case: Case, steps: int) -> tuple[Conflict, ...]:
    """The sections that have to go above the cap where it is lifted to so many steps: as few steps in all as can be."""
    problem = case.capped_at(steps).problem()
    above = np.where(problem.allowed & ~case.within_cap, case.steps_over_own - case.plan.most_steps_over_own, 0)
    # The cost decides between sets with as few steps, and keeps a program without any from being one.
    cost = above + problem.cost / (1.0 + problem.cost.max(axis=1).sum())
    chosen = least_cost(replace(problem, cost=cost, change_cost=None)).size_index
    assert chosen is not None  # so many steps leave a set
    taken = case.steps_over_own[np.arange(len(chosen)), chosen]
    over = np.flatnonzero(above[np.arange(len(chosen)), chosen] > 0)
    return tuple(
        _conflict(case, "steps over the own size", taken[i], case.plan.most_steps_over_own, "sizes", int(i))
        for i in sorted(over, key=lambda i: (-taken[i], i))
    )


def _joint_conflict(case: Case) -> tuple[Conflict, ...]:
    """Limits that can't all be kept together: what is missing on the tightest circuit, to 0.1 per cent."""
    problem = case.problem()
    low, high = 1.0, 64.0
    held = None
    while high - low > 0.001:
        middle = 0.5 * (low + high)
        found = least_cost(replace(problem, available_inwc=problem.available_inwc * middle)).size_index
        low, high, held = (middle, high, held) if found is None else (low, middle, found)
    # The limits hold together at some pressure, so a set was found.
    assert held is not None
    return _over_pressure(case, case.path_loss_inwc(held))[:1]


def _over_pressure(case: Case, loss: FloatArray) -> tuple[Conflict, ...]:
    """Paths whose loss (n_variant, n_path) is more than they may have, the worst variant of each, worst first."""
    available = case.budget.path_available_inwc(case.tree, case.variants.open_run, loss)
    over = np.where(case.variants.open_run, loss / available - 1.0, -np.inf)
    found = []
    for p, run in enumerate(case.tree.run_section.tolist()):
        v = int(np.argmax(over[:, p]))
        if over[v, p] > HOLDS_TOLERANCE:
            found.append(_conflict(case, "pressure", loss[v, p], available[v, p], "inWC", run, v))
    return tuple(sorted(found, key=lambda c: -c.missing / c.allowed))


def _single_conflicts(case: Case) -> tuple[Conflict, ...]:
    """Limits that can't be kept even alone: sections without a size, velocities, paths; the worst first."""
    fits, found = _fitting_sizes(case)
    if not found:
        found = _velocities(case, fits) + _pressures(case, fits)
    return tuple(sorted(found, key=lambda c: -(c.missing / c.allowed if c.allowed else np.inf)))


def _fitting_sizes(case: Case) -> tuple[BoolArray, list[Conflict]]:
    """(n_section, n_size) bool: sizes that suit bounds, offers, children and parents; and where there are none."""
    tree, diameter = case.tree, case.diameter_in
    fits = case.table.on_sale.copy()
    found = []
    for i in range(len(tree.sections) - 1, -1, -1):
        children = tree.children(i)
        need = max((diameter[fits[c]].min() for c in children), default=0.0)
        offered = diameter[fits[i]].max(initial=0.0)
        fits[i] &= diameter >= need - DIAMETER_TOLERANCE_IN
        if not fits[i].any():
            least = max(need, diameter[case.table.bounded[i]].min(initial=np.inf))
            demanding = max(children, key=lambda c: diameter[fits[c]].min(), default=i) if need > offered else i
            found.append(_conflict(case, "size", least, offered, "in", i, beyond=demanding))
            fits[i] = case.table.bounded[i]  # so that what hangs on it is judged on its own
    for i, parent in enumerate(tree.parent):
        if parent >= 0 and not found:
            fits[i] &= diameter <= diameter[fits[parent]].max() + DIAMETER_TOLERANCE_IN
    return fits, found


def _velocities(case: Case, fits: BoolArray) -> list[Conflict]:
    """Sections that are too fast even in the size with the most area."""
    found = []
    for i, limit in enumerate(case.table.sections.velocity_limit_fpm):
        speed = case.table.velocity_fpm[:, i, fits[i]].min(axis=1)
        v = int(np.argmax(speed))
        if speed[v] > highest_allowed(limit):
            found.append(_conflict(case, "velocity", speed[v], limit, "fpm", i, v))
    return found


def _pressures(case: Case, fits: BoolArray) -> list[Conflict]:
    """Paths that lose too much even in the sizes that are best for that path and variant alone."""
    tree, diameter = case.tree, case.diameter_in
    larger = diameter[:, None] >= diameter[None, :] - DIAMETER_TOLERANCE_IN  # (parent size, child size)
    best = np.full(case.table.loss_inwc.shape, np.inf)  # least loss from the air handler through this size
    for i, parent in enumerate(tree.parent):
        above = np.zeros_like(best[:, i])
        if parent >= 0:
            above = np.where(larger, best[:, parent, :, None], np.inf).min(axis=1)
        best[:, i] = np.where(fits[i], case.table.loss_inwc[:, i] + above, np.inf)
    return list(_over_pressure(case, best[:, tree.run_section].min(axis=2)))


Change = tuple[str, str, Callable[[Plan], Plan]]  # kind, in words, what it does to a plan


def try_remedies(
    plan: Plan, conflicts: tuple[Conflict, ...], on_step: Callable[[], None] = lambda: None
) -> tuple[Remedy, ...]:
    """Changes to the plan, each solved again; those that help first, the cheapest at the head.

    Where none helps alone, pairs of changes of different kinds are tried, ``MOST_PAIRS`` of them.
    """
    changes = list(_changes(plan, conflicts))
    tried = []
    for kind, words, change in changes:
        solution = least_cost_of(change(plan))
        if solution is not None:
            tried.append(Remedy(kind=kind, change=words, solution=solution))
        on_step()
    if not any(remedy.helps for remedy in tried):
        first = list({kind: (kind, words, change) for kind, words, change in reversed(changes)}.values())[::-1]
        for (kind, words, change), (_, words2, change2) in list(combinations(first, 2))[:MOST_PAIRS]:
            solution = least_cost_of(change2(change(plan)))
            if solution is not None and solution.size_index is not None:
                both = f"{words}, and {words2[0].lower()}{words2[1:]}"
                tried.append(Remedy(kind=f"{kind} and more", change=both, solution=solution))
            on_step()
    more = _more_pressure(plan)
    if more is not None:
        tried.append(more)
    return tuple(sorted(tried, key=lambda w: (not w.helps, w.solution.cost, w.change)))


def _changes(plan: Plan, conflicts: tuple[Conflict, ...]) -> Iterator[Change]:
    """Each change that is worth a try."""
    by_name = {section.name: section for section in plan.sections}
    runs = list(dict.fromkeys(c.path for c in conflicts if c.path))
    steps = fewest_steps_over_own(build_case(plan), plan.max_distinct_sizes or None)
    if steps is not None and steps > plan.most_steps_over_own:
        words = f"Allow {steps} standard sizes above the own size, most_steps_over_own = {steps} in [objective]"
        yield "more steps", words, partial(replace, most_steps_over_own=steps)
    if plan.max_distinct_sizes:
        yield "more sizes", "Stock as many distinct sizes as it takes", partial(replace, max_distinct_sizes=0)
    yield from _of_equipment(plan)
    yield from _larger_sizes(plan, runs)
    for flex in plan.flex if len(plan.flex) > 1 else ():
        others = tuple(f for f in plan.flex if f != flex)
        yield "fewer products", f"Do not approve {flex}", partial(replace, flex=others)
    pressed = list(dict.fromkeys(c.path for c in conflicts if c.limit == "pressure"))
    for name in pressed[:3]:
        run = by_name[name]
        for part in (0.75, 0.5):
            short = round(run.length_ft * part, 1)
            words = (
                f"Shorten {name} from {plan.units.number(run.length_ft, 'ft', 'g')} to {plan.units.say(short, 'ft')}"
            )
            yield "shorter run", words, partial(_with, sections={name: {"length_ft": short}})
        smooth = _smoothest(plan, run)
        if smooth is not None:
            words = f"Make {name} of {smooth.name}"
            yield "smoother run", words, partial(_with, sections={name: {"duct": smooth.name}})
    if len(pressed) > 1:
        halved = {name: {"length_ft": round(by_name[name].length_ft * 0.5, 1)} for name in pressed}
        yield "shorter run", f"Halve the length of {', '.join(pressed)}", partial(_with, sections=halved)
    for name in runs[:3]:
        words = f"Give {name} a second run of the same length and fittings beside it"
        yield "another run", words, partial(_doubled, runs=(name,))
    if len(runs) > 1:
        yield "another run", f"Give {', '.join(runs)} a second run each", partial(_doubled, runs=tuple(runs))


def _of_equipment(plan: Plan) -> Iterator[Change]:
    """Another speed of the blower, a filter of twice the area: where the blower's table says what the ducts have."""
    gear, units = plan.equipment, plan.units
    if plan.budget_given or not gear.curves:
        return
    for speed in gear.curves:
        other = [season for season in plan.seasons if gear.speed.get(season) != speed]
        if other:
            changed = replace(gear, speed={**gear.speed, **dict.fromkeys(other, speed)})
            words = f"Run the blower at speed {speed} in {' and '.join(other)}"
            yield "another speed", words, partial(replace, equipment=changed)
    for device in gear.devices:
        if device.loaded_inwc is not None:
            part = 0.5**device.exponent  # half the velocity
            less = replace(device, loss_inwc=device.loss_inwc * part, loaded_inwc=device.loaded_inwc * part)
            devices = tuple(less if d is device else d for d in gear.devices)
            words = (
                f"Give {device.name} twice the filter area: {units.number(less.loss_inwc, 'inWC', '.3f')} instead of "
            )
            words += f"{units.say(device.loss_inwc, 'inWC', '.3f')} at {units.say(device.at_cfm, 'cfm', '.0f')}"
            yield "larger filter", words, partial(replace, equipment=replace(gear, devices=devices))


def _larger_sizes(plan: Plan, runs: list[str]) -> Iterator[Change]:
    by_name = {section.name: section for section in plan.sections}
    on_way: list[str] = []
    for name in runs:
        at: str = name
        while at:
            if at not in on_way:
                on_way.append(at)
            at = by_name[at].parent
    bound = [n for n in on_way if by_name[n].fixed or np.isfinite(by_name[n].max_in)]
    if bound:
        freed = {name: {"fixed": "", "max_in": np.inf} for name in bound}
        yield "larger size", f"Lift the size bounds of {', '.join(bound)}", partial(_with, sections=freed)
    largest = max((s.diameter_in for s in plan.sizes if s.shape == "round"), default=0.0)
    known = [size_of(float(d), plan.units) for d in (NEXT_ROUND_MM if plan.units.is_si else NEXT_ROUND_IN)]
    larger = [s for s in known if s.diameter_in > largest + DIAMETER_TOLERANCE_IN and _has_price(plan, s.label)][:2]
    if larger:
        sizes = sorted((*plan.sizes, *larger), key=lambda s: (s.shape != "round", s.diameter_in, s.label))
        words = " and ".join(s.label for s in larger)
        yield "larger size", f"Allow {words} in round duct", partial(replace, sizes=tuple(sizes))


def _has_price(plan: Plan, size: str) -> bool:
    """True where every round duct of the plan is on sale in a size, or nothing has a price."""
    used = {plan.duct_of(s, flex).name for s in plan.sections if s.shape == "round" for flex in plan.flex}
    return not plan.prices or all(plan.prices.get((duct, size)) is not None for duct in used)


def _smoothest(plan: Plan, run: Section) -> Duct | None:
    """The smoothest rigid duct of the plan that is priced like a round one, where the run is rougher."""
    if run.shape != "round":
        return None
    worst = max(
        (plan.duct_of(run, flex) for flex in plan.flex),
        key=lambda d: (d.roughness_ft, d.airflow_derate_pct, d.compression_pct),
    )
    round_labels = [s.label for s in plan.sizes if s.shape == "round"]
    rigid = [
        d
        for d in plan.ducts.values()
        if d.kind == "rigid"
        and d.roughness_ft < worst.roughness_ft
        and (not plan.prices or all((d.name, label) in plan.prices for label in round_labels))
    ]
    return min(rigid, key=lambda d: (d.roughness_ft, d.name), default=None)


def _with(plan: Plan, *, sections: Mapping[str, Mapping[str, Any]]) -> Plan:
    """The plan with other values of some sections."""
    return replace(plan, sections=tuple(replace(s, **sections.get(s.name, {})) for s in plan.sections))


def _doubled(plan: Plan, *, runs: tuple[str, ...]) -> Plan:
    """The plan with a twin beside each of some runs, sharing its air equally."""
    sections: list[Section] = []
    names = {s.name for s in plan.sections}
    for section in plan.sections:
        if section.name not in runs:
            sections.append(section)
            continue
        share = 1.0 if section.share is None else section.share
        twin = section.name + " second"
        while twin in names:
            twin += " second"
        half = replace(section, share=share / 2.0)
        sections += [half, replace(half, name=twin)]
    return replace(plan, sections=tuple(sections))


def _more_pressure(plan: Plan) -> Remedy | None:
    """The least extra pressure, in steps, with which a set holds; None where pressure alone does not help."""
    case = build_case(plan)
    problem = case.problem()
    # A circuit's side is its first path's, whose pressure the plan gives or the blower makes for both.
    is_return = case.tree.side_of_path[case.budget.paths[:, 0]] == 1

    def solve(supply: float, back: float, cap: int | None = None) -> Solution:
        more = np.where(is_return, back, supply)
        return least_cost(replace(problem, available_inwc=problem.available_inwc + more), max_distinct=cap)

    if solve(np.inf, np.inf).size_index is None:
        return None
    # The trees are separate, so each side's need is found with plenty on the other.
    extra = [
        PRESSURE_STEP_INWC * _fewest_steps(lambda n: solve(n * PRESSURE_STEP_INWC, np.inf).size_index is not None),
        PRESSURE_STEP_INWC * _fewest_steps(lambda n: solve(np.inf, n * PRESSURE_STEP_INWC).size_index is not None),
    ]
    if not any(extra):
        return None  # it is the cap on distinct sizes that stands in the way
    say = plan.units.say
    words = [
        f"{say(given + more, 'inWC', '.3g')} to the {side} ducts instead of {plan.units.number(given, 'inWC', '.3g')}"
        + (", as by a larger filter or grille" if side == "return" else "")
        for side, given, more in zip(("supply", "return"), (plan.supply_inwc, plan.return_inwc), extra, strict=True)
        if more
    ]
    if not plan.budget_given:
        words = [f"{say(extra[0], 'inWC', '.3g')} more to the ducts, by a higher speed or less in the devices"]
    cap = plan.max_distinct_sizes or None
    if plan.budget_given:  # with more pressure the own sizes are smaller, and so is what the cap on them leaves
        raised = replace(plan, supply_inwc=plan.supply_inwc + extra[0], return_inwc=plan.return_inwc + extra[1])
        solution = least_cost(build_case(raised).problem(), max_distinct=cap)
    else:
        solution = solve(extra[0], extra[1], cap)
    return Remedy(kind="more pressure", change="Make available " + " and ".join(words), solution=solution)


def _fewest_steps(holds: Callable[[int], bool]) -> int:
    """The fewest steps from 0 with which something holds that holds with enough of them."""
    if holds(0):
        return 0
    low, high = 0, 1
    while not holds(high):
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if holds(middle) else (middle, high)
    return high
