"""Air at the site, and the pressure that moving air carries."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tractduct.units import KG_PER_LB, M_PER_FT, PA_PER_INWC

STANDARD_TEMPERATURE_F = 70.0
STANDARD_DENSITY_LB_PER_FT3 = 0.075  # dry air, 70 F, sea level: the standard air of duct tables
# Duct tables write Re = 8.56 D V with D in inches and V in fpm; that implies this viscosity of standard air.
STANDARD_KINEMATIC_VISCOSITY_FT2_PER_S = 1.0 / (8.56 * 12.0 * 60.0)
STANDARD_VELOCITY_FPM = 4005.0  # velocity whose pressure is 1 inWC in standard air; common practice, no source

_RANKINE_OFFSET = 459.67
_SUTHERLAND_R = 198.72  # 110.4 K, Sutherland's constant of air (any viscous flow text; from memory)


@dataclass(frozen=True, slots=True)
class Air:
    """Air in the ducts, one for all or one for each section in each variant.

    density_lb_per_ft3 and kinematic_viscosity_ft2_per_s are positive, numbers or arrays of one shape such as
    (n_variant, n_section); ``density_ratio`` is the density over that of standard air.
    """

    density_lb_per_ft3: float | NDArray[np.float64] = STANDARD_DENSITY_LB_PER_FT3
    kinematic_viscosity_ft2_per_s: float | NDArray[np.float64] = STANDARD_KINEMATIC_VISCOSITY_FT2_PER_S

    @property
    def density_ratio(self) -> float | NDArray[np.float64]:
        return self.density_lb_per_ft3 / STANDARD_DENSITY_LB_PER_FT3

    def __getitem__(self, at: Any) -> Air:
        """The air at an index of the arrays, such as ``[rows]`` or ``[:, :, None]``."""
        return Air(np.asarray(self.density_lb_per_ft3)[at], np.asarray(self.kinematic_viscosity_ft2_per_s)[at])


def site_air(elevation_ft: float = 0.0, air_temperature_f: float = STANDARD_TEMPERATURE_F) -> Air:
    """Air at a site's elevation and at the temperature in the ducts.

    Density follows the elevation by (1 - 6.8754e-6 z)^5.2559, the pressure of the US Standard Atmosphere 1976 below
    11 km (form from memory; agrees with US Bureau of Reclamation, Design Guide for HVAC Systems, 2006, Table 6a, at
    6000 to 8000 ft), and the ideal gas law.
    Dynamic viscosity follows the temperature by Sutherland's law and does not depend on the elevation.

    Raises ValueError outside -2000 to 30000 ft or -60 to 250 F.
    """
    if not -2000.0 <= elevation_ft <= 30000.0:
        raise ValueError(f"elevation_ft must lie between -2000 and 30000, got {elevation_ft!r}")
    if not -60.0 <= air_temperature_f <= 250.0:
        raise ValueError(f"air_temperature_f must lie between -60 and 250, got {air_temperature_f!r}")
    absolute = air_temperature_f + _RANKINE_OFFSET
    standard = STANDARD_TEMPERATURE_F + _RANKINE_OFFSET
    density = STANDARD_DENSITY_LB_PER_FT3 * (1.0 - 6.8754e-6 * elevation_ft) ** 5.2559 * standard / absolute
    viscosity_ratio = (absolute / standard) ** 1.5 * (standard + _SUTHERLAND_R) / (absolute + _SUTHERLAND_R)
    dynamic = STANDARD_DENSITY_LB_PER_FT3 * STANDARD_KINEMATIC_VISCOSITY_FT2_PER_S * viscosity_ratio
    return Air(density_lb_per_ft3=density, kinematic_viscosity_ft2_per_s=dynamic / density)


def velocity_pressure_inwc(velocity_fpm: ArrayLike, air: Air) -> NDArray[np.float64]:
    """Velocity pressure as the trade writes it: (V / 4005)^2 times the density ratio. [inWC]

    Used for loss coefficients. It stands 0.2 % above ``dynamic_pressure_inwc`` because 4005 was rounded
    with warmer water; the pencil check and the program then agree to the last digit.
    """
    velocity = np.asarray(velocity_fpm, dtype=float)
    return (velocity / STANDARD_VELOCITY_FPM) ** 2 * air.density_ratio


def dynamic_pressure_inwc(velocity_fpm: ArrayLike, air: Air) -> NDArray[np.float64]:
    """Half density times velocity squared, by exact unit factors. [inWC] Used for friction."""
    velocity_m_per_s = np.asarray(velocity_fpm, dtype=float) * (M_PER_FT / 60.0)
    density_kg_per_m3 = air.density_lb_per_ft3 * KG_PER_LB / M_PER_FT**3
    return 0.5 * density_kg_per_m3 * velocity_m_per_s**2 / PA_PER_INWC
