"""The size-set program: which standard size each section gets."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

HOLDS_TOLERANCE = 1e-9  # relative; what "at most" means wherever a limit is tested


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SizingProblem:
    """Everything the choice of sizes depends on, as arrays; no ducts, no files.

    Axes: ``n_variant``, ``n_section``, ``n_size`` (all standard sizes, whatever their shape), ``n_path``.

    Attributes
    ----------
    loss_inwc : (n_variant, n_section, n_size)
        Pressure lost by a section at its airflow in a variant. Meaningless where not allowed.
    cost : (n_section, n_size)
        Cost of a section in a size; finite where allowed, at least 0.
    allowed : (n_section, n_size) bool
        The size is of the section's shape, on sale, within its bounds, and keeps its velocity limit in
        every variant.
    diameter_in : (n_size,)
        Equivalent diameter: no section may be larger than its parent.
    parent : (n_section,) int
        Index of the section on the air handler's side, -1 at the air handler. A parent comes before its
        children.
    stock_group : (n_section,) int, from 0
        Sections of one duct kind and shape. Distinct sizes are pairs (group, size).
    path : (n_path, n_section) bool
        Sections from the air handler to a register or grille.
    available_inwc : (n_variant, n_path)
        What a path may lose in a variant; ``inf`` where its run is shut.
    """

    loss_inwc: NDArray[np.float64]
    cost: NDArray[np.float64]
    allowed: NDArray[np.bool_]
    diameter_in: NDArray[np.float64]
    parent: NDArray[np.intp]
    stock_group: NDArray[np.intp]
    path: NDArray[np.bool_]
    available_inwc: NDArray[np.float64]
