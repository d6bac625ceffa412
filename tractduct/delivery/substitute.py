"""Sized for one flex product, another one installed in the same sizes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tractduct.delivery.predict import Delivered, Drive, installed_ducts, predict
from tractduct.inputs.plan import Plan
from tractduct.network.tree import DuctTree
from tractduct.network.variants import VariantSet
from tractduct.physics.air import Air
from tractduct.sizing.candidates import CandidateTable, size_cost, sizing_problem
from tractduct.sizing.solve import Solution, least_cost, recommend


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


def find_substitutions(
    plan: Plan,
    tree: DuctTree,
    variants: VariantSet,
    table: CandidateTable,
    air: Air,
    *,
    drive: Drive | None = None,
) -> tuple[Substitution, ...]:
    """Every pair of approved flex products; a product that no size set holds for is left out as designed."""
    if len(plan.flex) < 2:
        return ()
    sections = np.arange(len(tree.sections))
    found = []
    for designed in plan.flex:
        of_designed = variants.where(flex=designed)
        mine = variants.only(of_designed)
        problem = sizing_problem(tree, mine, table.only(of_designed, size_cost(plan, tree, (designed,))))
        _, sized = recommend(
            problem, plan.standardize_within_pct, max_distinct=plan.max_distinct_sizes or None
        )
        if sized.size_index is None:
            continue
        expected = _predicted(plan, tree, mine, sized.size_index, air, drive)
        for installed in plan.flex:
            if installed == designed:
                continue
            of_installed = variants.where(flex=installed)
            other = variants.only(of_installed)
            cost = size_cost(plan, tree, (installed,))
            recovery = _recovery(tree, other, table.only(of_installed, cost), sized.size_index)
            raised: dict[str, tuple[str, str]] = {}
            extra = np.nan
            if recovery.size_index is not None:
                labels = [size.label for size in table.sizes]
                raised = {
                    s.name: (labels[before], labels[after])
                    for s, before, after in zip(
                        tree.sections, sized.size_index, recovery.size_index, strict=True
                    )
                    if before != after
                }
                extra = float(recovery.cost - cost[sections, sized.size_index].sum())
            found.append(
                Substitution(
                    designed=designed,
                    installed=installed,
                    sized=sized,
                    expected=expected,
                    delivered=_predicted(plan, tree, other, sized.size_index, air, drive),
                    recovery=recovery,
                    raised=raised,
                    extra_cost=extra,
                )
            )
    return tuple(found)


def _predicted(
    plan: Plan,
    tree: DuctTree,
    variants: VariantSet,
    size_index: NDArray[np.intp],
    air: Air,
    drive: Drive | None,
) -> Delivered:
    ducts = installed_ducts(plan, tree, variants, size_index)
    return predict(plan, tree, variants, ducts, air, drive=drive, strict=False)


def _recovery(
    tree: DuctTree, variants: VariantSet, table: CandidateTable, at_least: NDArray[np.intp]
) -> Solution:
    """The least-cost set in which no section is smaller than given."""
    problem = sizing_problem(tree, variants, table)
    diameter = problem.diameter_in
    problem.allowed[diameter[None, :] < diameter[at_least][:, None] - 1e-9] = False
    return least_cost(problem)
