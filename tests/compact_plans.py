"""Plans in the long form written again in the compact form, by rules of the tests' own."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import openpyxl
from plan_folder import PlanTables, Row

Sheets = dict[str, list[list[Any]]]  # each with its header

# Which generic fitting stands for the demos' own; others are typed.
GENERIC = {
    "plenum_to_trunk": "plenum_takeoff", "plenum_collar": "collar", "trunk_takeoff": "takeoff", "takeoff": "takeoff",
    "wye_branch": "wye", "reducer_round": "reducer", "reducer": "reducer",
    "elbow_90_round": "elbow_90", "elbow_90": "elbow_90", "elbow_45_round": "elbow_45",
    "elbow_90_rectangular": "elbow_90_rect", "flex_bend_90": "flex_bend_90", "flex_bend": "flex_bend_90",
    "boot_ceiling_straight": "boot", "boot": "boot", "return_plenum_entry": "return_entry",
    "return_entry": "return_entry", "return_takeoff": "return_takeoff", "return_box": "return_box",
}  # fmt: skip
# What each is for, where several are for one thing.
KIND = {**GENERIC, "reducer_rectangular": "reducer", "boot_ceiling_with_elbow": "boot", "boot_floor": "boot",
        "filter_grille_box": "return_box", "grille_box": "return_box"}  # fmt: skip


def parted(text: str) -> list[tuple[str, int]]:
    """Names and counts of a fittings cell."""
    parts = [part.strip().partition("*") for part in (text or "").split("+") if part.strip()]
    return [(name.strip(), int(count or 1)) for name, _, count in parts]


def route(row: Row) -> str:
    """The section's length in legs of equal length, with the bends that its fittings have."""
    bends = []
    for name, count in parted(row["fittings"]):
        if any(word in name for word in ("elbow_90", "elbow_45", "flex_bend")):
            bends += [45 if "45" in name else 90] * count
    length = float(row["length_ft"])
    leg = f"{length / (len(bends) + 1):.12g}"
    return leg + "".join(f"+45deg+{leg}" if bend == 45 else f"+{leg}" for bend in bends)


def runs_of(plan: PlanTables, typed: set[str]) -> list[list[Any]]:
    """The sheet runs; the fittings of the sections in ``typed`` stand in their cells, the others' are left empty."""
    more = [c for c in ("share", "season", "min_in", "max_in", "fixed_in", "role") if c in plan.columns("sections")]
    lines: list[list[Any]] = [["section", "on", "room", "route", "duct", "fittings", *more]]
    rows = plan.tables["sections"]
    for row in rows:
        on = row["parent"] or ("return" if row.get("side") == "return" else "")
        rectangular = row.get("shape") == "rectangular"
        duct = "" if row["duct"] == "flex" else row["duct"] + (" rect" if rectangular else "")
        trunk = (row["duct"] != "flex") and (
            row.get("side") == "return" or any(other["parent"] == row["section"] for other in rows)
        )
        cells = {c: row[c] for c in more}
        cells["role"] = "" if row["role"] == ("trunk" if trunk else "branch") else row["role"]
        name = row["section"]
        fittings = (row["fittings"] or "none") if name in typed else ""
        lines.append([name, on, row["room"], route(row), duct, fittings, *cells.values()])
    return lines


def plan_sheet(config: dict[str, Any]) -> list[list[Any]]:
    """The keys of plan.toml, one a row, tables left out."""
    lines: list[list[Any]] = [["key", "value"]]
    for key, value in config.items():
        if not isinstance(value, dict):
            lines.append([key, value])
        elif key != "tables":
            lines += [[f"[{key}] {name}", _cell(given)] for name, given in value.items()]
    return lines


def _cell(value: Any) -> Any:
    if isinstance(value, list):
        return ", ".join("x".join(map(str, v)) if isinstance(v, list) else str(v).lower() if isinstance(v, bool)
                         else str(v) for v in value)  # fmt: skip
    return ("yes" if value else "no") if isinstance(value, bool) else value


def prices_grid(plan: PlanTables, level: str = "") -> list[list[Any]]:
    """A size a row and a column a duct; of several insulation levels the one that is named."""
    rows = [r for r in plan.tables["prices"] if not level or r.get("insulation") in ("", None, level)]
    ducts = list(dict.fromkeys(row["duct"] for row in rows))
    sizes = list(dict.fromkeys(row["size_in"] for row in rows))
    price = {(row["size_in"], row["duct"]): row["price_per_ft"] for row in rows}
    return [["size_in", *ducts], *([size, *(price.get((size, duct), "") for duct in ducts)] for size in sizes)]


def fittings_sheet(plan: PlanTables) -> list[list[Any]]:
    """The plan's fittings with the names of the generic ones that they stand for, each once."""
    columns = plan.columns("fittings")
    lines: list[list[Any]] = [list(columns)]
    for row in plan.tables["fittings"]:
        lines.append([row.get(c) for c in columns])
        name = GENERIC.get(row["fitting"], row["fitting"])
        if name != row["fitting"]:
            lines.append([name, *(row.get(c) for c in columns[1:])])
    return lines


def products_sheet(plan: PlanTables) -> list[list[Any]]:
    columns = plan.columns("ducts")
    return [["product", *columns[1:]], *([row.get(c) for c in columns] for row in plan.tables["ducts"])]


def long_sheet(plan: PlanTables, name: str) -> list[list[Any]]:
    columns = plan.columns(name)
    return [list(columns), *([row.get(c) for c in columns] for row in plan.tables[name])]


def write_book(path: Path, sheets: Sheets) -> Path:
    """A workbook of texts, numbers where they are."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, lines in sheets.items():
        sheet = book.create_sheet(name)
        for line in lines:
            sheet.append([_typed(cell) for cell in line])
    book.save(path)
    return path


def write_csv(folder: Path, sheets: Sheets) -> Path:
    """The same as CSV files."""
    folder.mkdir(parents=True)
    for name, lines in sheets.items():
        with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            csv.writer(file).writerows([["" if cell is None else cell for cell in line] for line in lines])
    return folder


def _typed(cell: Any) -> Any:
    if isinstance(cell, str):
        try:
            return float(cell)
        except ValueError:
            return cell or None
    return cell


def compact(plan: PlanTables, typed: set[str], level: str = "") -> Sheets:
    """The compact form of a plan; what it has no sheet for stays long."""
    sheets = {"plan": plan_sheet(plan.config), "runs": runs_of(plan, typed), "products": products_sheet(plan)}
    sheets["fittings"] = fittings_sheet(plan)
    if "prices" in plan.tables:
        sheets["prices"] = prices_grid(plan, level)
    done = {"sections", "ducts", "fittings", "prices"}
    return sheets | {name: long_sheet(plan, name) for name in plan.tables if name not in done}
