"""Time the airflow solve: ``python -m benchmarks.airflow`` prints ratios, writes ``reports/benchmark_airflow.json``.

One network, the same physics, three solvers, one process, one after another:

- tractduct: all variants in one batched Newton solve (``tractduct.delivery.flow``);
- ``scipy.optimize.root`` (its default, hybr), one call a variant from the design airflow: unknown are the
  airflow of every run and the pressure of both plenums. Without a Jacobian, as the target has it, and with an
  analytic one for comparison;
- the EPANET engine through its toolkit (``wntr.epanet.toolkit``), opened once. Lengths, roughness, shut runs and
  airflow are set for each variant, then the hydraulics are solved. Its solve (start values and ENrunH) is
  timed apart from the setting and reading of values, which cost more than the solve for want of a batched call.

The network is a seeded synthetic tree (``benchmarks.plans``): supply and return, 8 front faces, mirrored or not,
2 seasons, 5 flex products of their own roughness and compression, second runs shut in heating, one device.
The sizes are the smallest that keep 900 fpm (700 in flex and returns). Twice: with the airflow held, and with
a falling blower table for each season.

What differs: EPANET has no derate, so the products have none. It takes Swamee and Jain's formula above
Re 4000 where the others solve Colebrook's, and it stops at a sum of airflow changes of 1e-5 of the sum of
airflow (its tightest; the others at 1e-10 or less of each section's). Each side starts cold: here from the design
airflow, there from its own start value, 1 ft/s everywhere. The largest differences of the answers are printed;
one above what the formula explains stops the run. Times are of a shared machine: read the ratios.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import statistics
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import TypeVar

import numpy as np
from scipy.optimize import root
from wntr.epanet.toolkit import ENepanet
from wntr.epanet.util import EN

from benchmarks.plans import FLEX, RIGID, ROUND_IN, VARIANTS_PER_FLEX, _airflow, _paths, _trees
from tractduct.delivery.flow import (
    AirflowSolution,
    BlowerCurve,
    HeldAirflow,
    SizedDucts,
    solve_airflow,
)
from tractduct.model.plan import Section
from tractduct.network.airstream import DeviceLoss
from tractduct.network.tree import DuctTree, build_tree
from tractduct.physics.air import Air, dynamic_pressure_inwc, velocity_pressure_inwc
from tractduct.physics.friction import compression_factor, friction_factor_and_slope, round_area_ft2

Result = TypeVar("Result")
# Targets, in one run: at least so many times faster than root, at most the time of EPANET's solve.
FASTER_THAN_ROOT = 50.0
# An airflow may differ from EPANET's by this part: its friction factor is up to 1.8 % off Colebrook's in such ducts,
# which half shows in airflow (tests/delivery/test_epanet.py measures it; with one formula on both sides 1e-5 is left).
FRICTION_FORMULAS_DIFFER = 0.01
ROOT_AGREES = 1e-7
EPANET_G_FT_PER_S2 = 32.2
EPANET_WATER_FT2_PER_S = 1.1e-5  # what its relative viscosity counts in
EPANET_MINOR_LOSS = 0.02517  # its rounded 8 / (pi^2 g), s2/ft


@dataclass(frozen=True, kw_only=True, eq=False)
class Network:
    """A tree with its sizes, and what drives it; variant by variant in the first axis."""

    tree: DuctTree
    ducts: SizedDucts
    design_cfm: np.ndarray  # (n_variant, n_section)
    is_supply: np.ndarray  # (n_section,)
    device_inwc_per_cfm2: float
    cooling: np.ndarray  # (n_variant,) bool
    curve_cfm: np.ndarray  # (n_point,)
    curve_inwc: np.ndarray  # (2, n_point), heating and cooling
    air: Air

    @property
    def n_variant(self) -> int:
        return len(self.design_cfm)

    @property
    def blower_cfm(self) -> np.ndarray:
        tops = (self.tree.parent < 0) & self.is_supply
        return self.design_cfm[:, tops].sum(axis=1)

    def source(self, held: bool) -> HeldAirflow | BlowerCurve:
        devices = DeviceLoss(np.full(self.n_variant, self.device_inwc_per_cfm2))
        if held:
            return HeldAirflow(blower_cfm=self.blower_cfm, devices=devices)
        return BlowerCurve(
            airflow_cfm=self.curve_cfm,
            static_inwc=self.curve_inwc[self.cooling.astype(int)],
            devices=devices,
        )


def synthetic_network(n_section: int, n_variant: int, seed: int) -> Network:
    """The network described above; same seed, same network."""
    rng = np.random.default_rng(seed)
    parent, is_trunk, is_return = _trees(n_section, rng)
    flow, shut = _airflow(_paths(parent), is_return, n_variant, rng)
    kind = np.where(is_trunk, RIGID, FLEX)
    is_run = ~np.isin(np.arange(n_section), parent)
    tree = build_tree(
        [
            Section(
                name=f"S{i}",
                parent="" if parent[i] < 0 else f"S{parent[i]}",
                side="return" if is_return[i] else "supply",
                rooms=(f"R{i}",) if is_run[i] else (),
            )
            for i in range(n_section)
        ]
    )
    air = Air()
    limit_fpm = np.where(is_return | (kind == FLEX), 700.0, 900.0)
    sizes = np.array([*ROUND_IN, 24.0, 28.0])
    enough = flow.max(axis=0)[:, None] / round_area_ft2(sizes) <= limit_fpm[:, None]
    diameter = sizes[np.argmax(enough, axis=1)]
    n_flex = n_variant // VARIANTS_PER_FLEX
    flex_of = np.arange(n_variant) % n_flex
    length = np.where(is_trunk, rng.uniform(6, 16, n_section), rng.uniform(6, 28, n_section))
    fittings = np.where(is_trunk, rng.uniform(2, 12, n_section), rng.uniform(30, 75, n_section))
    compression = np.where(kind == FLEX, rng.uniform(2.0, 6.0, n_flex)[:, None], 0.0)[flex_of]
    is_open = np.ones(flow.shape, dtype=bool)
    is_open[:, tree.run_section] = ~shut
    ducts = SizedDucts(
        diameter_in=diameter,
        area_ft2=round_area_ft2(diameter),
        roughness_ft=np.where(kind == FLEX, rng.uniform(0.001, 0.003, n_flex)[:, None], 0.0003)[flex_of],
        derate=np.zeros(1),
        friction_length_ft=length * compression_factor(compression, diameter) + fittings,
        loss_coefficient=np.where(is_trunk, 0.05, rng.uniform(0.1, 0.6, n_section)),
        damper_inwc_per_cfm2=np.zeros(1),
        is_open=is_open,
    )
    cooling = np.arange(n_variant) // n_flex % 2 == 1
    total = flow[:, (parent < 0) & ~is_return].sum(axis=1)
    largest = np.array([total[~cooling].max(), total[cooling].max()])
    # A falling parabola for each season, as points: 0.9 inWC at no airflow, 0.5 at the design airflow.
    points = np.linspace(0.0, 1.5 * largest.max(), 13)
    return Network(
        tree=tree,
        ducts=ducts,
        design_cfm=flow,
        is_supply=~is_return,
        device_inwc_per_cfm2=0.3 / largest.max() ** 2,
        cooling=cooling,
        curve_cfm=points,
        curve_inwc=0.9 - 0.4 * (points / largest[:, None]) ** 2,
        air=air,
    )


def ours(network: Network, held: bool) -> AirflowSolution:
    return solve_airflow(network.tree, network.ducts, network.source(held), network.air, network.design_cfm)


# -- scipy.optimize.root ---------------------------------------------------------------------------------------


class OneVariant:
    """A variant as equations: unknown are the airflow of its open runs, then both plenums' pressures."""

    def __init__(self, network: Network, held: bool, v: int) -> None:
        ducts, air = network.ducts, network.air
        runs = np.flatnonzero(ducts.is_open[v, network.tree.run_section])
        self.network, self.held, self.n = network, held, len(runs)
        self.path = network.tree.path[runs].astype(float)
        supply = network.is_supply[network.tree.run_section[runs]].astype(float)
        self.side = np.column_stack([supply, 1.0 - supply])
        diameter_ft = ducts.diameter_in / 12.0
        velocity_fpm = 1.0 / round_area_ft2(ducts.diameter_in)  # at 1 cfm
        self.reynolds = velocity_fpm / 60.0 * diameter_ft / air.kinematic_viscosity_ft2_per_s
        self.rough = ducts.roughness_ft[v] / diameter_ft
        self.friction = ducts.friction_length_ft[v] / diameter_ft * dynamic_pressure_inwc(velocity_fpm, air)
        self.other = ducts.loss_coefficient * velocity_pressure_inwc(velocity_fpm, air)
        self.total = network.blower_cfm[v]
        self.curve = network.curve_inwc[int(network.cooling[v])]
        self.grade = np.diff(self.curve) / np.diff(network.curve_cfm)
        self.start = np.concatenate([network.design_cfm[v, network.tree.run_section[runs]], [0.1, 0.1]])

    def losses(self, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        flow = np.abs(x[: self.n]) @ self.path
        factor, slope = friction_factor_and_slope(self.reynolds * flow, self.rough)
        square = self.friction * factor + self.other
        return square * flow**2, flow * (2.0 * square + self.friction * slope)

    def off(self, x: np.ndarray) -> np.ndarray:
        """Pressure left over along each run, and what the two sides carry too little."""
        loss, _ = self.losses(x)
        carried = x[: self.n] @ self.side
        if self.held:
            ends = carried - self.total
        else:
            made = np.interp(carried[0], self.network.curve_cfm, self.curve)
            taken = self.network.device_inwc_per_cfm2 * carried[0] ** 2 + x[self.n] + x[self.n + 1]
            ends = np.array([made - taken, (carried[0] - carried[1]) / self.total])
        return np.concatenate([self.path @ loss - self.side @ x[self.n :], ends])

    def jacobian(self, x: np.ndarray) -> np.ndarray:
        n, side = self.n, self.side
        _, slope = self.losses(x)
        full = np.zeros((n + 2, n + 2))
        full[:n, :n] = (self.path * slope) @ self.path.T
        full[:n, n:] = -side
        if self.held:
            full[n:, :n] = side.T
        else:
            blower = x[:n] @ side[:, 0]
            piece = np.clip(np.searchsorted(self.network.curve_cfm, blower) - 1, 0, len(self.grade) - 1)
            full[n, :n] = (self.grade[piece] - 2.0 * self.network.device_inwc_per_cfm2 * blower) * side[:, 0]
            full[n, n:] = -1.0
            full[n + 1, :n] = (side[:, 0] - side[:, 1]) / self.total
        return full

    def solve(self, analytic: bool) -> np.ndarray:
        """(n_section,) airflow."""
        jacobian = self.jacobian if analytic else None
        answer = root(self.off, self.start, jac=jacobian, method="hybr", options={"xtol": 1e-10})
        return answer.x[: self.n] @ self.path


def by_root(network: Network, held: bool, analytic: bool) -> np.ndarray:
    """(n_variant, n_section) airflow by one call of root a variant."""
    return np.array([OneVariant(network, held, v).solve(analytic) for v in range(network.n_variant)])


# -- EPANET ------------------------------------------------------------------------------------------------------


class Epanet:
    """The network in the EPANET engine, opened once; everything in feet, seconds and feet of air."""

    def __init__(self, network: Network, held: bool, folder: Path) -> None:
        self.network, self.held = network, held
        air, ducts, tree = network.air, network.ducts, network.tree
        n = len(tree.sections)
        # Pressure of a foot of air by the engine's own g, so that its losses come out by the exact factors.
        velocity_fpm = 60.0
        self.inwc_per_ft = float(dynamic_pressure_inwc(velocity_fpm, air)) * 2.0 * EPANET_G_FT_PER_S2
        trade = float(velocity_pressure_inwc(1.0, air) / dynamic_pressure_inwc(1.0, air))
        minor = trade * (8.0 / (np.pi**2 * EPANET_G_FT_PER_S2)) / EPANET_MINOR_LOSS
        is_run = np.array([s.is_run for s in tree.sections])
        lines = ["[JUNCTIONS]", "SUPPLY 0 0", "RETURN 0 0"]
        lines += [f"N{i} 0 0" for i in range(n) if not is_run[i]]
        lines += ["[RESERVOIRS]", "ROOMS 0", "[PIPES]"]
        for i, parent in enumerate(tree.parent):
            start = f"N{parent}" if parent >= 0 else "SUPPLY" if network.is_supply[i] else "RETURN"
            ends = (start, "ROOMS" if is_run[i] else f"N{i}")
            ends = ends if network.is_supply[i] else ends[::-1]
            lines.append(
                f"S{i} {' '.join(ends)} {float(ducts.friction_length_ft[0, i])!r} {float(ducts.diameter_in[i])!r}"
                f" {1000.0 * float(ducts.roughness_ft[0, i])!r} {float(ducts.loss_coefficient[i]) * minor!r} OPEN"
            )
        if not held:
            # K of a device on the velocity in a 24 in stub too short to matter
            k = float(network.device_inwc_per_cfm2 * 3600.0 / self.inwc_per_ft * 2.0**4 / EPANET_MINOR_LOSS)
            lines += [f"DEVICE BLOWER SUPPLY 1e-6 24 0.001 {k!r} OPEN"]
            lines.insert(1, "BLOWER 0 0")
            lines += ["[PUMPS]", "HEATING RETURN BLOWER HEAD HEATING", "COOLING RETURN BLOWER HEAD COOLING", "[CURVES]"]
            for name, curve in zip(("HEATING", "COOLING"), network.curve_inwc, strict=True):
                lines += [
                    f"{name} {q / 60.0!r} {p / self.inwc_per_ft!r}"
                    for q, p in zip(network.curve_cfm.tolist(), curve.tolist(), strict=True)
                    if p >= 0.0
                ]
        lines += [
            "[OPTIONS]",
            "UNITS CFS",
            "HEADLOSS D-W",
            f"VISCOSITY {air.kinematic_viscosity_ft2_per_s / EPANET_WATER_FT2_PER_S!r}",
            f"SPECIFIC GRAVITY {air.density_lb_per_ft3 / 62.4!r}",
            "ACCURACY 0.00001",
            "TRIALS 200",
            "[TIMES]",
            "DURATION 0",
            "[REPORT]",
            "STATUS NO",
            "[END]",
        ]
        (folder / "network.inp").write_text("\n".join(lines) + "\n")
        self.engine = ENepanet()
        self.engine.ENopen(*(str(folder / f"network.{end}") for end in ("inp", "rpt", "bin")))
        self.engine.ENopenH()
        link, node = self.engine.ENgetlinkindex, self.engine.ENgetnodeindex
        self.pipes = [link(f"S{i}") for i in range(n)]
        self.plenums = (node("SUPPLY"), node("RETURN"))
        self.pumps = () if held else (link("HEATING"), link("COOLING"))

    def set(self, v: int) -> None:
        """Make the engine's network that of a variant."""
        engine, ducts = self.engine, self.network.ducts
        for i, pipe in enumerate(self.pipes):
            is_open = bool(ducts.is_open[v, i])
            engine.ENsetlinkvalue(pipe, EN.INITSTATUS, float(is_open))
            if is_open:
                engine.ENsetlinkvalue(pipe, EN.LENGTH, ducts.friction_length_ft[v, i])
                engine.ENsetlinkvalue(pipe, EN.ROUGHNESS, 1000.0 * ducts.roughness_ft[v, i])
        if self.held:
            supply, back = self.plenums
            engine.ENsetnodevalue(supply, EN.BASEDEMAND, -self.network.blower_cfm[v] / 60.0)
            engine.ENsetnodevalue(back, EN.BASEDEMAND, self.network.blower_cfm[v] / 60.0)
        else:
            for k, pump in enumerate(self.pumps):
                engine.ENsetlinkvalue(pump, EN.INITSTATUS, float(k == int(self.network.cooling[v])))

    def solve(self) -> None:
        self.engine.ENinitH(10)  # start from its own guess, write nothing
        self.engine.ENrunH()

    def read(self) -> np.ndarray:
        return 60.0 * np.array([self.engine.ENgetlinkvalue(pipe, EN.FLOW) for pipe in self.pipes])

    def all(self) -> tuple[list[float], np.ndarray]:
        """Seconds of the solves alone, and with setting and reading; the airflow of every variant."""
        found = np.zeros_like(self.network.design_cfm)
        solving = 0.0
        begin = time.perf_counter()
        for v in range(self.network.n_variant):
            self.set(v)
            start = time.perf_counter()
            self.solve()
            solving += time.perf_counter() - start
            found[v] = self.read()
        return [solving, time.perf_counter() - begin], found

    def close(self) -> None:
        self.engine.ENcloseH()
        self.engine.ENclose()


# -- the race ------------------------------------------------------------------------------------------------------


def timed(function: Callable[[], Result]) -> tuple[float, Result]:
    """Seconds of a call, and its result."""
    start = time.perf_counter()
    result = function()
    return time.perf_counter() - start, result


def furthest(one: np.ndarray, other: np.ndarray, what: str, allowed: float) -> float:
    """Largest difference of an airflow, as a part of it (of at least 1 cfm)."""
    off = float(np.max(np.abs(one - other) / np.maximum(np.abs(other), 1.0)))
    if not off <= allowed:
        raise SystemExit(f"{what}: the answers differ by {off:.2g}")
    return off


def race(network: Network, held: bool, repeats: int) -> dict[str, float]:
    """Microseconds a variant, and how far the answers are apart.

    Ours runs before and after each pass of another solver, and their mean counts against it, because the
    machine is shared. Of several passes, the median ratio counts.
    """
    a_variant = 1e6 / network.n_variant
    row: dict[str, float] = {}

    def against(other: Callable[[], tuple[list[float], np.ndarray]], names: list[str], passes: int) -> np.ndarray:
        times, ratios = [], []
        for _ in range(passes):
            before, _ = timed(lambda: ours(network, held))
            theirs, answer = other()
            after, _ = timed(lambda: ours(network, held))
            mean = 0.5 * (before + after)
            times.append([mean, *theirs])
            ratios.append([seconds / mean for seconds in theirs])
        for name, seconds in zip(["ours", *names], np.median(times, axis=0), strict=True):
            row.setdefault(f"{name}_us", float(seconds) * a_variant)
        for name, ratio in zip(names, np.median(ratios, axis=0), strict=True):
            row[f"{name}_ratio"] = float(ratio)
        return answer

    mine = ours(network, held)  # first call of everything
    if not mine.settled.all():
        raise SystemExit("a variant did not settle")
    row["ours_steps"] = mine.steps
    with tempfile.TemporaryDirectory() as folder:
        epanet = Epanet(network, held, Path(folder))
        found = against(epanet.all, ["epanet", "epanet_all"], repeats)
        epanet.close()
    row["epanet_off"] = furthest(mine.airflow_cfm, found, "EPANET", FRICTION_FORMULAS_DIFFER)
    for name, analytic in (("root", False), ("root_jacobian", True)):

        def one_by_one(analytic: bool = analytic) -> tuple[list[float], np.ndarray]:
            seconds, answer = timed(lambda: by_root(network, held, analytic))
            return [seconds], answer

        found = against(one_by_one, [name], 1 + repeats // 5)
        row[f"{name}_off"] = furthest(mine.airflow_cfm, found, "root", ROOT_AGREES)
    return row


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="a small network, to see that it runs")
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--repeats", type=int, default=11, help="of ours and EPANET's; their median counts")
    parser.add_argument("--json", type=Path, default=Path("reports/benchmark_airflow.json"))
    args = parser.parse_args()
    n_section, n_variant = (16, VARIANTS_PER_FLEX) if args.quick else (40, 160)
    seeds, repeats = (1, 2) if args.quick else (args.seeds, args.repeats)

    print(f"{n_section} sections, {n_variant} variants; microseconds a variant")
    print("drive    seed | ours steps | root (ratio)  with Jacobian | EPANET solve (ratio)   all | off: root EPANET")
    raced = []
    for held in (True, False):
        for seed in range(seeds):
            row = race(synthetic_network(n_section, n_variant, seed), held, repeats)
            drive = "airflow" if held else "blower"
            raced.append({"drive": drive, "seed": seed, **row})
            print(
                f"{drive:8s} {seed:4d} | {row['ours_us']:4.0f} {row['ours_steps']:5.0f} |"
                f" {row['root_us']:5.0f} ({row['root_ratio']:4.0f}) {row['root_jacobian_us']:7.0f}"
                f" ({row['root_jacobian_ratio']:3.0f}) |"
                f" {row['epanet_us']:6.0f} ({row['epanet_ratio']:5.2f}) {row['epanet_all_us']:11.0f} |"
                f" {row['root_off']:.0e} {row['epanet_off']:.0e}",
                flush=True,
            )
    print("\ntime of the other over ours, a variant")
    ratios = {}
    for name, what in (
        ("root_ratio", f"scipy root (target: at least {FASTER_THAN_ROOT:.0f})"),
        ("root_jacobian_ratio", "scipy root with an analytic Jacobian (no target)"),
        ("epanet_ratio", "EPANET, solve alone (target: at least 1)"),
        ("epanet_all_ratio", "EPANET, with setting and reading through its toolkit (no target)"),
    ):
        of = [row[name] for row in raced]
        ratios[name] = {"median": statistics.median(of), "worst": min(of)}
        print(f"{what}: median {ratios[name]['median']:.2f}, worst {ratios[name]['worst']:.2f}")
    args.json.parent.mkdir(parents=True, exist_ok=True)
    written = {
        "python": platform.python_version(),
        **{name: version(name) for name in ("numpy", "scipy", "wntr")},
        "processors": os.cpu_count(),
        "sections": n_section,
        "variants": n_variant,
        "raced": raced,
        "ratios": ratios,
    }
    args.json.write_text(json.dumps(written, indent=1) + "\n")
    print(f"wrote {args.json}")


if __name__ == "__main__":
    main()
