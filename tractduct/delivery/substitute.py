"""Sized for one flex product, another one installed in the same sizes."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tractduct.arrays import IntArray
from tractduct.delivery.predict import Delivered, Drive, installed_ducts, predict
from tractduct.sizing.case import Case
from tractduct.sizing.program import DIAMETER_TOLERANCE_IN
from tractduct.sizing.solve import Solution, least_cost


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Substitution:
    """One product's sizes with another product in them.

    Attributes
    ----------
    designed, installed : names of the flex products
    sized : the recommended set for the designed product alone
    expected, delivered : airflow with the designed and with the installed product, over the same variants
        but for the product
    recovery : least-cost set for the installed product in which no section is smaller than before
    raised : section -> (size before, size after) of the sections that would have to go up
    extra_cost : of that set over the sizes before, both at the installed product's prices; NaN where a
        size before is not on sale in it
    """

    designed: str
    installed: str
    sized: Solution
    expected: Delivered
    delivered: Delivered
    recovery: Solution
    raised: dict[str, tuple[str, str]]
    extra_cost: float


def substitutions_of(case: Case, *, drive: Drive | None = None) -> tuple[Substitution, ...]:
    """Every pair of approved flex products; a product that no size set holds for is left out as designed."""
    plan = case.plan
    found = []
    for designed in plan.flex if len(plan.flex) > 1 else ():
        mine = case.only(case.variants.where(flex=designed))
        _, sized = mine.recommended()
        if sized.size_index is None:
            continue
        expected = _predicted(mine, sized.size_index, drive)
        for installed in plan.flex:
            if installed == designed:
                continue
            other = case.only(case.variants.where(flex=installed))
            recovery = _recovery(other, sized.size_index)
            before, after = mine.labels(sized.size_index), mine.labels(recovery.size_index)
            found.append(
                Substitution(
                    designed=designed,
                    installed=installed,
                    sized=sized,
                    expected=expected,
                    delivered=_predicted(other, sized.size_index, drive),
                    recovery=recovery,
                    raised={s: (before[s], size) for s, size in after.items() if before[s] != size},
                    extra_cost=recovery.cost - other.cost_of(sized.size_index) if after else np.nan,
                )
            )
    return tuple(found)


def _predicted(case: Case, size_index: IntArray, drive: Drive | None) -> Delivered:
    return predict(case, installed_ducts(case, size_index), drive=drive, strict=False)


def _recovery(case: Case, at_least: IntArray) -> Solution:
    """The least-cost set in which no section is smaller than given."""
    problem = case.problem()
    diameter = problem.diameter_in
    large_enough = diameter[None, :] >= diameter[at_least][:, None] - DIAMETER_TOLERANCE_IN
    return least_cost(replace(problem, allowed=problem.allowed & large_enough))
