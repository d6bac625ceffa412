"""plan.toml: its keys, with defaults, and the standard sizes."""

from __future__ import annotations

import datetime
import math
import re
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from tractduct.errors import printable, shortened
from tractduct.inputs import schema
from tractduct.inputs.cells import CellProblem, allowed, nearest, parse_choice, parse_flag, parse_number
from tractduct.inputs.fault_log import FaultLog
from tractduct.inputs.limits import MAX_NAME, MAX_NESTING, MAX_PLAN_FILE_BYTES, MAX_SIZES
from tractduct.inputs.schema import Field, in_units, other_units
from tractduct.inputs.spelling import note_of_reading, plain_text
from tractduct.inputs.tables import TableFault, check_file
from tractduct.model.sizes import Size, size_of
from tractduct.units import IP, UnitSystem

PLAN_FILE = "plan.toml"
_TEXT = re.compile(  # and comments
    r""""{3}(?:[^\\]|\\.)*?"{3,5}|'{3}.*?'{3,5}|"(?:[^"\\\n]|\\.)*+"|'[^'\n]*+'|#[^\n]*+""", re.DOTALL
)
_NESTING = re.compile(
    rf"[\[{{\]}}]|(?<![\w-])[\w-]++(?:[ \t]*+\.[ \t]*+[\w-]++){{{MAX_NESTING}}}"  # a key of too many parts
)


class PlanFile:
    """The plan's TOML file. ``config`` is empty where it can't be read; faults go to the log.

    ``units`` are the plan's; the keys of ``config`` have the core's names, whatever they are in the file.
    """

    def __init__(self, path: Path, log: FaultLog) -> None:
        is_file = path.suffix.casefold() == ".toml" and not path.is_dir()
        self.folder = path.parent if is_file else path
        self.path = path if is_file else path / PLAN_FILE
        self.name = self.path.name
        self.log = log
        self.config: dict[str, Any] = {}
        self.units: UnitSystem = IP

    def read(self) -> bool:
        """Read the file and check its keys. False, and faults, where it can't be read."""
        label = self.name
        try:
            if self.path.exists():
                check_file(self.path, str(self.path), MAX_PLAN_FILE_BYTES)
            self.config = parsed(self.path.read_bytes())
        except TableFault as refused:
            self.log.add(refused.fault)
        except FileNotFoundError:
            self.log.fault(
                str(self.path),
                "there is no such file",
                "Give the plan's folder, or make one with: tractduct new DIR",
            )
        except NotADirectoryError:
            self.log.fault(
                str(self.path.parent),
                "this is a file, not a plan folder",
                f"Give the folder that holds {PLAN_FILE}",
            )
        except OSError as error:
            self.log.fault(str(self.path), f"it can't be read ({error.strerror or error})", "Check who may read it")
        except UnicodeDecodeError:
            self.log.fault(label, "it is not UTF-8 text", "Save it as plain text in UTF-8")
        except ValueError as error:  # a number of thousands of digits, too
            why = printable(shortened(str(error), 160))
            self.log.fault(label, f"it is not valid TOML of a plan ({why})", "Correct that line")
        if self.log.faults:
            return False
        for where, problem, value in _unreadable(self.config):
            self.log.fault(label, problem, "Correct the value", column=where, value=value)
        if self.log.faults:
            self.config = {}
            return False
        self.units = self._units()
        known_tables = [t for t in schema.KEYS if t]
        on_top = [f.name for f in schema.KEYS[""]]
        for key, value in list(self.config.items()):
            if isinstance(value, dict):
                if key not in known_tables:
                    self.log.fault(label, f"[{key}] is not a part of a plan", nearest(key, known_tables), value=key)
                    continue
                self.config[key] = self._in_core_names(key, value)
            elif key in known_tables:
                self.log.fault(
                    label,
                    f"[{key}] must be a part with keys of its own",
                    f"Write [{key}] on a line",
                    value=key,
                )
            elif key not in on_top:
                self.log.fault(
                    label,
                    "there is no key of this name outside the bracketed parts",
                    nearest(key, [*on_top, *known_tables]),
                    value=key,
                )
        return True

    def _units(self) -> UnitSystem:
        """The unit system and the currency that the plan names."""
        found = IP
        for key in schema.KEYS[""][1:]:
            given = self.config.get(key.name, key.default)
            word = plain_text(Field(name="", meaning=""), given) if isinstance(given, str) else ""
            if key.choices and word.casefold() in key.choices:
                found = replace(found, name=word.casefold())
            elif not key.choices and re.fullmatch("[^\\W\\d_]{1,4}|[$\u20ac\u00a3]", word):
                found = replace(found, currency=word)
            else:
                wanted = f"one of {', '.join(key.choices)}" if key.choices else "a short word such as USD or EUR"
                self.log.fault(
                    self.name, f"expected {wanted}", f'Write {key.name} = "..."', column=key.name, value=str(given)
                )
        return found

    def _in_core_names(self, part_name: str, part: dict[str, Any]) -> dict[str, Any]:
        """A part with its keys named as in the core; keys that are unknown in the plan's units are faults."""
        names = {in_units(f, self.units).name: f.name for f in schema.KEYS[part_name]}
        found: dict[str, Any] = {}
        for key, value in part.items():
            if key in names:
                found[names[key]] = value
            else:
                self.log.fault(
                    self.name,
                    f"[{part_name}] has no key of this name",
                    other_units(key, schema.KEYS[part_name], self.units) or nearest(key, names),
                    value=key,
                )
        return found

    def where(self, part_name: str, key: str) -> str:
        """A key's place as the user writes it, by its name in the core."""
        field = next(f for f in schema.KEYS[part_name] if f.name == key)
        return f"[{part_name}] {in_units(field, self.units).name}"

    @property
    def typed(self) -> frozenset[tuple[str, str]]:
        """(part, key) of every key that is given."""
        return frozenset((name, key) for name in self.config for key in self.part(name))

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
        where = self.where(part_name, key.name)
        quantity, key = key.quantity or key.unit, in_units(key, self.units)
        try:
            if isinstance(given, bool):
                raise CellProblem(f"expected {allowed(key)}", "Enter a number")
            value = parse_number(key, self.plain(key, where, given))
        except CellProblem as problem:
            self.log.fault(self.name, problem.problem, problem.remedy, column=where, value=str(given))
            return None
        self.log.unusual(self.name, where, key, value)
        return self.units.core(value, quantity)

    def plain(self, key: Field, where: str, given: Any) -> str:
        """A number as text; where it was given in quotes, as a person would understand it, which is said."""
        if not isinstance(given, str):
            return str(given)
        text = plain_text(key, given)
        if text != given.strip():
            self.log.findings.append(note_of_reading(f"{self.name}, {where}", "", given, text))
        return text

    def text(self, part_name: str, key: str) -> str:
        """A text in plan.toml; empty where it is not given."""
        value = self.part(part_name).get(key, "")
        if isinstance(value, str):
            return plain_text(Field(name=key, meaning=""), value)
        self.log.fault(
            self.name,
            "expected text in quotes",
            f'Write {key} = "..."',
            column=f"[{part_name}] {key}",
            value=str(value),
        )
        return ""

    def choice(self, part_name: str, key: str) -> str:
        """One of a key's choices; its default where it is not given."""
        field = next(f for f in schema.KEYS[part_name] if f.name == key)
        given = self.text(part_name, key)
        try:
            return parse_choice(field, given) if given else str(field.default)
        except CellProblem as problem:
            self.log.fault(self.name, problem.problem, problem.remedy, column=f"[{part_name}] {key}", value=given)
            return ""

    def flag(self, part_name: str, key: str) -> bool:
        """True or false in plan.toml; false where it is not given."""
        value = self.part(part_name).get(key, False)
        if isinstance(value, bool):
            return value
        if isinstance(value, str):
            try:
                flag = parse_flag(plain_text(Field(name=key, meaning="", kind="flag"), value))
            except CellProblem:
                pass
            else:
                where = f"{self.name}, [{part_name}] {key}"
                self.log.findings.append(note_of_reading(where, "", value, str(flag).lower()))
                return flag
        self.log.fault(
            self.name,
            "expected true or false",
            f"Write {key} = true",
            column=f"[{part_name}] {key}",
            value=str(value),
        )
        return False

    def listed(self, part_name: str, key: str) -> list[Any] | None:
        """A list in plan.toml; None where it is not given."""
        value = self.part(part_name).get(key)
        if value is None:
            return None
        where = self.where(part_name, key)
        if not isinstance(value, list) or not value:
            self.log.fault(
                self.name,
                "expected a list with at least one entry",
                f"Write {where.split()[-1]} = [ ... ], or leave the key out",
                column=where,
                value=str(value),
            )
            return None
        return value

    def sizes(self) -> tuple[Size, ...]:
        """The standard sizes: round ones, then rectangular ones, each by (equivalent) diameter."""
        bounds = in_units(schema.KEYS["sizes"][0], self.units)
        side_field = replace(bounds, kind="number")
        found: dict[str, Size] = {}

        def side(value: Any, where: str) -> float | None:
            try:
                if isinstance(value, bool):
                    raise CellProblem(f"expected {allowed(bounds)}", "Enter a number")
                return parse_number(bounds, self.plain(side_field, where, value))
            except CellProblem as problem:
                self.log.fault(self.name, problem.problem, problem.remedy, column=where, value=str(value))
                return None

        def add(size: Size, where: str) -> None:
            if size.label in found:
                self.log.fault(
                    self.name,
                    "this size stands twice",
                    "Remove one",
                    column=where,
                    value=size.label,
                )
            found[size.label] = size

        where = self.where("sizes", "round_in")
        default = schema.DEFAULT_ROUND_MM if self.units.is_si else schema.DEFAULT_ROUND_IN
        for value in self.listed("sizes", "round_in") or default:
            diameter = side(value, where)
            if diameter is not None:
                add(size_of(diameter, self.units), where)
        where = self.where("sizes", "rectangular_in")
        for pair in self.listed("sizes", "rectangular_in") or []:
            if not isinstance(pair, list) or len(pair) != 2:
                self.log.fault(
                    self.name,
                    "expected pairs of width and height",
                    "Write [[200, 200], [200, 250]]" if self.units.is_si else "Write [[8, 8], [8, 10]]",
                    column=where,
                    value=str(pair),
                )
                continue
            width, height = side(pair[0], where), side(pair[1], where)
            if width is not None and height is not None:
                add(size_of((width, height), self.units), where)
        if len(found) > MAX_SIZES:
            self.log.fault(
                self.name,
                f"there are {len(found):,} standard sizes; at most {MAX_SIZES} are looked at",
                "List the sizes that are stocked",
                column="[sizes]",
            )
            return ()
        return tuple(sorted(found.values(), key=lambda s: (s.shape != "round", s.diameter_in, s.label)))


def parsed(data: bytes) -> dict[str, Any]:
    """The content of a plan.toml. ValueError where it is not TOML, or nests deeper than any plan.

    That is told before parsing, as the parser's memory goes with the square of a key's parts. It reads from the start,
    and up to its first error the words of the language are those of ``_TEXT`` and ``_NESTING``.
    """
    text = data.decode("utf-8-sig")
    bare = _TEXT.sub(lambda found: "s" + "\n" * found[0].count("\n"), text)
    depth = 0
    for found in _NESTING.finditer(bare):
        step = {"[": 1, "{": 1, "]": -1, "}": -1}.get(found[0], MAX_NESTING + 1)
        depth = max(depth + step, 0)
        if depth > MAX_NESTING:
            line = bare.count("\n", 0, found.start()) + 1
            raise ValueError(f"keys or lists lie in each other more than {MAX_NESTING} deep, at line {line}")
    return tomllib.loads(text)


def _unreadable(config: dict[str, Any]) -> Iterator[tuple[str, str, str]]:
    """Place, problem and value of what no plan holds and nothing can show."""
    left: list[tuple[str, Any]] = [("", config)]
    while left:
        where, value = left.pop()
        if isinstance(value, dict):
            for key, inner in value.items():
                if not _fit_to_show(key):
                    yield where, "a key has characters that can't be shown, or too many", key
                elif not where:
                    left.append((f"[{key}]" if isinstance(inner, dict) else key, inner))
                else:
                    left.append((f"{where} {key}", inner))
        elif isinstance(value, list):
            left += [(where, inner) for inner in value]
        elif isinstance(value, str) and not _fit_to_show(value):
            what = f"more than {MAX_NAME} characters" if len(value) > MAX_NAME else "characters that can't be shown"
            yield where, f"the text has {what}", value
        elif isinstance(value, int) and abs(value) > 10**15:
            yield where, "the number is too large", f"{value:.3g}" if abs(value) < 10**300 else "a huge number"
        elif isinstance(value, datetime.date | datetime.time):
            yield where, "no key of a plan takes a date or a time", str(value)


def _fit_to_show(text: str) -> bool:
    return len(text) <= MAX_NAME and all(c.isprintable() or c == "\u00a0" for c in text)
