"""The whole network against the EPANET engine (`wntr`), a general network solver, with air as its fluid.

EPANET takes 8 / (pi^2 g) with g = 32.2 ft/s2, rounded to 0.02517 for minor losses; everything is handed over so
that these cancel. What is left is its friction factor: Swamee and Jain's formula above Re 4000, a cubic between 2000
and 4000. So the nets here are turbulent; against the same formula here the answers agree to what the engine's
stopping rule leaves, against Colebrook's to the difference of the two formulas. EPANET knows no derate, so there
is none.
"""

from __future__ import annotations

import tempfile
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from airflow_net import Net, blower, held_airflow, held_pressure, random_net, settle
from fluids.friction import Clamond, Swamee_Jain_1976

import tractduct.delivery.flow
from tractduct.delivery.flow import BlowerCurve, HeldAirflow, HeldPressure, Source
from tractduct.physics.air import PA_PER_INWC

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # its own imports
    import wntr

G = 32.2 * 0.3048  # m/s2, the engine's
MINOR = 0.02517 / (8.0 / (np.pi**2 * 32.2))  # its rounded factor over the exact one
KG_PER_M3_WATER = 1000.0
M3_PER_S_PER_CFM = 0.3048**3 / 60.0
DEVICE = 2e-7  # inWC/cfm2, invented
FALLING = ([0.0, 300.0, 600.0, 900.0, 1200.0, 3000.0], [0.9, 0.8, 0.62, 0.40, 0.10, 0.0])
PRESSURES = (0.14, 0.06)
HELD_CFM = 900.0
SEEDS = range(4)


def density(net: Net) -> float:
    return net.air.density_lb_per_ft3 * 0.45359237 / 0.3048**3


def head(net: Net, inwc: float) -> float:
    """Metres of air."""
    return inwc * PA_PER_INWC / (density(net) * G)


def as_coefficient(net: Net, inwc_per_cfm2: float, area_ft2: float) -> float:
    """A loss k q^2 as a loss coefficient on the velocity in a pipe of some area, by exact SI factors."""
    per_si = inwc_per_cfm2 * PA_PER_INWC / M3_PER_S_PER_CFM**2
    return per_si * 2.0 * (area_ft2 * 0.3048**2) ** 2 / density(net) / MINOR


def model(net: Net, source: Source) -> wntr.network.WaterNetworkModel:
    """The same ducts as pipes; rooms are one reservoir, plenums are reservoirs, junctions or a pump's two ends."""
    wn = wntr.network.WaterNetworkModel()
    options = wn.options.hydraulic
    options.inpfile_units = "CMH"
    options.headloss = "D-W"
    options.viscosity = net.air.kinematic_viscosity_ft2_per_s / 1.1e-5  # over the engine's water, ft2/s
    options.specific_gravity = density(net) / KG_PER_M3_WATER
    options.accuracy = 1e-5  # the tightest that it takes
    options.trials = 500
    wn.options.time.duration = 0
    wn.add_reservoir("ROOMS", base_head=0.0)
    sides = (False, True) if net.tops(True) else (False,)
    for is_return in sides:
        name = "RETURN" if is_return else "SUPPLY"
        sign = -1.0 if is_return else 1.0
        if isinstance(source, HeldPressure):
            held = source.return_inwc if is_return else source.supply_inwc
            wn.add_reservoir(name, base_head=sign * head(net, held[0]))
        else:
            moved = source.blower_cfm[0] if isinstance(source, HeldAirflow) else 0.0
            wn.add_junction(name, base_demand=-sign * moved * M3_PER_S_PER_CFM)
    if isinstance(source, BlowerCurve):
        wn.add_junction("BLOWER")
        points = zip(source.airflow_cfm, source.static_inwc[0], strict=True)
        wn.add_curve("TABLE", "HEAD", [(q * M3_PER_S_PER_CFM, head(net, p)) for q, p in points])
        start = "RETURN" if net.tops(True) else "ROOMS"
        wn.add_pump("FAN", start, "BLOWER", pump_type="HEAD", pump_parameter="TABLE")
        k = as_coefficient(net, source.devices.square[0], np.pi)  # a stub of 24 in, too short to matter
        wn.add_pipe("DEVICE", "BLOWER", "SUPPLY", length=1e-5, diameter=0.6096, roughness=1e-6, minor_loss=k)
    for duct in net.ducts:
        if not duct.is_run:
            wn.add_junction(duct.name)
    for duct in net.ducts:
        above = duct.parent or ("RETURN" if duct.is_return else "SUPPLY")
        ends = (above, "ROOMS" if duct.is_run else duct.name)
        square = duct.coefficient * net.air.density_ratio / (4005.0 * duct.area) ** 2 + duct.damper
        round_ft2 = np.pi * (duct.diameter_in / 24.0) ** 2
        wn.add_pipe(
            duct.name,
            *(ends[::-1] if duct.is_return else ends),
            length=duct.length_ft * 0.3048,
            diameter=duct.diameter_in * 0.0254,
            roughness=duct.roughness_ft * 0.3048,
            minor_loss=as_coefficient(net, square, round_ft2),
        )
    return wn


@dataclass(frozen=True)
class Engine:
    """What EPANET found, in cfm and inWC."""

    airflow: np.ndarray
    plenums: tuple[float, float]
    supply_m_of_water: float  # by the specific gravity; 0 where the plenum is a reservoir


@cache
def run(drive: str, returns: bool, seed: int) -> Engine:
    """The engine's answer; each case is asked for twice."""
    net, source = turbulent_net(seed, returns), sources(returns)[drive]
    with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its writer's and reader's own
        found = wntr.sim.EpanetSimulator(model(net, source)).run_sim(file_prefix=str(Path(folder) / "net"))
    flow = found.link["flowrate"].iloc[0]
    heads = found.node["head"].iloc[0]
    to_inwc = density(net) * G / PA_PER_INWC
    back = -float(heads["RETURN"]) * to_inwc if returns else 0.0
    return Engine(
        airflow=np.array([flow[d.name] for d in net.ducts], dtype=float) / M3_PER_S_PER_CFM,
        plenums=(float(heads["SUPPLY"]) * to_inwc, back),
        supply_m_of_water=float(found.node["pressure"].iloc[0]["SUPPLY"]),
    )


def sources(returns: bool) -> dict[str, Source]:
    return {
        "pressure": held_pressure(PRESSURES[0], PRESSURES[1] if returns else 0.0),
        "airflow": held_airflow(HELD_CFM),
        "blower": blower(*FALLING, device=DEVICE),
    }


def turbulent_net(seed: int, returns: bool) -> Net:
    return random_net(1000 + seed, returns=returns, plain=True)


def reynolds(net: Net, flow: np.ndarray) -> np.ndarray:
    feet = np.array([d.diameter_in for d in net.ducts]) / 12.0
    return flow / 60.0 / (np.pi / 4.0 * feet) / net.air.kinematic_viscosity_ft2_per_s


def off_swamee_jain(net: Net, flow: np.ndarray) -> float:
    """How far the two formulas are apart in the sections of a net, as a part; both from `fluids`."""
    rough = [d.roughness_ft / (d.diameter_in / 12.0) for d in net.ducts]
    pairs = list(zip(reynolds(net, flow), rough, strict=True))
    return max(abs(Swamee_Jain_1976(re, eD) / Clamond(re, eD) - 1.0) for re, eD in pairs)


@pytest.fixture
def by_swamee_jain(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The program's solve with the engine's friction factor, and its slope worked out here."""

    def factor_and_slope(re: np.ndarray, rough: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        re, rough = np.broadcast_arrays(np.maximum(re, 1.0), rough)
        term = 5.74 / re**0.9
        inside = rough / 3.7 + term
        log = np.log10(inside)
        factor = 0.25 / log**2
        slope = -2.0 * factor / log * (-0.9 * term / inside / np.log(10.0))
        return factor, slope

    monkeypatch.setattr(tractduct.delivery.flow, "friction_factor_and_slope", factor_and_slope)
    return


CASES = [(drive, returns) for drive in ("pressure", "airflow", "blower") for returns in (False, True)]
NAMES = [f"{drive}-{'both sides' if returns else 'supply'}" for drive, returns in CASES]


@pytest.mark.parametrize(("drive", "returns"), CASES, ids=NAMES)
@pytest.mark.usefixtures("by_swamee_jain")
def test_with_its_own_friction_factor(drive: str, returns: bool) -> None:
    """The same formula on both sides: what the engine's stopping rule and its 4-byte output leave.

    It stops once the airflow changes of a step add up to 1e-5 of the airflow; Newton's next change would be far
    smaller, so 1e-5 of each section is asked of what it found.
    """
    source = sources(returns)[drive]
    for seed in SEEDS:
        net = turbulent_net(seed, returns)
        engine = run(drive, returns, seed)
        ours = settle([net], source, run_cfm=100.0)
        assert ours.settled.all()
        assert reynolds(net, ours.airflow_cfm[0]).min() > 4000.0
        np.testing.assert_allclose(ours.airflow_cfm[0], engine.airflow, rtol=1e-5)
        plenums = [ours.supply_inwc[0], ours.return_inwc[0]]
        np.testing.assert_allclose(plenums, engine.plenums, rtol=2e-5, atol=1e-9)


@pytest.mark.parametrize(("drive", "returns"), CASES, ids=NAMES)
def test_with_colebrook(drive: str, returns: bool) -> None:
    """As it is: no further off than the two friction formulas are in these ducts.

    A loss that is a part e off moves an airflow by about e/2; a tree adds up several, and held airflow shows it in
    pressures instead. So e is asked of airflows and 1.5 e of pressures; e itself is under 3 % here.
    """
    source = sources(returns)[drive]
    for seed in SEEDS:
        net = turbulent_net(seed, returns)
        engine = run(drive, returns, seed)
        ours = settle([net], source, run_cfm=100.0)
        apart = off_swamee_jain(net, ours.airflow_cfm[0])
        assert 1e-4 < apart < 0.03
        off = np.abs(ours.airflow_cfm[0] / engine.airflow - 1.0)
        assert off.max() < apart
        plenums = [ours.supply_inwc[0], ours.return_inwc[0]]
        np.testing.assert_allclose(plenums, engine.plenums, rtol=1.5 * apart, atol=1e-9)


@pytest.mark.usefixtures("by_swamee_jain")
def test_pressure_by_the_specific_gravity() -> None:
    """The engine's own pressure, metres of water by the specific gravity, is the plenum's."""
    net = turbulent_net(0, True)
    pascals = run("airflow", True, 0).supply_m_of_water * KG_PER_M3_WATER * G
    ours = settle([net], sources(True)["airflow"], run_cfm=100.0)
    assert pascals == pytest.approx(ours.supply_inwc[0] * PA_PER_INWC, rel=2e-5)
