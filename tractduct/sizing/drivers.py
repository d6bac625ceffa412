"""Why each section has its size, how much more air it could carry, and what standardizing costs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from tractduct.inputs.plan import Plan
from tractduct.network.tree import DuctTree
from tractduct.network.variants import Variant, VariantSet
from tractduct.physics.air import Air, velocity_pressure_inwc
from tractduct.physics.friction import installed_friction_rate_inwc_per_100ft
from tractduct.sizing.candidates import CandidateTable, at_sizes, size_cost, sizing_problem
from tractduct.sizing.program import HOLDS_TOLERANCE
from tractduct.sizing.solve import Solution, least_cost


class Reason(Enum):
    """What keeps a section from being smaller."""

    VARIANTS = "the next smaller size breaks a limit in some variants"
    CHILD = "a section beyond it is as large"
    SMALLEST = "it is the smallest size on offer within its bounds"
    STANDARD = "a smaller size would hold; this one keeps the stock short or costs no more"


@dataclass(frozen=True, slots=True, kw_only=True)
class Driver:
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

    ``left_out`` and ``kept`` say which orientation or flex product; ``kind`` is orientation or flex.
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


def find_drivers(
    tree: DuctTree, variants: VariantSet, table: CandidateTable, size_index: NDArray[np.intp]
) -> tuple[Driver, ...]:
    """For each section, the variants without which it could be one size smaller, the others staying."""
    diameter = np.array([size.diameter_in for size in table.sizes])
    on_sale = table.bounded & np.all(table.offered, axis=0) & np.isfinite(table.cost)
    loss = at_sizes(table.loss_inwc, size_index)
    path_loss = loss @ tree.path.T.astype(float)
    available = table.sections.available_inwc[tree.run_section]
    found = []
    for i, section in enumerate(tree.sections):
        smaller = np.flatnonzero(on_sale[i] & (diameter < diameter[size_index[i]] - 1e-9))
        if not smaller.size:
            found.append(Driver(section=section.name, reason=Reason.SMALLEST))
            continue
        k = int(smaller[np.argmax(diameter[smaller])])
        label = table.sizes[k].label
        children = tree.children(i)
        velocity_over = table.velocity_fpm[:, i, k] / table.sections.velocity_limit_fpm[i] - 1.0
        paths = np.flatnonzero(tree.path[:, i])
        change = table.loss_inwc[:, i, k] - loss[:, i]
        path_over = (path_loss[:, paths] + change[:, None]) / available[paths] - 1.0
        path_over = np.where(variants.open_run[:, paths], path_over, -np.inf)
        over = np.maximum(velocity_over, path_over.max(axis=1))
        broken = np.flatnonzero(over > HOLDS_TOLERANCE)
        larger_child = max(children, key=lambda c: diameter[size_index[c]], default=None)
        if larger_child is not None and diameter[size_index[larger_child]] > diameter[k] + 1e-9:
            # Variants that break besides are no drivers: without them it still could not shrink.
            also = " and the next smaller size breaks a limit too" if broken.size else ""
            found.append(
                Driver(
                    section=section.name,
                    reason=Reason.CHILD,
                    next_smaller=label,
                    child=tree.sections[larger_child].name,
                    limit=also.strip(),
                )
            )
        elif broken.size:
            order = broken[np.argsort(-over[broken], kind="stable")]
            worst = order[0]
            if velocity_over[worst] >= over[worst]:
                limit = "velocity"
            else:
                limit = f"pressure to {tree.runs[paths[int(np.argmax(path_over[worst]))]].name}"
            found.append(
                Driver(
                    section=section.name,
                    reason=Reason.VARIANTS,
                    next_smaller=label,
                    variants=tuple(variants.variants[v] for v in order),
                    limit=limit,
                    excess_pct=100.0 * float(over[worst]),
                )
            )
        else:
            found.append(Driver(section=section.name, reason=Reason.STANDARD, next_smaller=label))
    return tuple(found)


def find_headroom(
    tree: DuctTree, variants: VariantSet, table: CandidateTable, size_index: NDArray[np.intp], air: Air
) -> tuple[Headroom, ...]:
    """How much more air each run could carry in its tightest variant, and what then stops it.

    Two paths share the first part of their way, so what a run adds is felt by others in that part only.
    """
    n_path, n_variant = len(tree.run_section), len(variants.variants)
    walks = [tree.walk(p) for p in range(n_path)]
    depth = max(len(w) for w in walks)
    # Short walks repeat their last section and count its loss once.
    at = np.array([w + [w[-1]] * (depth - len(w)) for w in walks])
    counts = np.array([[j < len(w) for j in range(depth)] for w in walks], dtype=float)
    chosen = [table.sizes[k] for k in size_index]
    diameter = np.array([s.diameter_in for s in chosen])[at]
    area = np.array([s.area_ft2 for s in chosen])[at]
    data, ducts = table.sections, table.ducts
    flow = variants.airflow_cfm[:, at]

    def prefix_loss(extra: NDArray[np.float64]) -> NDArray[np.float64]:
        moved = flow + extra[:, :, None]
        rate = installed_friction_rate_inwc_per_100ft(
            moved,
            diameter,
            ducts.roughness_ft[:, at],
            air,
            ducts.derate[:, at],
            ducts.compression_pct[:, at],
            data.straight_part[at],
        )
        fitting = data.loss_coefficient[at] * velocity_pressure_inwc(moved / area, air)
        loss = rate * data.effective_length_ft[at] / 100.0 + fitting
        return np.asarray(np.cumsum(loss * counts, axis=2))

    available = data.available_inwc[tree.run_section]
    path_loss = at_sizes(table.loss_inwc, size_index) @ tree.path.T.astype(float)
    slack = np.where(variants.open_run, available - path_loss, np.inf)
    # The tightest open path through each section, and its slack.
    through = np.where(tree.path.T[None, :, :], slack[:, None, :], np.inf)
    tightest = through.argmin(axis=2)[:, at]
    room = through.min(axis=2)[:, at]
    speed = np.where(counts > 0, data.velocity_limit_fpm[at] * area - flow, np.inf)
    fastest = speed.argmin(axis=2)
    by_speed = np.maximum(speed.min(axis=2), 0.0)
    start = prefix_loss(np.zeros((n_variant, n_path)))
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
        design = variants.run_airflow_cfm[v, p]
        found.append(
            Headroom(
                run=run.name,
                extra_cfm=float(extra[v, p]),
                extra_pct=float(100.0 * extra[v, p] / design) if design > 0.0 else np.inf,
                limit=limit,
                variant=variants.variants[v],
            )
        )
    return tuple(found)


def price_of_standardizing(
    plan: Plan,
    tree: DuctTree,
    variants: VariantSet,
    table: CandidateTable,
    standard: Solution,
    on_step: Callable[[], None] = lambda: None,
) -> tuple[Comparison, ...]:
    """Least cost without each orientation and each flex product, and for each alone.

    Leaving out a flex product also changes the mean price; ``standard_cost`` is then the standard least-cost
    set at the remaining products' prices, so that the difference is the sizes' alone.
    """
    assert standard.size_index is not None
    found = []
    sections = np.arange(len(tree.sections))

    def compare(kind: str, kept: str, left_out: str, keep: NDArray[np.bool_]) -> None:
        flex = tuple(dict.fromkeys(v.flex for v, k in zip(variants.variants, keep, strict=True) if k))
        cost = size_cost(plan, tree, flex)
        part = table.only(keep, cost)
        solution = least_cost(sizing_problem(tree, variants.only(keep), part))
        found.append(
            Comparison(
                kind=kind,
                kept=kept,
                left_out=left_out,
                solution=solution,
                standard_cost=float(cost[sections, standard.size_index].sum()),
            )
        )
        on_step()

    for face in plan.front_faces if len(plan.front_faces) > 1 else ():
        is_face = variants.where(face=face)
        compare("orientation", "all others", face, ~is_face)
        compare("orientation", face, "all others", is_face)
    for flex in plan.flex if len(plan.flex) > 1 else ():
        is_flex = variants.where(flex=flex)
        compare("flex", "all others", flex, ~is_flex)
        compare("flex", flex, "all others", is_flex)
    return tuple(found)
