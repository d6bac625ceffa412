"""The friction-rate method that a designer does with a pencil, in every variant at once."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from tractduct.physics.friction import diameter_for_friction_rate_in
from tractduct.sizing.case import Case
from tractduct.sizing.own import OwnSizes, own_sizes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HandSizing(OwnSizes):
    """The friction-rate method's answers.

    ``exact_diameter_in`` (n_variant, n_section): round diameter with the section's friction rate at its airflow; NaN
    where there is none.
    """

    exact_diameter_in: NDArray[np.float64]

    @property
    def path_friction_rate(self) -> NDArray[np.float64]:
        """(n_path,) the lowest friction rate of each path over the variants."""
        return np.asarray(self.friction_rate.min(axis=0))


def size_by_hand(case: Case, size_index: NDArray[np.intp] | None = None) -> HandSizing:
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
    )
    return HandSizing(**{f.name: getattr(own, f.name) for f in fields(own)}, exact_diameter_in=exact)


def single_orientation_set(case: Case, hand: HandSizing) -> tuple[tuple[str, bool], NDArray[np.intp]]:
    """What a designer draws who looks at one case: the orientation with the largest total airflow.

    Each section gets the larger of its heating and cooling sizes in that orientation, in the first approved
    flex product; a parent is at least as large as its children. Sections that no size fits get the largest.

    Returns the (front face, mirrored) looked at and the size index (n_section,).
    """
    tree, variants, table = case.tree, case.variants, case.table
    total = variants.room_airflow_cfm.sum(axis=1)
    first_flex = variants.variants[0].flex
    look = variants.variants[int(np.argmax(np.round(total)))]
    looked_at = variants.where(face=look.front_faces, mirrored=look.mirrored, flex=first_flex)
    largest = np.array([np.flatnonzero(b)[-1] for b in table.bounded], dtype=np.intp)
    own = np.where(hand.own_size[looked_at] < 0, largest, hand.own_size[looked_at]).max(axis=0)
    diameter = case.diameter_in
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
