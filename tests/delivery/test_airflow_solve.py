"""The airflow solve: balances, closed forms, and a second way to the same answer."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from airflow_net import (
    Duct,
    Net,
    blower,
    held_airflow,
    held_pressure,
    loss_inwc,
    random_net,
    settle,
    settle_by_root,
    stacked,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from tractduct.arrays import each
from tractduct.delivery.flow import (
    AirflowSolution,
    BlowerCurve,
    HeldAirflow,
    HeldPressure,
    Leakage,
    Source,
    section_loss_inwc,
    solve_airflow,
)
from tractduct.network.airstream import DeviceLoss
from tractduct.physics.air import Air

# Invented blower: falls, and turns negative at the end so that every system meets it.
FALLING = ([0.0, 300.0, 600.0, 900.0, 4000.0], [0.8, 0.78, 0.6, 0.35, -0.5])
LEAKS = [None, Leakage(supply=0.08, return_=0.05)]


def drives(n: int = 1) -> dict[str, Source]:
    return {
        "pressure": held_pressure(0.11, 0.05, n),
        "airflow": held_airflow(700.0, 1.5e-7, n),
        "blower": blower(*FALLING, device=1e-7, n=n),
    }


def friction_only(n_run: int = 3) -> Net:
    """A trunk and some unequal runs, losing by friction alone."""
    runs = [
        Duct(name=f"R{k}", parent="T", diameter_in=5 + k, length_ft=40.0 + 30.0 * k, roughness_ft=0.001 * (k + 1))
        for k in range(n_run)
    ]
    return Net(ducts=(Duct(name="T", is_run=False, diameter_in=12), *runs))


def square_only(coefficients: dict[str, float]) -> Net:
    """Runs without friction at the air handler: loss = k q^2 exactly."""
    return Net(ducts=tuple(Duct(name=n, length_ft=0.0, coefficient=c) for n, c in coefficients.items()))


def square_factor(duct: Duct) -> float:
    """k of loss = k q^2 for loss coefficients in standard air: C / (4005 A)^2 (4005: common practice)."""
    return duct.coefficient / (4005.0 * duct.area) ** 2


# -- a second way -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("leakage", LEAKS, ids=["tight", "leaky"])
@pytest.mark.parametrize("drive", ["pressure", "airflow", "blower"])
def test_against_root(drive: str, leakage: Leakage | None) -> None:
    """Random trees with everything in them: coefficients, derates, dampers, real areas, shut runs, site air."""
    source = drives()[drive]
    for seed in range(25):
        net = random_net(seed, returns=seed % 5 > 0)
        other = settle_by_root(net, source, leakage)
        assert other.residual < 1e-12
        ours = settle([net], source, leakage)
        assert ours.settled.all()
        np.testing.assert_allclose(ours.airflow_cfm[0], other.airflow, rtol=1e-8, atol=1e-8)
        plenums = [ours.supply_inwc[0], ours.return_inwc[0]]
        np.testing.assert_allclose(plenums, [other.supply, other.back], rtol=1e-8, atol=1e-12)
        if drive != "pressure":
            assert ours.blower_cfm[0] == pytest.approx(other.blower, rel=1e-8)


def test_many_variants_at_once_as_one_by_one() -> None:
    """A batch is its variants: other lengths, roughness, dampers and shut runs in each."""
    rng = np.random.default_rng(5)
    base = random_net(3, plain=True)
    nets = []
    for k in range(12):
        ducts = tuple(
            replace(
                d,
                length_ft=d.length_ft * rng.uniform(0.5, 2.0),
                roughness_ft=float(rng.choice([0.0003, 0.003])),
                damper=float(rng.uniform(0.0, 1e-5)) * d.is_run,
                is_open=not (k % 3 == 1 and d.name == "s0" and len(base.children(d.parent)) > 1),
            )
            for d in base.ducts
        )
        nets.append(replace(base, ducts=ducts))
    for name, many in drives(len(nets)).items():
        ours = settle(nets, many)
        for k, net in enumerate(nets):
            alone = settle_by_root(net, drives()[name])
            np.testing.assert_allclose(ours.airflow_cfm[k], alone.airflow, rtol=1e-8, atol=1e-8)


# -- balances -----------------------------------------------------------------------------------------------


def assert_balanced(net: Net, found: AirflowSolution, leakage: Leakage | None = None) -> None:
    """Mass at each node and the blower, pressure along each open run; losses by the second way."""
    lost = leakage or Leakage()
    flow = found.airflow_cfm[0]
    loss = [loss_inwc(duct, q, net.air) for duct, q in zip(net.ducts, flow, strict=True)]
    for i, duct in enumerate(net.ducts):
        if not duct.is_run:
            assert flow[i] == pytest.approx(sum(flow[k] for k in net.children(duct.name)), rel=1e-8, abs=1e-8)
            continue
        if not duct.is_open:
            assert flow[i] == 0.0
            continue
        plenum = found.return_inwc[0] if duct.is_return else found.supply_inwc[0]
        way, at = [i], duct
        while at.parent:
            way.append(net.index(at.parent))
            at = net.ducts[way[-1]]
        assert sum(loss[k] for k in way) == pytest.approx(plenum, rel=1e-8)
    for is_return, part in ((False, lost.supply), (True, lost.return_)):
        if net.tops(is_return) and np.isfinite(found.blower_cfm[0]):
            carried = sum(flow[k] for k in net.tops(is_return))
            assert carried == pytest.approx((1.0 - part) * found.blower_cfm[0], rel=1e-8)


@settings(max_examples=60)
@given(
    seed=st.integers(0, 10**6),
    pressure=st.floats(1e-4, 3.0),
    airflow=st.floats(5.0, 5000.0),
    leak=st.sampled_from(LEAKS),
    start=st.sampled_from([0.0, 1.0, 80.0, 3000.0]),
)
def test_mass_and_pressure_balance(
    seed: int, pressure: float, airflow: float, leak: Leakage | None, start: float
) -> None:
    """From any start and at any drive, air that enters leaves, and each path loses what its plenum has.

    Where a section stands in the jump from laminar to turbulent its friction factor has no one value, and the
    second way can't say what it loses: such cases are left to their own test.
    """
    net = random_net(seed)
    for source in (held_pressure(pressure, 0.4 * pressure), held_airflow(airflow), blower(*FALLING, device=2e-7)):
        found = settle([net], source, leak, run_cfm=start)
        assert found.settled.all()
        if not in_jump(net, found.airflow_cfm[0]):
            assert_balanced(net, found, leak)


def reynolds(duct: Duct, cfm: float, air: Air) -> float:
    feet = duct.diameter_in / 12.0
    return cfm / (1.0 - duct.derate) / 60.0 / (math.pi / 4.0 * feet) / air.kinematic_viscosity_ft2_per_s


def in_jump(net: Net, flow: np.ndarray) -> bool:
    return any(2299.0 < reynolds(d, q, net.air) < 2301.0 for d, q in zip(net.ducts, flow, strict=True))


def test_a_trunk_whose_runs_are_all_shut_carries_nothing() -> None:
    net = Net(
        ducts=(
            Duct(name="T", is_run=False),
            Duct(name="U", is_run=False),
            Duct(name="a", parent="T", is_open=False),
            Duct(name="b", parent="T", is_open=False),
            Duct(name="c", parent="U"),
        )
    )
    found = settle([net], held_airflow(120.0))
    assert found.settled.all()
    np.testing.assert_allclose(found.airflow_cfm[0], [0.0, 120.0, 0.0, 0.0, 120.0], rtol=1e-8, atol=1e-8)


def test_symmetric_tree_splits_equally() -> None:
    twin = {"diameter_in": 6.0, "length_ft": 60.0, "coefficient": 0.4, "roughness_ft": 0.002}
    ducts = [Duct(name=f"T{k}", is_run=False, diameter_in=10) for k in range(2)]
    ducts += [Duct(name=f"R{k}{j}", parent=f"T{k}", **twin) for k in range(2) for j in range(4)]
    net = Net(ducts=tuple(ducts))
    for source in drives().values():
        flow = settle([net], source, run_cfm=20.0).airflow_cfm[0]
        np.testing.assert_allclose(flow[:2], flow[0], rtol=1e-12)
        np.testing.assert_allclose(flow[2:], flow[0] / 4.0, rtol=1e-12)


def test_the_order_of_sections_does_not_matter() -> None:
    """The same tree with its sections in another order, parents still first."""
    net = random_net(11)
    order = sorted(range(len(net.ducts)), key=lambda i: (bool(net.ducts[i].parent), -i))
    order.sort(key=lambda i: depth(net, i))
    other = replace(net, ducts=tuple(net.ducts[i] for i in order))
    assert [d.name for d in other.ducts] != [d.name for d in net.ducts]
    for source in drives().values():
        np.testing.assert_allclose(
            settle([other], source).airflow_cfm[0], settle([net], source).airflow_cfm[0][order], rtol=1e-9
        )


def depth(net: Net, i: int) -> int:
    parent = net.ducts[i].parent
    return 1 + depth(net, net.index(parent)) if parent else 0


def test_section_loss_is_that_of_the_second_way() -> None:
    net = random_net(8)
    flow = np.linspace(3.0, 400.0, len(net.ducts))
    ours = section_loss_inwc(stacked([net]), flow[None, :], net.air)[0]
    np.testing.assert_allclose(
        ours, [loss_inwc(d, q, net.air) for d, q in zip(net.ducts, flow, strict=True)], rtol=1e-9
    )


# -- closed forms -------------------------------------------------------------------------------------------


def test_one_duct_and_a_parabola() -> None:
    """p0 - a q^2 meets (k + devices) q^2 at sqrt(p0 / (a + k + devices)); straight lines between 1 cfm points."""
    net = square_only({"a": 2.5})
    k, device, p0, a = square_factor(net.ducts[0]), 4e-7, 0.9, 6e-7
    q = np.arange(0.0, 1200.0, 1.0)
    found = settle([net], blower(q.tolist(), (p0 - a * q**2).tolist(), device))
    # A chord of 1 cfm lies at most a/4 inWC below the parabola: 1.5e-7 of 0.9.
    assert found.airflow_cfm[0, 0] == pytest.approx(math.sqrt(p0 / (a + k + device)), rel=1e-6)
    assert found.external_static_inwc[0] == pytest.approx(p0 - a * found.blower_cfm[0] ** 2, abs=a / 4.0 + 1e-12)


def test_one_duct_and_a_straight_blower() -> None:
    """p0 - m q = (k + devices) q^2 is solved by the quadratic formula; a straight blower has no chords."""
    net = square_only({"a": 2.5})
    k, device, p0, m = square_factor(net.ducts[0]), 4e-7, 0.8, 5e-4
    exact = (-m + math.sqrt(m * m + 4.0 * (k + device) * p0)) / (2.0 * (k + device))
    found = settle([net], blower([0.0, 1600.0], [p0, p0 - 1600.0 * m], device))
    assert found.airflow_cfm[0, 0] == pytest.approx(exact, rel=1e-10)
    assert found.external_static_inwc[0] == pytest.approx(p0 - m * exact, rel=1e-10)
    assert found.supply_inwc[0] == pytest.approx(k * exact**2, rel=1e-10)


@pytest.mark.parametrize("run_cfm", [5.0, 80.0, 900.0])
def test_one_duct_and_a_linear_device(run_cfm: float) -> None:
    """k q^2 + c q = p, of a duct and a device whose loss is in proportion to airflow, by the quadratic formula."""
    net = square_only({"a": 2.5})
    k, c, p = square_factor(net.ducts[0]) + 4e-7, 4e-4, 0.5
    found = settle([net], blower([0.0, 4000.0], [p, p], 4e-7, powers=((1.0, c),)), run_cfm=run_cfm)
    assert found.airflow_cfm[0, 0] == pytest.approx((-c + math.sqrt(c * c + 4.0 * k * p)) / (2.0 * k), rel=1e-10)
    assert found.external_static_inwc[0] == pytest.approx(p, rel=1e-10)


@pytest.mark.parametrize("seed", range(4))
def test_devices_of_several_exponents(seed: int) -> None:
    """A filter of 1.4 and a coil of 1.8 in a whole house: against root, which takes the power as it is."""
    net = random_net(seed)
    source = blower([0.0, 400.0, 800.0, 1600.0], [0.9, 0.8, 0.5, 0.0], 1e-7, powers=((1.4, 8e-6), (1.8, 3e-7)))
    ours, theirs = settle([net], source), settle_by_root(net, source)
    assert theirs.residual < 1e-10
    np.testing.assert_allclose(ours.airflow_cfm[0], theirs.airflow, rtol=1e-6, atol=1e-6)
    assert ours.blower_cfm[0] == pytest.approx(theirs.blower, rel=1e-7)


def test_squares_side_by_side_and_in_line() -> None:
    """Runs side by side: 1/sqrt(k) adds up; a trunk and its runs in line: k adds up."""
    side = square_only({"a": 1.0, "b": 3.0, "c": 0.2})
    conductance = [1.0 / math.sqrt(square_factor(d)) for d in side.ducts]
    flow = settle([side], held_pressure(0.1)).airflow_cfm[0]
    np.testing.assert_allclose(flow, [math.sqrt(0.1) * c for c in conductance], rtol=1e-10)
    trunk = Duct(name="T", is_run=False, length_ft=0.0, coefficient=0.7, diameter_in=12)
    line = Net(ducts=(trunk, *(replace(d, parent="T") for d in side.ducts)))
    k = square_factor(trunk) + 1.0 / sum(conductance) ** 2
    found = settle([line], held_pressure(0.1))
    assert found.airflow_cfm[0, 0] == pytest.approx(math.sqrt(0.1 / k), rel=1e-10)


def test_laminar_duct_is_linear() -> None:
    """Hagen and Poiseuille: loss = 128 mu L Q / (pi D^4), SI, below Re 2300."""
    net = Net(ducts=(Duct(name="a", diameter_in=6, length_ft=100.0), Duct(name="b", diameter_in=5, length_ft=80.0)))
    pressure = 2e-4
    flow = settle([net], held_pressure(pressure)).airflow_cfm[0]
    air = net.air
    mu = air.kinematic_viscosity_ft2_per_s * 0.3048**2 * 0.075 * 0.45359237 / 0.3048**3
    for duct, q in zip(net.ducts, flow, strict=True):
        assert reynolds(duct, q, air) < 2300.0
        meters = duct.diameter_in * 0.0254
        si = pressure * 249.089 * math.pi * meters**4 / (128.0 * mu * duct.length_ft * 0.3048)
        assert q == pytest.approx(si / (0.3048**3 / 60.0), rel=1e-9)


def test_derate_is_the_air_that_is_lost() -> None:
    """With friction alone and the pressure held, 10 % on every section loses 10 % of the air."""
    net = friction_only()
    source = held_pressure(0.1)
    whole = settle([net], source).airflow_cfm
    np.testing.assert_allclose(settle([net.with_all(derate=0.1)], source).airflow_cfm, 0.9 * whole, rtol=1e-10)
    with_fittings = net.with_all(coefficient=0.5)
    part = settle([with_fittings.with_all(derate=0.1)], source).airflow_cfm
    assert np.all(part > 0.9 * settle([with_fittings], source).airflow_cfm)


def test_held_airflow_splits_like_the_pressure_that_it_takes() -> None:
    net = random_net(17, returns=False)
    by_flow = settle([net], held_airflow(640.0))
    by_pressure = settle([net], held_pressure(float(by_flow.supply_inwc[0])))
    np.testing.assert_allclose(by_pressure.airflow_cfm, by_flow.airflow_cfm, rtol=1e-9, atol=1e-9)


def test_ducts_alike_in_all_variants_are_said_once() -> None:
    """Arrays that broadcast, against the root of the path equations of each variant."""
    net, cfm = random_net(6), np.array([500.0, 700.0])
    alike = each(stacked([net]), lambda values: values[0])
    source = HeldAirflow(blower_cfm=cfm, devices=DeviceLoss(np.zeros(2)))
    found = solve_airflow(net.tree, alike, source, net.air, np.array([net.guess()] * 2))
    for row, total in zip(found.airflow_cfm, cfm.tolist(), strict=True):
        other = settle_by_root(net, held_airflow(total))
        assert other.residual < 1e-10
        np.testing.assert_allclose(row, other.airflow, rtol=1e-6, atol=1e-6)


def test_leakage_is_between_blower_and_ducts() -> None:
    """Of 800 cfm, 10 % leave the supply ducts before the registers and 25 % enter the return ducts past the grilles."""
    net = random_net(4)
    found = settle([net], held_airflow(800.0), Leakage(supply=0.10, return_=0.25))
    supply, back = (sum(found.airflow_cfm[0, k] for k in net.tops(side)) for side in (False, True))
    assert (supply, back) == pytest.approx((720.0, 600.0), rel=1e-9)
    alone = settle([net], held_airflow(720.0))
    assert found.supply_inwc == pytest.approx(alone.supply_inwc, rel=1e-9)


@settings(max_examples=25)
@given(seed=st.integers(0, 10**6), which=st.integers(0, 100))
def test_more_resistance_less_air(seed: int, which: int) -> None:
    """A longer or rougher section never gets more air at held pressure, and the system never moves more."""
    net = random_net(seed, returns=False)
    k = which % len(net.ducts)
    worse = list(net.ducts)
    worse[k] = replace(worse[k], length_ft=worse[k].length_ft * 1.5, roughness_ft=0.005)
    for source in (held_pressure(0.1), blower(*FALLING)):
        before = settle([net], source)
        after = settle([replace(net, ducts=tuple(worse))], source)
        assert after.airflow_cfm[0, k] <= before.airflow_cfm[0, k] * (1.0 + 1e-9)
        tops = net.tops(False)
        assert after.airflow_cfm[0, tops].sum() <= before.airflow_cfm[0, tops].sum() * (1.0 + 1e-9)


# -- laminar to turbulent -----------------------------------------------------------------------------------


def test_pressures_inside_the_laminar_jump_settle() -> None:
    """Between what laminar and turbulent friction take at Re 2300, the airflow stands at Re 2300."""
    duct = Duct(name="a", diameter_in=6, length_ft=100.0, roughness_ft=0.003)
    net = Net(ducts=(duct, Duct(name="b", diameter_in=8)))
    edge = 2300.0 * math.pi / 4.0 * 0.5 * net.air.kinematic_viscosity_ft2_per_s * 60.0  # Re = 4 Q / (pi D nu)
    low, high = (loss_inwc(duct, edge * part, net.air) for part in (1.0 - 1e-9, 1.0 + 1e-9))
    assert high > 1.5 * low
    pressures = np.linspace(0.9 * low, 1.1 * high, 80)
    start = np.tile(net.guess(), (80, 1))
    flows = []
    for cfm in (start, 1e-3 * start, 1e3 * start):
        source = HeldPressure(supply_inwc=pressures, return_inwc=np.zeros(80))
        found = solve_airflow(net.tree, stacked([net] * 80), source, net.air, cfm)
        assert found.settled.all()
        flows.append(found.airflow_cfm[:, 0])
    inside = (pressures > low) & (pressures < high)
    assert inside.sum() > 40
    for flow in flows:
        assert np.all(np.diff(flow) > 0.0)
        np.testing.assert_allclose(flow[inside], edge, rtol=1.1e-4)  # the width that the loss rises over is 1e-4
        np.testing.assert_allclose(flow, flows[0], rtol=1e-8)
    np.testing.assert_allclose([loss_inwc(duct, q, net.air) for q in flows[0][~inside]], pressures[~inside], rtol=1e-8)


# -- blower tables that are not monotonic ----------------------------------------------------------------------

# Loss 1e-6 q^2 against an S: above it to 350, below to 650, above to the last crossing past 900.
S_CFM = [0.0, 200.0, 400.0, 600.0, 800.0, 900.0, 1100.0]
S_INWC = [0.30, 0.20, 0.10, 0.30, 0.80, 0.95, 0.60]


def s_net() -> Net:
    one = square_only({"a": 1.0})
    return one.with_all(coefficient=1e-6 / square_factor(one.ducts[0]))


def crossings(airflow: list[float], static: list[float], k: float) -> list[float]:
    """Where straight pieces meet k q^2, by the quadratic formula on each."""
    found = []
    for (q0, h0), (q1, h1) in zip(
        zip(airflow, static, strict=True), zip(airflow[1:], static[1:], strict=True), strict=False
    ):
        m = (h1 - h0) / (q1 - q0)
        for sign in (-1.0, 1.0):
            inside = m * m + 4.0 * k * (h0 - m * q0)
            if inside >= 0.0:
                q = (m + sign * math.sqrt(inside)) / (2.0 * k)
                if q0 <= q <= q1:
                    found.append(q)
    return sorted(found)


@pytest.mark.parametrize("start", [1.0, 100.0, 340.0, 700.0, 940.0, 5000.0])
def test_three_crossings_the_largest_counts(start: float) -> None:
    """The documented choice: the largest airflow at which the blower keeps to the system's curve."""
    three = crossings(S_CFM, S_INWC, 1e-6)
    assert len(three) == 3
    assert three[0] < 400.0 < three[1] < 800.0 < 900.0 < three[2]
    found = settle([s_net()], blower(S_CFM, S_INWC), run_cfm=start)
    assert found.settled.all()
    assert found.blower_cfm[0] == pytest.approx(three[2], rel=1e-9)


@pytest.mark.parametrize("start", [1.0, 340.0, 5000.0])
def test_the_crossing_that_is_left(start: float) -> None:
    """A lower second hill that no longer reaches the system leaves the first crossing."""
    low = [0.30, 0.20, 0.10, 0.15, 0.30, 0.30, 0.10]
    (one,) = crossings(S_CFM, low, 1e-6)
    found = settle([s_net()], blower(S_CFM, low), run_cfm=start)
    assert found.settled.all()
    assert found.blower_cfm[0] == pytest.approx(one, rel=1e-9)


def test_a_hump_that_rises_from_nothing() -> None:
    """A blower that makes most pressure in the middle (as Cengel and Cimbala Example 14-1 has it)."""
    airflow, static = [0.0, 250.0, 500.0, 750.0, 1000.0, 1200.0], [0.90, 0.95, 0.90, 0.75, 0.40, 0.0]
    (one,) = crossings(airflow, static, 1e-6)
    found = settle([s_net()], blower(airflow, static))
    assert found.blower_cfm[0] == pytest.approx(one, rel=1e-9)


def test_not_settled_where_nothing_meets() -> None:
    """In one batch: a table that ends too early, one that is too weak, and one that meets."""
    net = s_net()
    q = np.array([100.0, 200.0, 300.0])
    static = np.array([[0.5, 0.5, 0.5], [0.005, 0.004, 0.003], [0.2, 0.1, 0.05]])
    source = BlowerCurve(airflow_cfm=q, static_inwc=static, devices=DeviceLoss(np.zeros(3)))
    found = settle([net] * 3, source)
    assert found.settled.tolist() == [False, False, True]
    (one,) = crossings(q.tolist(), static[2].tolist(), 1e-6)
    assert found.blower_cfm[2] == pytest.approx(one)


@pytest.mark.parametrize("start", [10.0, 80.0, 250.0, 5000.0])
def test_a_curve_may_end_before_others_of_its_batch(start: float) -> None:
    """NaN outside a table, as two speeds on one axis have it: the crossing inside is found from any start."""
    net = s_net()
    q = [0.0, 100.0, 200.0, 300.0, 400.0]
    static = [math.nan, 0.2, 0.1, 0.05, math.nan]
    (one,) = crossings(q[1:4], static[1:4], 1e-6)
    found = settle([net], blower(q, static), run_cfm=start)
    assert found.settled.all()
    assert found.blower_cfm[0] == pytest.approx(one, rel=1e-9)


def test_a_section_that_ends_in_a_room_feeds_no_other() -> None:
    net = Net(ducts=(Duct(name="a"), Duct(name="b", parent="a")))
    with pytest.raises(ValueError, match="section 'a' ends in a room and feeds others"):
        settle([net], held_pressure(0.1))


def test_a_section_without_loss_between_others() -> None:
    """A trunk that loses nothing is a wider plenum."""
    runs = [Duct(name=n, parent="T", length_ft=40.0 + 20.0 * k) for k, n in enumerate("abc")]
    free = Net(ducts=(Duct(name="T", is_run=False, length_ft=0.0), *runs))
    without = Net(ducts=tuple(replace(d, parent="") for d in runs))
    np.testing.assert_allclose(
        settle([free], held_airflow(300.0)).airflow_cfm[0, 1:],
        settle([without], held_airflow(300.0)).airflow_cfm[0],
        rtol=1e-9,
    )
