"""The sun on glass: against pvlib's own functions, plain geometry and physical facts."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
import pytest
from breakdowns import broken_down, by_sun
from plan_folder import PlanTables, written

import tractduct
from tractduct.inputs.breakdown import Breakdown, room_loads, turn
from tractduct.orientation import study_orientation
from tractduct.physics import solar
from tractduct.writers import orientation_tables

JULY_21 = 202
N, E, S, W = 0, 2, 4, 6


def faces_at(latitude: float, day: int = JULY_21) -> np.ndarray:
    return solar.face_irradiance_w_per_m2(latitude, day, np.arange(8) * 45.0)


@pytest.mark.parametrize(("latitude", "day", "turbidity", "altitude"), [(35, 202, 3.5, 0), (42, 172, 2.5, 900)])
def test_against_pvlib_called_directly(latitude: float, day: int, turbidity: float, altitude: float) -> None:
    """pvlib's scalar functions, hour by hour and face by face."""
    found = solar.face_irradiance_w_per_m2(
        latitude, day, [0, 90, 135, 270], linke_turbidity=turbidity, altitude_m=altitude
    )
    declination = pvlib.solarposition.declination_spencer71(day)
    extra = pvlib.irradiance.get_extra_radiation(day)
    for hour in range(24):
        angle = np.radians(15.0 * (hour - 12))
        zenith = float(pvlib.solarposition.solar_zenith_analytical(np.radians(latitude), angle, declination))
        azimuth = float(pvlib.solarposition.solar_azimuth_analytical(np.radians(latitude), angle, declination, zenith))
        if np.degrees(zenith) >= 88.0:
            assert found[hour].tolist() == [0.0] * 4
            continue
        airmass = pvlib.atmosphere.get_relative_airmass(np.degrees(zenith))
        pressure = pvlib.atmosphere.alt2pres(altitude)
        sky = pvlib.clearsky.ineichen(
            np.degrees(zenith),
            pvlib.atmosphere.get_absolute_airmass(airmass, pressure),
            turbidity,
            altitude=altitude,
            dni_extra=extra,
        )
        for n, face in enumerate((0.0, 90.0, 135.0, 270.0)):
            plane = pvlib.irradiance.get_total_irradiance(
                90.0,
                face,
                np.degrees(zenith),
                np.degrees(azimuth),
                sky["dni"],
                sky["ghi"],
                sky["dhi"],
                dni_extra=extra,
                airmass=airmass,
                albedo=0.2,
                model="perez",
            )
            assert found[hour, n] == pytest.approx(float(plane["poa_global"]), rel=1e-9)


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
    # a clear summer day: some 700 to 900 W/m2 at most on an upright wall
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


def breakdown_of(plan: PlanTables) -> Breakdown:
    with written(plan) as folder:
        found = tractduct.load_plan(folder).breakdown
    assert found is not None
    return found


def test_factors_of_a_plan() -> None:
    """SHGC x irradiance with no storage, plus conduction; shaded glass counts as facing north at the same hour."""
    breakdown = breakdown_of(by_sun(broken_down(), storage_weights=[1.0], conduction_btuh_per_ft2=6))
    direct = solar.face_irradiance_w_per_m2(35.0, JULY_21, np.arange(8) * 45.0, altitude_m=500 * 0.3048)
    np.testing.assert_allclose(breakdown.sun_factor, 0.3 * direct * 0.3169983 + 6.0, rtol=1e-6)
    loads = room_loads(breakdown, [270.0])
    glass = 24 * (0.75 * breakdown.sun_factor[:, W] + 0.25 * breakdown.sun_factor[:, N])
    np.testing.assert_allclose(loads.glass_cooling_btuh[:, 0, 0, 1], glass, rtol=1e-12)


def test_both_peaks() -> None:
    """A room's own peak is at least its load at the house's peak; Den, front north, looks east: in the morning."""
    breakdown = breakdown_of(by_sun(broken_down()))
    loads = room_loads(breakdown, [0.0])
    assert loads.cooling_btuh.shape == (24, 1, 1, 3)
    assert (loads.cooling_at("room_peak") >= loads.cooling_at("house_peak")).all()
    assert 7 <= loads.room_peak_hour[0, 0, 0] <= 11
    assert loads.cooling_at("house_peak").sum() == pytest.approx(float(loads.house_peak_btuh[0, 0]))
    assert loads.house_peak_btuh[0, 0] == pytest.approx(loads.cooling_btuh.sum(axis=-1).max())
    for peak in ("room_peak", "house_peak"):
        flow = turn(breakdown, [0.0], (False,), {"cooling": 300.0}, peak=peak)[0, 0, 0]
        load = loads.cooling_at(peak)[0, 0]
        np.testing.assert_allclose(flow, 300.0 * load / load.sum(), rtol=1e-12)


def test_which_peak_the_plan_takes() -> None:
    plans = {}
    for peak in ("room_peak", "house_peak"):
        breakdown = breakdown_of(by_sun(broken_down(), room_airflow_at=peak))
        plans[peak] = turn(breakdown, [0.0], (False,), {"cooling": 300.0})
        np.testing.assert_array_equal(plans[peak], turn(breakdown, [0.0], (False,), {"cooling": 300.0}, peak=peak))
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
