"""Clear-sky sun on upright glass, by pvlib; needs the extra ``solar``.

A screening method, not a load calculation: see ``SCREENING``.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

SCREENING = (
    "Glass factors by the sun are a screening method, not a load calculation: clear sky, one day, storage by "
    "fixed weights of the hours before, no blinds and no weather"
)
MODELS = (
    "clear sky by Ineichen and Perez, sky diffuse by Perez 1990 (all-sites coefficients), airmass by Kasten and "
    "Young 1989, declination by Spencer 1971, all as in pvlib; local solar time"
)
HOURS = 24
# The sun lower than this counts as down: less than a quarter of an hour of weak light, where airmass models
# part ways.
LOWEST_SUN_DEG = 2.0
BTUH_PER_FT2_OF_W_PER_M2 = 3.412141633 / 10.76391042  # Btu/h of a watt over ft2 of a square metre


class SolarExtraMissing(ImportError):
    """pvlib is not installed; the message names the extra that brings it."""

    def __init__(self) -> None:
        super().__init__("glass factors by the sun need pvlib: pip install tractduct[solar]")


def _pvlib() -> Any:
    try:
        import pvlib
    except ImportError:
        raise SolarExtraMissing from None
    return pvlib


def sun_position_deg(latitude_deg: float, day_of_year: int) -> tuple[FloatArray, FloatArray]:
    """Zenith and azimuth (clockwise from north) of the sun at each whole hour of local solar time.

    Parameters
    ----------
    latitude_deg : north of the equator
    day_of_year : 1 to 365

    Returns
    -------
    two of (24,)
        The sun stands south (or north, between the tropics) at hour 12. [deg]
    """
    position = _pvlib().solarposition
    declination = position.declination_spencer71(day_of_year)
    latitude = np.radians(latitude_deg)
    hour_angle = np.radians(15.0 * (np.arange(HOURS) - 12.0))
    zenith = position.solar_zenith_analytical(latitude, hour_angle, declination)
    azimuth = position.solar_azimuth_analytical(latitude, hour_angle, declination, zenith)
    return np.degrees(zenith), np.degrees(azimuth)


def clear_sky_w_per_m2(
    zenith_deg: ArrayLike, day_of_year: int, *, linke_turbidity: float, altitude_m: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Direct normal, diffuse and global horizontal irradiance of a clear sky; 0 with the sun down.

    ``zenith_deg`` (n,) any; ``linke_turbidity`` 1 (clean, dry) to 8 (hazy). Returns three of (n,). [W/m2]
    """
    pvlib = _pvlib()
    zenith = np.asarray(zenith_deg, dtype=float)
    up = zenith < 90.0 - LOWEST_SUN_DEG
    found = np.zeros((3, zenith.size))
    if up.any():
        airmass = pvlib.atmosphere.get_relative_airmass(zenith[up], model="kastenyoung1989")
        absolute = pvlib.atmosphere.get_absolute_airmass(airmass, pvlib.atmosphere.alt2pres(altitude_m))
        sky = pvlib.clearsky.ineichen(
            zenith[up],
            absolute,
            linke_turbidity,
            altitude=altitude_m,
            dni_extra=pvlib.irradiance.get_extra_radiation(day_of_year),
        )
        found[:, up] = sky["dni"], sky["dhi"], sky["ghi"]
    return found[0], found[1], found[2]


def face_irradiance_w_per_m2(
    latitude_deg: float,
    day_of_year: int,
    face_deg: ArrayLike,
    *,
    linke_turbidity: float = 3.5,
    altitude_m: float = 0.0,
    albedo: float = 0.2,
) -> FloatArray:
    """Sun on upright faces through a clear day.

    Parameters
    ----------
    latitude_deg : north of the equator, 0 to 66
    day_of_year : 1 to 365
    face_deg : array_like, shape (n_face,)
        Where each face looks, clockwise from north. [deg]
    linke_turbidity : haze of the sky
    altitude_m : above the sea. [m]
    albedo : part of the light that the ground throws back

    Returns
    -------
    ndarray, shape (24, n_face)
        Beam, sky and ground together at each whole hour of local solar time. [W/m2]

    Raises
    ------
    SolarExtraMissing
        Without pvlib.

    Notes
    -----
    The models are those of ``MODELS``. Refraction, some 0.5 degrees at the horizon, is left out.

    References
    ----------
    .. [1] P. Ineichen and R. Perez, "A new airmass independent formulation for the Linke turbidity
       coefficient", Solar Energy 73, 2002, as pvlib implements it.
    .. [2] R. Perez et al., "Modeling daylight availability and irradiance components from direct and global
       irradiance", Solar Energy 44, 1990, as pvlib implements it.
    """
    pvlib = _pvlib()
    faces = np.atleast_1d(np.asarray(face_deg, dtype=float))
    zenith, azimuth = sun_position_deg(latitude_deg, day_of_year)
    up = zenith < 90.0 - LOWEST_SUN_DEG
    found = np.zeros((HOURS, faces.size))
    direct, diffuse, level = (
        part[up, None]
        for part in clear_sky_w_per_m2(zenith, day_of_year, linke_turbidity=linke_turbidity, altitude_m=altitude_m)
    )
    on_face = pvlib.irradiance.get_total_irradiance(
        90.0,
        faces[None, :],
        zenith[up, None],
        azimuth[up, None],
        direct,
        level,
        diffuse,
        dni_extra=pvlib.irradiance.get_extra_radiation(day_of_year),
        airmass=pvlib.atmosphere.get_relative_airmass(zenith[up, None], model="kastenyoung1989"),
        albedo=albedo,
        model="perez",
    )
    found[up] = on_face["poa_global"]
    return found


def smoothed_over_hours(hourly: ArrayLike, weights: Sequence[float]) -> FloatArray:
    """What of each hour's gain is felt when: weights for this hour, the hour before, and so on.

    ``hourly`` (24, ...) is one day that repeats itself; same shape returned. Weights that add up to 1 keep the
    day's sum.
    """
    values = np.asarray(hourly, dtype=float)
    total: FloatArray = np.zeros_like(values)
    for lag, weight in enumerate(weights):
        total += weight * np.roll(values, lag, axis=0)
    return total
