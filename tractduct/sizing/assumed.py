"""What it would do to the least cost if a value that nobody typed were another."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from tractduct.model.plan import Plan, Untyped
from tractduct.model.words import SIDES
from tractduct.sizing.case import least_cost_of
from tractduct.sizing.solve import Solution

LONGER, ROUGHER, LESS = 1.5, 2.0, 0.8  # times: a fitting's length, a duct's roughness, a pressure


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """``change`` of what was ``assumed``, in words; what it adds to the least cost, or ``holds`` no set any more."""

    assumed: Untyped
    change: str
    extra_cost: float
    holds: bool


def effects(plan: Plan, least: Solution) -> tuple[Effect, ...]:
    """Each value that the plan's author did not type, changed for the worse alone, and the plan sized again.

    ``least`` is the plan's least-cost set. Values of which no amount is known are left out.
    """
    found = []
    for one in plan.assumed:
        for change, changed in _worse(plan, one):
            solution = least_cost_of(changed)
            holds = solution is not None and solution.size_index is not None
            extra = solution.cost - least.cost if solution is not None and holds else 0.0
            found.append(Effect(assumed=one, change=change, extra_cost=extra, holds=holds))
    return tuple(found)


def _worse(plan: Plan, one: Untyped) -> Iterator[tuple[str, Plan]]:
    if one.what == "fitting" and one.where in plan.fittings:
        fitting = plan.fittings[one.where]
        longer = replace(fitting, equivalent_length_ft=LONGER * fitting.equivalent_length_ft)
        yield "half as long again", replace(plan, fittings={**plan.fittings, one.where: longer})
    elif one.what in ("roughness", "duct") and one.where in plan.ducts:
        duct = plan.ducts[one.where]
        rougher = replace(duct, roughness_ft=ROUGHER * duct.roughness_ft)
        yield "twice as rough", replace(plan, ducts={**plan.ducts, one.where: rougher})
    elif one.what == "pressure":
        less = {side: LESS if side in one.where else 1.0 for side in SIDES}
        supply, back = (less[side] * plan.available_inwc(side) for side in ("supply", "return"))
        yield "a fifth less", replace(plan, supply_inwc=supply, return_inwc=back)
