"""One plan end to end: every variant, one proven size set, and what to make of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import count
from typing import Any

import numpy as np

from tractduct.arrays import FloatArray, IntArray
from tractduct.errors import InputFaults, OutOfTime, SolverError
from tractduct.findings import Finding
from tractduct.model.options import Built
from tractduct.model.plan import NO_CAP, Plan, Section
from tractduct.network.tree import DuctTree
from tractduct.network.variants import Variant, VariantSet
from tractduct.physics.air import Air
from tractduct.sizing.assumed import Effect, effects
from tractduct.sizing.candidates import CandidateTable, at_sizes
from tractduct.sizing.case import Case, build_case
from tractduct.sizing.friction_rate import FrictionRateSizing, single_orientation_set, size_by_friction_rate
from tractduct.sizing.governing import (
    Comparison,
    Governing,
    Headroom,
    OptionCost,
    governing_variants,
    headroom_by_run,
    option_costs,
    price_of_standardizing,
)
from tractduct.sizing.margins import Margins, margins_of
from tractduct.sizing.practice import plan_findings, size_findings
from tractduct.sizing.remedies import Conflict, Remedy, diagnose, try_remedies
from tractduct.sizing.solve import Solution, TradeOff, trade_off_of
from tractduct.sizing.verify import Breach, Verification, verify_cap, verify_sizes

Progress = Callable[[str, int, int], None]  # what is being done, steps done, steps in all


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SingleOrientation:
    """What a designer would draw for the worst front alone; see ``single_orientation_set``."""

    front: str
    mirrored: bool
    flex: str
    size_index: IntArray
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
class Sized:
    """All that belongs to a size set that holds.

    ``size_index`` (n_section,) in the order of ``tree.sections``; ``labels`` section name -> size label;
    ``velocity_fpm`` (n_variant, n_section).
    """

    size_index: IntArray
    labels: dict[str, str]
    velocity_fpm: FloatArray
    verification: Verification
    margins: Margins
    governing: tuple[Governing, ...]
    headroom: tuple[Headroom, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Study:
    """A plan's study.

    ``status`` is ``optimal``, ``feasible`` (time ran out; the bound says how far off it can be) or
    ``infeasible``: each of the first and the last is proven.
    ``least_cost`` and ``recommended`` hold size indices (n_section,) in the order of ``tree.sections``;
    ``recommended`` is the standard size set and ``sized`` all that belongs to it, None where no set holds;
    ``trade_off`` is the least cost by number of distinct sizes, and
    ``open_numbers`` are those that time ran out on, each with a bound on the cost. ``without_cap`` is None in a
    quick study, without a cap and where no set holds; ``assumed`` is what values that nobody typed do, empty in a
    quick study. Where no set holds, ``conflicts`` and ``remedies`` say why and
    what helps.
    """

    case: Case
    by_friction_rate: FrictionRateSizing
    status: str
    least_cost: Solution
    recommended: Solution
    trade_off: tuple[Solution, ...] = ()
    open_numbers: tuple[tuple[int, float], ...] = ()
    without_cap: WithoutCap | None = None
    sized: Sized | None
    comparisons: tuple[Comparison, ...] = ()
    single: SingleOrientation
    assumed: tuple[Effect, ...] = ()
    findings: tuple[Finding, ...]
    conflicts: tuple[Conflict, ...] = ()
    remedies: tuple[Remedy, ...] = ()

    @property
    def plan(self) -> Plan:
        return self.case.plan

    @property
    def air(self) -> Air:
        """At the air handler."""
        return self.plan.air

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
    def not_proven(self) -> tuple[str, ...]:
        """What time ran out on: ``least_cost``, ``cost`` (of sets of at most as many sizes), ``distinct_sizes`` (that
        no fewer would do). Empty where the status is optimal or infeasible."""
        best, least = self.recommended.size_index, self.least_cost.size_index
        if self.status == "optimal" or best is None or least is None:
            return ()
        # The numbers of sizes are tried from the fewest on, and the least-cost set stands in where that was cut short.
        stands_in = np.array_equal(best, least)
        first = () if self.least_cost.status == "optimal" else ("least_cost",)
        return (*first, "distinct_sizes" if stands_in else "cost")

    @property
    def single_out(self) -> frozenset[Variant]:
        """The variants that the worst front's set breaks a limit in: all, where it takes a size that is not on sale."""
        out = {breach.variant for breach in self.single.breaches}
        return frozenset(self.variants.variants if None in out else (v for v in out if v is not None))

    @property
    def option_costs(self) -> tuple[OptionCost, ...]:
        """What each option does to the size sets; empty for a plan without options."""
        return option_costs(self.plan, self.sized.governing if self.sized else (), self.comparisons)

    @property
    def house_costs(self) -> tuple[tuple[Built, float], ...]:
        """Options of each house, and what the standard set costs in it; empty without options or a set."""
        size_index = self.recommended.size_index
        if size_index is None:
            return ()
        found = []
        for house in self.plan.houses:
            there = np.array([section.is_built(house.options) for section in self.tree.sections])
            problem = self.case.problem().of_sections(there)
            found.append((house.options, problem.cost_of(size_index[there])))
        return tuple(found)

    @property
    def size_set(self) -> dict[str, str]:
        """Section name -> size label of the standard set; empty where none holds."""
        return self.sized.labels if self.sized else {}

    @property
    def sections_by_size(self) -> dict[tuple[str, str, str], list[Section]]:
        """``sections_by_size`` of the study alone."""
        return sections_by_size([self])

    @property
    def cost_unit(self) -> str:
        return self.plan.cost_unit


def sections_by_size(studies: Sequence[Study]) -> dict[tuple[str, str, str], list[Section]]:
    """The sections of each distinct size of the sets, by its kind of duct, shape and size: flex and round first, then
    by the plan's order of sizes. Nothing of a study where no set holds."""
    found: dict[tuple[str, str, str], list[Section]] = {}
    for one in studies:
        for section in one.tree.sections if one.sized else ():
            found.setdefault((section.kind, section.shape, one.size_set[section.name]), []).append(section)
    rank = {size.label: i for i, size in enumerate(studies[0].table.sizes)}
    return dict(sorted(found.items(), key=lambda g: (g[0][0] != "flex", g[0][1] != "round", rank[g[0][2]])))


def study(
    plan: Plan,
    *,
    time_limit_s: float | None = None,
    quick: bool = False,
    progress: Progress = lambda what, done, total: None,
) -> Study:
    """Size a plan once for all its variants.

    Parameters
    ----------
    time_limit_s : for each of the three searches (the recommended set, the same without the cap on steps over the own
        size, the trade-off); None: until proven
    quick : leave out the trade-off, what the cap costs and the comparisons, which take longer than all the rest
    progress : called with what is being done, steps done and steps in all

    Raises
    ------
    InputFaults where the blower leaves nothing for the ducts, or the plan has several systems; OutOfTime where time
    ran out before any set was found; SolverError where the chosen set fails the independent check.
    """
    if plan.systems:
        problem = f"{plan.name} has several systems, and this sizes one"
        remedy = "Use the commands study or batch, or make a plan of each system"
        names = ", ".join(system.name for system in plan.systems)
        raise InputFaults([plan.place("sections", "system").fault(problem, remedy, names)])
    case = build_case(plan)
    cap = plan.max_distinct_sizes or None
    on_step = partial(progress, "trade-off")
    progress("sizes", 0, 1)
    swept: TradeOff | None = None
    if not quick and time_limit_s is None:  # in a time limit each search has its own
        swept = case.trade_off(on_step)
    cheapest, recommended = case.recommended(time_limit_s)
    progress("sizes", 1, 1)
    if recommended.status == "unknown":
        raise OutOfTime(
            f"{plan.name}: no size set was found in {time_limit_s:g} seconds, and it is not proven that none holds. "
            "Nothing was written. Allow more time with --seconds, or leave it out to search until proven"
        )
    found = Study(case=case, least_cost=cheapest, **_of_set(case, recommended))
    if recommended.size_index is None:
        conflicts = diagnose(case)
        tried = try_remedies(plan, conflicts, lambda: progress("remedies", 0, 0))
        return replace(found, conflicts=conflicts, remedies=tried)
    if quick:
        return found
    swept = swept or trade_off_of(case.problem(), max_distinct=cap, time_limit_s=time_limit_s, on_step=on_step)
    return replace(
        found,
        trade_off=swept.entries,
        open_numbers=swept.open_numbers,
        without_cap=_without_cap(case, cheapest, recommended, time_limit_s),
        comparisons=_compared(case, cheapest, progress),
        assumed=effects(plan, cheapest),
    )


def with_sizes(study: Study, solution: Solution) -> Study:
    """The same study with another size set as its standard one, once the independent pass has confirmed it."""
    return replace(study, **_of_set(study.case, solution))


def _of_set(case: Case, solution: Solution) -> dict[str, Any]:
    """All of a study that depends on its standard size set, or on there being none."""
    size_index = solution.size_index
    by_friction_rate = size_by_friction_rate(case, size_index)
    findings = [*case.plan.findings, *plan_findings(case, by_friction_rate)]
    sized: Sized | None = None
    if size_index is not None:
        verification = _confirmed(case, size_index)
        sized = Sized(
            size_index=size_index,
            labels=case.labels(size_index),
            velocity_fpm=at_sizes(case.table.velocity_fpm, size_index),
            verification=verification,
            margins=margins_of(case, verification, size_index, by_friction_rate.path_available_inwc),
            governing=governing_variants(case, size_index),
            headroom=headroom_by_run(case, size_index),
        )
        findings += size_findings(case, size_index)
    return {
        "status": solution.status,
        "recommended": solution,
        "sized": sized,
        "by_friction_rate": by_friction_rate,
        "single": _single(case, by_friction_rate),
        "findings": tuple(findings),
    }


def _without_cap(case: Case, cheapest: Solution, chosen: Solution, time_limit_s: float | None) -> WithoutCap | None:
    """The two sets of the study without its cap on steps over the own size; None where it has none, or time ran out."""
    plan = case.plan
    if plan.most_steps_over_own >= NO_CAP:
        return None
    free_case = case.capped_at(NO_CAP)
    free, wide = cheapest, chosen
    # Else the cap leaves out nothing that holds.
    if not np.array_equal(free_case.problem().tightened(), case.problem().tightened()):
        free, wide = free_case.recommended(time_limit_s)
    if wide.size_index is None:
        return None
    return WithoutCap(
        least_cost=free,
        recommended=wide,
        extra_cost=cheapest.cost - free.cost,
        extra_at_most=cheapest.cost - free.bound,
    )


def _confirmed(case: Case, size_index: IntArray) -> Verification:
    """The independent pass; a set that breaks a limit is never reported."""
    of = case.plan, case.variants.variants, case.labels(size_index)
    found = verify_sizes(*of)
    breaches = found.breaches + verify_cap(*of)
    if breaches:
        raise SolverError(
            "the independent check refuses the solver's size set: "
            + "; ".join(str(b) for b in breaches[:3])
            + ". This is a fault in the program: please report it with the plan"
        )
    return found


def _compared(case: Case, cheapest: Solution, progress: Progress) -> tuple[Comparison, ...]:
    total = 2 * sum(n for n in (len(case.plan.fronts), len(case.plan.flex)) if n > 1) + 2 * len(case.plan.options)
    done = count(1)
    return price_of_standardizing(case, cheapest, lambda: progress("comparisons", next(done), total))


def _single(case: Case, by_friction_rate: FrictionRateSizing) -> SingleOrientation:
    looked_at, size_index = single_orientation_set(case, by_friction_rate)
    return SingleOrientation(
        front=looked_at.front,
        mirrored=looked_at.mirrored,
        flex=looked_at.flex,
        size_index=size_index,
        cost=case.cost_of(size_index),
        breaches=verify_sizes(case.plan, case.variants.variants, case.labels(size_index)).breaches,
    )
