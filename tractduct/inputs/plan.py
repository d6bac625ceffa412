"""A plan folder to one checked object."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from tractduct.errors import Fault, InputFaults
from tractduct.findings import Finding, Severity
from tractduct.inputs import schema
from tractduct.inputs.cells import (
    ALL_ROOMS,
    NOT_OFFERED,
    CellProblem,
    believable,
    key_of,
    nearest,
    parse_choice,
    parse_fittings,
    parse_flag,
    parse_number,
    parse_rooms,
    parse_size,
)
from tractduct.inputs.schema import FLEX, Field
from tractduct.inputs.sizes import Size, rectangular_size, round_size
from tractduct.inputs.tables import RawTable, Row, TableFault, header_key, read_table, sheet_names

T = TypeVar("T")
PLAN_FILE = "plan.toml"


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitting:
    """A fitting by plain name. ``loss_coefficient`` is a part of the section's velocity pressure."""

    name: str
    equivalent_length_ft: float = 0.0
    loss_coefficient: float = 0.0
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Duct:
    """A duct product. ``kind`` is rigid or flex; derate and compression in per cent."""

    name: str
    kind: str
    roughness_ft: float
    airflow_derate_pct: float = 0.0
    compression_pct: float = 0.0
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """One section of the duct tree, before it is sized.

    ``duct`` names a rigid duct, or is ``flex``. ``rooms`` holds ``*`` for a return of all rooms; empty where
    the section only feeds others. ``season`` is the one season in which a run is open, or empty.
    ``min_in`` and ``max_in`` bound the equivalent diameter; ``fixed`` is a size's label.
    """

    name: str
    parent: str = ""
    side: str = "supply"
    role: str = "branch"
    duct: str = FLEX
    shape: str = "round"
    length_ft: float = 0.0
    fittings: tuple[tuple[str, int], ...] = ()
    rooms: tuple[str, ...] = ()
    share: float | None = None
    season: str = ""
    min_in: float = 0.0
    max_in: float = math.inf
    fixed: str = ""

    @property
    def kind(self) -> str:
        return "flex" if self.duct == FLEX else "rigid"

    @property
    def is_run(self) -> bool:
        """True where a register or grille ends it, so that a path ends here."""
        return bool(self.rooms)


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A plan as read and checked: everything that a study needs.

    Attributes
    ----------
    airflow_cfm : (n_face, n_mirrored, n_season, n_room)
        What each room needs.
    prices : by (duct, size label), USD a foot; None where that duct is not offered in that size. Empty: no
        prices are given.
    fixed_sizes : the standard sizes, round ones first
    findings : what reading the plan showed
    """

    name: str
    folder: Path
    front_faces: tuple[str, ...]
    mirrored: tuple[bool, ...]
    seasons: tuple[str, ...]
    flex: tuple[str, ...]
    rooms: tuple[str, ...]
    airflow_cfm: NDArray[np.float64]
    sections: tuple[Section, ...]
    fittings: Mapping[str, Fitting]
    ducts: Mapping[str, Duct]
    prices: Mapping[tuple[str, str], float | None] = field(default_factory=dict)
    sizes: tuple[Size, ...]
    elevation_ft: float = 0.0
    air_temperature_f: float = 70.0
    supply_inwc: float = 0.10
    return_inwc: float = 0.05
    velocity_limits_fpm: Mapping[str, float]
    standardize_within_pct: float = 5.0
    max_distinct_sizes: int = 0
    findings: tuple[Finding, ...] = ()

    def velocity_limit_fpm(self, section: Section) -> float:
        """The highest velocity of a section by its side, role and kind."""
        side = "return_" if section.side == "return" else ""
        return self.velocity_limits_fpm[f"{side}{section.role}_{section.kind}_fpm"]

    def available_inwc(self, side: str) -> float:
        """What the ducts of a side may lose."""
        return self.return_inwc if side == "return" else self.supply_inwc

    def duct_of(self, section: Section, flex: str) -> Duct:
        """The product that a section is made of in a variant with that flex."""
        return self.ducts[flex if section.duct == FLEX else section.duct]

    def equivalent_lengths_ft(self, section: Section) -> float:
        """Sum of the equivalent lengths of a section's fittings."""
        return sum(self.fittings[name].equivalent_length_ft * n for name, n in section.fittings)

    def loss_coefficients(self, section: Section) -> float:
        """Sum of the loss coefficients of a section's fittings."""
        return sum(self.fittings[name].loss_coefficient * n for name, n in section.fittings)


def load_plan(path: str | Path) -> Plan:
    """Read a plan folder (or its plan.toml) and check all of it.

    Raises InputFaults with every fault that was found.
    """
    return _Reader(Path(path)).read()


class _Reader:
    """Collects faults while it reads, so that one pass reports them all."""

    def __init__(self, path: Path) -> None:
        self.folder = path if path.is_dir() or path.suffix.casefold() != ".toml" else path.parent
        self.plan_file = path if path.suffix.casefold() == ".toml" else path / PLAN_FILE
        self.faults: list[Fault] = []
        self.findings: list[Finding] = []
        self.config: dict[str, Any] = {}
        self.unread: set[str] = set()  # tables that could not be read: what hangs on them is not checked

    # -- helpers -----------------------------------------------------------------------------------

    def fault(self, file: str, problem: str, remedy: str, **place: Any) -> None:
        self.faults.append(Fault(file=file, problem=problem, remedy=remedy, **place))

    def cell_fault(self, table: RawTable, row: Row, column: str, problem: str, remedy: str) -> None:
        self.fault(
            table.label,
            problem,
            remedy,
            row=row.number,
            column=table.spelling(column),
            value=row.text(column) or None,
        )

    def parsed(self, table: RawTable, row: Row, column: str, parse: Callable[[str], T]) -> T | None:
        """What a parser makes of a cell; None, and a fault, where it can't."""
        try:
            return parse(row.text(column))
        except CellProblem as problem:
            self.cell_fault(table, row, column, problem.problem, problem.remedy)
            return None

    def unusual(self, place: str, column: str, field: Field, value: float) -> None:
        if not believable(field, value) and field.usual:
            low, high = field.usual
            self.findings.append(
                Finding(
                    severity=Severity.CAUTION,
                    rule="believable input",
                    subject=f"{place}, '{column}'",
                    message=f"{value:g} {field.unit} is outside the usual {low:g} to {high:g}",
                    advice=(field.hint[:1].upper() + field.hint[1:].rstrip("?")) or "Check the value",
                )
            )

    def number(self, table: RawTable, row: Row, field: Field) -> float | None:
        """A number cell by its declaration; the default where blank is allowed; None, and a fault, else."""
        text = row.text(field.name)
        if not text:
            if field.blank:
                return field.default if isinstance(field.default, float) else None
            self.cell_fault(
                table,
                row,
                field.name,
                "the cell is empty; " + f"expected {_allowed(field)}",
                "Enter the value",
            )
            return None
        value = self.parsed(table, row, field.name, lambda t: parse_number(field, t))
        if value is not None:
            self.unusual(f"{table.label}, row {row.number}", field.name, field, value)
        return value

    def choice(self, table: RawTable, row: Row, field: Field) -> str:
        """A choice cell; the default where it is blank or not understood."""
        default = str(field.default or "")
        text = row.text(field.name)
        if not text and field.blank:
            return default
        if not text:
            self.cell_fault(
                table,
                row,
                field.name,
                f"the cell is empty; expected one of {', '.join(field.choices)}",
                "Pick one of them",
            )
            return default
        return self.parsed(table, row, field.name, lambda t: parse_choice(field, t)) or default

    def text(self, table: RawTable, row: Row, field: Field) -> str:
        value = row.text(field.name)
        if not value and not field.blank:
            self.cell_fault(table, row, field.name, "the cell is empty", "Enter the name")
        return value

    # -- the whole ---------------------------------------------------------------------------------

    def read(self) -> Plan:
        if not self.read_config():
            raise InputFaults(self.faults)
        sizes = self.sizes()
        tables = {t.name: self.table(t) for t in schema.TABLES}
        fittings = self.fittings(tables["fittings"])
        ducts = self.ducts(tables["ducts"])
        sections, places = self.sections(tables["sections"], fittings, ducts, sizes)
        faces, mirrored, seasons, rooms, airflow = self.airflow(tables["airflow"])
        flex = self.flex(ducts)
        prices = self.prices(tables["prices"], ducts)
        if not {"airflow", "sections"} & self.unread:
            self.match_rooms(tables, sections, places, rooms, airflow, seasons)
        if prices and not {"sections", "ducts"} & self.unread:
            self.match_prices(tables["prices"], sections, flex, sizes, prices)
        name = self.config.get("name")
        if not isinstance(name, str) or not name.strip():
            self.fault(PLAN_FILE, "the plan has no name", 'Write name = "..." in its first line')
            name = ""
        site = self.keys("site")
        pressure = self.keys("pressure")
        limits = self.keys("limits")
        objective = self.keys("objective")
        if self.faults:
            raise InputFaults(self.faults)
        return Plan(
            name=name.strip(),
            folder=self.folder,
            front_faces=faces,
            mirrored=mirrored,
            seasons=seasons,
            flex=flex,
            rooms=rooms,
            airflow_cfm=airflow,
            sections=sections,
            fittings=fittings,
            ducts=ducts,
            prices=prices,
            sizes=sizes,
            elevation_ft=site["elevation_ft"],
            air_temperature_f=site["air_temperature_f"],
            supply_inwc=pressure["supply_inwc"],
            return_inwc=pressure["return_inwc"],
            velocity_limits_fpm=limits,
            standardize_within_pct=objective["standardize_within_pct"],
            max_distinct_sizes=int(objective["max_distinct_sizes"]),
            findings=tuple(self.findings),
        )

    # -- plan.toml ---------------------------------------------------------------------------------

    def read_config(self) -> bool:
        label = self.plan_file.name
        try:
            self.config = tomllib.loads(self.plan_file.read_bytes().decode("utf-8-sig"))
        except FileNotFoundError:
            self.fault(
                str(self.plan_file),
                "there is no such file",
                "Give the plan's folder, or make one with: tractduct new DIR",
            )
        except NotADirectoryError:
            self.fault(
                str(self.plan_file.parent),
                "this is a file, not a plan folder",
                f"Give the folder that holds {PLAN_FILE}",
            )
        except OSError as error:
            self.fault(
                str(self.plan_file), f"it can't be read ({error.strerror or error})", "Check who may read it"
            )
        except UnicodeDecodeError:
            self.fault(label, "it is not UTF-8 text", "Save it as plain text in UTF-8")
        except tomllib.TOMLDecodeError as error:
            self.fault(label, f"it is not valid TOML ({error})", "Correct that line")
        if self.faults:
            return False
        known_tables = [t for t in schema.KEYS if t]
        for key, value in self.config.items():
            if isinstance(value, dict):
                if key not in schema.KEYS:
                    self.fault(
                        label, f"[{key}] is not a part of a plan", nearest(key, known_tables), value=key
                    )
                    continue
                known = [f.name for f in schema.KEYS[key]]
                for inner in value:
                    if inner not in known:
                        self.fault(
                            label, f"[{key}] has no key of this name", nearest(inner, known), value=inner
                        )
            elif key in known_tables:
                self.fault(
                    label,
                    f"[{key}] must be a part with keys of its own",
                    f"Write [{key}] on a line",
                    value=key,
                )
            elif key != "name":
                self.fault(
                    label,
                    "there is no key of this name outside the bracketed parts",
                    nearest(key, ["name", *known_tables]),
                    value=key,
                )
        return True

    def part(self, name: str) -> dict[str, Any]:
        part = self.config.get(name, {})
        return part if isinstance(part, dict) else {}

    def keys(self, part_name: str) -> dict[str, float]:
        """The numbers of one part of plan.toml, with defaults for what is not given."""
        values: dict[str, float] = {}
        for key in schema.KEYS[part_name]:
            if key.kind != "number":
                continue
            given = self.part(part_name).get(key.name)
            values[key.name] = key.default if isinstance(key.default, float) else math.nan
            if given is not None:
                number = self.key_number(part_name, key, given)
                values[key.name] = values[key.name] if number is None else number
        return values

    def key_number(self, part_name: str, key: Field, given: Any) -> float | None:
        where = f"[{part_name}] {key.name}"
        try:
            if isinstance(given, bool):
                raise CellProblem(f"expected {_allowed(key)}", "Enter a number")
            value = parse_number(key, str(given))
        except CellProblem as problem:
            self.fault(self.plan_file.name, problem.problem, problem.remedy, column=where, value=str(given))
            return None
        self.unusual(self.plan_file.name, where, key, value)
        return value

    def listed(self, part_name: str, key: str) -> list[Any] | None:
        """A list in plan.toml; None where it is not given."""
        value = self.part(part_name).get(key)
        if value is None:
            return None
        if not isinstance(value, list) or not value:
            self.fault(
                self.plan_file.name,
                "expected a list with at least one entry",
                f"Write {key} = [ ... ], or leave the key out",
                column=f"[{part_name}] {key}",
                value=str(value),
            )
            return None
        return value

    def sizes(self) -> tuple[Size, ...]:
        """The standard sizes: round ones by diameter, then rectangular ones as listed by equivalent diameter."""
        bounds = schema.KEYS["sizes"][0]
        found: dict[str, Size] = {}

        def side(value: Any, where: str) -> float | None:
            try:
                if isinstance(value, bool):
                    raise CellProblem(f"expected {_allowed(bounds)}", "Enter a number")
                return parse_number(bounds, str(value))
            except CellProblem as problem:
                remedy = "Is this in millimetres" if "to 60" in problem.problem else problem.remedy
                self.fault(self.plan_file.name, problem.problem, remedy, column=where, value=str(value))
                return None

        def add(size: Size, where: str) -> None:
            if size.label in found:
                self.fault(
                    self.plan_file.name,
                    "this size stands twice",
                    "Remove one",
                    column=where,
                    value=size.label,
                )
            found[size.label] = size

        for value in self.listed("sizes", "round_in") or schema.DEFAULT_ROUND_IN:
            diameter = side(value, "[sizes] round_in")
            if diameter is not None:
                add(round_size(diameter), "[sizes] round_in")
        for pair in self.listed("sizes", "rectangular_in") or []:
            where = "[sizes] rectangular_in"
            if not isinstance(pair, list) or len(pair) != 2:
                self.fault(
                    self.plan_file.name,
                    "expected pairs of width and height",
                    "Write [[8, 8], [8, 10]]",
                    column=where,
                    value=str(pair),
                )
                continue
            width, height = side(pair[0], where), side(pair[1], where)
            if width is not None and height is not None:
                add(rectangular_size(width, height), where)
        return tuple(sorted(found.values(), key=lambda s: (s.shape != "round", s.diameter_in, s.label)))

    # -- tables ------------------------------------------------------------------------------------

    def table(self, spec: schema.TableSchema) -> RawTable | None:
        """One table, its headers checked; None where it is not given or can't be read."""
        named = self.part("tables")
        name = "loads" if spec.name == "airflow" and "loads" in named else spec.name
        given = named.get(name)
        if given is not None and not isinstance(given, str):
            self.fault(
                self.plan_file.name,
                "expected a file name",
                'Write "file.csv" or "book.xlsx#Sheet"',
                column=f"[tables] {name}",
                value=str(given),
            )
            self.unread.add(spec.name)
            return None
        names = (spec.name, "loads") if spec.name == "airflow" and name != "loads" else (name,)
        try:
            place = self.locate(names, given)
            if place is None:
                if spec.required:
                    self.fault(
                        f"{spec.name}.csv",
                        f"the plan has no {spec.name} table",
                        f"Add {spec.name}.csv or a workbook with a sheet '{spec.name}' beside {PLAN_FILE}",
                    )
                    self.unread.add(spec.name)
                return None
            table = read_table(spec.name, *place)
        except TableFault as problem:
            self.faults.append(problem.fault)
            self.unread.add(spec.name)
            return None
        self.faults.extend(table.faults)
        if not self.check_headers(table, spec):
            self.unread.add(spec.name)
            return None
        if not table.rows:
            self.fault(table.label, "the table has a header and no rows", "Fill it in")
            self.unread.add(spec.name)
            return None
        return table

    def locate(self, names: Iterable[str], given: str | None) -> tuple[Path, str | None, str] | None:
        """Path, sheet and label of a table; None where nothing of that name is there."""
        if given is not None:
            file, _, sheet = given.partition("#")
            path = self.folder / file
            if not path.resolve().is_relative_to(self.folder.resolve()):
                raise TableFault(
                    Fault(
                        file=self.plan_file.name,
                        value=given,
                        problem="the file lies outside the plan folder",
                        remedy="Put it into the plan folder",
                    )
                )
            return path, sheet or None, _label(file, sheet)
        for name in names:
            if (self.folder / f"{name}.csv").is_file():
                return self.folder / f"{name}.csv", None, f"{name}.csv"
        books = [p for p in sorted(self.folder.glob("*.xlsx")) if not p.name.startswith(("~", "."))]
        for book in books:
            for sheet in sheet_names(book):
                if header_key(sheet) in {header_key(n) for n in names}:
                    return book, sheet, _label(book.name, sheet)
        return None

    def check_headers(self, table: RawTable, spec: schema.TableSchema) -> bool:
        """Missing columns are faults, unknown ones findings. True where the table can be read on."""
        known = {header_key(f.name): f.name for f in spec.fields}
        wide = spec.name == "airflow" and _is_wide(table)
        for key, spelled in table.headers.items():
            if key not in known and not (wide and _wide_column(spelled)):
                self.findings.append(
                    Finding(
                        severity=Severity.CAUTION,
                        rule="unknown column",
                        subject=table.label,
                        message=f"column '{spelled}' is not one of this table's and is not read",
                        advice=nearest(spelled, known.values()),
                    )
                )
        missing = [f.name for f in spec.fields if f.required and not table.has(f.name)]
        for name in missing:
            self.fault(
                table.label, f"the column '{name}' is missing", f"Add it: {spec.field(name).meaning}", row=1
            )
        return not missing

    def once(self, seen: dict[str, int], table: RawTable, row: Row, column: str, name: str) -> bool:
        """True where a name stands for the first time; a fault names the row where it stood before."""
        first = seen.setdefault(key_of(name), row.number)
        if first != row.number:
            self.cell_fault(
                table,
                row,
                column,
                f"this name stands already in row {first}",
                "Give each its own name, or remove one",
            )
        return first == row.number

    def fittings(self, table: RawTable | None) -> dict[str, Fitting]:
        spec = schema.FITTINGS
        found: dict[str, Fitting] = {}
        seen: dict[str, int] = {}
        for row in table.rows if table else ():
            assert table is not None
            name = self.text(table, row, spec.field("fitting"))
            length = self.number(table, row, spec.field("equivalent_length_ft"))
            coefficient = self.number(table, row, spec.field("loss_coefficient"))
            if not row.text("equivalent_length_ft") and not row.text("loss_coefficient"):
                self.cell_fault(
                    table,
                    row,
                    "equivalent_length_ft",
                    "the fitting has neither an equivalent length nor a loss coefficient",
                    "Enter one of them, 0 where it loses nothing",
                )
            if any(c in name for c in "+*"):
                self.cell_fault(table, row, "fitting", "a fitting's name can't hold + or *", "Rename it")
            elif name and self.once(seen, table, row, "fitting", name):
                found[name] = Fitting(
                    name=name,
                    equivalent_length_ft=length or 0.0,
                    loss_coefficient=coefficient or 0.0,
                    source=row.text("source"),
                )
        return found

    def ducts(self, table: RawTable | None) -> dict[str, Duct]:
        spec = schema.DUCTS
        found: dict[str, Duct] = {}
        seen: dict[str, int] = {}
        for row in table.rows if table else ():
            assert table is not None
            name = self.text(table, row, spec.field("duct"))
            kind = self.choice(table, row, spec.field("kind"))
            roughness = self.number(table, row, spec.field("roughness_ft"))
            derate = self.number(table, row, spec.field("airflow_derate_pct"))
            compression = self.number(table, row, spec.field("compression_pct"))
            if key_of(name) == FLEX:
                self.cell_fault(
                    table,
                    row,
                    "duct",
                    f"'{FLEX}' stands for whichever flex is delivered",
                    "Give the product a name of its own",
                )
            elif kind == "rigid" and compression:
                self.cell_fault(
                    table, row, "compression_pct", "a rigid duct can't be compressed", "Leave the cell empty"
                )
            elif name and self.once(seen, table, row, "duct", name):
                found[name] = Duct(
                    name=name,
                    kind=kind,
                    roughness_ft=roughness or 0.0,
                    airflow_derate_pct=derate or 0.0,
                    compression_pct=compression or 0.0,
                    source=row.text("source"),
                )
        return found

    def sections(
        self,
        table: RawTable | None,
        fittings: Mapping[str, Fitting],
        ducts: Mapping[str, Duct],
        sizes: tuple[Size, ...],
    ) -> tuple[tuple[Section, ...], dict[str, Row]]:
        """The sections, parents before children, and the row of each."""
        found: dict[str, Section] = {}
        places: dict[str, Row] = {}
        if table is None:
            return (), places
        spec = schema.SECTIONS
        seen: dict[str, int] = {}
        names = {key_of(row.text("section")): row.text("section") for row in table.rows}
        fitting_names = {key_of(name): name for name in fittings}
        duct_names = {key_of(name): name for name in ducts}
        for row in table.rows:
            name = self.text(table, row, spec.field("section"))
            if not name or not self.once(seen, table, row, "section", name):
                continue
            shape = self.choice(table, row, spec.field("shape"))
            rooms = self.parsed(table, row, "room", parse_rooms) or ()
            side = self.choice(table, row, spec.field("side"))
            if side != "return" and (len(rooms) > 1 or ALL_ROOMS in rooms):
                self.cell_fault(
                    table,
                    row,
                    "room",
                    "a supply run ends in one room",
                    "Name one room; only a return may serve several",
                )
            low, high, fixed = self.size_bounds(table, row, shape, sizes)
            found[name] = Section(
                name=name,
                parent=self.parent(table, row, names),
                side=side,
                role=self.choice(table, row, spec.field("role")),
                duct=self.duct(table, row, duct_names, ducts, shape),
                shape=shape,
                length_ft=self.number(table, row, spec.field("length_ft")) or 0.0,
                fittings=self.section_fittings(table, row, fitting_names),
                rooms=rooms,
                share=self.number(table, row, spec.field("share")),
                season=self.choice(table, row, spec.field("season")),
                min_in=low,
                max_in=high,
                fixed=fixed,
            )
            places[name] = row
        return self.in_tree_order(table, found, places), places

    def parent(self, table: RawTable, row: Row, names: Mapping[str, str]) -> str:
        parent = row.text("parent")
        if parent and key_of(parent) not in names:
            self.cell_fault(
                table,
                row,
                "parent",
                "there is no section of this name",
                nearest(parent, names.values()) + ", or leave it empty at the air handler",
            )
            return ""
        return names[key_of(parent)] if parent else ""

    def duct(
        self, table: RawTable, row: Row, duct_names: Mapping[str, str], ducts: Mapping[str, Duct], shape: str
    ) -> str:
        name = self.text(table, row, schema.SECTIONS.field("duct"))
        if key_of(name) == FLEX:
            if shape == "rectangular":
                self.cell_fault(table, row, "shape", "flex is round", "Make it round, or name a rigid duct")
            if "ducts" not in self.unread and not any(d.kind == "flex" for d in ducts.values()):
                self.cell_fault(table, row, "duct", "the ducts table holds no flex product", "Add one there")
            return FLEX
        if name and "ducts" not in self.unread:
            if key_of(name) not in duct_names:
                self.cell_fault(
                    table,
                    row,
                    "duct",
                    "there is no duct of this name",
                    nearest(name, [FLEX, *duct_names.values()]),
                )
                return FLEX
            name = duct_names[key_of(name)]
            if ducts[name].kind == "flex":
                self.cell_fault(
                    table,
                    row,
                    "duct",
                    "a section names a rigid duct, or flex for whichever is delivered",
                    f"Write {FLEX}; [variants] flex names the approved products",
                )
        return name

    def section_fittings(
        self, table: RawTable, row: Row, known: Mapping[str, str]
    ) -> tuple[tuple[str, int], ...]:
        if not row.text("fittings"):
            return ()
        parts = self.parsed(table, row, "fittings", parse_fittings) or []
        if "fittings" in self.unread:
            return ()
        good = []
        for name, count in parts:
            if key_of(name) in known:
                good.append((known[key_of(name)], count))
            else:
                self.cell_fault(
                    table,
                    row,
                    "fittings",
                    f"there is no fitting named '{name}'",
                    nearest(name, known.values()),
                )
        return tuple(good)

    def size_bounds(
        self, table: RawTable, row: Row, shape: str, sizes: tuple[Size, ...]
    ) -> tuple[float, float, str]:
        """Bounds on the equivalent diameter and the label of a fixed size."""
        standard = {s.label: s for s in sizes if s.shape == shape}
        if not standard:
            if sizes:
                self.cell_fault(
                    table,
                    row,
                    "shape",
                    f"the plan lists no {shape} sizes",
                    "List them in [sizes] of plan.toml",
                )
            return 0.0, math.inf, ""
        bounds = {"min_in": 0.0, "max_in": math.inf}
        fixed = ""
        for column in ("min_in", "max_in", "fixed_in"):
            if not row.text(column):
                continue
            value = self.parsed(table, row, column, parse_size)
            if value is None:
                continue
            size = round_size(value) if isinstance(value, float) else rectangular_size(*value)
            loose = shape == "rectangular" and size.shape == "round" and column != "fixed_in"
            if not loose and size.label not in standard:
                self.cell_fault(
                    table,
                    row,
                    column,
                    f"this is not a standard {shape} size of the plan: " + ", ".join(standard),
                    "Use one of them, or add it to [sizes] in plan.toml",
                )
            elif column == "fixed_in":
                fixed = size.label
            else:
                bounds[column] = size.diameter_in
        if bounds["min_in"] > bounds["max_in"]:
            self.cell_fault(
                table,
                row,
                "min_in",
                f"it is larger than max_in, {row.text('max_in')}",
                "Swap or correct them",
            )
        if fixed and not bounds["min_in"] <= standard[fixed].diameter_in <= bounds["max_in"]:
            self.cell_fault(table, row, "fixed_in", "it lies outside min_in to max_in", "Correct one of them")
        return bounds["min_in"], bounds["max_in"], fixed

    def in_tree_order(
        self, table: RawTable, found: dict[str, Section], places: dict[str, Row]
    ) -> tuple[Section, ...]:
        """Parents before children, in the order of the table where possible; loops and dead ends are faults."""
        ordered: dict[str, Section] = {}
        left = dict(found)
        grew = True
        while grew:
            grew = False
            for section in list(left.values()):
                if not section.parent or section.parent in ordered:
                    ordered[section.name] = left.pop(section.name)
                    grew = True
        for name, section in left.items():
            loop = _walk_up(name, found)
            if name in loop:
                self.cell_fault(
                    table,
                    places[name],
                    "parent",
                    "the parents go round in a loop: " + " > ".join([*loop, name]),
                    "Let one of them join the air handler",
                )
            elif section.parent in found:
                self.cell_fault(
                    table,
                    places[name],
                    "parent",
                    "this section hangs on a loop of parents and never reaches the air handler",
                    "Correct the parents",
                )
        parents = {s.parent for s in found.values()}
        for name, section in found.items():
            row = places[name]
            if not section.is_run and name not in parents:
                self.cell_fault(
                    table,
                    row,
                    "room",
                    "this section ends nowhere: it has no room and no section names it as its parent",
                    "Name its room, or remove it",
                )
            if not section.is_run and section.season:
                self.cell_fault(
                    table,
                    row,
                    "season",
                    "only a run that ends in a room can be shut",
                    "Set the season of the runs beyond it",
                )
            if section.parent in found and found[section.parent].side != section.side:
                self.cell_fault(
                    table,
                    row,
                    "side",
                    f"its parent is on the {found[section.parent].side} side",
                    "Supply and return are separate trees: correct side or parent",
                )
        return tuple(ordered.values())

    # -- airflow -----------------------------------------------------------------------------------

    def airflow(
        self, table: RawTable | None
    ) -> tuple[tuple[str, ...], tuple[bool, ...], tuple[str, ...], tuple[str, ...], NDArray[np.float64]]:
        """Faces, mirrored, seasons, rooms and the airflow of each (axes in that order, seasons third)."""
        nothing: NDArray[np.float64] = np.zeros((0, 0, 0, 0))
        if table is None:
            return (), (), (), (), nothing
        values, rooms, is_load = self.airflow_cells(table)
        if not values:
            if not self.faults:
                self.fault(table.label, "the table holds no airflow", "Fill it in")
            return (), (), (), tuple(rooms.values()), nothing
        held_faces = [f for f in schema.FACES if any(k[0] == f for k in values)]
        held_mirrored = sorted({k[1] for k in values})
        held_seasons = [s for s in schema.SEASONS if any(k[3] == s for k in values)]
        faces = self.chosen("front_faces", held_faces, _face, table)
        mirrored = self.chosen("mirrored", held_mirrored, _flag, table)
        seasons = self.chosen("seasons", held_seasons, _season, table)
        airflow = np.full((len(faces), len(mirrored), len(seasons), len(rooms)), np.nan)
        for i, face in enumerate(faces):
            for j, mirror in enumerate(mirrored):
                for n, (room, spelled) in enumerate(rooms.items()):
                    absent = [s for s in seasons if (face, mirror, room, s) not in values]
                    if absent and (face, mirror, room) not in self.bad_airflow:
                        turned = " mirrored" if mirror else ""
                        self.fault(
                            table.label,
                            f"room '{spelled}' has no {' or '.join(absent)} airflow for "
                            f"front facing {face}{turned}",
                            "Add that row, or leave that face or season out of [variants]",
                        )
                    for k, season in enumerate(seasons):
                        airflow[i, j, k, n] = values.get((face, mirror, room, season), np.nan)
        if is_load:
            airflow = self.shared_out(table, airflow, seasons)
        return faces, mirrored, seasons, tuple(rooms.values()), airflow

    def airflow_cells(
        self, table: RawTable
    ) -> tuple[dict[tuple[str, bool, str, str], float], dict[str, str], bool]:
        """Values by (face, mirrored, room key, season), room spellings by key, and whether they are loads."""
        spec = schema.AIRFLOW
        flow = {"heating": "heating_cfm", "cooling": "cooling_cfm"}
        load = {"heating": "heating_btuh", "cooling": "sensible_cooling_btuh"}
        self.bad_airflow: set[tuple[str, bool, str]] = set()
        values: dict[tuple[str, bool, str, str], float] = {}
        rooms: dict[str, str] = {}
        wide = _is_wide(table)
        columns: list[tuple[str | None, str, str]] = []  # face (None: in the row), season, header
        if wide:
            for spelled in table.headers.values():
                parts = _wide_column(spelled)
                if parts:
                    columns += [
                        (parts[0], s, spelled)
                        for names in (flow, load)
                        for s, n in names.items()
                        if n == parts[1]
                    ]
        else:
            columns = [(None, s, n) for names in (flow, load) for s, n in names.items() if table.has(n)]
            if not table.has("front_faces"):
                self.fault(
                    table.label,
                    "the column 'front_faces' is missing",
                    f"Add it: {spec.field('front_faces').meaning}",
                    row=1,
                )
                return values, rooms, False
        is_load = any(_quantity(c[2]).endswith("btuh") for c in columns)
        if not columns:
            self.fault(
                table.label,
                "there is no airflow column",
                "Add heating_cfm and cooling_cfm, or heating_btuh and sensible_cooling_btuh",
                row=1,
            )
        elif is_load and any(_quantity(c[2]).endswith("cfm") for c in columns):
            self.fault(
                table.label,
                "there are columns of airflow and of load",
                "Keep heating_cfm and cooling_cfm, or heating_btuh and sensible_cooling_btuh",
                row=1,
            )
            return values, rooms, False
        wanted = self.listed("variants", "seasons") or []
        for season in [s for s in schema.SEASONS if s in wanted and s not in {c[1] for c in columns}]:
            names = load if is_load else flow
            self.fault(
                table.label,
                f"the column '{names[season]}' is missing",
                "Add it, or leave that season out of [variants] in plan.toml",
                row=1,
            )
        seen: dict[tuple[str | None, bool, str], int] = {}
        for row in table.rows:
            room = self.text(table, row, spec.field("room"))
            face = None if wide else self.choice(table, row, spec.field("front_faces"))
            mirror = self.parsed(table, row, "mirrored", parse_flag) if row.text("mirrored") else False
            if not room or face == "" or mirror is None:
                continue
            if room == ALL_ROOMS or ";" in room:
                self.cell_fault(table, row, "room", "a room's name can't be * or hold ;", "Rename it")
                continue
            first = seen.setdefault((face, mirror, key_of(room)), row.number)
            if first != row.number:
                self.cell_fault(
                    table,
                    row,
                    "room",
                    f"this room stands already in row {first} for the same front face and mirror",
                    "Remove one of the two rows",
                )
                continue
            rooms.setdefault(key_of(room), room)
            for column_face, season, header in columns:
                field = spec.field(_quantity(header))
                named = _renamed(field, header)
                value = self.number(table, row, named)
                facing = column_face or face or ""
                if value is None:
                    self.bad_airflow.add((facing, mirror, key_of(room)))
                else:
                    values[facing, mirror, key_of(room), season] = value
        return values, rooms, is_load

    def chosen(
        self, key: str, held: list[T], parse: Callable[[Any], T | None], table: RawTable
    ) -> tuple[T, ...]:
        """What [variants] asks for, each of which the airflow table must hold; all that it holds by default."""
        wanted = self.listed("variants", key)
        if wanted is None:
            return tuple(held)
        chosen: list[T] = []
        for given in wanted:
            value = parse(given)
            where = f"[variants] {key}"
            if value is None:
                self.fault(
                    self.plan_file.name,
                    f"this is not one of the {key} a plan can have",
                    "Known: " + ", ".join(_toml(h) for h in held),
                    column=where,
                    value=str(given),
                )
            elif value not in held:
                self.fault(
                    table.label,
                    f"there is no airflow for {key} = {_toml(value)}, which plan.toml asks for",
                    f"Add its rows or columns, or leave it out of {where}",
                )
            elif value in chosen:
                self.fault(
                    self.plan_file.name, "it stands twice", "Remove one", column=where, value=str(given)
                )
            else:
                chosen.append(value)
        return tuple(chosen)

    def shared_out(
        self, table: RawTable, loads: NDArray[np.float64], seasons: tuple[str, ...]
    ) -> NDArray[np.float64]:
        """The blower's airflow shared by each room's part of the season's load."""
        total = np.nansum(loads, axis=3, keepdims=True)
        keys = {f.name: f for f in schema.KEYS["blower"]}
        flow = np.zeros(len(seasons))
        for k, season in enumerate(seasons):
            key = keys[f"{season}_cfm"]
            given = self.part("blower").get(key.name)
            if given is None:
                self.fault(
                    self.plan_file.name,
                    f"the plan gives loads but not the blower's {season} airflow",
                    f"Add {key.name} to [blower], in cfm for the whole system",
                    column=f"[blower] {key.name}",
                )
            else:
                flow[k] = self.key_number("blower", key, given) or 0.0
            if np.any(total[:, :, k] <= 0.0):
                self.fault(
                    table.label,
                    f"the {season} loads of a front face add up to nothing",
                    "Enter the loads, or leave that season out of [variants]",
                )
        return loads / np.where(total > 0.0, total, 1.0) * flow[:, None]

    # -- what must fit together ----------------------------------------------------------------------

    def flex(self, ducts: Mapping[str, Duct]) -> tuple[str, ...]:
        """The approved flex products, in the order given; one nameless product where the plan has no flex."""
        held = {key_of(d.name): d.name for d in ducts.values() if d.kind == "flex"}
        wanted = self.listed("variants", "flex")
        if wanted is None:
            return tuple(held.values()) or ("",)
        chosen: list[str] = []
        for given in wanted:
            name = held.get(key_of(str(given)))
            where = "[variants] flex"
            if "ducts" in self.unread:
                continue
            if name is None:
                self.fault(
                    self.plan_file.name,
                    "the ducts table holds no flex product of this name",
                    nearest(str(given), held.values()),
                    column=where,
                    value=str(given),
                )
            elif name in chosen:
                self.fault(self.plan_file.name, "it stands twice", "Remove one", column=where, value=name)
            else:
                chosen.append(name)
        return tuple(chosen)

    def match_rooms(
        self,
        tables: Mapping[str, RawTable | None],
        sections: tuple[Section, ...],
        places: Mapping[str, Row],
        rooms: tuple[str, ...],
        airflow: NDArray[np.float64],
        seasons: tuple[str, ...],
    ) -> None:
        """Rooms of both tables are the same ones, and each has an open run whenever it needs air."""
        airflow_table, section_table = tables["airflow"], tables["sections"]
        assert airflow_table is not None and section_table is not None
        known = {key_of(room) for room in rooms}
        served: dict[str, list[Section]] = {}
        returned: set[str] = set()
        for section in sections:
            for room in section.rooms:
                if room == ALL_ROOMS:
                    returned |= known
                elif key_of(room) not in known:
                    self.cell_fault(
                        section_table,
                        places[section.name],
                        "room",
                        f"the airflow table has no room '{room}'",
                        nearest(room, rooms),
                    )
                elif section.side == "return":
                    returned.add(key_of(room))
                else:
                    served.setdefault(key_of(room), []).append(section)
        has_return = any(s.side == "return" for s in sections)
        for n, room in enumerate(rooms):
            needs = [
                s for k, s in enumerate(seasons) if airflow.size and np.nanmax(airflow[:, :, k, n]) > 0.0
            ]
            runs = served.get(key_of(room), [])
            if needs and not runs:
                self.fault(
                    airflow_table.label,
                    f"room '{room}' needs air and no supply section ends in it",
                    "Add its run to sections, or remove the room",
                    column="room",
                    value=room,
                )
            for season in needs if runs else ():
                if all(run.season not in ("", season) for run in runs):
                    self.fault(
                        section_table.label,
                        f"room '{room}' needs air in {season} and all its runs are shut then",
                        "Leave the season of one of its runs empty",
                        column="season",
                    )
            if has_return and needs and key_of(room) not in returned:
                self.findings.append(
                    Finding(
                        severity=Severity.WARNING,
                        rule="return air",
                        subject=f"room {room}",
                        message="no return names this room, so its air is counted in no return section",
                        advice="Name it in a return's room cell, or use * for a central return",
                    )
                )

    def prices(
        self, table: RawTable | None, ducts: Mapping[str, Duct]
    ) -> dict[tuple[str, str], float | None]:
        spec = schema.PRICES
        found: dict[tuple[str, str], float | None] = {}
        seen: dict[tuple[str, str], int] = {}
        names = {key_of(name): name for name in ducts}
        price_field = spec.field("price_per_ft")
        for row in table.rows if table else ():
            assert table is not None
            name = self.text(table, row, spec.field("duct"))
            if name and key_of(name) not in names and "ducts" not in self.unread:
                self.cell_fault(
                    table, row, "duct", "there is no duct of this name", nearest(name, names.values())
                )
            size = self.parsed(table, row, "size_in", parse_size)
            price = None if row.text("price_per_ft") == NOT_OFFERED else self.number(table, row, price_field)
            if size is None or key_of(name) not in names:
                continue
            label = (round_size(size) if isinstance(size, float) else rectangular_size(*size)).label
            key = names[key_of(name)], label
            first = seen.setdefault(key, row.number)
            if first != row.number:
                self.cell_fault(
                    table,
                    row,
                    "size_in",
                    f"this duct and size stand already in row {first}",
                    "Remove one of the two rows",
                )
            found[key] = price
        return found

    def match_prices(
        self,
        table: RawTable | None,
        sections: tuple[Section, ...],
        flex: tuple[str, ...],
        sizes: tuple[Size, ...],
        prices: Mapping[tuple[str, str], float | None],
    ) -> None:
        """Each size that a section may take has a price row in each duct that it may be made of."""
        missing: dict[str, list[str]] = {}
        for section in sections:
            for duct in flex if section.duct == FLEX else (section.duct,):
                for size in candidate_sizes(section, sizes):
                    labels = missing.setdefault(duct, [])
                    if (duct, size.label) not in prices and size.label not in labels:
                        labels.append(size.label)
        for duct, labels in missing.items():
            if labels:
                self.fault(
                    table.label if table else "prices.csv",
                    f"duct '{duct}' has no price for size " + ", ".join(labels),
                    "Add its price, or - where it is not offered in that size",
                )


def candidate_sizes(section: Section, sizes: Iterable[Size]) -> list[Size]:
    """The standard sizes that a section's shape and bounds leave."""
    return [
        s
        for s in sizes
        if s.shape == section.shape
        and (
            s.label == section.fixed
            if section.fixed
            else section.min_in - 1e-9 <= s.diameter_in <= section.max_in + 1e-9
        )
    ]


def _allowed(field: Field) -> str:
    from tractduct.inputs.cells import allowed

    return allowed(field)


def _label(file: str, sheet: str | None) -> str:
    return f"{file} sheet '{sheet}'" if sheet else file


def _walk_up(name: str, sections: Mapping[str, Section]) -> list[str]:
    """The parents above a section until they end or repeat; holds the section itself where it is in a loop."""
    walk: list[str] = []
    at = sections[name].parent
    while at and at in sections and at not in walk:
        walk.append(at)
        at = sections[at].parent
    return walk


def _wide_column(header: str) -> tuple[str, str] | None:
    """Face and quantity of a wide header such as 'NE heating_cfm'; None where it is not one."""
    key = header_key(header)
    quantities = [f.name for f in schema.AIRFLOW.fields if f.kind == "number"]
    for quantity in quantities:
        if key.endswith(header_key(quantity)):
            face = key.removesuffix(header_key(quantity)).upper()
            if face in schema.FACES:
                return face, quantity
    return None


def _is_wide(table: RawTable) -> bool:
    return any(_wide_column(spelled) for spelled in table.headers.values())


def _quantity(header: str) -> str:
    parts = _wide_column(header)
    return parts[1] if parts else header


def _renamed(field: Field, header: str) -> Field:
    from dataclasses import replace

    return replace(field, name=header)


def _face(given: Any) -> str | None:
    word = str(given).strip().upper()
    return word if word in schema.FACES else None


def _season(given: Any) -> str | None:
    word = str(given).strip().casefold()
    return word if word in schema.SEASONS else None


def _flag(given: Any) -> bool | None:
    if isinstance(given, bool):
        return given
    try:
        return parse_flag(str(given))
    except CellProblem:
        return None


def _toml(value: object) -> str:
    return str(value).lower() if isinstance(value, bool) else f'"{value}"'
