"""The friction-rate method that a designer does with a pencil, in every variant at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tractduct.network.variants import Variant
from tractduct.physics.friction import diameter_for_friction_rate_in
from tractduct.sizing.budget import worst_by_side
from tractduct.sizing.case import Case
from tractduct.sizing.program import DIAMETER_TOLERANCE_IN, highest_allowed


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FrictionRateSizing:
    """The friction-rate method's answers.

    Attributes
    ----------
    total_effective_length_ft : (n_path,)
        Straight lengths and the fittings' equivalent lengths from the air handler to the register.
    path_available_inwc : (n_variant, n_path)
        What the path's side has; where the blower gives the pressure, split by the losses of a size set or,
        before there is one, by total effective length.
    friction_rate : (n_variant, n_path)
        100 x available pressure / total effective length, infinite where the run is shut. [inWC/100 ft]
    section_friction_rate : (n_variant, n_section)
        The lowest of the open runs through a section: that of the longest. Infinite where all are shut.
    exact_diameter_in : (n_variant, n_section)
        Round diameter with that friction rate at the section's airflow; NaN where there is none.
    own_size : (n_variant, n_section) int
        Smallest standard size that keeps the friction rate and the velocity limit; -1 where none does.
    """

    total_effective_length_ft: NDArray[np.float64]
    path_available_inwc: NDArray[np.float64]
    friction_rate: NDArray[np.float64]
    section_friction_rate: NDArray[np.float64]
    exact_diameter_in: NDArray[np.float64]
    friction_rate_size: NDArray[np.intp]

    @property
    def path_friction_rate(self) -> NDArray[np.float64]:
        """(n_path,) the lowest friction rate of each path over the variants."""
        return np.asarray(self.friction_rate.min(axis=0))


def size_by_friction_rate(case: Case, size_index: NDArray[np.intp] | None = None) -> FrictionRateSizing:
    """Size every section in every variant alone by the friction-rate method.

    ``size_index`` (n_section,) is a size set whose losses split a pressure that the blower gives; without it,
    and where the plan gives the pressure of each side, it does not matter.

    Fittings count by their equivalent lengths; loss coefficients are left to the check of the whole path. A
    compressed flex counts with the friction that it has as installed.
    """
    tree, variants, table = case.tree, case.variants, case.table
    data = table.sections
    length = tree.path @ data.effective_length_ft
    size_of_path = np.tile(length, (len(variants.variants), 1))
    if size_index is not None:
        size_of_path = case.path_loss_inwc(size_index)
    worst = worst_by_side(tree, variants.open_run, size_of_path)
    available = case.budget.path_available_inwc(tree, worst)
    rate = np.divide(100.0 * available, length, out=np.full(available.shape, np.inf), where=length > 0.0)
    rate = np.where(variants.open_run, rate, np.inf)
    through = tree.path[None, :, :] & variants.open_run[:, :, None]
    section_rate = np.where(through, rate[:, :, None], np.inf).min(axis=1, initial=np.inf)
    fits = (
        (table.friction_rate_inwc_per_100ft <= highest_allowed(section_rate)[:, :, None])
        & table.velocity_ok
        & table.offered
    )
    # Sizes of one shape stand in the order of their diameter, so the first that fits is the smallest.
    own = np.where(fits.any(axis=2), fits.argmax(axis=2), -1)
    finite = np.where(np.isfinite(section_rate), section_rate, 1.0)
    exact = diameter_for_friction_rate_in(
        finite,
        np.where(np.isfinite(section_rate), variants.airflow_cfm, 0.0),
        table.ducts.roughness_ft,
        case.air,
        table.ducts.derate,
        table.ducts.compression_pct,
        data.straight_part,
        case.plan.least_factor_12_in,
    )
    return FrictionRateSizing(
        total_effective_length_ft=length,
        path_available_inwc=available,
        friction_rate=rate,
        section_friction_rate=section_rate,
        exact_diameter_in=exact,
        friction_rate_size=own,
    )


def single_orientation_set(case: Case, by_friction_rate: FrictionRateSizing) -> tuple[Variant, NDArray[np.intp]]:
    """What a designer draws who sizes for the worst front in the flex product assumed, the first approved.

    The worst front, mirrored or not, is the one whose hand sizes take the most duct wall; of several the first. Each
    section gets the larger of its heating and cooling sizes there; a parent is at least as large as its children.
    Sections that no size fits get the largest.

    Returns a variant of the front looked at and the size index (n_section,).
    """
    variants, plan = case.variants, case.plan
    length = np.array([s.length_ft for s in case.tree.sections])
    wall = np.array([size.wall_ft2_per_ft for size in case.table.sizes])
    assumed = [v for v in variants.variants if (v.season, v.flex) == (plan.seasons[0], plan.flex[0])]
    sets = [
        _drawn_for(case, by_friction_rate, variants.where(front=v.front, mirrored=v.mirrored, flex=v.flex))
        for v in assumed
    ]
    worst = int(np.argmax([round(float(length @ wall[sizes]), 6) for sizes in sets]))
    return assumed[worst], sets[worst]


def _drawn_for(case: Case, by_friction_rate: FrictionRateSizing, looked_at: NDArray[np.bool_]) -> NDArray[np.intp]:
    """(n_section,) the hand sizes that serve the variants of a mask."""
    tree, table, diameter = case.tree, case.table, case.diameter_in
    largest = np.array([np.flatnonzero(b)[-1] for b in table.bounded], dtype=np.intp)
    own: NDArray[np.intp] = np.where(
        by_friction_rate.friction_rate_size[looked_at] < 0, largest, by_friction_rate.friction_rate_size[looked_at]
    ).max(axis=0)
    for child in range(len(tree.sections) - 1, -1, -1):
        own[child] = _nearest_bounded(own[child], table.bounded[child])
        parent = tree.parent[child]
        if parent >= 0 and diameter[own[parent]] < diameter[own[child]] - DIAMETER_TOLERANCE_IN:
            wide = table.shaped[parent] & (diameter >= diameter[own[child]] - DIAMETER_TOLERANCE_IN)
            own[parent] = int(np.argmax(wide)) if wide.any() else largest[parent]
    return own


def _nearest_bounded(size: int, bounded: NDArray[np.bool_]) -> int:
    """The smallest size within a section's bounds that is at least the given one, or its largest."""
    within = np.flatnonzero(bounded)
    larger = within[within >= size]
    return int(larger[0] if larger.size else within[-1])
