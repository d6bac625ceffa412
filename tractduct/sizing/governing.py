"""Why each section has its size, how much more air it could carry, and what standardizing costs."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import Enum

import numpy as np

from tractduct.arrays import BoolArray, FloatArray, IntArray
from tractduct.model.options import Option
from tractduct.model.plan import Plan
from tractduct.network.variants import Variant
from tractduct.physics.air import velocity_pressure_inwc
from tractduct.physics.friction import installed_friction_rate_inwc_per_100ft
from tractduct.sizing.candidates import at_sizes
from tractduct.sizing.case import Case
from tractduct.sizing.program import DIAMETER_TOLERANCE_IN, HOLDS_TOLERANCE
from tractduct.sizing.solve import Solution, least_cost


class Reason(Enum):
    """What keeps a section from being smaller."""

    VARIANTS = "the next smaller size breaks a limit in some variants"
    CHILD = "a section beyond it is as large"
    SMALLEST = "it is the smallest size on offer within its bounds"
    STANDARD = "a smaller size would hold; this one keeps the stock short or costs no more"


@dataclass(frozen=True, slots=True, kw_only=True)
class Governing:
    """Why one section has its size. ``variants`` is filled for Reason.VARIANTS only, worst first.

    ``next_smaller`` is the label of the size that was tried; ``limit`` names what breaks first in the worst
    variant and ``excess_pct`` by how much.
    """

    section: str
    reason: Reason
    next_smaller: str = ""
    variants: tuple[Variant, ...] = ()
    limit: str = ""
    excess_pct: float = 0.0
    child: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Headroom:
    """How much more air one run could carry, the others staying at design, before the first limit."""

    run: str
    extra_cfm: float
    extra_pct: float
    limit: str
    variant: Variant


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Least cost of a set for some of the variants only.

    ``left_out`` and ``kept`` say which orientation, flex product or option; ``kind`` is orientation, flex or option,
    and with ``option`` the solution is of the sections that those houses have.
    ``standard_cost`` is the least-cost set of all variants at the same prices: the difference is what
    covering the others costs.
    """

    kind: str
    kept: str
    left_out: str
    solution: Solution
    standard_cost: float

    @property
    def saving(self) -> float:
        return self.standard_cost - self.solution.cost


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OptionCost:
    """What one option does to the size sets.

    ``sections`` are built with it alone, ``drives`` those that only its houses keep from being smaller. ``covering`` is
    what the least-cost set costs houses without it more than a set of their own would, on the sections that they have;
    ``saves_with`` likewise houses with it. None where that was not worked out, or all houses are of one sort.
    """

    option: Option
    sections: tuple[str, ...]
    drives: tuple[str, ...]
    covering: float | None
    saves_with: float | None


def option_costs(
    plan: Plan, governing: Sequence[Governing], comparisons: Sequence[Comparison]
) -> tuple[OptionCost, ...]:
    """By option of a plan, in its order."""
    saved = {(c.kept, c.left_out): c.saving for c in comparisons if c.kind == "option"}
    driven = [d for d in governing if d.reason is Reason.VARIANTS]
    return tuple(
        OptionCost(
            option=option,
            sections=tuple(s.name for s in plan.sections if (option.name, True) in s.option),
            drives=tuple(d.section for d in driven if all(option.name in v.options for v in d.variants)),
            covering=saved.get(("all others", option.name)),
            saves_with=saved.get((option.name, "all others")),
        )
        for option in plan.options
    )


def governing_variants(case: Case, size_index: IntArray) -> tuple[Governing, ...]:
    """For each section, the variants without which it could be one size smaller, the others staying."""
    tree, variants, table, budget = case.tree, case.variants, case.table, case.budget
    diameter, on_sale = case.diameter_in, case.table.on_sale
    loss = at_sizes(table.loss_inwc, size_index)
    circuit_loss = loss @ budget.circuit.T.astype(float)

    def of(i: int, name: str) -> Governing:
        smaller = np.flatnonzero(on_sale[i] & (diameter < diameter[size_index[i]] - DIAMETER_TOLERANCE_IN))
        if not smaller.size:
            return Governing(section=name, reason=Reason.SMALLEST)
        k = int(smaller[np.argmax(diameter[smaller])])
        standard = Governing(section=name, reason=Reason.STANDARD, next_smaller=table.sizes[k].label)
        velocity_over = table.velocity_fpm[:, i, k] / table.sections.velocity_limit_fpm[i] - 1.0
        mine = np.flatnonzero(budget.circuit[:, i])
        change = table.loss_inwc[:, i, k] - loss[:, i]
        circuit_over = (circuit_loss[:, mine] + change[:, None]) / budget.available_inwc[:, mine] - 1.0
        over = np.maximum(velocity_over, circuit_over.max(axis=1))
        broken = np.flatnonzero(over > HOLDS_TOLERANCE)
        larger_child = max(tree.children(i), key=lambda c: diameter[size_index[c]], default=None)
        if larger_child is not None and diameter[size_index[larger_child]] > diameter[k] + DIAMETER_TOLERANCE_IN:
            # Variants that break besides are no drivers: without them it still could not shrink.
            also = "and the next smaller size breaks a limit too" if broken.size else ""
            return replace(standard, reason=Reason.CHILD, child=tree.sections[larger_child].name, limit=also)
        if not broken.size:
            return standard
        order = broken[np.argsort(-over[broken], kind="stable")]
        worst, limit = order[0], "velocity"
        if velocity_over[worst] < over[worst]:
            circuit = budget.paths[mine[int(np.argmax(circuit_over[worst]))]]
            limit = f"pressure to {' and from '.join(tree.runs[p].name for p in circuit if p >= 0)}"
        return replace(
            standard,
            reason=Reason.VARIANTS,
            variants=tuple(variants.variants[v] for v in order),
            limit=limit,
            excess_pct=100.0 * float(over[worst]),
        )

    return tuple(of(i, section.name) for i, section in enumerate(tree.sections))


def headroom_by_run(case: Case, size_index: IntArray) -> tuple[Headroom, ...]:
    """How much more air each run could carry in its tightest variant, and what then stops it.

    Two paths share the first part of their way, so what a run adds is felt by others in that part only.
    """
    tree, variants, table = case.tree, case.variants, case.table
    walks = [tree.walk(p) for p in range(len(tree.run_section))]
    depth = max(len(w) for w in walks)
    # Short walks repeat their last section and count its loss once.
    at = np.array([w + [w[-1]] * (depth - len(w)) for w in walks])
    counts = np.array([[j < len(w) for j in range(depth)] for w in walks], dtype=float)
    data, ducts = table.sections, table.ducts
    diameter, area, correction = (
        at_sizes(values, size_index)[:, at] for values in (ducts.diameter_in, ducts.area_ft2, ducts.correction)
    )
    flow, air = variants.airflow_cfm[:, at], case.air[:, at]

    def prefix_loss(extra: FloatArray) -> FloatArray:
        moved = flow + extra[:, :, None]
        rate = correction * installed_friction_rate_inwc_per_100ft(
            moved,
            diameter,
            ducts.roughness_ft[:, at],
            air,
            ducts.derate[:, at],
            ducts.compression_pct[:, at],
            data.straight_part[at],
            table.least_compression_factor[size_index][at],
        )
        fitting = data.loss_coefficient[at] * velocity_pressure_inwc(moved / area, air)
        loss = rate * data.effective_length_ft[at] / 100.0 + fitting
        return np.asarray(np.cumsum(loss * counts, axis=2))

    margin = case.budget.path_margin_inwc(case.path_loss_inwc(size_index))
    # The tightest open path through each section, and its margin.
    through = np.where(tree.path.T[None, :, :], margin[:, None, :], np.inf)
    tightest = through.argmin(axis=2)[:, at]
    room = through.min(axis=2)[:, at]
    speed = np.where(counts > 0, data.velocity_limit_fpm[at] * area - flow, np.inf)
    fastest = speed.argmin(axis=2)
    by_speed = np.maximum(speed.min(axis=2), 0.0)
    start = prefix_loss(np.zeros_like(by_speed))
    low, high = np.zeros_like(by_speed), by_speed.copy()
    for _ in range(36):
        middle = 0.5 * (low + high)
        ok = np.all(prefix_loss(middle) - start <= room, axis=2)
        low, high = np.where(ok, middle, low), np.where(ok, high, middle)
    stopped_by_speed = np.all(prefix_loss(by_speed) - start <= room, axis=2)
    extra = np.where(stopped_by_speed, by_speed, low)
    extra = np.where(variants.open_run, extra, np.inf)
    blocking = np.argmax(prefix_loss(high) - start > room, axis=2)
    found = []
    for p, run in enumerate(tree.runs):
        v = int(np.argmin(extra[:, p]))
        if stopped_by_speed[v, p]:
            limit = f"velocity in {tree.sections[at[p, fastest[v, p]]].name}"
        else:
            limit = f"pressure to {tree.runs[tightest[v, p, blocking[v, p]]].name}"
        more, design = float(extra[v, p]), variants.run_airflow_cfm[v, p]
        pct = float(100.0 * more / design) if design > 0.0 else np.inf
        variant = variants.variants[v]
        found.append(Headroom(run=run.name, extra_cfm=more, extra_pct=pct, limit=limit, variant=variant))
    return tuple(found)


def price_of_standardizing(
    case: Case, standard: Solution, on_step: Callable[[], None] = lambda: None
) -> tuple[Comparison, ...]:
    """Least cost without each orientation, flex product and option, and for each alone.

    Leaving out a flex product also changes the mean price; ``standard_cost`` is then the standard least-cost
    set at the remaining products' prices, so that the difference is the sizes' alone. With or without an option both
    costs are of the sections that some of those houses have.
    """
    assert standard.size_index is not None
    size_index = standard.size_index
    plan, variants = case.plan, case.variants
    used = np.array(sorted(standard.variants_used or ()), dtype=np.intp)
    choices = case.problem().tightened()
    found = []
    faces = [variants.where(front=front) for front in plan.fronts]

    def solve(part: Case, kind: str, keep: BoolArray) -> Solution:
        if kind == "orientation":  # at the same prices
            # Leaving out variants that the proof does not rest on leaves the set as it is.
            if used.size and keep[used].all() and np.array_equal(part.problem().tightened(), choices):
                return standard
            # Nothing is cheaper than what one front asks for alone, and that may hold with the others.
            within = [mine for mine in faces if keep[mine].all() and not np.array_equal(mine, keep)]
            dearest = max((case.only(mine).least_cost() for mine in within), key=lambda s: s.cost, default=None)
            if dearest is not None and dearest.size_index is not None and part.problem().holds(dearest.size_index):
                return dearest
        return part.least_cost()

    def compare(kind: str, kept: str, left_out: str, keep: BoolArray) -> None:
        part = case.only(keep)
        if kind == "option":
            there = np.array([any(s.is_built(v.options) for v in part.variants.variants) for s in case.tree.sections])
            problem = part.problem().of_sections(there)
            solution, cost = least_cost(problem), problem.cost_of(size_index[there])
        else:
            solution, cost = solve(part, kind, keep), part.cost_of(size_index)
        found.append(Comparison(kind=kind, kept=kept, left_out=left_out, solution=solution, standard_cost=cost))
        on_step()

    sorts = [("orientation", name, mine) for name, mine in zip(plan.fronts, faces, strict=True)]
    sorts += [("flex", name, variants.where(flex=name)) for name in plan.flex]
    sorts += [("option", o.name, np.array([o.name in v.options for v in variants.variants])) for o in plan.options]
    for kind, name, mine in sorts:
        if mine.any() and not mine.all():
            compare(kind, "all others", name, ~mine)
            compare(kind, name, "all others", mine)
    return tuple(found)
