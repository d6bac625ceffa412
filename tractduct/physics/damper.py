"""What the blade of a balancing damper takes, by its angle."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from tractduct.arrays import FloatArray
from tractduct.physics.air import Air, velocity_pressure_inwc

STEP_DEG = 5.0  # what a crew can set on a quadrant; common practice, no source
# Loss coefficient of a disc on a shaft across a round pipe, every 5 degrees from wide open: J. Weisbach's measurements
# (Lehrbuch der Ingenieur- und Maschinen-Mechanik, 1855), as textbooks of hydraulics reprint them; from memory. A blade
# wide open counts nothing.
_COEFFICIENT = (0.0, 0.24, 0.52, 0.90, 1.54, 2.51, 3.91, 6.22, 10.8, 18.7, 32.6, 58.8, 118.0, 256.0, 751.0)


def blade_angles_deg() -> FloatArray:
    """The settings, from wide open (0) to all but shut; (n_setting,)."""
    return np.asarray(STEP_DEG * np.arange(len(_COEFFICIENT)), dtype=np.float64)


def blade_loss_coefficients() -> FloatArray:
    """Of the velocity pressure in the run, at each of ``blade_angles_deg``; (n_setting,)."""
    return np.array(_COEFFICIENT)


def blade_free_share(angle_deg: ArrayLike) -> FloatArray:
    """Share of the round opening that a disc at an angle leaves free: 1 - sin(angle)."""
    return np.asarray(1.0 - np.sin(np.radians(np.asarray(angle_deg, dtype=float))))


def blade_inwc_per_cfm2(area_ft2: ArrayLike, air: Air) -> FloatArray:
    """What every setting takes at 1 cfm in ducts of a free area; (..., n_setting)."""
    one = np.asarray(velocity_pressure_inwc(1.0 / np.asarray(area_ft2, dtype=float), air), dtype=np.float64)
    return np.asarray(one[..., None] * blade_loss_coefficients())
