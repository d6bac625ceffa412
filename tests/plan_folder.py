"""Plan folders out of Python tables, as CSV files or as the sheets of one workbook."""

from __future__ import annotations

import copy
import csv
import json
import tempfile
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

import openpyxl

import tractduct
from tractduct.report import Report
from tractduct.writers.results import results

Row = dict[str, Any]


@dataclass
class PlanTables:
    """A plan as its author writes it: plan.toml as nested dicts, each table as a list of rows.

    ``files`` holds texts or bytes written last, over whatever stands there: for input that no table can hold.
    """

    config: dict[str, Any]
    tables: dict[str, list[Row]]
    files: dict[str, str | bytes] = field(default_factory=dict)

    def copy(self) -> PlanTables:
        return copy.deepcopy(self)

    def row(self, table: str, name: str) -> Row:
        """The row whose first cell is that name."""
        return next(row for row in self.tables[table] if next(iter(row.values())) == name)

    def columns(self, table: str) -> list[str]:
        """All columns of a table in the order in which its rows name them."""
        return list(dict.fromkeys(name for row in self.tables[table] for name in row))

    def write(self, folder: Path, form: str = "csv") -> Path:
        """Write the folder; ``form`` is csv or xlsx. Returns the folder."""
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "plan.toml").write_text(toml_text(self.config), encoding="utf-8")
        if form == "csv":
            for name in self.tables:
                (folder / f"{name}.csv").write_text(self.csv_text(name), encoding="utf-8", newline="")
        else:
            book = openpyxl.Workbook()
            book.remove(book.active)
            for name, rows in self.tables.items():
                sheet = book.create_sheet(name)
                sheet.append(self.columns(name))
                for row in rows:
                    sheet.append([row.get(column) for column in self.columns(name)])
            book.save(folder / "house.xlsx")
        for name, content in self.files.items():
            data = content.encode() if isinstance(content, str) else content
            (folder / name).write_bytes(data)
        return folder

    def csv_text(self, name: str) -> str:
        lines = [self.columns(name)]
        lines += [[_text(row.get(column)) for column in lines[0]] for row in self.tables[name]]
        return "".join(",".join(_quoted(cell) for cell in line) + "\n" for line in lines)


def _text(value: Any) -> str:
    if value is None:
        return ""
    return str(value).lower() if isinstance(value, bool) else str(value)


def _quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"' if any(c in text for c in ',"\n') else text


def toml_text(config: dict[str, Any]) -> str:
    """Plain TOML: single keys, then parts. JSON's text, numbers, booleans and lists are TOML's too."""
    lines = [f"{key} = {_toml(value)}" for key, value in config.items() if not isinstance(value, dict)]
    for part, keys in config.items():
        if isinstance(keys, dict):
            lines += [f"[{part}]", *(f"{k} = {_toml(v)}" for k, v in keys.items() if not isinstance(v, dict))]
            for name, inner in keys.items():
                if isinstance(inner, dict):
                    lines += [f"[{part}.{_toml(name)}]", *(f"{k} = {_toml(v)}" for k, v in inner.items())]
    return "\n".join(lines) + "\n"


def _toml(value: Any) -> str:
    return str(value) if isinstance(value, float) else json.dumps(value, ensure_ascii=False)


def read_tables(folder: Path) -> PlanTables:
    """A plan folder of CSV files as it stands on disk, nothing checked."""
    config = tomllib.loads((folder / "plan.toml").read_text(encoding="utf-8"))
    tables: dict[str, list[Row]] = {}
    for name, file in config["tables"].items():
        with (folder / file).open(encoding="utf-8", newline="") as lines:
            tables[name] = list(csv.DictReader(lines))
    return PlanTables(config=config, tables=tables)


@contextmanager
def written(plan: PlanTables, form: str = "csv") -> Iterator[Path]:
    """The plan's folder for a while: for tests that make many plans."""
    with tempfile.TemporaryDirectory() as folder:
        yield plan.write(Path(folder) / "plan", form)


def studied(plan: PlanTables, form: str = "csv", *, quick: bool = False) -> tractduct.Study:
    """Write, read and study a plan."""
    with written(plan, form) as folder:
        return tractduct.study(folder, quick=quick)


def study_of(plan: PlanTables, form: str = "csv", *, quick: bool = False) -> tractduct.Study:
    """The same, once for all tests of a process that ask for it: a study is frozen."""
    if plan.files:
        return studied(plan, form, quick=quick)
    return _kept(json.dumps([plan.config, plan.tables]), form, quick)


@lru_cache(maxsize=64)
def _kept(text: str, form: str, quick: bool) -> tractduct.Study:
    config, tables = json.loads(text)
    return studied(PlanTables(config, tables), form, quick=quick)


def results_of(plan: PlanTables, form: str = "csv", *, quick: bool = False) -> dict[str, Any]:
    """What results.json would hold."""
    return results(Report(study=study_of(plan, form, quick=quick)))


def small_plan(**parts: dict[str, Any]) -> PlanTables:
    """A valid plan: two faces, three rooms, one trunk, three runs, one central return, two flex products.

    All numbers are invented for the tests. Keyword arguments replace keys of a part of plan.toml:
    ``small_plan(pressure={"supply_inwc": 0.2})``.
    """
    config: dict[str, Any] = {
        "name": "Test plan",
        "site": {"elevation_ft": 500},
        "pressure": {"supply_inwc": 0.14, "return_inwc": 0.06},
        "sizes": {"round_in": [4, 5, 6, 7, 8, 9, 10, 12, 14]},
        "objective": {"standardize_within_pct": 5},
    }
    for part, keys in parts.items():
        config[part] = {**config.get(part, {}), **keys}
    flow = {"Den": (60, 90), "Bed": (80, 70), "Kitchen": (90, 140)}
    airflow = [
        {
            "front_faces": face,
            "room": room,
            "heating_cfm": heating,
            "cooling_cfm": cooling + (20 if (face, room) == ("S", "Den") else 0),
        }
        for face in ("N", "S")
        for room, (heating, cooling) in flow.items()
    ]
    fittings = {"collar": 35, "elbow_90": 10, "boot_floor": 30, "wye": 15, "return_box": 15}
    return PlanTables(
        config=config,
        tables={
            "airflow": airflow,
            "sections": [
                section("T1", "", "trunk", "galvanised", 8, "elbow_90"),
                section("DEN", "T1", "branch", "flex", 12, "collar + boot_floor", "Den"),
                section("BED", "T1", "branch", "flex", 20, "collar + elbow_90*2 + boot_floor", "Bed"),
                section("KIT", "T1", "branch", "galvanised", 10, "collar + boot_floor", "Kitchen"),
                section("RET", "", "branch", "galvanised", 9, "return_box", "*", side="return"),
            ],
            "fittings": [
                {"fitting": name, "equivalent_length_ft": length, "loss_coefficient": None}
                for name, length in fittings.items()
            ],
            "ducts": [
                duct("galvanised", "rigid", 0.0003),
                duct("meadow", "flex", 0.001),
                duct("granite", "flex", 0.003, derate=5, compression=4),
            ],
        },
    )


def section(
    name: str, parent: str, role: str, duct: str, length: float, fittings: str, room: str = "", **more: Any
) -> Row:
    """A row of sections with all its columns, the optional ones empty."""
    return {
        "section": name,
        "parent": parent,
        "side": None,
        "role": role,
        "duct": duct,
        "shape": None,
        "length_ft": length,
        "fittings": fittings,
        "room": room,
        "share": None,
        "season": None,
        "min_in": None,
        "max_in": None,
        "fixed_in": None,
        **more,
    }


def duct(name: str, kind: str, roughness_ft: float, derate: float = 0, compression: float = 0) -> Row:
    return {
        "duct": name,
        "kind": kind,
        "roughness_ft": roughness_ft,
        "airflow_derate_pct": derate,
        "compression_pct": compression,
    }


def with_prices(plan: PlanTables, base: float = 1.0) -> PlanTables:
    """The plan with a price for every duct and size: dearer with the size, each duct by its own factor."""
    plan = plan.copy()
    sizes = plan.config["sizes"]
    labels = [(f"{d:g}", float(d)) for d in sizes.get("round_in", ())]
    labels += [(f"{w:g}x{h:g}", (w * h) ** 0.5) for w, h in sizes.get("rectangular_in", ())]
    plan.tables["prices"] = [
        {
            "duct": product["duct"],
            "size_in": label,
            "price_per_ft": round(base * (1 + 0.2 * n) * (0.5 + 0.31 * across + 0.01 * across**2), 4),
        }
        for n, product in enumerate(plan.tables["ducts"])
        for label, across in labels
    ]
    return plan


def wide(plan: PlanTables) -> PlanTables:
    """The same plan with its airflow in the wide form: one row a room, a pair of columns a front face."""
    plan = plan.copy()
    rows: dict[tuple[Any, ...], Row] = {}
    for old in plan.tables["airflow"]:
        key = (old["room"], old.get("mirrored"))
        new = rows.setdefault(key, {"room": old["room"]})
        if "mirrored" in old:
            new["mirrored"] = old["mirrored"]
        for column, value in old.items():
            if column not in ("front_faces", "mirrored", "room"):
                new[f"{old['front_faces']} {column}"] = value
    plan.tables["airflow"] = list(rows.values())
    return plan
