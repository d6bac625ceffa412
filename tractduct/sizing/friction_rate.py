"""The friction-rate method that a designer does with a pencil, in every variant at once."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from tractduct.arrays import BoolArray, FloatArray, IntArray
from tractduct.network.variants import Variant
from tractduct.physics.friction import diameter_for_friction_rate_in
from tractduct.sizing.case import Case
from tractduct.sizing.own import OwnSizes, own_sizes
from tractduct.sizing.program import DIAMETER_TOLERANCE_IN


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FrictionRateSizing(OwnSizes):
    """The friction-rate method's answers.

    ``exact_diameter_in`` (n_variant, n_section): round diameter with the section's friction rate at its airflow; NaN
    where there is none.
    """

    exact_diameter_in: FloatArray

    @property
    def path_friction_rate(self) -> FloatArray:
        """(n_path,) the lowest friction rate of each path over the variants."""
        return np.asarray(self.friction_rate.min(axis=0))


def size_by_friction_rate(case: Case, size_index: IntArray | None = None) -> FrictionRateSizing:
    """Size every section in every variant alone by the friction-rate method.

    ``size_index`` (n_section,) is a size set whose losses split a pressure that the blower gives; without it,
    and where the plan gives the pressure of each side, it does not matter.
    """
    variants, table = case.variants, case.table
    loss = None if size_index is None else case.path_loss_inwc(size_index)
    own = own_sizes(case.tree, variants, table, case.budget, loss)
    finite = np.isfinite(own.section_friction_rate)
    exact = diameter_for_friction_rate_in(
        np.where(finite, own.section_friction_rate, 1.0),
        np.where(finite, variants.airflow_cfm, 0.0),
        table.ducts.roughness_ft,
        case.air,
        table.ducts.derate,
        table.ducts.compression_pct,
        table.sections.straight_part,
        case.plan.least_factor_12_in,
    )
    return FrictionRateSizing(**{f.name: getattr(own, f.name) for f in fields(own)}, exact_diameter_in=exact)


def single_orientation_set(case: Case, by_friction_rate: FrictionRateSizing) -> tuple[Variant, IntArray]:
    """What a designer draws who sizes for the worst front in the flex product assumed, the first approved.

    The worst front, mirrored or not, is the one whose hand sizes take the most duct wall; of several the first. Each
    section gets the larger of its heating and cooling sizes there; a parent is at least as large as its children.
    Sections that no size fits get the largest.

    Returns a variant of the front looked at and the size index (n_section,).
    """
    variants, plan = case.variants, case.plan
    length = np.array([s.length_ft for s in case.tree.sections])
    wall = np.array([size.wall_ft2_per_ft for size in case.table.sizes])
    first = plan.seasons[0], plan.flex[0], plan.every_house[0].options
    assumed = [v for v in variants.variants if (v.season, v.flex, v.options) == first]
    sets = [
        _drawn_for(case, by_friction_rate, variants.where(front=v.front, mirrored=v.mirrored, flex=v.flex))
        for v in assumed
    ]
    worst = int(np.argmax([round(float(length @ wall[sizes]), 6) for sizes in sets]))
    return assumed[worst], sets[worst]


def _drawn_for(case: Case, by_friction_rate: FrictionRateSizing, looked_at: BoolArray) -> IntArray:
    """(n_section,) the hand sizes that serve the variants of a mask."""
    tree, table, diameter = case.tree, case.table, case.diameter_in
    largest = np.array([np.flatnonzero(b)[-1] for b in table.bounded], dtype=np.intp)
    by_hand = by_friction_rate.friction_rate_size[looked_at]
    own: IntArray = np.where(by_hand < 0, largest, by_hand).max(axis=0)
    for child in range(len(tree.sections) - 1, -1, -1):
        # The smallest within its bounds that is at least as large, or the largest.
        within = np.flatnonzero(table.bounded[child])
        own[child] = within[min(np.searchsorted(within, own[child]), within.size - 1)]
        parent = tree.parent[child]
        if parent >= 0 and diameter[own[parent]] < diameter[own[child]] - DIAMETER_TOLERANCE_IN:
            wide = table.shaped[parent] & (diameter >= diameter[own[child]] - DIAMETER_TOLERANCE_IN)
            own[parent] = int(np.argmax(wide)) if wide.any() else largest[parent]
    return own
