"""Clear-sky sun on upright glass, by pvlib; needs the extra ``solar``.

A screening method, not a load calculation: see ``SCREENING``.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from tractduct.arrays import FloatArray

SCREENING = (
    "Glass factors by the sun are a screening method, not a load calculation: clear sky, one day, storage by "
    "fixed weights of the hours before, no blinds and no weather"
)
MODELS = (
    "clear sky by Ineichen and Perez, sky diffuse by Perez 1990 (all-sites coefficients), airmass by Kasten and "
    "Young 1989, declination by Spencer 1971, all as in pvlib; the angle of incidence by Fresnel's equations for two "
    "clear panes; local solar time"
)
HOURS = 24
# The sun lower than this counts as down: less than a quarter of an hour of weak light, where airmass models
# part ways.
LOWEST_SUN_DEG = 2.0
ALBEDO = 0.2  # part of the light that grass and soil throw back; common practice, no source
LEFT_OUT = (
    "Every glass takes the sun at an angle as two clear panes do; shade is the same at every hour and keeps the sun "
    "out, not the light of sky and ground. Left out: blinds, curtains, screens; what coated or tinted glass does at an "
    f"angle; reveals; light from neighbors, water or pavement (the ground throws back {100 * ALBEDO:g} %); the outside "
    "temperature by the hour; heat that rooms pass on to each other"
)
# Clear window glass; all three from memory of texts on solar engineering.
GLASS_REFRACTIVE_INDEX = 1.526
GLASS_EXTINCTION_PER_M = 30.0
PANE_M = 0.0032  # 1/8 in
# Sky and ground light through two clear panes, part of the value at normal incidence: sample data of an open
# building-data schema (gbXML). The panes above have 0.873 over a half sphere of even light.
DIFFUSE_MODIFIER = 0.88
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


def two_pane_transmittance(incidence_deg: ArrayLike) -> FloatArray:
    """Part of unpolarized beam light that two clear panes let through, by its angle of incidence. [-]

    ``incidence_deg`` any shape; 0 from 90 degrees on. Fresnel's reflection at each face, Snell's refraction and
    absorption along the way through a pane, every reflection within and between the panes counted (any optics text):
    a pane passes t = a (1 - r)^2 / (1 - r^2 a^2) and throws back p = r (1 + a t), two pass t^2 / (1 - p^2).
    """
    angle = np.radians(np.asarray(incidence_deg, dtype=float))
    outside = np.maximum(np.cos(angle), 0.0)
    inside = np.sqrt(1.0 - (np.sin(angle) / GLASS_REFRACTIVE_INDEX) ** 2)
    n = GLASS_REFRACTIVE_INDEX
    passed = np.zeros(angle.shape)
    kept = np.exp(-GLASS_EXTINCTION_PER_M * PANE_M / inside)
    for r in (
        ((outside - n * inside) / (outside + n * inside)) ** 2,
        ((inside - n * outside) / (inside + n * outside)) ** 2,
    ):
        through = kept * (1.0 - r) ** 2 / (1.0 - (r * kept) ** 2)
        back = r * (1.0 + kept * through)
        passed += np.divide(0.5 * through**2, 1.0 - back**2, out=np.zeros(angle.shape), where=back < 1.0)
    return passed


def incidence_modifier(incidence_deg: ArrayLike) -> FloatArray:
    """Beam through two clear panes over that at normal incidence: 1 at 0 degrees, 0 from 90 on. [-]"""
    return np.asarray(two_pane_transmittance(incidence_deg) / two_pane_transmittance(0.0))


def glass_irradiance_w_per_m2(
    latitude_deg: float, day_of_year: int, face_deg: ArrayLike, *, linke_turbidity: float, altitude_m: float
) -> tuple[FloatArray, FloatArray]:
    """Sun that counts on upright glass through a clear day: what at normal incidence would pass as much.

    Parameters
    ----------
    latitude_deg : north of the equator, 0 to 66
    day_of_year : 1 to 365
    face_deg : array_like, shape (n_face,)
        Where each face looks, clockwise from north. [deg]
    linke_turbidity : haze of the sky
    altitude_m : above the sea. [m]

    Returns
    -------
    ndarray, shape (24, n_face)
        Unshaded glass, at each whole hour of local solar time. [W/m2]
    ndarray, shape (24,)
        Glass in the shade, whatever its face: the light of sky and ground without the sun. [W/m2]

    Raises
    ------
    SolarExtraMissing
        Without pvlib.

    Notes
    -----
    The models are those of ``MODELS``. The bright sky around the sun comes at the sun's angle and is shaded with it;
    what is left is what an upright face turned away from the sun gets. Refraction, some 0.5 degrees at the horizon,
    is left out.

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
    direct, diffuse, level = (
        part[up, None]
        for part in clear_sky_w_per_m2(zenith, day_of_year, linke_turbidity=linke_turbidity, altitude_m=altitude_m)
    )
    zenith, azimuth = zenith[up, None], azimuth[up, None]

    def on_face(looks_to: FloatArray) -> FloatArray:
        found = pvlib.irradiance.get_total_irradiance(
            90.0,
            looks_to,
            zenith,
            azimuth,
            direct,
            level,
            diffuse,
            dni_extra=pvlib.irradiance.get_extra_radiation(day_of_year),
            airmass=pvlib.atmosphere.get_relative_airmass(zenith, model="kastenyoung1989"),
            albedo=ALBEDO,
            model="perez",
        )
        return np.asarray(found["poa_global"])

    without_sun = on_face(azimuth + 180.0)
    from_sun = on_face(faces[None, :]) - without_sun
    angle = pvlib.irradiance.aoi(90.0, faces[None, :], zenith, azimuth)
    lit, shaded = np.zeros((HOURS, faces.size)), np.zeros(HOURS)
    shaded[up] = DIFFUSE_MODIFIER * without_sun[:, 0]
    lit[up] = incidence_modifier(angle) * from_sun + shaded[up, None]
    return lit, shaded


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
