"""What the friction-rate method gives each section alone, and how far above it a size may be."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tractduct.arrays import BoolArray, FloatArray, IntArray
from tractduct.model.plan import NO_CAP, Plan
from tractduct.network.tree import DuctTree
from tractduct.network.variants import VariantSet
from tractduct.sizing.budget import Budget
from tractduct.sizing.candidates import CandidateTable
from tractduct.sizing.program import DIAMETER_TOLERANCE_IN, highest_allowed


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OwnSizes:
    """The friction-rate method in every variant.

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
    own_size : (n_variant, n_section) int
        Smallest standard size that keeps the friction rate and the velocity limit; -1 where none does.
    """

    total_effective_length_ft: FloatArray
    path_available_inwc: FloatArray
    friction_rate: FloatArray
    section_friction_rate: FloatArray
    friction_rate_size: IntArray


def own_sizes(
    tree: DuctTree,
    variants: VariantSet,
    table: CandidateTable,
    budget: Budget,
    path_loss_inwc: FloatArray | None = None,
) -> OwnSizes:
    """Size every section in every variant alone.

    ``path_loss_inwc`` (n_variant, n_path) splits a pressure that the blower gives. Without it, and for the cap, it
    is split by total effective length, so that it does not hang on the sizes that are yet to be chosen.
    Fittings count by their equivalent lengths; loss coefficients are left to the check of the whole path. A
    compressed flex counts with the friction that it has as installed.
    """
    length = tree.path @ table.sections.effective_length_ft
    of_path = np.tile(length, (len(variants.variants), 1)) if path_loss_inwc is None else path_loss_inwc
    available = budget.path_available_inwc(tree, variants.open_run, of_path)
    rate = np.divide(100.0 * available, length, out=np.full(available.shape, np.inf), where=length > 0.0)
    rate = np.where(variants.open_run, rate, np.inf)
    through = tree.path[None, :, :] & variants.open_run[:, :, None]
    section_rate = np.where(through, rate[:, :, None], np.inf).min(axis=1, initial=np.inf)
    fits = (
        (table.friction_rate_inwc_per_100ft <= highest_allowed(section_rate)[:, :, None])
        & table.velocity_ok
        & table.offered
    )
    return OwnSizes(
        total_effective_length_ft=length,
        path_available_inwc=available,
        friction_rate=rate,
        section_friction_rate=section_rate,
        # Sizes of one shape stand in the order of their diameter, so the first that fits is the smallest.
        friction_rate_size=np.where(fits.any(axis=2), fits.argmax(axis=2), -1),
    )


def steps_over_own(table: CandidateTable, friction_rate_size: IntArray) -> IntArray:
    """(n_section, n_size) how many standard sizes each is above the largest own size (n_variant, n_section).

    Sizes are counted among the plan's of the section's shape, on sale or not, by rising equivalent diameter; those
    of one diameter are one step. Below 1 for sizes that are not larger, and for all sizes of a section that has no
    own size in some variant: the friction-rate method then gives no size that could be too large.
    """
    diameter = np.array([size.diameter_in for size in table.sizes])
    rank = np.zeros(table.shaped.shape, dtype=np.intp)
    for i, mine in enumerate(table.shaped):
        order = np.flatnonzero(mine)
        rank[i, order[1:]] = np.cumsum(np.diff(diameter[order]) > DIAMETER_TOLERANCE_IN)
    own = rank[np.arange(len(rank)), friction_rate_size.max(axis=0)]
    blank = friction_rate_size.min(axis=0) < 0
    return np.where(blank[:, None], 0, rank - own[:, None])


def within_cap(plan: Plan, table: CandidateTable, steps: IntArray) -> BoolArray:
    """(n_section, n_size) bool: the sizes that ``most_steps_over_own`` leaves.

    A section's own bounds come first: a fixed size stays, and where every size on sale from its ``min_in`` on is
    above the cap, the smallest of them does.
    """
    if plan.most_steps_over_own >= NO_CAP:
        return np.ones(steps.shape, dtype=bool)
    within = steps <= plan.most_steps_over_own
    on_sale = table.on_sale
    for i, section in enumerate(plan.sections):
        if section.fixed:
            within[i] = True
        elif section.min_in > 0.0 and on_sale[i].any() and not (within[i] & on_sale[i]).any():
            within[i] = steps[i] <= steps[i, np.argmax(on_sale[i])]
    return within
