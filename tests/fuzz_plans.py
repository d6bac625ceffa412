"""Plans for the fuzzer, and how two read plans are held against each other. All numbers are invented."""

from __future__ import annotations

import csv
import dataclasses
import io
import re
import zipfile
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import numpy as np
import openpyxl
from openpyxl.utils import get_column_letter
from plan_folder import PlanTables, small_plan, toml_text, wide, with_prices
from surface_plans import broken_down, surface

from tractduct.model.plan import Plan

FACES = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")
Grid = list[list[Any]]  # a table's lines as they stand in the file, the header first


def priced_plan() -> PlanTables:
    """The small plan with prices, a bounded section and a room with an apostrophe and one with an accent."""
    plan = small_plan()
    for row in plan.tables["airflow"]:
        row["room"] = {"Den": "Kid's room", "Bed": "Sal\u00f3n"}.get(row["room"], row["room"])
    plan.row("sections", "DEN").update(room="Kid's room", min_in=5, max_in=9, share=2)
    plan.row("sections", "BED").update(room="Sal\u00f3n", fixed_in=8)
    for row, source in zip(plan.tables["fittings"], ("chart", "fabricante \u00e9", "chart", "", "site"), strict=True):
        row["source"] = source
    plan.row("fittings", "wye")["loss_coefficient"] = 0.2
    return with_prices(plan)


def rich_plan() -> PlanTables:
    """The priced plan with each optional table and part of plan.toml."""
    plan = priced_plan()
    turned = _short_numbers(broken_down(plan))
    spelled = {"Den": "Kid's room", "Bed": "Sal\u00f3n", "Kitchen": "Kitchen"}
    for name in ("surfaces", "load_factors", "room_gains"):
        plan.tables[name] = turned.tables[name]
        for row in plan.tables[name]:
            if "room" in row:
                row["room"] = spelled[row["room"]]
    flows = {"Kid's room": (60, 90), "Sal\u00f3n": (80, 70), "Kitchen": (90, 1140)}
    plan.tables["airflow"] = [
        {
            "front_faces": face,
            "mirrored": mirror,
            "room": room,
            "heating_cfm": heating,
            "cooling_cfm": cooling + (15 if mirror else 0),
        }
        for face in ("N", "E", "S")
        for mirror in (False, True)
        for room, (heating, cooling) in flows.items()
    ]
    plan.tables["blower"] = [
        {"speed": speed, "airflow_cfm": cfm, "external_static_inwc": static}
        for speed, points in (
            ("low", ((200, 0.52), (400, 0.42), (700, 0.0))),
            ("high", ((1000, 0.9), (1200, 0.78), (1450, 0.6))),
        )
        for cfm, static in points
    ]
    names = ("device", "side", "loss_inwc", "at_cfm", "season", "loaded_loss_inwc", "exponent")
    plan.tables["devices"] = [
        dict(zip(names, row, strict=True))
        for row in (
            ("coil", "supply", 0.2, 1400, "cooling", None, 1.8),
            ("filter", "return", 0.08, 1350, None, 0.2, 1.4),
            ("register", "supply", 0.03, 300, None, None, None),
        )
    ]
    plan.row("ducts", "granite").update(roughness_ft=None, airflow_derate_pct=None)
    plan.tables["friction_tables"] = [
        {
            "duct": "granite",
            "size_in": size,
            "airflow_cfm": cfm,
            "friction_rate_inwc_per_100ft": rate,
            "loss_inwc": None,
            "length_ft": None,
        }
        for size, rows in {
            6: ((50, 0.026), (100, 0.095), (200, 0.362)),
            8: ((100, 0.022), (200, 0.082), (400, 0.314)),
        }.items()
        for cfm, rate in rows
    ]
    plan.tables["friction_tables"][-1].update(friction_rate_inwc_per_100ft=None, loss_inwc=0.157, length_ft=50)
    plan.tables["inner_diameters"] = [
        {"duct": "meadow", "size_in": 6, "inner_diameter_in": 6.1},
        {"duct": "granite", "size_in": 8, "inner_diameter_in": 7.9},
    ]
    for row in plan.tables["prices"]:
        row["insulation"] = "R-6" if row["duct"] != "galvanised" else ""
        row["package_ft"] = 10 if row["duct"] == "galvanised" else None
    for row in plan.tables["fittings"]:
        row["bought"] = {"elbow_90": "no", "wye": "at the parent"}.get(row["fitting"])
    plan.tables["fitting_prices"] = [
        {"fitting": fitting, "size_in": size, "price": round(base + 0.4 * size, 2)}
        for fitting, base in (("collar", 3.0), ("boot_floor", 8.0))
        for size in plan.config["sizes"]["round_in"]
    ]
    plan.tables["fitting_prices"][-1]["price"] = "-"
    names = ("lot", "azimuth_deg", "front_faces", "mirrored", "flex")
    plan.tables["lots"] = [
        dict(zip(names, row, strict=True))
        for row in (("11", 112.5, None, None, "granite"), ("12A", None, "SE", True, None), ("13", 270, "W", False, ""))
    ]
    plan.tables["rooms"] = [
        {"room": "Kid's room", "x_ft": 0, "y_ft": 0, "width_ft": 14, "depth_ft": 12.5, "floor": "1"},
        {"room": "Sal\u00f3n", "x_ft": 14, "y_ft": 0, "width_ft": 12, "depth_ft": 12.5, "floor": "1"},
        {"room": "Kitchen", "x_ft": 0, "y_ft": 12.5, "width_ft": 26, "depth_ft": 13, "floor": "2"},
    ]
    plan.tables["routes"] = [
        {"section": "T1", "x_ft": 12, "y_ft": 20, "floor": ""},
        {"section": "T1", "x_ft": 12, "y_ft": 12, "floor": ""},
        {"section": "DEN", "x_ft": 4, "y_ft": 6, "floor": "1"},
    ]
    plan.config["site"] = {"elevation_ft": 500, "air_temperature_f": 72, "latitude_deg": 35}
    plan.config["site"] |= {"heating_supply_air_f": 118, "cooling_supply_air_f": 55}
    plan.config["variants"] = {"front_faces": ["N", "E", "S"], "mirrored": [False, True], "flex": ["meadow", "granite"]}
    plan.config["limits"] = {"trunk_rigid_fpm": 950, "branch_flex_fpm": 720}
    plan.config["blower"] = {
        "heating_cfm": 1050,
        "cooling_cfm": 1300,
        "heating_speed": "low",
        "cooling_speed": "high",
        "capacity_tons": 3.5,
        "least_heating_cfm": 900,
        "rated_static_inwc": 0.5,
        "held_airflow": False,
    }
    plan.config["compression"] = {"least_factor_12_in": 3.5}
    plan.config["tolerance"] = {"room_pct": 15, "room_cfm": 20, "system_pct": 10}
    plan.config["orientation"] = {"diversity_btuh": 5000, "breakdown_check_pct": 8}
    plan.config["solar"] = {"shgc": 0.3, "design_day": 202, "room_airflow_at": "room_peak"}
    plan.config["purchase"] = {"insulation": "R-6", "box_ft": 25, "waste_pct": 8, "lots": 12}
    plan.config["leakage"] = {"supply_pct": 4, "return_pct": 3}
    return plan


def _short_numbers(plan: PlanTables) -> PlanTables:
    """Load factors that a workbook holds to the last digit."""
    for row in plan.tables["load_factors"]:
        row["sensible_cooling_btuh_per_ft2"] = round(row["sensible_cooling_btuh_per_ft2"], 3)
    return plan


def turned_plan() -> PlanTables:
    """The small plan by its surfaces alone, two of them alike but for the room."""
    plan = _short_numbers(broken_down())
    plan.tables["surfaces"].append(surface("Den", "roof", None, 150))
    return plan


def load_plan_tables() -> PlanTables:
    """The small plan with loads for airflow, in a table called loads."""
    plan = small_plan(blower={"heating_cfm": 1230, "cooling_cfm": 1300})
    rows = plan.tables.pop("airflow")
    plan.tables["loads"] = [
        {
            "front_faces": r["front_faces"],
            "room": r["room"],
            "heating_btuh": 40 * r["heating_cfm"],
            "sensible_cooling_btuh": 22 * r["cooling_cfm"],
        }
        for r in rows
    ]
    return plan


def compact_plan() -> PlanTables:
    """A house in the compact form beside a plan.toml: loads and glass, runs by their routes, products, prices, lots."""
    compass = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")
    rooms = (
        ("Kid's room", 3000, 2700, 2500, 20, None, 0, 0, 12, 11),
        ("Sal\u00f3n", 5200, 4400, 4600, None, 30, 12, 0, 20, 15),
    )
    names = ("room", "heating_btuh", "sensible_cooling_btuh", "check_cooling_btuh", "glass_front_ft2", "glass_left_ft2",
             "x_ft", "y_ft", "width_ft", "depth_ft")  # fmt: skip
    runs = (
        ("Trunk A", None, None, "8+6", "round", None),
        ("Trunk B", "Trunk A", None, "12'6\"", "round", None),
        (None, "Trunk A", "Kid's room", "b8 r6", None, 5),
        (None, "Trunk B", "Sal\u00f3n", "14", None, None),
        ("Sal\u00f3n far", "Trunk B", "Sal\u00f3n", "9+45deg+4", None, None),
        ("Back", "return", "rest", "5", "round", None),
    )
    factors = [(face, 20 + 5 * n % 37, 30 if face == "N" else None) for n, face in enumerate(compass)]
    columns = ("section", "on", "room", "route", "duct", "min_in")
    plan = PlanTables(
        config={
            "name": "Compact",
            "blower": {"heating_cfm": 380, "cooling_cfm": 450},
            "loads": {"printed_front": "N"},
            "pressure": {"supply_inwc": 0.2, "return_inwc": 0.08},
            "sizes": {"round_in": [4, 5, 6, 7, 8, 9, 10, 12, 14]},
        },
        tables={
            "runs": [dict(zip(columns, row, strict=True)) for row in runs],
            "rooms": [dict(zip(names, row, strict=True)) for row in rooms],
            "glass": [
                {"facing": face, "cooling_btuh_per_ft2": cooling, "heating_btuh_per_ft2": heating}
                for face, cooling, heating in factors
            ],
            "products": [
                {"product": "meadow", "roughness_ft": 0.001, "compression_pct": None},
                {"product": "granite", "roughness_ft": 0.003, "compression_pct": 4},
            ],
            "lots": [
                {"lot": "11", "azimuth_deg": 112.5, "flex": "granite"},
                {"lot": "12A", "azimuth_deg": 300, "flex": None},
            ],
        },
    )
    for row in plan.tables["rooms"]:
        row.pop("check_cooling_btuh")
    return plan


BASES = {
    "compact": compact_plan,
    "priced": priced_plan,
    "rich": rich_plan,
    "wide": lambda: wide(priced_plan()),
    "turned": turned_plan,
    "loads": load_plan_tables,
}


@dataclass
class Formula:
    """A workbook's formula with its stored result; None: it was never worked out."""

    result: Any


@dataclass
class Folder:
    """A plan folder while it is changed: each table as a grid of cells, and how it is written.

    ``form`` is csv or xlsx; ``encoding``, ``delimiter``, ``line_end``, ``quoting`` are by table; ``patches`` change a
    CSV file's bytes, ``book_changes`` the openpyxl workbook, before it is saved. ``rename`` gives a table's file or
    sheet another name. ``toml_end`` is put behind plan.toml, ``toml_patches`` change its bytes.
    """

    config: dict[str, Any]
    grids: dict[str, Grid]
    form: str
    encoding: dict[str, str] = field(default_factory=dict)
    delimiter: dict[str, str] = field(default_factory=dict)
    line_end: dict[str, list[str]] = field(default_factory=dict)
    quoting: dict[str, int] = field(default_factory=dict)
    rename: dict[str, str] = field(default_factory=dict)
    patches: dict[str, list[Any]] = field(default_factory=dict)
    book_changes: list[Any] = field(default_factory=list)
    toml_patches: list[Any] = field(default_factory=list)
    extra: dict[str, bytes] = field(default_factory=dict)
    touched: set[tuple[int, int]] = field(default_factory=set)  # id of a row, column: one change a cell

    @classmethod
    def of(cls, plan: PlanTables, form: str) -> Folder:
        grids: dict[str, Grid] = {}
        for name, rows in plan.tables.items():
            columns = plan.columns(name)
            grids[name] = [list(columns), *([row.get(c) for c in columns] for row in rows)]
        return cls(config=plan.copy().config, grids=grids, form=form)

    def label(self, table: str) -> str:
        """What a message calls the table."""
        name = self.rename.get(table, table)
        return f"{name}.csv" if self.form == "csv" else f"house.xlsx sheet '{name}'"

    def rows(self, table: str) -> list[list[Any]]:
        """The rows with something in them, the header left out."""
        return [row for row in self.grids[table] if _holds(row)][1:]

    def header(self, table: str) -> list[Any]:
        return next(row for row in self.grids[table] if _holds(row))

    def column(self, table: str, name: str) -> int:
        """Where a column stands, whatever the spelling of its header; -1 where there is none."""
        keys = [squeezed(cell) for cell in self.header(table)]
        return keys.index(squeezed(name)) if squeezed(name) in keys else -1

    def line_of(self, table: str, row: list[Any]) -> int:
        """The line on which a row starts, 1 for the first."""
        line = 1
        for other in self.grids[table]:
            if other is row:
                return line
            line += 1 if self.form == "xlsx" else 1 + sum(str(cell).count("\n") for cell in other)
        raise AssertionError("the row is gone")

    def write(self, folder: Path) -> Path:
        folder.mkdir(parents=True)
        text = toml_text(self.config).encode()
        for patch in self.toml_patches:
            text = patch(text)
        (folder / "plan.toml").write_bytes(text)
        if self.form == "csv":
            for name in self.grids:
                (folder / f"{self.rename.get(name, name)}.csv").write_bytes(self._csv(name))
        else:
            self._book(folder / "house.xlsx")
        for name, data in self.extra.items():
            (folder / name).write_bytes(data)
        return folder

    def _csv(self, name: str) -> bytes:
        lines = []
        for row in self.grids[name]:
            out = io.StringIO()
            csv.writer(
                out,
                delimiter=self.delimiter.get(name, ","),
                quoting=self.quoting.get(name, csv.QUOTE_MINIMAL),
                lineterminator="\n",
            ).writerow([_as_text(cell) for cell in row])
            lines.append(out.getvalue()[:-1] if _holds(row) else self.delimiter.get(name, ",") * (len(row) - 1))
        ends = self.line_end.get(name, ["\n"])
        text = "".join(line + ends[n % len(ends)] for n, line in enumerate(lines))
        data = text.encode(self.encoding.get(name, "utf-8"))
        for patch in self.patches.get(name, []):
            data = patch(data)
        return data

    def _book(self, path: Path) -> None:
        book = openpyxl.Workbook()
        book.remove(book.active)
        stored: dict[str, dict[str, Any]] = {}
        for name, grid in self.grids.items():
            sheet = book.create_sheet(self.rename.get(name, name))
            for r, row in enumerate(grid, start=1):
                for c, cell in enumerate(row, start=1):
                    if isinstance(cell, Formula):
                        sheet.cell(r, c).value = "=1+1"
                        stored.setdefault(sheet.title, {})[f"{get_column_letter(c)}{r}"] = cell.result
                    elif cell is not None and cell != "":
                        sheet.cell(r, c).value = cell
        for change in self.book_changes:
            change(book)
        titles = book.sheetnames
        book.save(path)
        _finish(path, titles, stored)


def _finish(path: Path, titles: list[str], stored: dict[str, dict[str, Any]]) -> None:
    """Put results behind formulas, which openpyxl can't, and take the time of day out: same cells, same bytes."""
    parts = {}
    with zipfile.ZipFile(path) as packed:
        for name in packed.namelist():
            parts[name] = packed.read(name)
    for title, cells in stored.items():
        name = f"xl/worksheets/sheet{titles.index(title) + 1}.xml"
        text = parts[name].decode()
        for place, result in cells.items():
            if result is None:
                continue
            kind = ' t="str"' if isinstance(result, str) else ""
            new = f'<c r="{place}"{kind}><f>1+1</f><v>{escape(str(result))}</v></c>'
            text, found = re.subn(rf'<c r="{place}"[^>]*><f>1\+1</f><v\s*/?>(</v>)?</c>', lambda _, n=new: n, text)
            assert found == 1, text[:2000]
        parts[name] = text.encode()
    core = "docProps/core.xml"
    parts[core] = re.sub(rb"\d{4}-\d\d-\d\dT[0-9:.]+Z", b"2026-01-01T00:00:00Z", parts[core])
    with zipfile.ZipFile(path, "w") as packed:
        for name, data in parts.items():
            packed.writestr(zipfile.ZipInfo(name), data, zipfile.ZIP_DEFLATED)


def _holds(row: list[Any]) -> bool:
    return any(not isinstance(cell, str) or cell.strip() for cell in row if cell is not None)


def _as_text(cell: Any) -> str:
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return str(cell).lower()
    return str(cell)


def squeezed(text: Any) -> str:
    """A header without case, spaces and underscores."""
    return "".join(c for c in str(text or "") if not c.isspace() and c != "_").casefold()


# ---- what was read, against what was read ---------------------------------------------------------------


def differences(one: Plan, other: Plan) -> list[str]:
    """The places where two plans differ, each field down to its numbers; folder, findings and places left out."""
    found: list[str] = []
    for part in dataclasses.fields(Plan):
        if part.name not in ("folder", "findings", "places", "typed", "derived", "assumed"):
            _differ(part.name, getattr(one, part.name), getattr(other, part.name), found)
    if {key for key in one.typed ^ other.typed if key[0] != "tables"}:  # files may have other names
        found.append(f"typed: {sorted(one.typed)} against {sorted(other.typed)}")
    return found


def _differ(where: str, one: Any, other: Any, found: list[str]) -> None:
    if dataclasses.is_dataclass(one) and type(one) is type(other):
        for part in dataclasses.fields(one):
            if part.name in ("place", "places"):  # a sheet goes by another name than a file
                continue
            _differ(f"{where}.{part.name}", getattr(one, part.name), getattr(other, part.name), found)
    elif isinstance(one, np.ndarray) and isinstance(other, np.ndarray):
        if one.shape != other.shape or not np.array_equal(one, other, equal_nan=one.dtype.kind == "f"):
            found.append(where)
    elif isinstance(one, Mapping) and isinstance(other, Mapping):
        if list(one) != list(other):
            found.append(f"{where}: {list(one)} against {list(other)}")
        for key in set(one) & set(other):
            _differ(f"{where}[{key}]", one[key], other[key], found)
    elif isinstance(one, tuple) and isinstance(other, tuple):
        if len(one) != len(other):
            found.append(f"{where}: {len(one)} against {len(other)}")
        for n, (a, b) in enumerate(zip(one, other, strict=False)):
            _differ(f"{where}[{n}]", a, b, found)
    elif type(one) is not type(other) or not (one == other or (one != one and other != other)):
        found.append(f"{where}: {one!r} against {other!r}")


def said(plan: Plan) -> Counter[tuple[str, str]]:
    """What reading found besides how it read: rule and message."""
    return Counter((f.rule, f.message) for f in plan.findings if f.rule not in ("reading", "unknown column"))
