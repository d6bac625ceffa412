"""Friction and the rectangular equivalent diameter against measured ducts."""

from __future__ import annotations

import numpy as np
import pytest

from tractduct.physics.air import Air
from tractduct.physics.friction import equivalent_diameter_in, friction_rate_inwc_per_100ft, round_area_ft2

# R. G. Huebscher, Friction equivalents for round, square and rectangular ducts, Heating, Piping and Air Conditioning
# 19(12), 1947, 127-135, as transcribed in the open repository atrettel/sheardata, data/D1947001, licence CC-BY-4.0
# (creativecommons.org/licenses/by/4.0). 14 of its 52 tests, units as here; nothing else is changed.
# Shape, test, density lb/ft3, mean velocity fpm, hydraulic diameter in, loss inWC/ft, Reynolds number.
MEASURED = (
    ("round", 2, 0.0694, 9310, 8.02, 0.10110, 5.89e5),
    ("round", 4, 0.0695, 4990, 8.02, 0.03130, 3.18e5),
    ("round", 6, 0.0707, 2070, 8.02, 0.00636, 1.34e5),
    ("round", 7, 0.0710, 1500, 8.02, 0.00364, 9.78e4),
    ("round", 8, 0.0711, 1080, 8.02, 0.00204, 7.06e4),
    ("round", 9, 0.0712, 749, 8.02, 0.00103, 4.87e4),
    ("square", 4, 0.0717, 5420, 7.88, 0.03720, 3.48e5),
    ("square", 8, 0.0714, 3470, 7.88, 0.01660, 2.22e5),
    ("square", 12, 0.0716, 808, 7.88, 0.00117, 5.19e4),
    ("rectangular", 5, 0.0706, 1950, 8.02, 0.006020, 1.25e5),
    ("rectangular", 8, 0.0705, 1670, 7.99, 0.004580, 1.06e5),
    ("rectangular", 16, 0.0704, 602, 7.97, 0.000739, 3.83e4),
    ("rectangular", 19, 0.0710, 723, 8.03, 0.001050, 4.67e4),
    ("rectangular", 22, 0.0715, 2140, 7.93, 0.007390, 1.38e5),
)
WIDE_IN = 36.0  # of the rectangular duct
SMOOTH_FT, JOINTED_FT = 0.00005, 0.0003  # 16-gauge galvanised sheet with few joints, as these ducts were; ordinary
FLOW_ACCURACY = 0.02  # stated for the airflow; the loss goes with about its power of 1.85


def over_measured(shape: str, roughness_ft: float) -> np.ndarray:
    """Friction of a shape's ducts, by their real airflow in their equivalent diameter, over what was measured."""
    found = []
    for kind, _, density, velocity, hydraulic, measured, reynolds in MEASURED:
        if kind != shape:
            continue
        air = Air(
            density_lb_per_ft3=density, kinematic_viscosity_ft2_per_s=velocity / 60.0 * hydraulic / 12.0 / reynolds
        )
        width, height = hydraulic, hydraulic
        if shape == "rectangular":
            width, height = WIDE_IN, WIDE_IN * hydraulic / (2.0 * WIDE_IN - hydraulic)
        area, diameter = width * height / 144.0, float(equivalent_diameter_in(width, height))
        if shape == "round":
            area, diameter = float(round_area_ft2(hydraulic)), hydraulic
        rate = friction_rate_inwc_per_100ft(velocity * area, diameter, roughness_ft, air)
        found.append(float(rate) / 100.0 / measured)
    return np.array(found)


@pytest.mark.parametrize(
    ("shape", "mean", "rms"),
    # over all 52 tests, by the author of the comparison that these rows are from: off in the mean, root mean square
    [("round", 0.02, 0.03), ("square", 0.08, 0.08), ("rectangular", -0.02, 0.04)],
)
def test_friction_of_measured_ducts(shape: str, mean: float, rms: float) -> None:
    """The mean to the accuracy of the airflow; no duct further off than twice the root mean square."""
    off = over_measured(shape, SMOOTH_FT) - 1.0
    assert off.mean() == pytest.approx(mean, abs=FLOW_ACCURACY)
    assert np.abs(off).max() < 2.0 * rms


def test_ordinary_roughness_is_on_the_safe_side() -> None:
    """0.0003 ft says no less than was measured, to the accuracy of the airflow, and more in the mean."""
    for shape in ("round", "square", "rectangular"):
        over = over_measured(shape, JOINTED_FT)
        assert over.min() > 1.0 - 1.85 * FLOW_ACCURACY
        assert over.mean() > over_measured(shape, SMOOTH_FT).mean() + 0.05
