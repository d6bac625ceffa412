"""What the fuzzer does to a plan folder, each kind by name.

``KEEPS``: the same plan in another hand; ``BREAKS``: no longer a plan that can be read with certainty. A change takes
a Folder and hypothesis' draw, changes the folder, and says what reading must tell of it; None where this folder has no
place for it. What a cell's unit or reference is, is written down here again, and not taken from the schema.
"""

from __future__ import annotations

import csv
import datetime
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from fuzz_plans import FACES, Folder, Formula, squeezed
from hypothesis import strategies as st

Draw = Callable[[Any], Any]


@dataclass(frozen=True)
class Told:
    """What must be said: where (a table's name, or plan.toml), in which row object and column, about which words.

    ``row``: any row of the table where None. A rewriting that needs no word has ``silent``.
    """

    table: str
    row: list[Any] | None = None
    column: str | None = None
    words: str = ""
    silent: bool = False


Change = Callable[[Folder, Draw], "Told | None"]
KEEPS: dict[str, Change] = {}
BREAKS: dict[str, Change] = {}


def _named(place: dict[str, Change], name: str) -> Callable[[Change], Change]:
    def keep(change: Change) -> Change:
        place[name] = change
        return change

    return keep


# ---- columns, as the plan format has them ----------------------------------------------------------------

# suffix of a column's or key's name -> its unit in other hands, units that it is not
UNITS = {
    "_cfm": ((" CFM", "cfm", " cu ft/min"), ("47 L/s", "80 m3/h")),
    "_btuh": ((" Btu/h", " BTUH"), ("1.2 kW", "900 W")),
    "_btuh_per_ft2": ((" Btu/h ft2",), ("30 W",)),
    "_inwc": ((" inWC", ' "wc', " in. w.c."), ("25 Pa", "0.03 kPa")),
    "_inwc_per_100ft": ((" inWC/100 ft",), ("0.8 Pa/m",)),
    "_ft2": ((" sq ft", " ft2"), ("3 m2",)),
    "_ft": ((" ft", "'", " feet"), ("3 m", "900 mm", "12-6", "12 lb")),
    "_in": (('"', " in", " inches", "\u201d"), ("150 mm", "15 cm", "2 ft")),
    "_pct": (("%", " %", " percent"), ("5 ft", "3 Pa")),
    "_deg": (("\u00b0", " deg"), ("3 m",)),
    "price_per_ft": (("/ft",), ()),
    "price": (("",), ("3 EUR", "3 \u00a3")),
    "loss_coefficient": (("",), ("20 ft",)),
    "share": (("",), ("2 ft", "50 CFM")),
    "exponent": (("",), ("2 ft",)),
    "shade_fraction": (("",), ("2 ft",)),
}
NEGATIVE = ("x_ft", "y_ft", "elevation_ft")
BLANK = (  # number columns in which an empty cell is allowed, whatever stands beside it
    "share",
    "min_in",
    "max_in",
    "fixed_in",
    "equivalent_length_ft",
    "loss_coefficient",
    "airflow_derate_pct",
    "compression_pct",
    "package_ft",
    "loaded_loss_inwc",
    "exponent",
    "shade_fraction",
    "friction_rate_inwc_per_100ft",
    "loss_inwc",
    "azimuth_deg",
    "glass_front_ft2",
    "glass_left_ft2",
)
CHOICES = {
    ("airflow", "front_faces"): FACES,
    ("loads", "front_faces"): FACES,
    ("lots", "front_faces"): FACES,
    ("load_factors", "exposure"): FACES,
    ("sections", "side"): ("supply", "return"),
    ("devices", "side"): ("supply", "return"),
    ("sections", "role"): ("trunk", "branch"),
    ("sections", "shape"): ("round", "rectangular"),
    ("sections", "season"): ("heating", "cooling"),
    ("devices", "season"): ("heating", "cooling"),
    ("ducts", "kind"): ("rigid", "flex"),
    ("fittings", "bought"): ("yes", "no", "at the parent"),
    ("glass", "facing"): FACES,
}
NEEDED_CHOICES = (
    ("airflow", "front_faces"),
    ("loads", "front_faces"),
    ("sections", "role"),
    ("devices", "side"),
    ("ducts", "kind"),
    ("glass", "facing"),
)
WORDS = {
    "N": ("north", "North"),
    "NE": ("north-east", "Northeast"),
    "E": ("EAST",),
    "SE": ("south east",),
    "S": ("South",),
    "SW": ("South-West",),
    "W": ("west",),
    "NW": ("NorthWest",),
    "heating": ("heat", "htg"),
    "cooling": ("Cool", "CLG"),
    "flex": ("Flexible",),
}
FLAGS = (("airflow", "mirrored"), ("lots", "mirrored"))
# cells that name something that another table must have
REFERENCES = (
    ("sections", "parent"),
    ("sections", "duct"),
    ("sections", "fittings"),
    ("sections", "room"),
    ("prices", "duct"),
    ("fitting_prices", "fitting"),
    ("friction_tables", "duct"),
    ("inner_diameters", "duct"),
    ("surfaces", "surface"),
    ("rooms", "room"),
    ("routes", "section"),
    ("lots", "flex"),
    ("runs", "on"),
    ("runs", "duct"),
)
NAMES = (  # each used once
    ("sections", "section"),
    ("fittings", "fitting"),
    ("ducts", "duct"),
    ("devices", "device"),
    ("lots", "lot"),
    ("products", "product"),
)
NEEDED_TABLES = ("sections", "fittings", "ducts", "airflow", "surfaces", "loads", "load_factors")
OPTIONAL_COLUMNS = {
    "sections": ("fittings", "share", "season", "min_in", "max_in", "fixed_in"),
    "ducts": ("airflow_derate_pct", "compression_pct"),
    "fittings": ("equivalent_length_ft", "loss_coefficient", "bought"),
    "devices": ("loaded_loss_inwc", "season", "exponent"),
    "prices": ("insulation", "package_ft"),
    "surfaces": ("shade_fraction",),
    "lots": ("azimuth_deg", "mirrored"),
    "airflow": ("mirrored",),
}
NEEDED_COLUMNS = {
    "glass": ("facing", "cooling_btuh_per_ft2", "heating_btuh_per_ft2"),
    "products": ("product",),
    "sections": ("section", "parent", "role", "duct", "length_ft"),
    "fittings": ("fitting",),
    "ducts": ("duct", "kind", "roughness_ft"),
    "airflow": ("room",),
    "loads": ("room", "front_faces", "heating_btuh", "sensible_cooling_btuh"),
    "prices": ("duct", "size_in", "price_per_ft"),
    "fitting_prices": ("fitting", "size_in", "price"),
    "blower": ("speed", "airflow_cfm", "external_static_inwc"),
    "devices": ("device", "side", "loss_inwc", "at_cfm"),
    "friction_tables": ("duct", "size_in", "airflow_cfm"),
    "inner_diameters": ("duct", "size_in", "inner_diameter_in"),
    "surfaces": ("room", "surface", "plan_face", "area_ft2"),
    "load_factors": ("surface", "exposure", "sensible_cooling_btuh_per_ft2", "heating_btuh_per_ft2"),
    "room_gains": ("room", "heating_btuh", "sensible_cooling_btuh"),
    "lots": ("lot",),
    "rooms": ("room", "x_ft", "y_ft", "width_ft", "depth_ft"),
    "routes": ("section", "x_ft", "y_ft"),
}


def _suffix(column: str) -> str:
    """The unit's suffix of a column: the longest that fits; empty where the column holds no number."""
    key = squeezed(column)
    fits = [s for s in UNITS if key.endswith(squeezed(s)) or key == squeezed(s)]
    return max(fits, key=len, default="")


# ---- picking a place -------------------------------------------------------------------------------------


def _cells(
    folder: Folder, wanted: Callable[[str, str, Any], bool], *, table: str | None = None
) -> list[tuple[str, list[Any], int, str]]:
    """Table, row, place and header of the cells that nothing has changed and that are wanted."""
    found = []
    for name in folder.grids if table is None else [table]:
        header = folder.header(name)
        for row in folder.rows(name):
            for place, column in enumerate(header):
                cell = row[place] if place < len(row) else None
                if (id(row), place) not in folder.touched and wanted(name, str(column), cell):
                    found.append((name, row, place, str(column)))
    return found


def _pick(
    folder: Folder, draw: Draw, wanted: Callable[[str, str, Any], bool]
) -> tuple[str, list[Any], int, str] | None:
    found = _cells(folder, wanted)
    if not found:
        return None
    # by table first: a long table would have nearly all
    name = draw(st.sampled_from(sorted({cell[0] for cell in found})))
    picked = draw(st.sampled_from([cell for cell in found if cell[0] == name]))
    folder.touched.add((id(picked[1]), picked[2]))
    return picked


def _is_number(cell: Any) -> bool:
    return isinstance(cell, int | float) and not isinstance(cell, bool)


def _number_cell(name: str, column: str, cell: Any) -> bool:
    if name == "surfaces" and column == "plan_face":
        return False
    return _is_number(cell) and bool(_suffix(column))


def _text_cell(name: str, column: str, cell: Any) -> bool:
    return isinstance(cell, str) and not _suffix(column) and len(cell) > 1


def _put(
    folder: Folder,
    draw: Draw,
    wanted: Callable[[str, str, Any], bool],
    make: Callable[[str, str, Any], Any],
    words: str,
) -> Told | None:
    """Write something into one of the wanted cells; ``words`` with {} for what is written."""
    picked = _pick(folder, draw, wanted)
    if picked is None:
        return None
    name, row, place, column = picked
    new = make(name, column, row[place] if place < len(row) else None)
    if isinstance(new, str) and not _fits(new, folder.encoding.get(name, "utf-8")):
        return None
    row += [None] * (place + 1 - len(row))
    row[place] = new
    return Told(name, row, column, words.format(new))


def _fits(text: str, encoding: str) -> bool:
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        return False
    return True


# ---- the same plan in another hand -----------------------------------------------------------------------


@_named(KEEPS, "a number with its unit")
def _with_unit(folder: Folder, draw: Draw) -> Told | None:
    return _put(
        folder,
        draw,
        lambda name, column, cell: _number_cell(name, column, cell) and any(UNITS[_suffix(column)][0]),
        lambda name, column, cell: f"{cell}{draw(st.sampled_from(UNITS[_suffix(column)][0]))}",
        "read as",
    )


@_named(KEEPS, "commas between thousands")
def _thousands(folder: Folder, draw: Draw) -> Told | None:
    return _put(
        folder,
        draw,
        lambda name, column, cell: (
            _number_cell(name, column, cell) and cell >= 1000 and folder.delimiter.get(name, ",") == ","
        ),
        lambda name, column, cell: f"{cell:,}",
        "read as",
    )


@_named(KEEPS, "a price with its sign")
def _dollar(folder: Folder, draw: Draw) -> Told | None:
    return _put(
        folder,
        draw,
        lambda name, column, cell: squeezed(column) in ("price", "priceperft") and _is_number(cell),
        lambda name, column, cell: f"${cell}",
        "read as",
    )


@_named(KEEPS, "a number in other digits")
def _digits(folder: Folder, draw: Draw) -> Told | None:
    told = _put(
        folder,
        draw,
        _number_cell,
        lambda name, column, cell: draw(
            st.sampled_from([f"{cell}", f" {cell} ", f"{cell:.6f}", f"{cell:+}", f"0{cell}", f"{cell:.10e}"])
            if cell >= 0
            else st.just(str(cell))
        ),
        "",
    )
    return told and Told(told.table, silent=True)


@_named(KEEPS, "spaces that do not break")
def _hard_spaces(folder: Folder, draw: Draw) -> Told | None:
    space = draw(st.sampled_from("\u00a0\u202f\u2009\u3000\u200b\ufeff"))
    return _put(
        folder,
        draw,
        lambda name, column, cell: _number_cell(name, column, cell) or _text_cell(name, column, cell),
        lambda name, column, cell: f"{space}{cell}{space}",
        "read as",
    )


@_named(KEEPS, "a quote that a word processor turned")
def _smart_quotes(folder: Folder, draw: Draw) -> Told | None:
    return _put(
        folder,
        draw,
        lambda name, column, cell: _text_cell(name, column, cell) and "'" in cell,
        lambda name, column, cell: cell.replace("'", draw(st.sampled_from("\u2019\u2018\u2032"))),
        "read as",
    )


@_named(KEEPS, "an accent in two characters")
def _two_characters(folder: Folder, draw: Draw) -> Told | None:
    return _put(
        folder,
        draw,
        lambda name, column, cell: (
            _text_cell(name, column, cell) and "\u00f3" in cell and folder.encoding.get(name, "utf-8") != "cp1252"
        ),
        lambda name, column, cell: cell.replace("\u00f3", "o\u0301"),
        "read as",
    )


@_named(KEEPS, "a choice in another case")
def _choice_case(folder: Folder, draw: Draw) -> Told | None:
    told = _put(
        folder,
        draw,
        lambda name, column, cell: (name, column) in CHOICES and isinstance(cell, str) and bool(cell),
        lambda name, column, cell: draw(st.sampled_from([cell.lower(), cell.upper(), f"  {cell.title()} "])),
        "",
    )
    return told and Told(told.table, silent=True)


@_named(KEEPS, "a choice in another word")
def _choice_word(folder: Folder, draw: Draw) -> Told | None:
    return _put(
        folder,
        draw,
        lambda name, column, cell: (name, column) in CHOICES and cell in WORDS,
        lambda name, column, cell: draw(st.sampled_from(WORDS[cell])),
        "read as",
    )


@_named(KEEPS, "yes and no")
def _yes(folder: Folder, draw: Draw) -> Told | None:
    told = _put(
        folder,
        draw,
        lambda name, column, cell: (name, column) in FLAGS and isinstance(cell, bool),
        lambda name, column, cell: draw(st.sampled_from(["yes", "Y", "TRUE", "1", 1] if cell else ["no", "N", "0", 0])),
        "",
    )
    return told and Told(told.table, silent=True)


@_named(KEEPS, "a cross for times")
def _cross(folder: Folder, draw: Draw) -> Told | None:
    if folder.encoding.get("sections", "utf-8") == "cp1252":
        return None
    return _put(
        folder,
        draw,
        lambda name, column, cell: name == "sections" and column == "fittings" and "*" in str(cell),
        lambda name, column, cell: cell.replace("*", " \u00d7 "),
        "read as",
    )


@_named(KEEPS, "a row for two faces")
def _two_faces(folder: Folder, draw: Draw) -> Told | None:
    tables = [(n, "front_faces") for n in ("airflow", "loads")] + [("load_factors", "exposure")]
    found = []
    for name, column in tables:
        if name not in folder.grids or folder.column(name, column) < 0:
            continue
        place = folder.column(name, column)
        rows = [r for r in folder.rows(name) if not any((id(r), p) in folder.touched for p in range(len(r)))]
        for n, row in enumerate(rows):
            for other in rows[n + 1 :]:
                alike = all(a == b for p, (a, b) in enumerate(zip(row, other, strict=True)) if p != place)
                if alike and row[place] in FACES and other[place] in FACES:
                    found.append((name, column, place, row, other))
    if not found:
        return None
    name, column, place, row, other = draw(st.sampled_from(found))
    row[place] = draw(st.sampled_from(["{}/{}", "{} / {}", "{}, {}", "{} & {}", "{};{}"])).format(
        row[place], other[place]
    )
    folder.touched.update((id(row), p) for p in range(len(row)))
    folder.grids[name] = [r for r in folder.grids[name] if r is not other]
    return Told(name, row, column, "a row of each")


@_named(KEEPS, "headers in another spelling")
def _headers(folder: Folder, draw: Draw) -> Told | None:
    name = draw(st.sampled_from(sorted(folder.grids)))
    header = folder.header(name)
    spell = draw(
        st.sampled_from(
            [
                str.upper,
                str.title,
                lambda t: t.replace("_", " "),
                lambda t: f" {t.replace('_', '')}\u00a0",
                lambda t: t.replace("_", "__"),
                lambda t: t.replace("_", "\n"),
            ]
        )
    )
    if folder.form == "csv" and folder.encoding.get(name, "utf-8") == "cp1252":
        spell = str.upper
    header[:] = [cell and spell(str(cell)) for cell in header]
    return Told(name, silent=True)


@_named(KEEPS, "columns in another order")
def _order(folder: Folder, draw: Draw) -> Told | None:
    name = draw(st.sampled_from(sorted(folder.grids)))
    header = folder.header(name)
    width = len(header)
    if any(len(row) != width for row in folder.grids[name]) or folder.book_changes:
        return None
    order = draw(st.permutations(range(width)))
    if len({squeezed(h).replace("heatingcfm", "") for h in header if "cfm" in str(h).casefold()}) > 2:
        return None  # wide: the faces' order is the columns'
    for row in folder.grids[name]:
        moved = {place for place in range(width) if (id(row), place) in folder.touched}
        folder.touched -= {(id(row), place) for place in moved}
        folder.touched |= {(id(row), order.index(place)) for place in moved}
        row[:] = [row[place] for place in order]
    return Told(name, silent=True)


@_named(KEEPS, "empty rows")
def _empty_rows(folder: Folder, draw: Draw) -> Told | None:
    name = draw(st.sampled_from(sorted(folder.grids)))
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(folder.grids[name])))
        blank = draw(st.sampled_from([None, "", "  "]))
        folder.grids[name].insert(at, [blank] * len(folder.header(name)))
    return Told(name, silent=True)


@_named(KEEPS, "empty columns")
def _empty_columns(folder: Folder, draw: Draw) -> Told | None:
    name = draw(st.sampled_from(sorted(folder.grids)))
    width = max(len(row) for row in folder.grids[name])
    for row in folder.grids[name]:
        row += [None] * (width + 2 - len(row))
    return Told(name, silent=True)


@_named(KEEPS, "a column of the author's own")
def _own_column(folder: Folder, draw: Draw) -> Told | None:
    name = draw(st.sampled_from(sorted(folder.grids)))
    header = folder.header(name)
    width = len(header)
    if folder.column(name, "zz quux") >= 0:
        return None
    for row in folder.grids[name]:
        row += [None] * (width - len(row))
        row.append("zz quux" if row is header else "17" if row in folder.rows(name) else None)
    return Told(name, column="zz quux", words="is not read")


@_named(KEEPS, "the other kind of file")
def _other_form(folder: Folder, draw: Draw) -> Told | None:
    if (
        folder.book_changes
        or "tables" in folder.config
        or any(len(row) < len(grid[0]) for grid in folder.grids.values() for row in grid)  # told of in CSV alone
        or any((folder.encoding, folder.delimiter, folder.line_end, folder.quoting, folder.patches))
    ):
        return None
    if any(isinstance(cell, Formula) for grid in folder.grids.values() for row in grid for cell in row):
        return None
    folder.form = "xlsx" if folder.form == "csv" else "csv"
    return Told("plan.toml", silent=True)


@_named(KEEPS, "files under other names")
def _other_names(folder: Folder, draw: Draw) -> Told | None:
    if folder.rename:
        return None
    for n, name in enumerate(sorted(folder.grids)):
        folder.rename[name] = draw(st.sampled_from(["zz", "Qu \u00e9", "x.y"])) + f" {n}"
    suffix = ".csv" if folder.form == "csv" else ""
    before = "" if folder.form == "csv" else "house.xlsx#"
    folder.config["tables"] = {name: f"{before}{new}{suffix}" for name, new in folder.rename.items()}
    return Told("plan.toml", silent=True)


@_named(KEEPS, "files and sheets in another case")
def _other_case(folder: Folder, draw: Draw) -> Told | None:
    if folder.rename or "tables" in folder.config:
        return None
    for name in folder.grids:
        folder.rename[name] = name.upper() if folder.form == "csv" else name.replace("_", " ").title()
    return Told("plan.toml", silent=True)


def _csv_table(folder: Folder, draw: Draw) -> str | None:
    """A table that is written as CSV and whose bytes nothing has settled yet."""
    free = sorted(n for n in folder.grids if n not in folder.encoding and n not in folder.patches)
    return draw(st.sampled_from(free)) if folder.form == "csv" and free else None


@_named(KEEPS, "UTF-16")
def _utf16(folder: Folder, draw: Draw) -> Told | None:
    name = _csv_table(folder, draw)
    if name is None:
        return None
    folder.encoding[name] = "utf-16"
    return Told(name, words="UTF-16")


@_named(KEEPS, "a byte order mark")
def _mark(folder: Folder, draw: Draw) -> Told | None:
    name = _csv_table(folder, draw)
    if name is None:
        return None
    folder.encoding[name] = "utf-8-sig"
    return Told(name, silent=True)


@_named(KEEPS, "Windows text")
def _windows(folder: Folder, draw: Draw) -> Told | None:
    name = _csv_table(folder, draw)
    if name is None:
        return None
    text = "".join(str(cell) for row in folder.grids[name] for cell in row)
    if not _fits(text, "cp1252"):
        return None
    folder.encoding[name] = "cp1252"
    return Told(name, silent=text.isascii(), words="1252")


@_named(KEEPS, "other line ends")
def _line_ends(folder: Folder, draw: Draw) -> Told | None:
    name = _csv_table(folder, draw)
    if name is None:
        return None
    folder.line_end[name] = draw(st.lists(st.sampled_from(["\r\n", "\r", "\n"]), min_size=1, max_size=3))
    return Told(name, silent=True)


@_named(KEEPS, "cells parted otherwise")
def _parted(folder: Folder, draw: Draw) -> Told | None:
    name = _csv_table(folder, draw)
    if name is None or name in folder.delimiter:
        return None
    text = "".join(str(cell) for row in folder.grids[name] for cell in row)
    if "," in text:
        return None
    folder.delimiter[name] = draw(st.sampled_from(";\t"))
    return Told(name, words="separated by")


@_named(KEEPS, "every cell in quotes")
def _quoted(folder: Folder, draw: Draw) -> Told | None:
    name = _csv_table(folder, draw)
    if name is None:
        return None
    folder.quoting[name] = csv.QUOTE_ALL
    return Told(name, silent=True)


@_named(KEEPS, "no line end at the end")
def _no_end(folder: Folder, draw: Draw) -> Told | None:
    name = _csv_table(folder, draw)
    if name is None:
        return None
    folder.patches.setdefault(name, []).append(lambda data: data.rstrip(b"\r\n"))
    return Told(name, silent=True)


@_named(KEEPS, "a line end inside a cell")
def _inner_line(folder: Folder, draw: Draw) -> Told | None:
    return _put(
        folder,
        draw,
        lambda name, column, cell: _text_cell(name, column, cell) and " " in cell and column != "fittings",
        lambda name, column, cell: cell.replace(" ", "\n", 1),
        "read as",
    )


@_named(KEEPS, "rows without their empty last cells")
def _short_rows(folder: Folder, draw: Draw) -> Told | None:
    name = draw(st.sampled_from(sorted(folder.grids)))
    short = None
    for row in folder.rows(name):
        while row and row[-1] in (None, "") and not any((id(row), p) in folder.touched for p in range(len(row))):
            row.pop()
            short = short or row
    named = [n for n, cell in enumerate(folder.header(name), start=1) if str(cell or "").strip()]
    if short is None or folder.form == "xlsx" or len(short) >= max(named):
        return Told(name, silent=True)
    return Told(name, short, words="fewer cells")


@_named(KEEPS, "a file that is none of the plan's")
def _foreign_file(folder: Folder, draw: Draw) -> Told | None:
    name = draw(st.sampled_from(["zz quux.csv", "walls.csv", "thermostat.csv"]))
    folder.extra[name] = b"a,b\n1,2\n"
    return Told(name, words="not read")


@_named(KEEPS, "a sheet that is none of the plan's")
def _foreign_sheet(folder: Folder, draw: Draw) -> Told | None:
    if folder.form != "xlsx":
        return None
    name = draw(st.sampled_from(["zz quux", "Sheet1", "Tabelle1", "thermostat"]))
    folder.book_changes.append(lambda book: None if name in book.sheetnames else book.create_sheet(name).append(["x"]))
    return Told("house.xlsx", words=name)


@_named(KEEPS, "a formula with its result")
def _formula(folder: Folder, draw: Draw) -> Told | None:
    if folder.form != "xlsx":
        return None
    told = _put(
        folder,
        draw,
        lambda name, column, cell: _number_cell(name, column, cell) or _text_cell(name, column, cell),
        lambda name, column, cell: Formula(cell),
        "",
    )
    return told and Told(told.table, silent=True)


@_named(KEEPS, "a formula that leaves the cell empty")
def _empty_formula(folder: Folder, draw: Draw) -> Told | None:
    if folder.form != "xlsx":
        return None
    told = _put(folder, draw, lambda name, column, cell: cell in (None, ""), lambda *_: Formula(""), "")
    return told and Told(told.table, silent=True)


def _show(folder: Folder, name: str, row: list[Any], place: int, number_format: str) -> None:
    line = folder.line_of(name, row)

    def change(book: Any) -> None:
        book[folder.rename.get(name, name)].cell(line, place + 1).number_format = number_format

    folder.book_changes.append(change)


@_named(KEEPS, "a cell shown as per cent")
def _per_cent(folder: Folder, draw: Draw) -> Told | None:
    if folder.form != "xlsx":
        return None
    picked = _pick(
        folder, draw, lambda name, column, cell: _number_cell(name, column, cell) and _suffix(column) == "_pct"
    )
    if picked is None:
        return None
    name, row, place, column = picked
    row[place] /= 100.0
    _show(folder, name, row, place, draw(st.sampled_from(["0%", "0.00%", "0.0 %"])))
    return Told(name, row, column, "read as", silent=not row[place])  # nothing is nothing in per cent too


@_named(KEEPS, "merged cells")
def _merged(folder: Folder, draw: Draw) -> Told | None:
    if folder.form != "xlsx":
        return None
    found = []
    for name in folder.grids:
        grid = folder.grids[name]
        for place in range(len(folder.header(name))):
            for row, under in pairwise(grid[1:]):
                pair = [r[place] if place < len(r) else None for r in (row, under)]
                free = (id(row), place) not in folder.touched and (id(under), place) not in folder.touched
                if free and pair[0] == pair[1] and pair[0] not in (None, "") and row is not folder.header(name):
                    found.append((name, row, place))
    if not found:
        return None
    name, row, place = draw(st.sampled_from(found))
    line = folder.line_of(name, row)

    def change(book: Any) -> None:
        book[folder.rename.get(name, name)].merge_cells(
            start_row=line, end_row=line + 1, start_column=place + 1, end_column=place + 1
        )

    folder.book_changes.append(change)
    folder.touched |= {(id(r), p) for r in folder.grids[name] for p in range(len(r))}
    return Told(name, words="merged")


@_named(KEEPS, "a row that is hidden")
def _hidden_row(folder: Folder, draw: Draw) -> Told | None:
    if folder.form != "xlsx":
        return None
    name = draw(st.sampled_from(sorted(folder.grids)))
    row = draw(st.sampled_from(folder.rows(name)))
    line = folder.line_of(name, row)

    def change(book: Any) -> None:
        book[folder.rename.get(name, name)].row_dimensions[line].hidden = True

    folder.book_changes.append(change)
    return Told(name, words="hidden")


@_named(KEEPS, "a sheet that is hidden")
def _hidden_sheet(folder: Folder, draw: Draw) -> Told | None:
    if folder.form != "xlsx":
        return None
    name = draw(st.sampled_from(sorted(folder.grids)))
    state = draw(st.sampled_from(["hidden", "veryHidden"]))

    def change(book: Any) -> None:
        book[folder.rename.get(name, name)].sheet_state = state
        if all(sheet.sheet_state != "visible" for sheet in book):
            book.create_sheet("zz quux").append(["x"])
        book.active = next(n for n, sheet in enumerate(book) if sheet.sheet_state == "visible")

    folder.book_changes.append(change)
    return Told(name, words="hidden")


def _keys(folder: Folder) -> list[tuple[str, str]]:
    """Part and key of the numbers in plan.toml that nothing has changed."""
    return [
        (part, key)
        for part, keys in folder.config.items()
        if isinstance(keys, dict) and part != "tables"
        for key, value in keys.items()
        if _is_number(value)
    ]


@_named(KEEPS, "a key's number in quotes")
def _quoted_key(folder: Folder, draw: Draw) -> Told | None:
    found = [
        (p, k) for p, k in _keys(folder) if _suffix(k) and any(UNITS[_suffix(k)][0]) and k != "least_factor_12_in"
    ]  # has no unit
    if not found:
        return None
    part, key = draw(st.sampled_from(found))
    value = folder.config[part][key]
    folder.config[part][key] = f"{value}{draw(st.sampled_from(UNITS[_suffix(key)][0]))}"
    return Told("plan.toml", column=key, words="read as")


@_named(KEEPS, "sizes in quotes")
def _quoted_sizes(folder: Folder, draw: Draw) -> Told | None:
    sizes = folder.config["sizes"]["round_in"]
    free = [n for n, value in enumerate(sizes) if not isinstance(value, str)]
    if not free:
        return None
    n = draw(st.sampled_from(free))
    sizes[n] = f"{sizes[n]}{draw(st.sampled_from(UNITS['_in'][0]))}"
    return Told("plan.toml", column="round_in", words="read as")


@_named(KEEPS, "plan.toml in other bytes")
def _toml_bytes(folder: Folder, draw: Draw) -> Told | None:
    if folder.toml_patches:
        return None
    folder.toml_patches.append(
        draw(
            st.sampled_from(
                [
                    lambda data: b"\xef\xbb\xbf" + data,
                    lambda data: data.replace(b"\n", b"\r\n"),
                    lambda data: data.replace(b"\n", b"  # a remark\n"),
                    lambda data: data.replace(b" = ", b"="),
                    lambda data: b"\n\n" + data + b"\n\n",
                ]
            )
        )
    )
    return Told("plan.toml", silent=True)


@_named(KEEPS, "parts of plan.toml in another order")
def _toml_order(folder: Folder, draw: Draw) -> Told | None:
    name = folder.config.pop("name")
    parts = draw(st.permutations(sorted(folder.config)))
    folder.config = {"name": name, **{part: folder.config[part] for part in parts}}
    return Told("plan.toml", silent=True)


# ---- no plan any more ------------------------------------------------------------------------------------

GARBAGE = ("abc", "see plan", "TBD", "n/a", "-", "?", "..", "twelve", "#REF!", "#N/A", "#DIV/0!", "=A1", "'", "ft", "%")
# a price of - says that the product is not offered
_NO_DASH = tuple(g for g in GARBAGE if g != "-")


def _break_number(kind: str, values: Callable[[str, Draw], Any]) -> None:
    @_named(BREAKS, kind)
    def change(folder: Folder, draw: Draw) -> Told | None:
        return _put(folder, draw, _number_cell, lambda name, column, cell: values(column, draw), "{}")


def _other_unit(column: str, draw: Draw) -> Any:
    units = UNITS[_suffix(column)][1]
    return draw(st.sampled_from(units)) if units else "3 lb"


_break_number("words for a number", lambda column, draw: draw(st.sampled_from(_NO_DASH)))
_break_number(
    "letters for a number",
    lambda column, draw: draw(st.text("abcxyz#!?/ \u00e4\u4e2d", min_size=1, max_size=8).filter(str.strip)),
)
_break_number("another unit", _other_unit)


@_named(BREAKS, "a number shown in another unit")
def _shown_in_another(folder: Folder, draw: Draw) -> Told | None:
    picked = _pick(folder, draw, _number_cell) if folder.form == "xlsx" else None
    if picked is None:
        return None
    name, row, place, column = picked
    unit = _other_unit(column, draw).partition(" ")[2] or "lb"
    _show(
        folder,
        name,
        row,
        place,
        draw(st.sampled_from(['0.0# "%s"', '#,##0.00" %s";-0.0" %s"', "[$%s] 0"])).replace("%s", unit),
    )
    return Told(name, row, column, unit)


_break_number("a decimal comma", lambda column, draw: draw(st.sampled_from(["1,5", "0,25", "12,75", "1.200,5"])))
_break_number(
    "no finite number", lambda column, draw: draw(st.sampled_from(["nan", "NaN", "inf", "-Infinity", "1e999"]))
)
_break_number("beyond what is allowed", lambda column, draw: draw(st.sampled_from([9_000_000_000, "1e300", 99999999])))
_break_number("two numbers", lambda column, draw: draw(st.sampled_from(["12 14", "7-8", "7/8", "1..2", "5 ft 6"])))


@_named(BREAKS, "a negative number")
def _negative(folder: Folder, draw: Draw) -> Told | None:
    return _put(
        folder,
        draw,
        lambda name, column, cell: _number_cell(name, column, cell) and column not in NEGATIVE,
        lambda name, column, cell: draw(st.sampled_from([-1, -0.5, "-12"])),
        "{}",
    )


@_named(BREAKS, "true for a number")
def _true(folder: Folder, draw: Draw) -> Told | None:
    return _put(folder, draw, _number_cell, lambda name, column, cell: draw(st.booleans()), "")


@_named(BREAKS, "a date for a number")
def _date(folder: Folder, draw: Draw) -> Told | None:
    """What a spreadsheet program makes of 8-10."""
    day = draw(st.dates(datetime.date(1990, 1, 1), datetime.date(2040, 1, 1)))
    made: Any = datetime.datetime(day.year, day.month, day.day) if folder.form == "xlsx" else day.isoformat()
    return _put(folder, draw, _number_cell, lambda name, column, cell: made, day.isoformat())


@_named(BREAKS, "a date for a name")
def _date_name(folder: Folder, draw: Draw) -> Told | None:
    if folder.form != "xlsx":
        return None
    return _put(
        folder,
        draw,
        lambda name, column, cell: (name, column) in (*REFERENCES, *NAMES) and bool(cell),
        lambda name, column, cell: datetime.datetime(2026, 8, 10),
        "2026-08-10",
    )


@_named(BREAKS, "an error in a text")
def _error_text(folder: Folder, draw: Draw) -> Told | None:
    return _put(
        folder,
        draw,
        lambda name, column, cell: _text_cell(name, column, cell),
        lambda name, column, cell: draw(st.sampled_from(["#REF!", "#N/A", "#NAME?", "#VALUE!"])),
        "{}",
    )


@_named(BREAKS, "a formula without a result")
def _no_result(folder: Folder, draw: Draw) -> Told | None:
    if folder.form != "xlsx":
        return None
    told = _put(folder, draw, lambda name, column, cell: True, lambda *_: Formula(None), "=1+1")
    return told and Told(told.table, told.row, None, "=1+1")


@_named(BREAKS, "an empty cell where one is needed")
def _blank(folder: Folder, draw: Draw) -> Told | None:
    return _put(
        folder,
        draw,
        lambda name, column, cell: (
            (_number_cell(name, column, cell) and column not in BLANK and column != "roughness_ft")
            or (name, column) in (*NEEDED_CHOICES, *NAMES)
        ),
        lambda name, column, cell: draw(st.sampled_from([None, "", " ", "\u00a0"])),
        "",
    )


@_named(BREAKS, "an unknown choice")
def _unknown_choice(folder: Folder, draw: Draw) -> Told | None:
    return _put(
        folder,
        draw,
        lambda name, column, cell: (name, column) in CHOICES,
        lambda name, column, cell: draw(st.sampled_from(["maybe", "NNE", "0", "all", "none", "true"])),
        "{}",
    )


@_named(BREAKS, "neither yes nor no")
def _maybe(folder: Folder, draw: Draw) -> Told | None:
    return _put(
        folder,
        draw,
        lambda name, column, cell: (name, column) in FLAGS,
        lambda name, column, cell: draw(st.sampled_from(["maybe", "2", "x", "-1", "1.5"])),
        "{}",
    )


@_named(BREAKS, "an unknown name")
def _unknown_name(folder: Folder, draw: Draw) -> Told | None:
    return _put(
        folder,
        draw,
        lambda name, column, cell: (name, column) in REFERENCES and bool(cell),
        lambda name, column, cell: draw(st.sampled_from(["zz quux", "12", "none"])),
        "{}",
    )


@_named(BREAKS, "a name twice")
def _twice(folder: Folder, draw: Draw) -> Told | None:
    pairs = [(t, c) for t, c in NAMES if t in folder.grids and folder.column(t, c) >= 0]
    name, column = draw(st.sampled_from(pairs))
    place = folder.column(name, column)
    row = draw(st.sampled_from(folder.rows(name)))
    double = list(row)
    double[place] = draw(st.sampled_from([double[place], str(double[place]).upper(), f" {double[place]} "]))
    folder.grids[name].append(double)
    return Told(name, double, column)


@_named(BREAKS, "a row twice")
def _row_twice(folder: Folder, draw: Draw) -> Told | None:
    names = [
        n
        for n in ("airflow", "loads", "prices", "fitting_prices", "inner_diameters", "load_factors", "friction_tables")
        if n in folder.grids
    ]
    if not names:
        return None
    name = draw(st.sampled_from(names))
    row = draw(st.sampled_from(folder.rows(name)))
    double = list(row)
    folder.grids[name].append(double)
    return Told(name, double)


@_named(BREAKS, "a column that is gone")
def _no_column(folder: Folder, draw: Draw) -> Told | None:
    pairs = [(t, c) for t in folder.grids for c in NEEDED_COLUMNS.get(t, ()) if folder.column(t, c) >= 0]
    name, column = draw(st.sampled_from(pairs))
    place = folder.column(name, column)
    for row in folder.grids[name]:
        if place < len(row):
            row.pop(place)
    return Told(name, words=column)


@_named(BREAKS, "a column twice")
def _column_twice(folder: Folder, draw: Draw) -> Told | None:
    name = draw(st.sampled_from(sorted(folder.grids)))
    header = folder.header(name)
    place = draw(st.integers(0, len(header) - 1))
    if not squeezed(header[place]):
        return None
    spelled = draw(st.sampled_from([header[place], str(header[place]).upper(), f" {header[place]}"]))
    for row in folder.grids[name]:
        row += [None] * (len(header) - len(row))
        row.append(spelled if row is header else row[place] if row in folder.rows(name) else None)
    return Told(name, header, column=header[place])


@_named(BREAKS, "a column misspelt")
def _misspelt(folder: Folder, draw: Draw) -> Told | None:
    """A slip of a finger or two in the header of a column that may be left out."""
    pairs = [(t, c) for t in folder.grids for c in OPTIONAL_COLUMNS.get(t, ()) if folder.column(t, c) >= 0]
    if not pairs:
        return None
    name, column = draw(st.sampled_from(pairs))
    header, place = folder.header(name), folder.column(name, column)
    at = draw(st.integers(1, len(column) - 2))
    header[place] = draw(
        st.sampled_from(
            [
                column[:at] + column[at + 1 :] if column[at] != "_" else column + "s",
                column[:at] + "q" + column[at:],
                column.replace("_", "-") if "_" in column else column + "s",
            ]
        )
    )
    return Told(name, header, words=str(header[place]))


@_named(BREAKS, "a table that is gone")
def _no_table(folder: Folder, draw: Draw) -> Told | None:
    names = [n for n in NEEDED_TABLES if n in folder.grids and not (n == "surfaces" and "airflow" in folder.grids)]
    if "airflow" in names and "surfaces" in folder.grids:
        names.remove("airflow")
    if not names:
        return None
    name = draw(st.sampled_from(names))
    del folder.grids[name]
    renamed = folder.rename.pop(name, None)
    return Told("", words=renamed or ("airflow" if name in ("loads", "surfaces") else name))


@_named(BREAKS, "a table misspelt")
def _table_misspelt(folder: Folder, draw: Draw) -> Told | None:
    """prices as price, or a workbook's sheet with a letter too many: it must not pass for a table that is not given."""
    if folder.rename or "tables" in folder.config:
        return None
    name = draw(st.sampled_from(sorted(folder.grids)))
    at = draw(st.integers(1, len(name) - 1))
    folder.rename[name] = draw(st.sampled_from([name[:at] + name[at + 1 :], name[:at] + "x" + name[at:], name + "_"]))
    if squeezed(folder.rename[name]) == squeezed(name):
        folder.rename[name] = name + "es"
    return Told("", words=folder.rename[name])


@_named(BREAKS, "a cell too many")
def _too_many(folder: Folder, draw: Draw) -> Told | None:
    name = draw(st.sampled_from(sorted(folder.grids)))
    row = draw(st.sampled_from(folder.rows(name)))
    width = len(folder.header(name))
    row += [None] * (width - len(row))
    row.append("left over")
    return Told(name, row, words="left over")


@_named(BREAKS, "cells merged across columns")
def _merged_across(folder: Folder, draw: Draw) -> Told | None:
    if folder.form != "xlsx":
        return None
    name = draw(st.sampled_from(sorted(folder.grids)))
    row = draw(st.sampled_from(folder.rows(name)))
    line = folder.line_of(name, row)

    def change(book: Any) -> None:
        book[folder.rename.get(name, name)].merge_cells(start_row=line, end_row=line, start_column=1, end_column=2)

    folder.book_changes.append(change)
    return Told(name, row, words="merged")


@_named(BREAKS, "a quote too many")
def _quote(folder: Folder, draw: Draw) -> Told | None:
    name = _csv_table(folder, draw)
    if name is None or name in folder.quoting or name in folder.line_end:
        return None
    lines = len(folder.grids[name])

    def patch(data: bytes) -> bytes:
        parts = data.split(b"\n")
        parts[lines - 1] = b'"' + parts[lines - 1]
        return b"\n".join(parts)

    folder.patches.setdefault(name, []).append(patch)
    return Told(name, folder.grids[name][-1], words="CSV")


@_named(BREAKS, "bytes that are no text")
def _no_text(folder: Folder, draw: Draw) -> Told | None:
    name = _csv_table(folder, draw)
    if name is None:
        return None
    folder.patches.setdefault(name, []).append(lambda data: data + b"\x81\x8d\xff")
    return Told(name, words="text")


@_named(BREAKS, "a file that is no workbook")
def _no_workbook(folder: Folder, draw: Draw) -> Told | None:
    if folder.form != "xlsx":
        return None
    folder.extra["house.xlsx"] = draw(st.sampled_from([b"", b"PK\x03\x04", b"a,b\n1,2\n", b"\xd0\xcf\x11\xe0" * 99]))
    return Told("house.xlsx", words="workbook")


@_named(BREAKS, "a decimal comma behind semicolons")
def _semicolon_comma(folder: Folder, draw: Draw) -> Told | None:
    """Where cells are parted by semicolons, 1,200 may be one and a fifth."""
    picked = _pick(
        folder,
        draw,
        lambda name, column, cell: (
            folder.form == "csv"
            and folder.delimiter.get(name, ";") == ";"
            and _number_cell(name, column, cell)
            and not any("," in str(c) for c in folder.header(name))
        ),
    )
    if picked is None:
        return None
    name, row, place, column = picked
    folder.delimiter[name] = ";"
    row[place] = draw(st.sampled_from(["1,200", "1,5", "12,125", "1,200 ft"]))
    return Told(name, row, column, row[place])


def _break_key(kind: str, value: Callable[[str, Draw], Any]) -> None:
    @_named(BREAKS, kind)
    def change(folder: Folder, draw: Draw) -> Told | None:
        found = _keys(folder)
        part, key = draw(st.sampled_from(found))
        folder.config[part][key] = value(key, draw)
        return Told("plan.toml", column=key)


_break_key("words for a key", lambda key, draw: draw(st.sampled_from([*GARBAGE, "", " ", "1,5", "12 or so", "3 lb"])))
_break_key("a key of another type", lambda key, draw: draw(st.sampled_from([True, [], [5], ["a"], [[1, 2]]])))
_break_key(
    "a key beyond what is allowed",
    lambda key, draw: draw(st.sampled_from([float("nan"), float("inf"), -9e9, 10**12, 10**400, 1e308])),
)


@_named(BREAKS, "a key misspelt")
def _key_misspelt(folder: Folder, draw: Draw) -> Told | None:
    part, key = draw(st.sampled_from(_keys(folder)))
    new = draw(st.sampled_from([key.upper(), key.replace("_", "-"), key[:-1], key + "s", key.title()]))
    keys = folder.config[part]
    if new in keys or new == key:
        new = key + "zz"
    folder.config[part] = {(new if k == key else k): v for k, v in keys.items()}
    return Told("plan.toml", words=new)


@_named(BREAKS, "a part misspelt")
def _part_misspelt(folder: Folder, draw: Draw) -> Told | None:
    part = draw(st.sampled_from([p for p, v in folder.config.items() if isinstance(v, dict)]))
    new = draw(st.sampled_from([part.upper(), part[:-1], part + "s", part.title()]))
    folder.config = {(new if p == part else p): v for p, v in folder.config.items()}
    return Told("plan.toml", words=new)


@_named(BREAKS, "plan.toml that is none")
def _no_toml(folder: Folder, draw: Draw) -> Told | None:
    folder.toml_patches.append(
        draw(
            st.sampled_from(
                [
                    lambda data: data + b"\n[site\n",
                    lambda data: data + b"\n[pressure]\nsupply_inwc = 0.1\n",  # a part twice
                    lambda data: data.replace(b"\n", b"\nname = 5\n", 1),  # a key twice
                    lambda data: data + b"\nx = 1,5\n",
                    lambda data: data + b"\nx = \xff\n",
                    lambda data: data + b"\nx = 2026-08-10\n",
                    lambda data: data + b"\nx = " + b"[" * 5000 + b"\n",
                    lambda data: data + b"\nx = " + b"9" * 5000 + b"\n",
                    lambda data: data + b"\n\x00\n",
                    lambda data: data.decode().encode("utf-16"),
                    lambda data: b"",
                ]
            )
        )
    )
    return Told("plan.toml")


@_named(BREAKS, "a list in plan.toml that is none")
def _no_list(folder: Folder, draw: Draw) -> Told | None:
    key = draw(st.sampled_from(["front_faces", "mirrored", "seasons", "flex", "round_in", "rectangular_in"]))
    part = "sizes" if key.endswith("_in") else "variants"
    value = draw(st.sampled_from([5, "x", True, [], ["maybe"], [-1], [[]]]))
    folder.config.setdefault(part, {})[key] = value
    return Told("plan.toml", column=key)
