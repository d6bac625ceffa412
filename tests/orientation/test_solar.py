"""The sun on glass: against published parts by angle, rays added up, plain geometry and physical facts."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
import pytest
from plan_folder import PlanTables, written
from surface_plans import broken_down, by_sun

import tractduct
from tractduct.model.loads import SurfaceLoads, room_loads, turn
from tractduct.orientation import study_orientation
from tractduct.physics import solar
from tractduct.writers import orientation_tables

JULY_21 = 202
N, E, S, W = 0, 2, 4, 6


def faces_at(latitude: float, day: int = JULY_21) -> np.ndarray:
    return solar.glass_irradiance_w_per_m2(latitude, day, np.arange(8) * 45.0, linke_turbidity=3.5, altitude_m=0.0)[0]


# -- the angle of incidence ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("angle_deg", "part", "within"),
    [
        (0, 1.0, 1e-12), (40, 0.985, 0.02), (50, 0.94, 0.02), (60, 0.86, 0.02), (70, 0.66, 0.02), (80, 0.35, 0.05),
        (90, 0.0, 1e-12), (135, 0.0, 1e-12),
    ],
)  # fmt: skip
def test_incidence_of_two_clear_panes(angle_deg: float, part: float, within: float) -> None:
    """Part of the solar heat gain at normal incidence: sample data of an open building-data schema (gbXML), two clear
    panes of 1/8 in, SHGC 0.65 at 0 degrees. It counts the heat of the glass too: 2 % up to 70 degrees, 5 % above."""
    assert float(solar.incidence_modifier(angle_deg)) == pytest.approx(part, abs=within)


def test_diffuse_part_of_two_clear_panes() -> None:
    """The same data's 0.88 for diffuse light, against the modifier over a half sphere of even light, within 0.01."""
    angle = np.radians((np.arange(9000) + 0.5) / 100.0)
    weight = np.sin(angle) * np.cos(angle)
    even = (solar.incidence_modifier(np.degrees(angle)) * weight).sum() / weight.sum()
    assert even == pytest.approx(solar.DIFFUSE_MODIFIER, abs=0.01)


@pytest.mark.parametrize("angle_deg", [1.0, 30.0, 55.0, 75.0, 88.0])
@pytest.mark.parametrize("per_m", [0.0, 30.0, 300.0])
def test_transmittance_by_adding_up_rays(angle_deg: float, per_m: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """A ray split at every face until nothing is left; reflection in its form of sines and tangents."""
    monkeypatch.setattr(solar, "GLASS_EXTINCTION_PER_M", per_m)
    outside = np.radians(angle_deg)
    inside = np.arcsin(np.sin(outside) / 1.526)
    kept, passed = np.exp(-per_m * 0.0032 / np.cos(inside)), 0.0
    for r in (
        (np.sin(outside - inside) / np.sin(outside + inside)) ** 2,
        (np.tan(outside - inside) / np.tan(outside + inside)) ** 2,
    ):
        # light on its way into face 0 to 3 from the left, and from the right; glass lies between 0 and 1, 2 and 3
        right, left = np.array([1.0, 0.0, 0.0, 0.0]), np.zeros(4)
        loss = np.array([kept, 1.0, kept])  # between a face and the next
        for _ in range(3000):
            on, back = (1.0 - r) * right + r * left, r * right + (1.0 - r) * left
            passed += 0.5 * on[3]
            right, left = np.append(0.0, on[:3] * loss), np.append(back[1:] * loss, 0.0)
    assert float(solar.two_pane_transmittance(angle_deg)) == pytest.approx(passed, rel=1e-9)


def plane_irradiance(latitude: float, face_deg: float) -> np.ndarray:
    """July irradiance of an upright plane, hour by hour, by pvlib alone."""
    zenith, azimuth = solar.sun_position_deg(latitude, JULY_21)
    direct, diffuse, level = solar.clear_sky_w_per_m2(zenith, JULY_21, linke_turbidity=3.5, altitude_m=0.0)
    up, extra = zenith < 88.0, pvlib.irradiance.get_extra_radiation(JULY_21)
    found = np.zeros(24)
    found[up] = pvlib.irradiance.get_total_irradiance(
        90.0, face_deg, zenith[up], azimuth[up], direct[up], level[up], diffuse[up], dni_extra=extra, albedo=0.2,
        airmass=pvlib.atmosphere.get_relative_airmass(zenith[up]), model="perez",
    )["poa_global"]  # fmt: skip
    return found


def test_without_the_angle_glass_is_overstated() -> None:
    """Worked out apart with Fresnel's equations at 28, 35 and 42 north in July: south glass 1.4 to 1.7 times, west
    1.06. How the bright sky around the sun is counted makes a tenth."""
    over = {
        face: [plane_irradiance(lat, 45.0 * face).max() / faces_at(lat)[:, face].max() for lat in (28, 35, 42)]
        for face in (S, W)
    }
    assert over[S] == [pytest.approx(1.7, abs=0.12), pytest.approx(1.55, abs=0.12), pytest.approx(1.4, abs=0.12)]
    assert over[W] == pytest.approx([1.06] * 3, abs=0.03)


@pytest.mark.parametrize("latitude", [28.0, 35.0, 42.0])
def test_glass_in_the_shade(latitude: float) -> None:
    """It gets what north glass gets while the sun stands south of east and west, and never more than lit glass."""
    lit, shaded = solar.glass_irradiance_w_per_m2(
        latitude, JULY_21, np.arange(0.0, 360.0, 15.0), linke_turbidity=3.5, altitude_m=0.0
    )
    assert shaded.shape == (24,)
    _, azimuth = solar.sun_position_deg(latitude, JULY_21)
    south = (azimuth > 91.0) & (azimuth < 269.0)
    assert np.count_nonzero(south) >= 3
    np.testing.assert_allclose(lit[south, 0], shaded[south], rtol=1e-9)
    assert (lit >= shaded[:, None] - 1e-9).all()
    assert (lit[:, 18] > 3.0 * shaded)[17]  # west, late in the day


# -- the sun ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("latitude", "day", "turbidity", "altitude"), [(35, 202, 3.5, 0), (42, 172, 2.5, 900)])
def test_wiring_of_the_calls_to_pvlib(latitude: float, day: int, turbidity: float, altitude: float) -> None:
    """The same chain of calls, hour by hour and face by face: that none is left out, not that it is right."""
    looks = np.array([0.0, 90.0, 135.0, 270.0])
    lit, shaded = solar.glass_irradiance_w_per_m2(latitude, day, looks, linke_turbidity=turbidity, altitude_m=altitude)
    declination = pvlib.solarposition.declination_spencer71(day)
    extra = pvlib.irradiance.get_extra_radiation(day)
    for hour in range(24):
        angle = np.radians(15.0 * (hour - 12))
        zenith = float(pvlib.solarposition.solar_zenith_analytical(np.radians(latitude), angle, declination))
        azimuth = float(pvlib.solarposition.solar_azimuth_analytical(np.radians(latitude), angle, declination, zenith))
        zenith, azimuth = np.degrees(zenith), np.degrees(azimuth)
        if zenith >= 88.0:
            assert [*lit[hour], shaded[hour]] == [0.0] * 5
            continue
        airmass = pvlib.atmosphere.get_relative_airmass(zenith)
        absolute = pvlib.atmosphere.get_absolute_airmass(airmass, pvlib.atmosphere.alt2pres(altitude))
        sky = pvlib.clearsky.ineichen(zenith, absolute, turbidity, altitude=altitude, dni_extra=extra)
        plane = [
            float(
                pvlib.irradiance.get_total_irradiance(
                    90.0, face, zenith, azimuth, sky["dni"], sky["ghi"], sky["dhi"], dni_extra=extra, airmass=airmass,
                    albedo=0.2, model="perez",
                )["poa_global"]
            )
            for face in (*looks, azimuth + 180.0)
        ]  # fmt: skip
        part = solar.incidence_modifier(pvlib.irradiance.aoi(90.0, looks, zenith, azimuth))
        assert shaded[hour] == pytest.approx(0.88 * plane[-1], rel=1e-9)
        assert lit[hour] == pytest.approx(part * (np.array(plane[:-1]) - plane[-1]) + 0.88 * plane[-1], rel=1e-9)


def test_against_pvlibs_full_solar_position() -> None:
    """NREL's algorithm at longitude 0, the equation of time allowed for: the sun within half a degree."""
    times = pd.date_range("2023-07-21 00:00", periods=24, freq="h", tz="UTC")
    late = pd.to_timedelta(pvlib.solarposition.equation_of_time_spencer71(JULY_21), unit="min")
    full = pvlib.solarposition.get_solarposition(times - late, 35.0, 0.0)
    zenith, azimuth = solar.sun_position_deg(35.0, JULY_21)
    day = zenith < 85.0
    assert day.sum() == 13
    np.testing.assert_allclose(zenith[day], full["zenith"].to_numpy()[day], atol=0.5)
    np.testing.assert_allclose(azimuth[day], full["azimuth"].to_numpy()[day], atol=1.5)


def test_noon_height_of_the_sun() -> None:
    """At noon the zenith is latitude less declination; at an equinox the declination is nearly 0."""
    zenith, azimuth = solar.sun_position_deg(40.0, 81)  # 22 March
    assert zenith[12] == pytest.approx(40.0, abs=0.7)
    assert azimuth[12] == pytest.approx(180.0, abs=1e-6)
    zenith, _ = solar.sun_position_deg(40.0, 172)  # 21 June: 23.45 degrees
    assert zenith[12] == pytest.approx(40.0 - 23.45, abs=0.1)


def test_july_at_35_north() -> None:
    """West glass peaks in the afternoon and gains more than south, east peaks in the morning, north gains least."""
    day = faces_at(35.0)
    peak, hour = day.max(axis=0), day.argmax(axis=0)
    assert 14 <= hour[W] <= 18
    assert 6 <= hour[E] <= 10
    assert hour[S] == 12
    assert peak[W] > 1.5 * peak[S]
    assert peak.argmin() == N
    assert day.sum(axis=0).argmin() == N
    # in local solar time a clear day is the same before and after noon
    np.testing.assert_allclose(day[1:][::-1, W], day[1:, E], atol=0.5)
    # a clear summer day: some 700 to 900 W/m2 at most on an upright wall, and the sun stands square to it in the west
    assert 700.0 < peak[W] < 900.0
    assert (day[:5] == 0.0).all()


def test_winter_turns_it_round() -> None:
    """In December at 35 north, south glass gains most."""
    assert faces_at(35.0, 355).max(axis=0).argmax() == S


def test_smoothing() -> None:
    day = np.zeros((24, 2))
    day[15] = 100.0, 10.0
    day[23] = 0.0, 50.0
    felt = solar.smoothed_over_hours(day, (0.5, 0.3, 0.2))
    assert felt[14:19, 0].tolist() == [0.0, 50.0, 30.0, 20.0, 0.0]
    assert felt[:3, 1].tolist() == [15.0, 10.0, 0.0]  # past midnight
    assert felt.sum(axis=0) == pytest.approx(day.sum(axis=0))


def test_unit() -> None:
    """1 W is 3.412 Btu/h, 1 m2 is 10.764 ft2 (both by definition, rounded)."""
    assert pytest.approx(3.412 / 10.764, rel=1e-4) == solar.BTUH_PER_FT2_OF_W_PER_M2


def surface_loads_of(plan: PlanTables) -> SurfaceLoads:
    with written(plan) as folder:
        found = tractduct.load_plan(folder).surface_loads
    assert found is not None
    return found


def test_wiring_of_the_factors_of_a_plan() -> None:
    """SHGC x irradiance with no storage, plus conduction; a quarter of the glass lies in the shade."""
    surface_loads = surface_loads_of(by_sun(broken_down(), storage_weights=[1.0], conduction_btuh_per_ft2=6))
    lit, shaded = solar.glass_irradiance_w_per_m2(
        35.0, JULY_21, np.arange(8) * 45.0, linke_turbidity=3.5, altitude_m=500 * 0.3048
    )
    np.testing.assert_allclose(surface_loads.sun_factor, 0.3 * lit * 0.3169983 + 6.0, rtol=1e-6)
    np.testing.assert_allclose(surface_loads.shade_factor, 0.3 * shaded * 0.3169983 + 6.0, rtol=1e-6)
    loads = room_loads(surface_loads, [270.0])
    glass = 24 * (0.75 * surface_loads.sun_factor[:, W] + 0.25 * surface_loads.shade_factor)
    np.testing.assert_allclose(loads.glass_cooling_btuh[:, 0, 0, 1], glass, rtol=1e-12)


def test_both_peaks() -> None:
    """A room's own peak is at least its load at the house's peak; Den, front north, looks east: in the morning."""
    surface_loads = surface_loads_of(by_sun(broken_down()))
    loads = room_loads(surface_loads, [0.0])
    assert loads.cooling_btuh.shape == (24, 1, 1, 3)
    assert (loads.cooling_at("room_peak") >= loads.cooling_at("house_peak")).all()
    assert 7 <= loads.room_peak_hour[0, 0, 0] <= 11
    assert loads.cooling_at("house_peak").sum() == pytest.approx(float(loads.house_peak_btuh[0, 0]))
    assert loads.house_peak_btuh[0, 0] == pytest.approx(loads.cooling_btuh.sum(axis=-1).max())
    for peak in ("room_peak", "house_peak"):
        flow = turn(surface_loads, [0.0], (False,), {"cooling": 300.0}, peak=peak)[0, 0, 0]
        load = loads.cooling_at(peak)[0, 0]
        np.testing.assert_allclose(flow, 300.0 * load / load.sum(), rtol=1e-12)


def test_which_peak_the_plan_takes() -> None:
    plans = {}
    for peak in ("room_peak", "house_peak"):
        surface_loads = surface_loads_of(by_sun(broken_down(), room_airflow_at=peak))
        plans[peak] = turn(surface_loads, [0.0], (False,), {"cooling": 300.0})
        np.testing.assert_array_equal(plans[peak], turn(surface_loads, [0.0], (False,), {"cooling": 300.0}, peak=peak))
    assert np.abs(plans["room_peak"] - plans["house_peak"]).max() > 1.0


def test_screening_is_said() -> None:
    with written(by_sun(broken_down())) as folder:
        study = tractduct.study(folder)
    assert any("screening method, not a load calculation" in f.message for f in study.plan.findings)
    result = study_orientation(study, most_packages=0, step_deg=45.0)
    assert result.screening == solar.SCREENING
    frame = orientation_tables.peaks(result)
    assert len(frame) == 3 * 8
    assert (frame["room_peak_btuh"] >= frame["house_peak_btuh"] - 1e-9).all()
    assert frame.groupby("front_faces")["room_peak_cfm"].sum().to_numpy() == pytest.approx(300.0)
    assert frame.groupby("front_faces")["house_peak_cfm"].sum().to_numpy() == pytest.approx(300.0)


def test_without_pvlib(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pvlib", None)
    with pytest.raises(solar.SolarExtraMissing, match=r"pip install tractduct\[solar\]"):
        faces_at(35.0)
    with written(by_sun(broken_down())) as folder, pytest.raises(tractduct.InputFaults) as caught:
        tractduct.load_plan(folder)
    (fault,) = caught.value.faults
    assert "tractduct[solar]" in fault.problem
    assert fault.file == "load_factors.csv"
    with written(broken_down()) as folder:
        assert tractduct.load_plan(folder).turned  # factors of the designer's own need no sun


def test_pvlib_is_not_imported_until_needed() -> None:
    code = "import sys, tractduct.orientation; sys.exit('pvlib' in sys.modules)"
    env = {**os.environ, "PYTHONPATH": str(Path(tractduct.__file__).parents[1])}
    assert subprocess.run([sys.executable, "-c", code], check=False, env=env).returncode == 0
