"""What registers read, by root finding on the path equations: the tests' own way from a plan's tables to airflow.

Every open run's path loses what its plenum has, damper included. Unknown are the runs' airflow, both plenums'
pressure and what the blower moves; `scipy.optimize.root` finds them for one variant at a time. Lengths, airflow and
shares are those of tests/reference.py; Colebrook is solved in closed form by Lambert's W (any text on friction
factors gives the form). Nothing of the program is used.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from driven_plans import AT_SITE, devices_inwc, static_of
from plan_folder import PlanTables
from reference import (
    M_PER_FT,
    PA_PER_INWC,
    STANDARD_DENSITY,
    STANDARD_VISCOSITY,
    Reference,
    compression_factor,
    density_ratio,
    key,
    number,
    viscosity_ratio,
)
from scipy.optimize import root
from scipy.special import lambertw

Variant = tuple[str, bool, str, str]


def colebrook(reynolds: np.ndarray, relative_roughness: np.ndarray) -> np.ndarray:
    """x = 1/sqrt(f) = 2/ln10 W(ln10 Re / 5.02 exp(ln10 e Re / 18.574)) - e Re / 9.287, 64/Re below 2300."""
    re = np.maximum(reynolds, 2300.0)
    a = relative_roughness * re / 9.287
    inside = np.log(np.log(10.0) / 5.02 * re) + np.log(10.0) / 2.0 * a
    # W(exp(y)) by Newton from y - log(y) where exp(y) overflows; scipy's else.
    w = np.where(inside < 600.0, np.real(lambertw(np.exp(np.minimum(inside, 600.0)))), inside - np.log(inside))
    for _ in range(4):
        w = w - (w + np.log(w) - inside) / (1.0 + 1.0 / w)
    turbulent = (2.0 / np.log(10.0) * w - a) ** -2
    return np.where(reynolds < 2300.0, 64.0 / np.maximum(reynolds, 1e-12), turbulent)


@dataclass
class Paths:
    """A plan in chosen sizes, ready for one variant after another.

    ``inner_in`` by (duct, label) where it is not the nominal one; ``correction`` by (section, variant), what a
    friction table says over roughness, 1 without.
    """

    plan: PlanTables
    chosen: dict[str, str]
    inner_in: dict[tuple[str, str], float] | None = None
    correction: dict[tuple[str, Variant], float] | None = None

    def __post_init__(self) -> None:
        self.reference = Reference(self.plan)

    def settle(
        self, variant: Variant, dampers: dict[str, float], drive: str = "airflow", loaded: bool = False
    ) -> dict[str, Any]:
        """``runs`` by name, ``supply``, ``back`` (plenums, inWC), ``blower``. Dampers in inWC/cfm2 by run.

        ``drive`` is airflow, pressure, or blower (driven_plans' curves, devices as the plan's table has them).
        """
        ref, config = self.reference, self.plan.config
        names = list(ref.sections)
        runs = [n for n in ref.runs() if ref.is_open(n, variant)]
        beyond = np.array([[n in ref.way(r) for r in runs] for n in names], dtype=float)
        data = np.array([self._section(n, variant) for n in names]).T
        diameter_ft, rough, per_cfm, length, other, derate = data
        side = np.array([ref.side(r) == "return" for r in runs])
        damper = np.array([dampers.get(r, 0.0) for r in runs])
        leak = config.get("leakage", {})
        kept = [1.0 - leak.get(k, 0.0) / 100.0 for k in ("supply_pct", "return_pct")]
        rooms = sum(ref.need[(*variant[:3], room)] for room in ref.rooms)
        viscosity = STANDARD_VISCOSITY * viscosity_ratio(ref.temperature)
        viscosity /= density_ratio(ref.elevation, ref.temperature) * M_PER_FT**2  # ft2/s
        pressure = config.get("pressure", {})
        has_return = bool(side.any())
        scale = max(rooms, 1.0)

        def parts(x: np.ndarray) -> tuple[np.ndarray, float, float, float]:
            return x[: len(runs)] * scale, x[-3] * 0.1, x[-2] * 0.1, x[-1] * scale

        def equations(x: np.ndarray) -> np.ndarray:
            q, supply, back, moved = parts(x)
            flow = beyond @ q
            size = np.abs(flow)
            speed_fps = size / (1.0 - derate) * per_cfm / 60.0
            factor = colebrook(speed_fps * diameter_ft / viscosity, rough)
            loss = np.sign(flow) * (factor * length * speed_fps**2 + other * size**2)
            lost = loss @ beyond + damper * q * np.abs(q)
            off = list((lost - np.where(side, back, supply)) / 0.1)
            if drive == "pressure":
                off += [(supply - pressure.get("supply_inwc", 0.10)) / 0.1, moved / scale]
                return np.array([*off, (back - pressure.get("return_inwc", 0.05)) / 0.1])
            off.append((q[~side].sum() - kept[0] * moved) / scale)
            off.append((q[side].sum() - kept[1] * moved) / scale if has_return else back / 0.1)
            if drive == "airflow":
                return np.array([*off, (kept[0] * moved - rooms) / scale])
            at_site = density_ratio(ref.elevation, ref.temperature) / AT_SITE  # both tables are for standard air
            taken = supply + back + at_site * devices_inwc(moved, variant[2], self._devices(loaded))
            return np.array([*off, (at_site * static_of(self._curve(variant[2]), moved) - taken) / 0.1])

        design = np.array([max(ref.run_airflow(r, variant), 5.0) for r in runs])
        x = np.concatenate([design / scale, [1.0, 0.5, rooms / kept[0] / scale]])
        for _ in range(6):
            found = root(equations, x, method="hybr", options={"xtol": 1e-13, "maxfev": 20000})
            x = found.x
            if np.max(np.abs(equations(x))) < 1e-10:
                break
        q, supply, back, moved = parts(x)
        return {
            "runs": dict(zip(runs, q.tolist(), strict=True)),
            "supply": supply,
            "back": back,
            "blower": moved,
            "residual": float(np.max(np.abs(equations(x)))),
        }

    def rooms(self, settled: dict[str, Any]) -> dict[str, float]:
        """What each room gets."""
        ref = self.reference
        got = dict.fromkeys(ref.rooms, 0.0)
        for run, cfm in settled["runs"].items():
            if ref.side(run) != "return":
                got[ref.rooms_of(run)[0]] += cfm
        return got

    def _section(self, name: str, variant: Variant) -> tuple[float, ...]:
        """Diameter, relative roughness, speed per cfm [fpm], and what multiplies factor x speed2 and cfm2."""
        ref = self.reference
        size, duct = ref.size[self.chosen[name]], ref.duct(name, variant[3])
        inner = (self.inner_in or {}).get((key(duct["duct"]), size.label), size.diameter)
        area = size.area if inner == size.diameter else np.pi * (inner / 24.0) ** 2
        straight = number(ref.sections[name]["length_ft"])
        straight *= compression_factor(number(duct.get("compression_pct")), inner)
        length = straight + ref.fitting_sum(name, "equivalent_length_ft")
        length *= (self.correction or {}).get((name, variant), 1.0)
        ratio = density_ratio(ref.elevation, ref.temperature)
        pascals = 0.5 * STANDARD_DENSITY * ratio * M_PER_FT**2 / PA_PER_INWC  # of 1 ft/s, in inWC
        other = ref.fitting_sum(name, "loss_coefficient") * ratio / (4005.0 * area) ** 2  # common practice
        return (
            inner / 12.0,
            float(duct["roughness_ft"]) / (inner / 12.0),
            1.0 / (np.pi * (inner / 24.0) ** 2),
            length / (inner / 12.0) * pascals,
            other,
            number(duct.get("airflow_derate_pct")) / 100.0,
        )

    def _curve(self, season: str) -> dict[float, float]:
        blower = self.plan.config["blower"]
        rows = self.plan.tables["blower"]
        speed = blower.get(f"{season}_speed") or rows[0]["speed"]
        return {float(r["airflow_cfm"]): float(r["external_static_inwc"]) for r in rows if r["speed"] == speed}

    def _devices(self, loaded: bool) -> list[tuple]:
        return [
            (
                row["device"],
                row["side"],
                (row.get("loaded_loss_inwc") or row["loss_inwc"]) if loaded else row["loss_inwc"],
                row["at_cfm"],
                row.get("season") or None,
                None,
            )
            for row in self.plan.tables.get("devices", ())
        ]
