"""A plan made ready for sizing: tree, variants, candidates and pressure budget together."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from tractduct.arrays import BoolArray, FloatArray, IntArray
from tractduct.errors import InputFaults
from tractduct.model.plan import Plan
from tractduct.network.airstream import air_in_ducts
from tractduct.network.tree import DuctTree, build_tree
from tractduct.network.variants import VariantSet, expand_variants
from tractduct.physics.air import Air
from tractduct.sizing.budget import Budget, build_budget
from tractduct.sizing.candidates import CandidateTable, at_sizes, change_cost, evaluate_candidates, size_cost
from tractduct.sizing.own import own_sizes, steps_over_own, within_cap
from tractduct.sizing.program import SizingProblem
from tractduct.sizing.solve import Solution, TradeOff, least_cost, recommend, recommended, trade_off_of


@dataclass(frozen=True, slots=True, eq=False)
class Answers:
    """What was proven of a plan's problems, by their ``key``: parts of a study ask for the same variants again."""

    least_cost: dict[bytes, Solution] = field(default_factory=dict)
    recommended: dict[bytes, Solution] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Case:
    """A plan, or some of its variants, ready for sizing; ``air`` is that of each variant and section.

    ``steps_over_own`` and ``within_cap`` (n_section, n_size): how many standard sizes each is above the section's
    largest own size, and whether the plan's cap on that allows it. Both are of the whole plan, whichever of its
    variants are looked at, so that fewer variants never make anything dearer.
    """

    plan: Plan
    air: Air
    tree: DuctTree
    variants: VariantSet
    table: CandidateTable
    budget: Budget
    steps_over_own: IntArray
    within_cap: BoolArray
    answers: Answers = field(default_factory=Answers)

    def only(self, keep: BoolArray) -> Case:
        """The variants of a (n_variant,) mask, at the mean price of the flex products among them."""
        return self.rows(np.flatnonzero(keep))

    def rows(self, rows: IntArray) -> Case:
        """The variants of these rows, which may repeat, at the mean price of the flex products among them."""
        flex = tuple(dict.fromkeys(self.variants.variants[row].flex for row in rows))
        return replace(
            self,
            air=self.air[rows],
            variants=self.variants.rows(rows),
            table=self.table.rows(rows, size_cost(self.plan, self.tree, flex)),
            budget=self.budget.rows(rows),
        )

    def problem(self) -> SizingProblem:
        """The size-set program of the case."""
        table, groups = self.table, self.stock_groups
        allowed = table.on_sale & self.within_cap & np.all(table.velocity_ok, axis=0)
        return SizingProblem(
            loss_inwc=table.loss_inwc,
            cost=np.where(allowed, table.cost, 0.0),
            allowed=allowed,
            diameter_in=self.diameter_in,
            parent=self.tree.parent,
            stock_group=np.array([groups.index((s.kind, s.shape)) for s in self.tree.sections], dtype=np.intp),
            path=self.budget.circuit,
            available_inwc=self.budget.available_inwc,
            change_cost=change_cost(self.plan, self.tree),
        )

    def least_cost(self) -> Solution:
        """Of its problem, proven, with no cap on distinct sizes."""
        problem, known = self.problem(), self.answers.least_cost
        key = problem.key()
        if key not in known:
            known[key] = least_cost(problem)
        return known[key]

    def recommended(self, time_limit_s: float | None = None) -> tuple[Solution, Solution]:
        """The least-cost set of its problem, and the set that the plan's rules take; proven without a time limit."""
        problem, known, within_pct = self.problem(), self.answers, self.plan.standardize_within_pct
        cap = self.plan.max_distinct_sizes or None
        if time_limit_s is not None:
            return recommend(problem, within_pct, max_distinct=cap, time_limit_s=time_limit_s)
        key = problem.key()
        if key not in known.recommended:
            least = known.least_cost.get(key)
            known.least_cost[key], known.recommended[key] = recommend(
                problem, within_pct, max_distinct=cap, least=least
            )
        return known.least_cost[key], known.recommended[key]

    def trade_off(self, on_step: Callable[[int, int], None]) -> TradeOff:
        """Of its problem, proven, within the plan's cap on distinct sizes: the plan's rules take one of its sets."""
        problem = self.problem()
        front = trade_off_of(problem, max_distinct=self.plan.max_distinct_sizes or None, on_step=on_step)
        if front.entries:
            key = problem.key()
            self.answers.least_cost[key] = front.least_cost
            self.answers.recommended[key] = recommended(front, self.plan.standardize_within_pct)
        return front

    def capped_at(self, steps: int) -> Case:
        """The same case with another cap on steps over the own size; ``NO_CAP`` for none."""
        plan = replace(self.plan, most_steps_over_own=steps)
        return replace(self, plan=plan, within_cap=within_cap(plan, self.table, self.steps_over_own))

    @property
    def stock_groups(self) -> tuple[tuple[str, str], ...]:
        """Kind and shape of duct of each stock group, in the order of the program's ``stock_group``."""
        return tuple(dict.fromkeys((s.kind, s.shape) for s in self.tree.sections))

    @property
    def diameter_in(self) -> FloatArray:
        """(n_size,) equivalent diameters."""
        return np.array([size.diameter_in for size in self.table.sizes])

    def labels(self, size_index: IntArray | None) -> dict[str, str]:
        """Section name -> size label; empty for None."""
        if size_index is None:
            return {}
        return {s.name: self.table.sizes[k].label for s, k in zip(self.tree.sections, size_index, strict=True)}

    def size_index(self, labels: Mapping[str, str]) -> IntArray:
        """(n_section,) of section name -> size label; -1 for a section without one."""
        place = {size.label: k for k, size in enumerate(self.table.sizes)}
        return np.array([place[labels[s.name]] if s.name in labels else -1 for s in self.tree.sections], dtype=np.intp)

    def priced_for(self, flex: tuple[str, ...]) -> Case:
        """The same variants at the mean price of other flex products."""
        return replace(self, table=replace(self.table, cost=size_cost(self.plan, self.tree, flex)))

    def cost_of(self, size_index: IntArray) -> float:
        """Cost of a size set, reducers included; NaN where a size is not on sale."""
        return replace(self.problem(), cost=self.table.cost).cost_of(size_index)

    @property
    def flex_duct_cost(self) -> FloatArray:
        """(n_section, n_size) cost of duct of the variants' products alone; 0 where a section is of none of them."""
        flex = tuple(dict.fromkeys(v.flex for v in self.variants.variants))
        is_flex = np.array([s.kind == "flex" and s.product in ("", *flex) for s in self.tree.sections])
        duct_only = size_cost(replace(self.plan, fitting_prices={}), self.tree, flex)
        return np.where(is_flex[:, None] & np.isfinite(duct_only), duct_only, 0.0)

    def path_loss_inwc(self, size_index: IntArray) -> FloatArray:
        """(n_variant, n_path) what each path loses in the given sizes."""
        return np.asarray(at_sizes(self.table.loss_inwc, size_index) @ self.tree.path.T.astype(float))


def least_cost_of(plan: Plan) -> Solution | None:
    """A plan's least cost within its cap on distinct sizes, proven; None where the blower leaves the ducts nothing."""
    try:
        return least_cost(build_case(plan).problem(), max_distinct=plan.max_distinct_sizes or None)
    except InputFaults:
        return None


def build_case(plan: Plan) -> Case:
    """Everything of a plan that sizing needs. InputFaults where the blower leaves nothing for the ducts."""
    tree = build_tree(plan.sections)
    variants = expand_variants(plan, tree)
    air = air_in_ducts(plan, tree, variants.variants)
    table = evaluate_candidates(plan, tree, variants, air)
    budget = build_budget(plan, tree, variants)
    steps = steps_over_own(table, own_sizes(tree, variants, table, budget).friction_rate_size)
    return Case(
        plan=plan,
        air=air,
        tree=tree,
        variants=variants,
        table=table,
        budget=budget,
        steps_over_own=steps,
        within_cap=within_cap(plan, table, steps),
    )
