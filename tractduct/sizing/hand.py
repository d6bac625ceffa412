"""The friction-rate method that a designer does with a pencil, in every variant at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tractduct.network.tree import DuctTree
from tractduct.network.variants import VariantSet
from tractduct.physics.air import Air
from tractduct.physics.friction import diameter_for_friction_rate_in
from tractduct.sizing.candidates import CandidateTable
from tractduct.sizing.program import HOLDS_TOLERANCE


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HandSizing:
    """The friction-rate method's answers.

    Attributes
    ----------
    total_effective_length_ft : (n_path,)
        Straight lengths and the fittings' equivalent lengths from the air handler to the register.
    path_friction_rate : (n_path,)
        100 x available pressure / total effective length. [inWC/100 ft]
    section_friction_rate : (n_variant, n_section)
        The lowest of the open runs through a section: that of the longest. Infinite where all are shut.
    exact_diameter_in : (n_variant, n_section)
        Round diameter with that friction rate at the section's airflow; NaN where there is none.
    own_size : (n_variant, n_section) int
        Smallest standard size that keeps the friction rate and the velocity limit; -1 where none does.
    """

    total_effective_length_ft: NDArray[np.float64]
    path_friction_rate: NDArray[np.float64]
    section_friction_rate: NDArray[np.float64]
    exact_diameter_in: NDArray[np.float64]
    own_size: NDArray[np.intp]


def size_by_hand(tree: DuctTree, variants: VariantSet, table: CandidateTable, air: Air) -> HandSizing:
    """Size every section in every variant alone by the friction-rate method.

    Fittings count by their equivalent lengths; loss coefficients are left to the check of the whole path. A
    compressed flex counts with the friction that it has as installed.
    """
    data = table.sections
    length = tree.path @ data.effective_length_ft
    available = data.available_inwc[tree.run_section]
    rate = np.divide(100.0 * available, length, out=np.full(length.shape, np.inf), where=length > 0.0)
    through = tree.path[None, :, :] & variants.open_run[:, :, None]
    section_rate = np.where(through, rate[None, :, None], np.inf).min(axis=1, initial=np.inf)
    fits = (
        (table.friction_rate_inwc_per_100ft <= section_rate[:, :, None] * (1.0 + HOLDS_TOLERANCE))
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
        air,
        table.ducts.derate,
        table.ducts.compression_pct,
        data.straight_part,
    )
    return HandSizing(
        total_effective_length_ft=length,
        path_friction_rate=rate,
        section_friction_rate=section_rate,
        exact_diameter_in=exact,
        own_size=own,
    )


def single_orientation_set(
    tree: DuctTree, variants: VariantSet, table: CandidateTable, hand: HandSizing
) -> tuple[tuple[str, bool], NDArray[np.intp]]:
    """What a designer draws who looks at one case: the orientation with the largest total airflow.

    Each section gets the larger of its heating and cooling sizes in that orientation, in the first approved
    flex product; a parent is at least as large as its children. Sections that no size fits get the largest.

    Returns the (front face, mirrored) looked at and the size index (n_section,).
    """
    total = variants.room_airflow_cfm.sum(axis=1)
    first_flex = variants.variants[0].flex
    look = variants.variants[int(np.argmax(np.round(total)))]
    case = variants.where(face=look.front_faces, mirrored=look.mirrored, flex=first_flex)
    largest = np.array([np.flatnonzero(b)[-1] for b in table.bounded], dtype=np.intp)
    own = np.where(hand.own_size[case] < 0, largest, hand.own_size[case]).max(axis=0)
    diameter = np.array([size.diameter_in for size in table.sizes])
    for child in range(len(tree.sections) - 1, -1, -1):
        own[child] = _nearest_bounded(own[child], table.bounded[child])
        parent = tree.parent[child]
        if parent >= 0 and diameter[own[parent]] < diameter[own[child]] - 1e-9:
            wide = table.shaped[parent] & (diameter >= diameter[own[child]] - 1e-9)
            own[parent] = int(np.argmax(wide)) if wide.any() else largest[parent]
    return (look.front_faces, look.mirrored), own


def _nearest_bounded(size: int, bounded: NDArray[np.bool_]) -> int:
    """The smallest size within a section's bounds that is at least the given one, or its largest."""
    within = np.flatnonzero(bounded)
    larger = within[within >= size]
    return int(larger[0] if larger.size else within[-1])
