"""A small plan to start from: one workbook in the compact form, or a folder of plan.toml and CSV files in the long."""

from __future__ import annotations

import csv
import io
import os
from pathlib import Path

from tractduct.entry.form import INVENTED, example_price, example_sizes, example_value, plan_workbook
from tractduct.files import PLAN_FILE, TableFault
from tractduct.inputs import schema
from tractduct.inputs.compact.defaults import ROUGHNESS_SOURCE
from tractduct.inputs.schema import TableSchema, in_units
from tractduct.units import IP, SI, UnitSystem
from tractduct.writers.together import written_together

# All of it invented: one storey, four rooms, one trunk, one central return.
_AIRFLOW = {
    "N": [(150, 190), (95, 130), (90, 85), (35, 25)],
    "E": [(150, 215), (95, 120), (90, 100), (35, 25)],
    "S": [(150, 200), (95, 145), (90, 90), (35, 25)],
    "W": [(150, 185), (95, 135), (90, 115), (35, 25)],
}
_ROOMS = ("Living", "Kitchen", "Bedroom", "Bath")
_SECTION = ("section", "parent", "role", "duct", "length_ft", "fittings", "room", "min_in", "side")
_TABLES: dict[str, list[dict[str, object]]] = {
    "airflow": [
        {"front_faces": face, "mirrored": "no", "room": room, "heating_cfm": heating, "cooling_cfm": cooling}
        for face, values in _AIRFLOW.items()
        for room, (heating, cooling) in zip(_ROOMS, values, strict=True)
    ],
    "sections": [
        dict(zip(_SECTION, row, strict=False))
        for row in (
            ("Trunk A", "", "trunk", "sheet_metal", 12, "plenum_takeoff"),
            ("Trunk B", "Trunk A", "trunk", "sheet_metal", 10, "reducer"),
            ("Living 1", "Trunk A", "branch", "flex", 14, "takeoff + boot", "Living"),
            ("Living 2", "Trunk B", "branch", "flex", 9, "takeoff + elbow_90 + boot", "Living"),
            ("Kitchen", "Trunk A", "branch", "flex", 11, "takeoff + boot", "Kitchen"),
            ("Bedroom", "Trunk B", "branch", "flex", 16, "takeoff + elbow_90 + boot", "Bedroom"),
            ("Bath", "Trunk B", "branch", "flex", 10, "takeoff + boot", "Bath", 5),
            ("Return", "", "trunk", "flex", 8, "return_box", "*", "", "return"),
        )
    ],
    "fittings": [
        {"fitting": name, "equivalent_length_ft": feet, "source": "common practice, no source"}
        for name, feet in (("plenum_takeoff", 15), ("reducer", 5), ("takeoff", 20), ("elbow_90", 10), ("boot", 30),
                           ("return_box", 20))
    ],
    "ducts": [
        {"duct": "sheet_metal", "kind": "rigid", "roughness_ft": 0.0003, "source": ROUGHNESS_SOURCE},
        {"duct": "flex_a", "kind": "flex", "roughness_ft": 0.001, "source": INVENTED},
        {"duct": "flex_b", "kind": "flex", "roughness_ft": 0.003, "airflow_derate_pct": 3, "source": INVENTED},
    ],
}  # fmt: skip

_PRICED = ("sheet_metal", 2.0, 0.75), ("flex_a", 0.6, 0.32), ("flex_b", 0.4, 0.28)  # a foot: base, more an inch

_PLAN = """\
# Lines that start with # are notes. Every value here is invented: put in your own.
name = "First plan"
{units}
[site]
{elevation} = 0          # {of_length} above the sea; sets the air's density
{temperature}    # air at the air handler

[tables]
{tables}

[variants]
flex = ["flex_a", "flex_b"]    # the flex products that may be delivered; each must hold

[pressure]                # what the ducts may lose, after coil, filter, registers and dampers; {of_pressure}
{supply}
{back}

[sizes]
{sizes}

[objective]
standardize_within_pct = 5     # spend up to this much over the least cost to stock fewer sizes
max_distinct_sizes = 0         # 0: no cap
most_steps_over_own = 2        # no section more sizes above what the friction-rate method gives it; 99: no cap
"""

# In inches and feet, and in SI.
_PLAN_WORDS = {
    "units": ("", 'units = "si"              # L/s, mm, m, Pa\n'),
    "elevation": ("elevation_ft", "elevation_m"),
    "of_length": ("feet", "metres"),
    "temperature": ("air_temperature_f = 70", "air_temperature_c = 21"),
    "supply": ("supply_inwc = 0.10", "supply_pa = 25"),
    "back": ("return_inwc = 0.05", "return_pa = 12.5"),
    "sizes": tuple(f"round_{units.unit('in')} = {example_sizes(units)}" for units in (IP, SI)),
}


def _plan_text(tables: str, units: UnitSystem) -> str:
    words = {key: pair[units.is_si] for key, pair in _PLAN_WORDS.items()}
    return _PLAN.format(tables=tables, **words, of_pressure=units.unit("inWC"))


def _rows(units: UnitSystem) -> dict[str, list[dict[str, object]]]:
    """The example's rows by table and the core's column names, with values in the plan's units."""
    rows = {
        spec.name: [
            {key: example_value(spec.field(key), value, units) for key, value in row.items()}
            for row in _TABLES[spec.name]
        ]
        for spec in schema.TABLES
        if spec.name in _TABLES
    }
    rows["prices"] = [
        {"duct": duct, "size_in": size, "price_per_ft": example_price(base, more, size, units)}
        for duct, base, more in _PRICED
        for size in example_sizes(units)
    ]
    return rows


def write_workbook(path: Path, units: UnitSystem = IP) -> list[Path]:
    """Write a small plan that runs as it is, in the compact form; returns the path written.

    That ends in .xlsx, and is house.xlsx in a folder that there is.
    Raises InputFaults where there is something of that name already, OutputError where it can't be written.
    """
    if os.path.isdir(path):
        path /= "house.xlsx"
    elif path.suffix.casefold() != ".xlsx":
        path = path.with_name(path.name + ".xlsx")
    with written_together(path.parent, last=path.name) as beside:
        if os.path.lexists(path):
            raise _taken(path, "Give a name that no file has yet")
        (beside / path.name).write_bytes(plan_workbook(units))
    return [path]


def write_template(folder: Path, units: UnitSystem = IP) -> list[Path]:
    """Write a small plan that runs as it is, in the long form; returns the paths written.

    Raises InputFaults where the folder holds something already, OutputError where it can't be written.
    """
    taken = _taken(folder, "Give a folder that does not exist yet, or is empty")
    if os.path.lexists(folder) and not os.path.isdir(folder):
        raise taken
    tables = _rows(units)
    specs = [spec for spec in schema.TABLES if spec.name in tables]
    listed = "\n".join(f'{spec.name} = "{spec.name}.csv"' for spec in specs)
    texts = {PLAN_FILE: _plan_text(listed, units).encode()}
    texts |= {f"{spec.name}.csv": _csv_text(spec, tables[spec.name], units).encode() for spec in specs}
    with written_together(folder, last=PLAN_FILE) as beside:
        if any(path != beside for path in folder.iterdir()):
            raise taken
        for name, data in texts.items():
            (beside / name).write_bytes(data)
    return [folder / name for name in texts]


def _taken(path: Path, remedy: str) -> TableFault:
    return TableFault(str(path), "there is something of this name already", remedy)


def _csv_text(spec: TableSchema, rows: list[dict[str, object]], units: UnitSystem) -> str:
    text = io.StringIO()
    fields = [f for f in spec.fields if not f.name.endswith("_btuh")]  # all but the second form of the airflow table
    writer = csv.DictWriter(text, [f.name for f in fields], restval="", lineterminator="\n")
    writer.writerow({f.name: in_units(f, units).name for f in fields})
    writer.writerows(rows)
    return text.getvalue()
