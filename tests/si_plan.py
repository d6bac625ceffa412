"""A plan folder in cfm, in and ft written again in SI, with factors of its own.

Factors from NIST SP 811 (2008), appendix B, from memory: the foot, the Btu (International Table) and the degree are
exact; the inch of water is the conventional one.
"""

from __future__ import annotations

import csv
import re
import shutil
import tomllib
from pathlib import Path
from typing import Any

FOOT_M = 0.3048
BTU_PER_H_W = 1055.05585262 / 3600.0
INCH_OF_WATER_PA = 249.089

# Ending of a name -> ending in SI, and what a number becomes. The first that fits counts.
ENDINGS = {
    "inwc_per_100ft": ("pa_per_m", INCH_OF_WATER_PA / (100.0 * FOOT_M)),
    "btuh_per_ft2": ("w_per_m2", BTU_PER_H_W / FOOT_M**2),
    "per_ft": ("per_m", 1.0 / FOOT_M),
    "roughness_ft": ("roughness_mm", 1000.0 * FOOT_M),
    "_ft2": ("_m2", FOOT_M**2),
    "_ft": ("_m", FOOT_M),
    "_in": ("_mm", 25.4),
    "_cfm": ("_l_s", 1000.0 * FOOT_M**3 / 60.0),
    "_fpm": ("_m_s", FOOT_M / 60.0),
    "_inwc": ("_pa", INCH_OF_WATER_PA),
    "_btuh": ("_w", BTU_PER_H_W),
    "_tons": ("_kw", 12.0 * BTU_PER_H_W),
}


def in_si(name: str, value: Any) -> tuple[str, Any]:
    """A column's or key's name in SI, and a value of it: a number, text that is one, 8x12, or a list of them."""
    if name in ("air_temperature_f", "heating_supply_air_f", "cooling_supply_air_f"):
        return name.removesuffix("f") + "c", (float(value) - 32.0) / 1.8
    if name == "least_factor_12_in":  # of a nominal size, the same in each unit
        return name, value
    for ending, (new, factor) in ENDINGS.items():
        if name.endswith(ending):
            return name.removesuffix(ending) + new, _scaled(value, factor)
    return name, value


def _scaled(value: Any, factor: float) -> Any:
    if isinstance(value, list):
        return [_scaled(v, factor) for v in value]
    if isinstance(value, str):
        parts = re.fullmatch(r"([0-9.]+)[xX]([0-9.]+)", value.strip())
        if parts:
            return "x".join(f"{float(part) * factor:.10g}" for part in parts.groups())
        return value if value.strip() in ("", "-") else f"{float(value) * factor:.15g}"
    # Sizes are told apart by their labels, which have few figures.
    return float(f"{value * factor:.10g}") if factor == ENDINGS["_in"][1] else value * factor


def write_si(plan: Path, folder: Path) -> Path:
    """Write the plan in ``plan`` again in SI into ``folder``, its tables as CSV; returns the folder."""
    shutil.copytree(plan, folder)
    config = tomllib.loads((folder / "plan.toml").read_text(encoding="utf-8"))
    # A default of the core that is not the same in SI.
    config.setdefault("sizes", {}).setdefault("round_in", [4, 5, 6, 7, 8, 9, 10, 12, 14, 16, 18, 20])
    lines = ['units = "si"', *(f"{k} = {_toml(v)}" for k, v in config.items() if not isinstance(v, dict))]
    for part, keys in config.items():
        if isinstance(keys, dict):
            lines.append(f"[{part}]")
            plain = {k: v for k, v in keys.items() if not isinstance(v, dict)}
            pairs = plain.items() if part in ("tables", "variants") else (in_si(k, v) for k, v in plain.items())
            lines += [f"{k} = {_toml(v)}" for k, v in pairs]
            for name, inner in keys.items():
                if isinstance(inner, dict):  # one system's part of it
                    lines.append(f"[{part}.{name}]")
                    lines += [f"{k} = {_toml(v)}" for k, v in (in_si(k, v) for k, v in inner.items())]
    (folder / "plan.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    for path in folder.glob("*.csv"):
        with path.open(encoding="utf-8-sig", newline="") as file:
            header, *rows = list(csv.reader(file))
        names = [_wide(name, "0")[0] for name in header]
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(names)
            writer.writerows([[_wide(name, cell)[1] for name, cell in zip(header, row, strict=True)] for row in rows])
    return folder


def _wide(header: str, cell: str) -> tuple[str, Any]:
    """The same for a column, one of the wide airflow table included: NE heating_cfm."""
    *face, name = header.split(" ")
    new, value = in_si(name, cell)
    return " ".join([*face, new]), value


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list):
        return "[" + ", ".join(_toml(v) for v in value) + "]"
    return repr(value) if isinstance(value, int | float) else '"' + value.replace('"', '\\"') + '"'
