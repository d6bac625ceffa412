"""What every standard size would lose, and how fast its air would move, in every section and variant."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tractduct.arrays import BoolArray, FloatArray, IntArray, each
from tractduct.model.plan import Plan, candidate_sizes
from tractduct.model.sizes import Size
from tractduct.model.words import FLEX
from tractduct.network.tree import DuctTree
from tractduct.network.variants import VariantSet
from tractduct.physics.air import Air, velocity_pressure_inwc
from tractduct.physics.friction import installed_friction_rate_inwc_per_100ft
from tractduct.sizing.program import highest_allowed


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DuctData:
    """What each section is made of in each variant.

    ``roughness_ft``, ``derate``, ``compression_pct`` are (n_variant, n_section). ``diameter_in`` and ``area_ft2``
    are those that the air has, (n_variant, n_section, n_size). ``correction`` likewise: what a published
    friction table says over roughness and derate at the design airflow, 1 without one; ``in_table`` is False
    where a product has a table and the airflow or the size is outside it.
    """

    roughness_ft: FloatArray
    derate: FloatArray
    compression_pct: FloatArray
    diameter_in: FloatArray
    area_ft2: FloatArray
    correction: FloatArray
    in_table: BoolArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SectionData:
    """What does not change with the variant, as arrays of (n_section,)."""

    length_ft: FloatArray
    effective_length_ft: FloatArray  # straight length and the fittings' equivalent lengths
    straight_part: FloatArray
    loss_coefficient: FloatArray
    velocity_limit_fpm: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CandidateTable:
    """Every size in every section and variant.

    Attributes
    ----------
    sizes : n_size of them; those of another shape than the section's are not candidates
    least_compression_factor : (n_size,), of flex that is compressed
    friction_rate_inwc_per_100ft, velocity_fpm, loss_inwc : (n_variant, n_section, n_size)
        The friction rate is as installed, on average over the section's effective length.
    shaped : (n_section, n_size) bool, the size is of the section's shape
    bounded : (n_section, n_size) bool, of its shape and within its bounds
    offered : (n_variant, n_section, n_size) bool, on sale in the duct of that variant
    cost : (n_section, n_size), mean over the approved flex products; NaN where not on sale
    """

    sizes: tuple[Size, ...]
    least_compression_factor: FloatArray
    sections: SectionData
    ducts: DuctData
    friction_rate_inwc_per_100ft: FloatArray
    velocity_fpm: FloatArray
    loss_inwc: FloatArray
    shaped: BoolArray
    bounded: BoolArray
    offered: BoolArray
    cost: FloatArray

    @property
    def velocity_ok(self) -> BoolArray:
        """(n_variant, n_section, n_size) bool: the velocity is at most the section's limit."""
        return self.velocity_fpm <= highest_allowed(self.sections.velocity_limit_fpm)[:, None]

    @property
    def on_sale(self) -> BoolArray:
        """(n_section, n_size) bool: within the section's bounds, and offered in every product it may be of."""
        return np.asarray(self.bounded & np.all(self.offered, axis=0) & np.isfinite(self.cost))

    def rows(self, rows: IntArray, cost: FloatArray) -> CandidateTable:
        """The variants of these rows, at a cost (n_section, n_size) of their own."""
        return replace(
            self,
            ducts=each(self.ducts, lambda values: values[rows]),
            friction_rate_inwc_per_100ft=self.friction_rate_inwc_per_100ft[rows],
            velocity_fpm=self.velocity_fpm[rows],
            loss_inwc=self.loss_inwc[rows],
            offered=self.offered[rows],
            cost=cost,
        )


def at_sizes(values: NDArray[Any], size_index: IntArray) -> NDArray[Any]:
    """(n_variant, n_section) out of (n_variant, n_section, n_size) at the chosen sizes."""
    return np.take_along_axis(values, size_index[None, :, None], axis=2)[:, :, 0]


def evaluate_candidates(plan: Plan, tree: DuctTree, variants: VariantSet, air: Air) -> CandidateTable:
    """Loss, velocity and cost of every size, in one pass of array arithmetic; ``air`` (n_variant, n_section).

    Loss of a section = friction rate x (length x compression factor + equivalent lengths) / 100 + loss
    coefficients x velocity pressure. No airflow, no loss.
    """
    sections = section_data(plan, tree)
    ducts = duct_data(plan, tree, variants)
    flow, air = variants.airflow_cfm[:, :, None], air[:, :, None]
    least_factor = np.array([plan.least_compression_factor(size) for size in plan.sizes])
    rate = ducts.correction * installed_friction_rate_inwc_per_100ft(
        flow,
        ducts.diameter_in,
        ducts.roughness_ft[:, :, None],
        air,
        ducts.derate[:, :, None],
        ducts.compression_pct[:, :, None],
        sections.straight_part[:, None],
        least_factor,
    )
    velocity = flow / ducts.area_ft2
    loss = rate * (sections.effective_length_ft / 100.0)[:, None]
    if np.any(sections.loss_coefficient):
        loss = loss + sections.loss_coefficient[:, None] * velocity_pressure_inwc(velocity, air)
    shaped = np.array([[size.shape == s.shape for size in plan.sizes] for s in tree.sections])
    within = [{size.label for size in candidate_sizes(s, plan.sizes)} for s in tree.sections]
    bounded = np.array([[size.label in labels for size in plan.sizes] for labels in within])
    on_sale = {flex: np.isfinite(size_cost(plan, tree, (flex,))) for flex in plan.flex}
    return CandidateTable(
        sizes=plan.sizes,
        least_compression_factor=least_factor,
        sections=sections,
        ducts=ducts,
        friction_rate_inwc_per_100ft=rate,
        velocity_fpm=velocity,
        loss_inwc=loss,
        shaped=shaped,
        bounded=bounded,
        offered=shaped & np.array([on_sale[v.flex] for v in variants.variants]),
        cost=size_cost(plan, tree, plan.flex),
    )


def section_data(plan: Plan, tree: DuctTree) -> SectionData:
    """The plan's sections as arrays."""
    length = np.array([s.length_ft for s in tree.sections])
    effective = length + np.array([plan.equivalent_lengths_ft(s) for s in tree.sections])
    return SectionData(
        length_ft=length,
        effective_length_ft=effective,
        straight_part=np.divide(length, effective, out=np.ones_like(length), where=effective > 0.0),
        loss_coefficient=np.array([plan.loss_coefficients(s) for s in tree.sections]),
        velocity_limit_fpm=np.array([plan.velocity_limit_fpm(s) for s in tree.sections]),
    )


def duct_data(plan: Plan, tree: DuctTree, variants: VariantSet) -> DuctData:
    """What each section is made of, by variant."""
    names = list(dict.fromkeys(plan.duct_of(s, flex).name for flex in plan.flex for s in tree.sections))
    ducts = [plan.ducts[name] for name in names]
    by_flex = {flex: [names.index(plan.duct_of(s, flex).name) for s in tree.sections] for flex in plan.flex}
    which = np.array([by_flex[v.flex] for v in variants.variants])  # (n_variant, n_section)
    made = [[plan.as_made(name, size) for size in plan.sizes] for name in names]
    correction = np.ones((*which.shape, len(plan.sizes)))
    in_table = np.ones(correction.shape, dtype=bool)
    for d, duct in enumerate(ducts):
        if duct.correction is None:
            continue
        mine = which == d
        for k, size in enumerate(plan.sizes):
            across = size.diameter_in if size.shape == "round" else 0.0
            correction[mine, k], in_table[mine, k] = duct.correction.factor(across, variants.airflow_cfm[mine])
    return DuctData(
        roughness_ft=np.array([d.roughness_ft for d in ducts], dtype=float)[which],
        derate=np.array([d.airflow_derate_pct for d in ducts])[which] / 100.0,
        compression_pct=np.array([d.compression_pct for d in ducts])[which],
        diameter_in=np.array([[size.diameter_in for size in row] for row in made])[which],
        area_ft2=np.array([[size.area_ft2 for size in row] for row in made])[which],
        correction=correction,
        in_table=in_table,
    )


def size_cost(plan: Plan, tree: DuctTree, flex: tuple[str, ...]) -> FloatArray:
    """(n_section, n_size): length x price, the mean over some flex products; duct wall area without prices.

    Where fittings have prices, those of a section count too, but for reducers; a piece at a parent counts once, in
    the parent. NaN where a duct or a fitting is not offered in a size, or a duct has no price.
    """
    length = np.array([s.length_ft for s in tree.sections])
    if plan.prices:
        by_duct = {
            duct: np.array([plan.prices.get((duct, size.label)) for size in plan.sizes], dtype=float)  # None is NaN
            for duct in {*plan.flex, *(s.duct_in(FLEX) for s in tree.sections)} - {FLEX}
        }
        flex_price = np.mean([by_duct[f] for f in flex], axis=0)
        duct = np.array([by_duct.get(s.duct_in(FLEX), flex_price) for s in tree.sections])
    else:
        duct = np.array([size.wall_ft2_per_ft for size in plan.sizes])
    cost: FloatArray = length[:, None] * duct
    return cost + _fitting_cost(plan, tree, reducers=False) if plan.prices and plan.fitting_prices else cost


def change_cost(plan: Plan, tree: DuctTree) -> FloatArray | None:
    """(n_section, n_size): reducers bought where a section's size differs from its parent's; None without any."""
    if not plan.prices or not plan.fitting_prices:
        return None
    cost = _fitting_cost(plan, tree, reducers=True)
    cost[tree.parent < 0] = 0.0
    return cost if np.any(cost > 0.0) else None


def _fitting_cost(plan: Plan, tree: DuctTree, *, reducers: bool) -> FloatArray:
    """(n_section, n_size); NaN where one is not offered. A reducer that is not offered costs nothing here."""
    row = {section.name: i for i, section in enumerate(tree.sections)}
    cost = np.zeros((len(row), len(plan.sizes)))
    for piece in plan.pieces():
        if piece.is_reducer == reducers:
            price = [plan.fitting_prices.get((piece.fitting, size.label), 0.0) for size in plan.sizes]
            of_sizes = np.array(price, dtype=float)  # None is NaN
            cost[row[piece.section]] += piece.count * (np.nan_to_num(of_sizes) if reducers else of_sizes)
    return cost
