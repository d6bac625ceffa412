"""One plan end to end: every variant, one proven size set, and what to make of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tractduct.errors import OutOfTime, SolverError
from tractduct.findings import Finding
from tractduct.inputs.plan import NO_CAP, Plan
from tractduct.inputs.reader import load_plan
from tractduct.network.tree import DuctTree
from tractduct.network.variants import VariantSet
from tractduct.physics.air import Air
from tractduct.sizing.candidates import CandidateTable
from tractduct.sizing.case import Case, build_case
from tractduct.sizing.drivers import (
    Comparison,
    Driver,
    Headroom,
    find_drivers,
    find_headroom,
    price_of_standardizing,
)
from tractduct.sizing.hand import HandSizing, single_orientation_set, size_by_hand
from tractduct.sizing.margins import Margins, find_margins
from tractduct.sizing.practice import find_in_plan, find_in_sizes
from tractduct.sizing.solve import Solution, recommend, size_front
from tractduct.sizing.verify import Breach, Verification, verify_cap, verify_sizes
from tractduct.sizing.wayout import Conflict, WayOut, find_conflicts, try_ways_out

Progress = Callable[[str, int, int], None]  # what is being done, steps done, steps in all


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SingleOrientation:
    """What a designer would draw who looks at the orientation with the largest total airflow only."""

    front_faces: str
    mirrored: bool
    size_index: NDArray[np.intp]
    cost: float
    breaches: tuple[Breach, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WithoutCap:
    """What the sizes would be if a section might be any number of sizes above its own.

    ``extra_cost`` is what the cap adds to the least cost, and ``extra_at_most`` the most that it can add as far as the
    search got; the two are equal where it finished.
    """

    least_cost: Solution
    recommended: Solution
    extra_cost: float
    extra_at_most: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Study:
    """A plan's study.

    ``status`` is ``optimal``, ``feasible`` (time ran out; the bound says how far off it can be) or
    ``infeasible``: each of the first and the last is proven.
    ``least_cost`` and ``recommended`` hold size indices (n_section,) in the order of ``tree.sections``;
    ``recommended`` is the standard size set; ``front`` is the least cost by number of distinct sizes, and
    ``open_numbers`` are those that time ran out on, each with a bound on the cost. ``without_cap`` is None in a
    quick study, without a cap and where no set holds. Where no set holds,
    ``conflicts`` and ``ways_out`` say why and what helps, and what belongs to a set is empty or None.
    """

    case: Case
    hand: HandSizing
    status: str
    least_cost: Solution
    recommended: Solution
    front: tuple[Solution, ...]
    open_numbers: tuple[tuple[int, float], ...]
    without_cap: WithoutCap | None
    verification: Verification | None
    margins: Margins | None
    drivers: tuple[Driver, ...]
    headroom: tuple[Headroom, ...]
    comparisons: tuple[Comparison, ...]
    single: SingleOrientation
    findings: tuple[Finding, ...]
    conflicts: tuple[Conflict, ...]
    ways_out: tuple[WayOut, ...]

    @property
    def plan(self) -> Plan:
        return self.case.plan

    @property
    def air(self) -> Air:
        return self.case.air

    @property
    def tree(self) -> DuctTree:
        return self.case.tree

    @property
    def variants(self) -> VariantSet:
        return self.case.variants

    @property
    def table(self) -> CandidateTable:
        return self.case.table

    @property
    def size_set(self) -> dict[str, str]:
        """Section name -> size label of the standard set; empty where none holds."""
        return self.case.labels(self.recommended.size_index)

    @property
    def cost_unit(self) -> str:
        """USD, or ft2 of duct wall where the plan gives no prices."""
        return "USD" if self.plan.prices else "ft2"


def study(
    plan: Plan | str | Path,
    *,
    time_limit_s: float | None = None,
    quick: bool = False,
    progress: Progress = lambda what, done, total: None,
) -> Study:
    """Size a plan once for all its variants.

    Parameters
    ----------
    plan : a Plan, or the path of a plan folder
    time_limit_s : for each of the three searches (the recommended set, the same without the cap on steps over the own
        size, the trade-off); None: until proven
    quick : leave out the trade-off, what the cap costs and the comparisons, which take longer than all the rest
    progress : called with what is being done, steps done and steps in all

    Raises
    ------
    InputFaults where the plan can't be read; OutOfTime where time ran out before any set was found; SolverError
    where the chosen set fails the independent check.
    """
    if not isinstance(plan, Plan):
        plan = load_plan(plan)
    case = build_case(plan)
    problem = case.problem()
    cap = plan.max_distinct_sizes or None
    progress("sizes", 0, 1)
    cheapest, recommended = recommend(problem, plan.standardize_within_pct, max_distinct=cap, time_limit_s=time_limit_s)
    progress("sizes", 1, 1)
    if recommended.status == "unknown":
        raise OutOfTime(
            f"{plan.name}: no size set was found in {time_limit_s:g} seconds, and it is not proven that none holds. "
            "Nothing was written. Allow more time with --seconds, or leave it out to search until proven"
        )
    front: tuple[Solution, ...] = ()
    open_numbers: tuple[tuple[int, float], ...] = ()
    without_cap: WithoutCap | None = None
    conflicts: tuple[Conflict, ...] = ()
    ways_out: tuple[WayOut, ...] = ()
    comparisons: tuple[Comparison, ...] = ()
    of_set = _of_set(case, recommended.size_index)
    if recommended.size_index is not None:
        if not quick:
            swept = size_front(
                problem,
                max_distinct=cap,
                time_limit_s=time_limit_s,
                on_step=lambda done, total: progress("trade-off", done, total),
            )
            front, open_numbers = swept.entries, swept.open_numbers
            without_cap = _without_cap(case, cheapest, recommended, time_limit_s)
            comparisons = _compared(case, cheapest, progress)
    else:
        conflicts = find_conflicts(case, cap)
        ways_out = try_ways_out(plan, conflicts, lambda: progress("ways out", 0, 0))
    return Study(
        case=case,
        status=recommended.status,
        least_cost=cheapest,
        recommended=recommended,
        front=front,
        open_numbers=open_numbers,
        without_cap=without_cap,
        comparisons=comparisons,
        conflicts=conflicts,
        ways_out=ways_out,
        **of_set,
    )


def with_set(study: Study, chosen: Solution) -> Study:
    """The same study with another set, which holds, in the place of the standard one.

    For ``[objective] choose = "dampers"``: the set comes from `delivery.damper_search`, which knows what arrives, and
    its status is that of ``chosen``. The least cost, the trade-off and the comparisons stay.
    """
    return replace(study, status=chosen.status, recommended=chosen, **_of_set(study.case, chosen.size_index))


def _of_set(case: Case, size_index: NDArray[np.intp] | None) -> dict[str, Any]:
    """The fields of a study that follow from its set alone."""
    hand = size_by_hand(case, size_index)
    findings = [*case.plan.findings, *find_in_plan(case, hand)]
    verification: Verification | None = None
    margins: Margins | None = None
    drivers: tuple[Driver, ...] = ()
    headroom: tuple[Headroom, ...] = ()
    if size_index is not None:
        verification = _confirmed(case, size_index)
        margins = find_margins(case, verification, size_index, hand.path_available_inwc)
        drivers = find_drivers(case, size_index)
        headroom = find_headroom(case, size_index)
        findings += find_in_sizes(case, size_index, drivers)
    return {
        "hand": hand,
        "verification": verification,
        "margins": margins,
        "drivers": drivers,
        "headroom": headroom,
        "single": _single(case, hand),
        "findings": tuple(sorted(findings, key=lambda f: f.severity)),
    }


def _without_cap(case: Case, cheapest: Solution, chosen: Solution, time_limit_s: float | None) -> WithoutCap | None:
    """The two sets of the study without its cap on steps over the own size; None where it has none, or time ran out."""
    plan = case.plan
    if plan.most_steps_over_own >= NO_CAP:
        return None
    problem = case.capped_at(NO_CAP).problem()
    free, wide = cheapest, chosen
    if not np.array_equal(
        problem.tightened(), case.problem().tightened()
    ):  # else the cap leaves out nothing that holds
        free, wide = recommend(
            problem,
            plan.standardize_within_pct,
            max_distinct=plan.max_distinct_sizes or None,
            time_limit_s=time_limit_s,
        )
    if wide.size_index is None:
        return None
    return WithoutCap(
        least_cost=free,
        recommended=wide,
        extra_cost=cheapest.cost - free.cost,
        extra_at_most=cheapest.cost - free.bound,
    )


def _confirmed(case: Case, size_index: NDArray[np.intp]) -> Verification:
    """The independent pass; a set that breaks a limit is never reported."""
    found = verify_sizes(case.plan, case.variants.variants, case.labels(size_index))
    breaches = found.breaches + verify_cap(case.plan, case.variants.variants, case.labels(size_index))
    if breaches:
        raise SolverError(
            "the independent check refuses the solver's size set: "
            + "; ".join(str(b) for b in breaches[:3])
            + ". This is a fault in the program: please report it with the plan"
        )
    return found


def _compared(case: Case, cheapest: Solution, progress: Progress) -> tuple[Comparison, ...]:
    total = 2 * sum(n for n in (len(case.plan.front_faces), len(case.plan.flex)) if n > 1)
    done = 0

    def step() -> None:
        nonlocal done
        done += 1
        progress("comparisons", done, total)

    return price_of_standardizing(case, cheapest, step)


def _single(case: Case, hand: HandSizing) -> SingleOrientation:
    (face, mirrored), size_index = single_orientation_set(case, hand)
    return SingleOrientation(
        front_faces=face,
        mirrored=mirrored,
        size_index=size_index,
        cost=case.cost_of(size_index),
        breaches=verify_sizes(case.plan, case.variants.variants, case.labels(size_index)).breaches,
    )
