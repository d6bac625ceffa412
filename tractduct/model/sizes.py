"""Standard duct sizes: what people call them, and what the physics needs of them."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from tractduct.physics.friction import equivalent_diameter_in, round_area_ft2
from tractduct.units import UnitSystem


@dataclass(frozen=True, slots=True, kw_only=True)
class Size:
    """One standard size.

    ``label`` is the trade's name, ``7`` or ``8x12``, in SI ``160`` or ``200x300``. ``diameter_in`` is
    the equivalent diameter of a rectangular size; friction goes by it, velocity by the real ``area_ft2``;
    ``wall_ft2_per_ft`` is the wall's area in a foot of length.
    """

    label: str
    shape: str
    diameter_in: float
    area_ft2: float
    wall_ft2_per_ft: float

    def lies_between(self, low_in: float, high_in: float) -> bool:
        """Whether its (equivalent) diameter lies inside bounds that other sizes gave."""
        return low_in - 1e-9 <= self.diameter_in <= high_in + 1e-9


def size_of(value: float | tuple[float, float], units: UnitSystem) -> Size:
    """The size of a nominal diameter, or of (width, height), as the plan's units have it."""
    if not isinstance(value, tuple):
        return replace(round_size(units.core(value, "in")), label=f"{value:g}")
    width_in, height_in = (units.core(side, "in") for side in value)
    return Size(
        label=f"{value[0]:g}x{value[1]:g}",
        shape="rectangular",
        diameter_in=float(equivalent_diameter_in(width_in, height_in)),
        area_ft2=width_in * height_in / 144.0,
        wall_ft2_per_ft=2.0 * (width_in + height_in) / 12.0,
    )


def round_size(diameter_in: float) -> Size:
    """A round size by its diameter."""
    return Size(
        label=f"{diameter_in:g}",
        shape="round",
        diameter_in=diameter_in,
        area_ft2=float(round_area_ft2(diameter_in)),
        wall_ft2_per_ft=math.pi * diameter_in / 12.0,
    )
