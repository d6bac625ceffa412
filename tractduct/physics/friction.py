"""Friction of air in straight ducts."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tractduct.arrays import FloatArray
from tractduct.physics.air import Air, dynamic_pressure_inwc

LAMINAR_BELOW_REYNOLDS = 2300.0
COMPRESSION_DECAY_PER_IN = 0.126  # of the compression relation, with the diameter
COMPRESSION_TESTED_IN = (6.0, 8.0, 10.0)  # the flex that it was measured on
COMPRESSION_TESTED_TO_PCT = 30.0  # and how far, from memory
# From here on, compressed by more than this, a thesis measured over four times the friction: Cantrill (MS thesis,
# Texas A&M, 2013), abstract, 12 to 16 in.
LARGE_FLEX_IN = 12.0
LARGE_FLEX_ABOVE_PCT = 4.0
_MIDDLE = 5.8  # 1/sqrt(f), between smooth duct at the least Reynolds number and at large ones
METRIC_TRADE_IN = 0.2  # 150 and 300 mm are sold for 6 and 12 in: a size so little below a trade size counts as it


def round_area_ft2(diameter_in: ArrayLike) -> FloatArray:
    """Free area of a round duct. [ft2]"""
    area: FloatArray = np.pi / 4.0 * (np.asarray(diameter_in, dtype=float) / 12.0) ** 2
    return area


def equivalent_diameter_in(width_in: ArrayLike, height_in: ArrayLike) -> FloatArray:
    """Round duct with the same friction at the same airflow as a rectangular one. [in]

    1.30 (a b)^0.625 / (a + b)^0.25, after Huebscher; 1956 ASHAE Guide ch. 32 Table 1 tabulates it.
    """
    a, b = np.asarray(width_in, dtype=float), np.asarray(height_in, dtype=float)
    diameter: FloatArray = 1.30 * (a * b) ** 0.625 / (a + b) ** 0.25
    return diameter


def friction_factor(reynolds: ArrayLike, relative_roughness: ArrayLike) -> FloatArray:
    """Darcy friction factor of fully developed flow.

    Parameters
    ----------
    reynolds : broadcastable, at or above 0 [-]
    relative_roughness : broadcastable, roughness over diameter, 0 to 0.2 [-]

    Returns
    -------
    array of the broadcast shape; 0 where Reynolds is 0, so that no flow has no loss.

    Raises
    ------
    ValueError for a negative or non-finite input, or a roughness above 0.2 of the diameter.

    Notes
    -----
    64 / Re below Re 2300, Colebrook's equation above it (Cengel and Cimbala, Fluid Mechanics, ch. 8). The
    step between them is real and is kept. Colebrook is solved for 1/sqrt(f) by Newton's method from where a
    1/sqrt(f) in the middle leads: three steps reach rounding error.

    >>> friction_factor([1000.0, 1e5], 1e-4).round(4).tolist()
    [0.064, 0.0185]
    """
    re = np.asarray(reynolds, dtype=float)
    rough = np.asarray(relative_roughness, dtype=float)
    if not (np.all(np.isfinite(re)) and np.all(re >= 0.0)):
        raise ValueError("Reynolds number must be finite and not negative")
    if not (np.all(rough >= 0.0) and np.all(rough <= 0.2)):
        raise ValueError("relative roughness must lie between 0 and 0.2")
    return friction_factor_and_slope(re, rough)[0]


def friction_factor_and_slope(reynolds: FloatArray, rough: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The Darcy friction factor, and its slope with the Reynolds number times that number. [-]

    For the airflow solve, which calls it often: arguments are those of ``friction_factor``, not checked. The
    slope is that of the branch, laminar or turbulent, that the Reynolds number is in.
    """
    re, rough = np.broadcast_arrays(reynolds, rough)
    turbulent_re = np.maximum(re, LAMINAR_BELOW_REYNOLDS)
    a = rough / 3.7
    b = 2.51 / turbulent_re
    # u = 1/sqrt(f); g(u) = u + 2 log10(a + b u) = 0. Natural logarithms take a tenth of the time of those to base 10.
    scale = 2.0 / np.log(10.0)
    u = -scale * np.log(a + _MIDDLE * b)
    for _ in range(3):
        inside = a + b * u
        u = u - (u + scale * np.log(inside)) / (1.0 + scale * b / inside)
    factor = 1.0 / (u * u)
    # Implicit differentiation of g: Re du/dRe = scale b u / (inside + scale b); f = u^-2.
    inside = a + b * u
    slope = -2.0 * factor * scale * b / (inside + scale * b)
    laminar = np.divide(64.0, re, out=np.zeros(re.shape), where=re > 0.0)
    is_laminar = re < LAMINAR_BELOW_REYNOLDS
    return np.where(is_laminar, laminar, factor), np.where(is_laminar, -laminar, slope)


def friction_rate_inwc_per_100ft(
    airflow_cfm: ArrayLike,
    diameter_in: ArrayLike,
    roughness_ft: ArrayLike,
    air: Air,
    derate: ArrayLike = 0.0,
) -> FloatArray:
    """Pressure lost to friction in 100 ft of straight duct, by Darcy-Weisbach. [inWC/100 ft]

    Parameters
    ----------
    airflow_cfm : broadcastable, at or above 0
    diameter_in : broadcastable, above 0; the equivalent diameter of a rectangular duct
    roughness_ft : broadcastable, at or above 0
    derate : broadcastable, 0 to below 1
        The part of the airflow that the product loses at any friction rate: its friction at q is that of
        an underated duct at q / (1 - derate).

    Raises
    ------
    ValueError outside the ranges above.
    """
    flow = np.asarray(airflow_cfm, dtype=float)
    diameter = np.asarray(diameter_in, dtype=float)
    lost = np.asarray(derate, dtype=float)
    if not np.all(diameter > 0.0):
        raise ValueError("diameter must be above 0")
    if not (np.all(lost >= 0.0) and np.all(lost < 1.0)):
        raise ValueError("derate must be at least 0 and below 1")
    diameter_ft = diameter / 12.0
    velocity_fpm = flow / (1.0 - lost) / round_area_ft2(diameter)
    reynolds = velocity_fpm / 60.0 * diameter_ft / air.kinematic_viscosity_ft2_per_s
    factor = friction_factor(reynolds, np.asarray(roughness_ft, dtype=float) / diameter_ft)
    return factor * (100.0 / diameter_ft) * dynamic_pressure_inwc(velocity_fpm, air)


def compression_factor(compression_pct: ArrayLike, diameter_in: ArrayLike, least_factor: ArrayLike = 1.0) -> FloatArray:
    """What longitudinal compression multiplies the friction of installed flexible duct by. [-]

    1 + 0.58 K exp(-0.126 D), K = 100 (1 - L / L_extended): from memory, after Abushakra, Walker and Sherman,
    Compression effects on pressure loss in flexible HVAC ducts (LBNL), who tested 6, 8 and 10 in. Above 4 per cent
    it is ``least_factor`` at the least, broadcastable: see ``least_factor_by_size``. Outside
    the tested sizes and above 30 % the caller must show a caution. ValueError outside 0 to 100 %.
    """
    k = np.asarray(compression_pct, dtype=float)
    if not (np.all(k >= 0.0) and np.all(k <= 100.0)):
        raise ValueError("compression must lie between 0 and 100 per cent")
    factor = 1.0 + 0.58 * k * np.exp(-COMPRESSION_DECAY_PER_IN * np.asarray(diameter_in, dtype=float))
    return np.where(k > LARGE_FLEX_ABOVE_PCT, np.maximum(factor, least_factor), factor)


def least_factor_by_size(nominal_in: ArrayLike, large_flex_factor: float) -> FloatArray:
    """The least factor of compressed flex by its nominal diameter: the given one from 12 in on, 1 below. [-]

    Nominal, since that is what was measured by, and products differ in their inner diameter. 300 mm counts as
    12 in. A size of 12 in may so lose more than one of 11 in: losses need not fall with the size.
    """
    return np.where(np.asarray(nominal_in) >= LARGE_FLEX_IN - METRIC_TRADE_IN, large_flex_factor, 1.0)


def installed_friction_rate_inwc_per_100ft(
    airflow_cfm: ArrayLike,
    diameter_in: ArrayLike,
    roughness_ft: ArrayLike,
    air: Air,
    derate: ArrayLike = 0.0,
    compression_pct: ArrayLike = 0.0,
    straight_part: ArrayLike = 1.0,
    least_factor: ArrayLike = 1.0,
) -> FloatArray:
    """Friction per 100 ft of effective length as installed. [inWC/100 ft]

    ``straight_part`` is the part of a section's effective length that is straight duct, 0 to 1: compression
    raises the friction of that part only, not of the fittings' equivalent lengths. The other arguments and
    the errors are those of ``friction_rate_inwc_per_100ft`` and ``compression_factor``.
    """
    extra = compression_factor(compression_pct, diameter_in, least_factor) - 1.0
    rate = friction_rate_inwc_per_100ft(airflow_cfm, diameter_in, roughness_ft, air, derate)
    return rate * (1.0 + np.asarray(straight_part, dtype=float) * extra)


def diameter_for_friction_rate_in(
    friction_rate: ArrayLike,
    airflow_cfm: ArrayLike,
    roughness_ft: ArrayLike,
    air: Air,
    derate: ArrayLike = 0.0,
    compression_pct: ArrayLike = 0.0,
    straight_part: ArrayLike = 1.0,
    large_flex_factor: float = 1.0,
) -> FloatArray:
    """Smallest round diameter whose friction as installed is at most a given rate. [in]

    The inverse of ``installed_friction_rate_inwc_per_100ft`` in its diameter, nominal and actual the same: 0 where
    there is no airflow, NaN where no diameter up to 200 in does. ``large_flex_factor`` is that of
    ``least_factor_by_size``. Bisection on the logarithm of the diameter, to 1e-9.
    """
    rate, flow, rough, lost, squeezed, straight = np.broadcast_arrays(
        *(
            np.asarray(x, dtype=float)
            for x in (friction_rate, airflow_cfm, roughness_ft, derate, compression_pct, straight_part)
        )
    )

    def too_high(log_diameter: FloatArray) -> NDArray[np.bool_]:
        d = np.exp(log_diameter)
        least = least_factor_by_size(d, large_flex_factor)
        found = installed_friction_rate_inwc_per_100ft(flow, d, rough, air, lost, squeezed, straight, least)
        return np.asarray(found > rate)

    # The friction factor takes a roughness of at most a fifth of the diameter.
    low = np.log(np.maximum(0.5, rough * 12.0 / 0.2))
    # Friction falls with the diameter but for the step up to large flex: what does just below it is looked for there.
    below_large = np.maximum(low, np.log(LARGE_FLEX_IN - METRIC_TRADE_IN) - 1e-9)
    high = np.where(too_high(below_large), np.log(200.0), below_large)
    out_of_reach = too_high(high)
    for _ in range(34):
        middle = 0.5 * (low + high)
        small = too_high(middle)
        low = np.where(small, middle, low)
        high = np.where(small, high, middle)
    return np.where(flow > 0.0, np.where(out_of_reach, np.nan, np.exp(high)), 0.0)
