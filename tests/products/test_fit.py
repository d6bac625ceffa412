"""A friction table to roughness and derate: known truth recovered, intervals that mean what they say."""

from __future__ import annotations

import math

import fluids
import numpy as np
import pytest

from tractduct.physics.air import Air
from tractduct.physics.friction import friction_rate_inwc_per_100ft
from tractduct.products.fit import FrictionTable, correction_of, fit_table, out_of_order

SIZES = np.repeat([5.0, 6.0, 7.0, 8.0, 10.0, 12.0], 6)
FLOWS = np.tile(np.linspace(250.0, 800.0, 6), 6) * math.pi / 4.0 * (SIZES / 12.0) ** 2


def made_from(roughness_ft: float, derate: float, noise: np.ndarray | float = 0.0) -> FrictionTable:
    rate = friction_rate_inwc_per_100ft(FLOWS, SIZES, roughness_ft, Air(), derate)
    return FrictionTable(size_in=SIZES, airflow_cfm=FLOWS, friction_rate_inwc_per_100ft=rate * np.exp(noise))


@pytest.mark.parametrize(("roughness_ft", "derate"), [(0.003, 0.10), (0.001, 0.05), (0.0003, 0.0), (0.002, 0.02)])
def test_known_roughness_and_derate_are_recovered_within_one_per_cent(roughness_ft, derate):
    fit = fit_table(made_from(roughness_ft, derate))
    assert fit.roughness_ft == pytest.approx(roughness_ft, rel=0.01)
    assert fit.derate == pytest.approx(derate, abs=0.001)
    assert fit.largest_error_pct < 0.01
    assert fit.one_roughness_serves
    assert not fit.bad_rows


def test_with_noise_the_stated_interval_holds_the_truth_in_95_per_cent_of_trials():
    """200 seeded trials with 2 % noise. A true 95 % shows in 90.4 to 99.6 % of them, three deviations each way."""
    random = np.random.default_rng(7)
    trials = 200
    held = np.zeros(2)
    for _ in range(trials):
        fit = fit_table(made_from(0.003, 0.10, random.normal(0.0, 0.02, len(SIZES))))
        held += [
            fit.roughness_interval_ft[0] <= 0.003 <= fit.roughness_interval_ft[1],
            fit.derate_interval[0] <= 0.10 <= fit.derate_interval[1],
        ]
    assert np.all(held / trials >= 0.904), held
    assert np.all(held / trials <= 0.996), held


def test_a_rigid_duct_table_made_by_a_reference_library_fits_galvanised_roughness():
    """Darcy friction factor by the fluids library (PyPI); 0.0003 ft: a common roughness of sheet metal.

    Standard air: 0.075 lb/ft3, 1.62e-4 ft2/s (duct tables, Re = 8.56 D V); 1 inWC = 249.089 Pa, from memory.
    """
    rates = []
    for size, flow in zip(SIZES, FLOWS, strict=True):
        diameter_ft = size / 12.0
        velocity_fpm = flow / (math.pi / 4.0 * diameter_ft**2)
        factor = fluids.friction_factor(Re=8.56 * size * velocity_fpm, eD=0.0003 / diameter_ft, Method="Colebrook")
        pascals = factor * 100.0 / diameter_ft * 0.5 * (0.075 * 16.018463) * (velocity_fpm * 0.00508) ** 2
        rates.append(pascals / 249.089)
    fit = fit_table(FrictionTable(size_in=SIZES, airflow_cfm=FLOWS, friction_rate_inwc_per_100ft=np.array(rates)))
    assert fit.roughness_ft == pytest.approx(0.0003, rel=0.01)
    assert fit.derate == pytest.approx(0.0, abs=0.001)


def test_one_row_gone_wrong_is_named_and_hardly_moves_the_fit():
    table = made_from(0.002, 0.05)
    rate = table.friction_rate_inwc_per_100ft.copy()
    rate[11] *= 1.4
    fit = fit_table(FrictionTable(size_in=SIZES, airflow_cfm=FLOWS, friction_rate_inwc_per_100ft=rate))
    assert fit.bad_rows == (11,)
    assert fit.roughness_ft == pytest.approx(0.002, rel=0.1)


def test_sizes_that_one_roughness_cannot_serve_are_said():
    rate = friction_rate_inwc_per_100ft(FLOWS, SIZES, np.where(SIZES > 7.5, 0.010, 0.0004), Air())
    fit = fit_table(FrictionTable(size_in=SIZES, airflow_cfm=FLOWS, friction_rate_inwc_per_100ft=rate))
    assert not fit.one_roughness_serves


def test_one_size_needs_a_derate_and_few_rows_are_refused():
    one = SIZES == 6.0
    table = made_from(0.003, 0.1)
    single = FrictionTable(
        size_in=SIZES[one],
        airflow_cfm=FLOWS[one],
        friction_rate_inwc_per_100ft=table.friction_rate_inwc_per_100ft[one],
    )
    with pytest.raises(ValueError, match="can't be told apart"):
        fit_table(single)
    held = fit_table(single, derate=0.1)
    assert held.roughness_ft == pytest.approx(0.003, rel=0.01)
    assert held.derate_given
    few = FrictionTable(
        size_in=SIZES[:3], airflow_cfm=FLOWS[:3], friction_rate_inwc_per_100ft=table.friction_rate_inwc_per_100ft[:3]
    )
    with pytest.raises(ValueError, match="at least 4 rows"):
        fit_table(few)


def test_the_table_is_reproduced_at_its_points_and_straight_in_logarithms_between():
    random = np.random.default_rng(3)
    table = made_from(0.003, 0.1, random.normal(0.0, 0.02, len(SIZES)))
    correction = correction_of(table, 0.0025, 0.08)
    for size in np.unique(SIZES):
        mine = table.size_in == size
        flow, rate = FLOWS[mine], table.friction_rate_inwc_per_100ft[mine]

        def by_table(q: np.ndarray, size: float = float(size)) -> np.ndarray:
            return correction.factor(size, q)[0] * friction_rate_inwc_per_100ft(q, size, 0.0025, Air(), 0.08)

        assert by_table(flow) == pytest.approx(rate, rel=1e-9)
        middle = np.sqrt(flow[:-1] * flow[1:])
        assert by_table(middle) == pytest.approx(np.sqrt(rate[:-1] * rate[1:]), rel=1e-9)
        outside, inside = correction.factor(float(size), np.array([flow[0] * 0.5, flow[-1] * 1.5]))
        assert outside.tolist() == [1.0, 1.0]
        assert not inside.any()
    assert correction.factor(9.0, np.array([100.0]))[1].tolist() == [False]


def test_rows_against_physics_are_found():
    table = made_from(0.003, 0.1)
    rate = table.friction_rate_inwc_per_100ft.copy()
    rate[3] = rate[2] * 0.9  # more air in the same size loses less
    wrong = FrictionTable(size_in=SIZES, airflow_cfm=FLOWS, friction_rate_inwc_per_100ft=rate)
    assert [row for row, _ in out_of_order(wrong)] == [3]
    assert not out_of_order(table)
