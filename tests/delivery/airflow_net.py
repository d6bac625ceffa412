"""Duct trees for the airflow tests, and a second way to settle them.

The second way shares no formula with the program: friction factors come from the `fluids` library, losses are
worked out section by section in SI, and `scipy.optimize.root` finds every section's airflow and every node's
pressure at once. Unit factors are those of tests/reference.py.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from fluids.friction import Clamond
from reference import M_PER_FT, PA_PER_INWC, STANDARD_DENSITY
from scipy.optimize import root

from tractduct.delivery.flow import (
    AirflowSolution,
    BlowerCurve,
    HeldAirflow,
    HeldPressure,
    Leakage,
    SizedDucts,
    Source,
    solve_airflow,
)
from tractduct.model.plan import Section
from tractduct.network.airstream import DeviceLoss
from tractduct.network.tree import DuctTree, build_tree
from tractduct.physics.air import Air, site_air

Row = list[float]


@dataclass(frozen=True, kw_only=True)
class Duct:
    """One section as a test writes it."""

    name: str
    parent: str = ""
    is_return: bool = False
    is_run: bool = True
    diameter_in: float = 8.0
    area_ft2: float | None = None  # of its own diameter unless rectangular
    roughness_ft: float = 0.001
    derate: float = 0.0
    length_ft: float = 50.0  # friction length: compression and equivalent lengths are in it
    coefficient: float = 0.0
    damper: float = 0.0  # inWC / cfm2
    is_open: bool = True

    @property
    def area(self) -> float:
        return math.pi * (self.diameter_in / 24.0) ** 2 if self.area_ft2 is None else self.area_ft2


@dataclass(frozen=True, kw_only=True)
class Net:
    """Ducts in tree order, parents first, in one variant."""

    ducts: tuple[Duct, ...]
    air: Air = field(default_factory=Air)

    def index(self, name: str) -> int:
        return [duct.name for duct in self.ducts].index(name)

    def children(self, name: str) -> list[int]:
        return [i for i, duct in enumerate(self.ducts) if duct.parent == name]

    def tops(self, is_return: bool) -> list[int]:
        return [i for i, d in enumerate(self.ducts) if not d.parent and d.is_return == is_return]

    def with_all(self, **changes: float) -> Net:
        return replace(self, ducts=tuple(replace(duct, **changes) for duct in self.ducts))

    @property
    def tree(self) -> DuctTree:
        return build_tree(
            [
                Section(
                    name=d.name,
                    parent=d.parent,
                    side="return" if d.is_return else "supply",
                    rooms=("*",) if d.is_run and d.is_return else (d.name,) if d.is_run else (),
                )
                for d in self.ducts
            ]
        )

    def guess(self, run_cfm: float = 80.0) -> np.ndarray:
        """(n_section,) a start: so much in every open run."""
        flow = [run_cfm * (d.is_run and d.is_open) for d in self.ducts]
        for i in reversed(range(len(self.ducts))):
            flow[i] += sum(flow[k] for k in self.children(self.ducts[i].name))
        return np.array(flow)


def stacked(nets: list[Net]) -> SizedDucts:
    """Variants of one tree, one a row."""

    def of(name: str) -> np.ndarray:
        return np.array([[getattr(duct, name) for duct in net.ducts] for net in nets])

    return SizedDucts(
        diameter_in=of("diameter_in"),
        area_ft2=of("area"),
        roughness_ft=of("roughness_ft"),
        derate=of("derate"),
        friction_length_ft=of("length_ft"),
        loss_coefficient=of("coefficient"),
        damper_inwc_per_cfm2=of("damper"),
        is_open=of("is_open"),
    )


def settle(nets: list[Net], source: Source, leakage: Leakage | None = None, run_cfm: float = 80.0) -> AirflowSolution:
    """The program's answer for some variants of one tree, in one air."""
    start = np.array([net.guess(run_cfm) for net in nets])
    return solve_airflow(nets[0].tree, stacked(nets), source, nets[0].air, start, leakage)


def held_pressure(supply: float, back: float = 0.0, n: int = 1) -> HeldPressure:
    return HeldPressure(supply_inwc=np.full(n, supply), return_inwc=np.full(n, back))


def held_airflow(cfm: float, device: float = 0.0, n: int = 1) -> HeldAirflow:
    return HeldAirflow(blower_cfm=np.full(n, cfm), devices=DeviceLoss(np.full(n, device)))


def blower(
    airflow: Row, static: Row, device: float = 0.0, n: int = 1, powers: tuple[tuple[float, float], ...] = ()
) -> BlowerCurve:
    """``powers``: exponent and inWC/cfm^exponent of devices besides the square one."""
    return BlowerCurve(
        airflow_cfm=np.array(airflow, dtype=float),
        static_inwc=np.tile(np.array(static, dtype=float), (n, 1)),
        devices=DeviceLoss(np.full(n, device), tuple((e, np.full(n, k)) for e, k in powers)),
    )


def loss_inwc(duct: Duct, cfm: float, air: Air) -> float:
    """A section's loss at an airflow of either sign, in plain SI; `fluids` for Colebrook, 64/Re below 2300."""
    if cfm == 0.0:
        return 0.0
    meters = duct.diameter_in / 12.0 * M_PER_FT
    flow = abs(cfm) / (1.0 - duct.derate) * M_PER_FT**3 / 60.0
    speed = flow / (math.pi / 4.0 * meters**2)
    reynolds = speed * meters / (air.kinematic_viscosity_ft2_per_s * M_PER_FT**2)
    relative = duct.roughness_ft * M_PER_FT / meters
    factor = 64.0 / reynolds if reynolds < 2300.0 else Clamond(reynolds, relative)
    density = STANDARD_DENSITY * air.density_ratio
    friction = factor * duct.length_ft * M_PER_FT / meters * 0.5 * density * speed**2 / PA_PER_INWC
    other = duct.coefficient * (cfm / duct.area / 4005.0) ** 2 * air.density_ratio  # 4005: common practice
    return math.copysign(friction + other + duct.damper * cfm**2, cfm)


@dataclass(frozen=True, kw_only=True)
class Settled:
    """What the second way finds; the largest residual over the largest airflow or pressure says how well."""

    airflow: np.ndarray
    supply: float
    back: float
    blower: float
    residual: float


def settle_by_root(net: Net, source: Source, leakage: Leakage | None = None, run_cfm: float = 80.0) -> Settled:
    """Every section's airflow, every node's and both plenums' pressure, and the blower's airflow, by root."""
    lost = leakage or Leakage()
    ducts, n = net.ducts, len(net.ducts)
    inner = [i for i, d in enumerate(ducts) if not d.is_run]
    node_of = {ducts[i].name: k for k, i in enumerate(inner)}
    # unknowns: n airflows, a pressure at the end of each inner section, two plenums, the blower
    scale_q, scale_p = max(net.guess(run_cfm).max(), 1.0), 0.1

    def parts(x: np.ndarray) -> tuple[np.ndarray, np.ndarray, float, float, float]:
        p = x[n : n + len(inner)] * scale_p
        return x[:n] * scale_q, p, x[-3] * scale_p, x[-2] * scale_p, x[-1] * scale_q

    def equations(x: np.ndarray) -> np.ndarray:
        q, p, supply, back, moved = parts(x)
        off = []
        for i, duct in enumerate(ducts):
            plenum = back if duct.is_return else supply
            above = p[node_of[duct.parent]] if duct.parent else plenum
            below = 0.0 if duct.is_run else p[node_of[duct.name]]
            fall = (above - below - loss_inwc(duct, q[i], net.air)) / scale_p
            off.append(fall if duct.is_open else q[i] / scale_q)
        for i in inner:
            off.append((q[i] - sum(q[k] for k in net.children(ducts[i].name))) / scale_q)
        carried = [sum(q[i] for i in net.tops(is_return)) for is_return in (False, True)]
        if isinstance(source, HeldPressure):
            off += [
                (supply - source.supply_inwc[0]) / scale_p,
                (back - source.return_inwc[0]) / scale_p,
                moved / scale_q,
            ]
            return np.array(off)
        has_return = bool(net.tops(True))
        off.append((carried[0] - (1.0 - lost.supply) * moved) / scale_q)
        off.append((carried[1] - (1.0 - lost.return_) * moved) / scale_q if has_return else back)
        if isinstance(source, HeldAirflow):
            off.append((moved - source.blower_cfm[0]) / scale_q)
        else:
            made = np.interp(moved, source.airflow_cfm, source.static_inwc[0])
            taken = supply + back + source.devices.square[0] * moved**2
            taken += sum(k[0] * moved**n for n, k in source.devices.powers)
            off.append((made - taken) / scale_p)
        return np.array(off)

    start = net.guess(run_cfm)
    total = sum(start[i] for i in net.tops(False))
    x = np.concatenate([start / scale_q, np.full(len(inner), 0.5), [1.0, 0.5, total / scale_q]])
    for _ in range(4):  # again from where it stopped: hybr ends when its own model is good enough
        x = root(equations, x, method="hybr", options={"xtol": 1e-14, "maxfev": 20000}).x
        if np.max(np.abs(equations(x))) < 1e-13:
            break
    q, _, supply, back, moved = parts(x)
    residual = float(np.max(np.abs(equations(x))))
    return Settled(airflow=q, supply=supply, back=back, blower=moved, residual=residual)


def random_net(seed: int, *, returns: bool = True, plain: bool = False) -> Net:
    """A random tree, seeded. ``plain``: no derate, no rectangular sections, none shut."""
    rng = np.random.default_rng(seed)
    ducts: list[Duct] = []
    for is_return in (False, True)[: 1 + returns]:
        letter = "r" if is_return else "s"
        trunks: list[str] = []
        for k in range(int(rng.integers(1, 3 if is_return else 5))):
            parent = str(rng.choice(["", *trunks])) if trunks else ""
            trunks.append(f"{letter}T{k}")
            ducts.append(_random_duct(rng, trunks[-1], parent, is_return, False, plain))
        feeds = trunks + [str(rng.choice(["", *trunks])) for _ in range(int(rng.integers(1, 6)))]
        for k, parent in enumerate(feeds):
            ducts.append(_random_duct(rng, f"{letter}{k}", parent, is_return, True, plain))
    if not plain:
        # Shut one supply run of several, never the only one of its trunk.
        runs = [i for i, d in enumerate(ducts) if d.is_run and not d.is_return]
        k = int(rng.choice(runs))
        if any(ducts[i].parent == ducts[k].parent for i in runs if i != k):
            ducts[k] = replace(ducts[k], is_open=False)
    air = Air() if plain else site_air(float(rng.choice([0.0, 2000.0, 6000.0])), float(rng.uniform(50.0, 120.0)))
    return Net(ducts=tuple(ducts), air=air)


def _random_duct(rng: np.random.Generator, name: str, parent: str, is_return: bool, is_run: bool, plain: bool) -> Duct:
    diameter = float(rng.choice([5, 6, 7, 8, 9] if is_run else [10, 12, 14, 16]))
    flat = not plain and rng.random() < 0.2
    return Duct(
        name=name,
        parent=parent,
        is_return=is_return,
        is_run=is_run,
        diameter_in=diameter,
        area_ft2=1.1 * math.pi * (diameter / 24.0) ** 2 if flat else None,
        roughness_ft=float(rng.choice([0.0003, 0.001, 0.003])),
        derate=0.0 if plain else float(rng.choice([0.0, 0.0, 0.05, 0.12])),
        length_ft=float(rng.uniform(10.0, 120.0)),
        coefficient=float(rng.choice([0.0, 0.35, 1.4])),
        damper=float(rng.choice([0.0, 0.0, 2e-6, 1e-5])) if is_run else 0.0,
    )
