"""The blade's law."""

from __future__ import annotations

import numpy as np
import pytest

from tractduct.physics.air import Air
from tractduct.physics.damper import (
    STEP_DEG,
    blade_angles_deg,
    blade_free_share,
    blade_inwc_per_cfm2,
    blade_loss_coefficients,
)


@pytest.mark.parametrize("angle", [30, 35, 40, 45, 50, 55, 60, 65])
def test_a_blade_is_a_sharp_opening(angle: float) -> None:
    """Air contracts behind a sharp opening of free share s to 0.63 + 0.37 s^3 of it, and loses what a jet loses that
    fills the duct again: (1 / (contraction s) - 1)^2 of the velocity pressure (Borda and Carnot; the contraction
    after Weisbach; any hydraulics text). A blade half shut or more is such an opening within 8 %."""
    free = 1.0 - np.sin(np.radians(angle))
    closed_form = (1.0 / ((0.63 + 0.37 * free**3) * free) - 1.0) ** 2
    k = list(blade_angles_deg()).index(angle)
    assert blade_loss_coefficients()[k] == pytest.approx(closed_form, rel=0.08)
    assert blade_free_share(angle) == pytest.approx(free)


def test_settings() -> None:
    """From wide open in steps a crew can set; each further one takes more."""
    angles = blade_angles_deg()
    assert angles[0] == 0.0
    assert blade_loss_coefficients()[0] == 0.0
    np.testing.assert_allclose(np.diff(angles), STEP_DEG)
    assert np.all(np.diff(blade_loss_coefficients()) > 0.0)


def test_what_a_blade_takes() -> None:
    """At 4005 fpm in standard air the velocity pressure is 1 inWC (common practice): in 0.5 ft2, 2002.5 cfm."""
    got = blade_inwc_per_cfm2(np.array([0.5, 1.0]), Air())
    assert got.shape == (2, len(blade_angles_deg()))
    np.testing.assert_allclose(got[0] * 2002.5**2, blade_loss_coefficients())
    np.testing.assert_allclose(got[1] * 4005.0**2, blade_loss_coefficients())
    thin = blade_inwc_per_cfm2(0.5, Air(density_lb_per_ft3=0.06))
    np.testing.assert_allclose(thin, 0.8 * got[0])
