"""plan.toml: its keys, with defaults, and the standard sizes."""

from __future__ import annotations

import datetime
import math
import os
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import Any, TypeVar

from tractduct.errors import InputFaults, printable, shortened
from tractduct.files import MAX_PLAN_FILE_BYTES, PLAN_FILE, TableFault, check_file, plan_content
from tractduct.inputs import schema
from tractduct.inputs.cells import CellProblem, allowed, flag_of, nearest, parse_choice, parse_number
from tractduct.inputs.fault_log import FaultLog
from tractduct.inputs.limits import MAX_NAME, MAX_SIZES
from tractduct.inputs.plan_sheet import Places, read_plan_sheet
from tractduct.inputs.schema import Field, in_units, other_units
from tractduct.inputs.spelling import note_reading, plain_text, plain_word
from tractduct.inputs.tables import WORKBOOKS, RawTable, files_beside, place_of, read_table
from tractduct.model.sizes import Size, size_of
from tractduct.model.words import key_of
from tractduct.units import IP, SI, UnitSystem

T = TypeVar("T")


class PlanFile:
    """What a plan says besides its tables: plan.toml, or the sheet ``plan``.

    ``config`` is empty where it can't be read. A plan may be one workbook alone: then its tables are sought there only.
    ``units`` are the plan's; the keys of ``config`` have the core's names, whatever they are in the file. ``places``
    holds the cells of keys from a sheet.
    """

    def __init__(self, path: Path, log: FaultLog) -> None:
        is_book = path.suffix.casefold() in WORKBOOKS and os.path.isfile(path)
        is_file = is_book or (path.suffix.casefold() == ".toml" and not os.path.isdir(path))
        self.book = path.resolve() if is_book else None
        self.folder = path.parent if is_file else path
        self.path = path if is_file else path / PLAN_FILE
        self.name = self.path.name
        self.places: Places = {}
        self.log = log
        self.config: dict[str, Any] = {}
        self.units: UnitSystem = IP
        self.plan_name = ""
        self._assumed: frozenset[tuple[str, str]] = frozenset()
        self._numbers: dict[str, dict[str, Any]] = {}

    def read(self) -> None:
        """Read the file and check its keys. InputFaults where it can't be read."""
        sheet = self._sheet()
        self.config = self._content() if self.has_file or sheet is None else {}
        if sheet is not None:
            self._add(*read_plan_sheet(sheet, self.config.get("units"), self.log))
            if not self.has_file:
                self.name = sheet.label
        for where, problem, value in _unreadable(self.config):
            self.log.fault(self.name, problem, "Correct the value", column=where, value=value, is_key=True)
        if self.log.faults:
            raise InputFaults(self.log.faults)
        self.units = self._units()
        self._part_systems()
        parts = [part for part in schema.KEYS if part]
        on_top = [key.name for key in schema.KEYS[""]]
        for key, value in list(self.config.items()):
            if isinstance(value, dict) and _base(key) in parts:
                self.config[key] = self._in_core_names(key, value)
            elif isinstance(value, dict):
                self.log.fault(self.name, f"[{key}] is not a part of a plan", nearest(key, parts), value=key)
            elif key in parts:
                problem = f"[{key}] must be a part with keys of its own"
                self.log.fault(self.name, problem, f"Write [{key}] on a line", value=key)
            elif key not in on_top:
                problem = "there is no key of this name outside the bracketed parts"
                self.log.fault(self.name, problem, nearest(key, [*on_top, *parts]), value=key)
        self.plan_name = self._plan_name()
        for part, keys in schema.KEYS.items():
            self._numbers[part] = {key.name: self._number(part, key) for key in keys if key.kind == "number"}
        for part in self.system_parts:
            # A pressure that one system does not say holds as all have it; a blower is each one's own.
            own, base = self.part(part), _base(part)
            given = [key for key in schema.KEYS[base] if key.kind == "number" and key.name in own]
            self._numbers[part] = self._numbers[base] | {key.name: self._number(part, key) for key in given}
            self.config[part] = {**(self.part(base) if base == "pressure" else {}), **own}

    def _part_systems(self) -> None:
        """Take [blower.NAME] and [pressure.NAME] out of their parts, each a part of that dotted name."""
        for base in SYSTEM_PARTS:
            whole = self.part(base)
            for name in [key for key, value in whole.items() if isinstance(value, dict)]:
                self.config[f"{base}.{key_of(name)}"] = whole.pop(name)

    @property
    def system_parts(self) -> list[str]:
        """The parts that are of one system: blower.upstairs."""
        return [part for part in self.config if _base(part) != part]

    def of_system(self, base: str, system: str) -> str:
        """The part that holds for a system: its own where it has one, else that of all."""
        own = f"{base}.{key_of(system)}"
        return own if system and own in self.config else base

    @property
    def has_file(self) -> bool:
        """Whether there is a plan.toml."""
        return self.book is None and os.path.lexists(self.path)

    @cached_property
    def files(self) -> list[Path]:
        """Where the plan's tables are sought."""
        return [self.book] if self.book else files_beside(self.folder)

    def _sheet(self) -> RawTable | None:
        """The sheet ``plan``; None where there is none, or one of other columns beside a plan.toml."""
        try:
            place = place_of(self.files, ("plan",), self.log) if os.path.isdir(self.folder) else None
            if place is None:
                return RawTable("plan", self.name, {}, ()) if self.book else None
            table = read_table("plan", *place, helpers=("note",))
        except TableFault:
            if self.has_file:
                return None  # told where a table of the plan's is sought in it
            raise
        if table.has("key") and table.has("value"):
            return table
        if self.has_file:
            return None
        problem = "this sheet has no columns 'key' and 'value'"
        remedy = "Write them into its first row, a key such as cooling_cfm into each row below; or rename the sheet"
        raise TableFault(table.label, problem, remedy)

    def _add(self, config: dict[str, Any], places: Places) -> None:
        """Put the sheet's keys beside those of plan.toml."""
        for (part, key), at in places.items():
            field = _declared(part, key)
            names = {in_units(field, IP).name, in_units(field, SI).name}
            if names & set(self.part(part) if part else self.config):
                problem = f"{PLAN_FILE} gives this key too"
                self.log.add(at.fault(problem, "Keep one of the two"))
        for key, value in config.items():
            self.config[key] = {**self.part(key), **value} if isinstance(value, dict) else value
        self.places = places

    def _content(self) -> dict[str, Any]:
        """What the file holds. InputFaults where it can't be read."""
        file = str(self.path)
        try:
            if self.path.exists():
                check_file(self.path, file, MAX_PLAN_FILE_BYTES)
            return plan_content(self.path.read_bytes())
        except TableFault:
            raise
        except FileNotFoundError:
            problem = "there is no such file"
            remedy = "Give a plan's workbook or folder, or make one with: tractduct new house.xlsx"
        except NotADirectoryError:
            file, problem = str(self.path.parent), "this is a file, not a plan folder"
            remedy = f"Give a workbook, .xlsx, or the folder that holds {PLAN_FILE}"
        except OSError as error:
            problem, remedy = f"it can't be read ({error.strerror or error})", "Check who may read it"
        except UnicodeDecodeError:
            file, problem, remedy = self.name, "it is not UTF-8 text", "Save it as plain text in UTF-8"
        except ValueError as error:  # a number of thousands of digits, too
            file, remedy = self.name, "Correct that line"
            problem = f"it is not valid TOML of a plan ({printable(shortened(str(error), 160))})"
        raise TableFault(file, problem, remedy)

    def _units(self) -> UnitSystem:
        """The unit system and the currency that the plan names."""
        found = IP
        for key in schema.KEYS[""][1:]:
            given = self.config.get(key.name, key.default)
            word = plain_word(given) if isinstance(given, str) else ""
            if key.choices and word.casefold() in key.choices:
                found = replace(found, name=word.casefold())
            elif not key.choices and re.fullmatch("[^\\W\\d_]{1,4}|[$\u20ac\u00a3]", word):
                found = replace(found, currency=word)
            else:
                wanted = f"one of {', '.join(key.choices)}" if key.choices else "a short word such as USD or EUR"
                self.fault("", key.name, f"expected {wanted}", f'Write {key.name} = "..."', given)
        return found

    def _in_core_names(self, part: str, given: dict[str, Any]) -> dict[str, Any]:
        """A part with its keys named as in the core; keys that are unknown in the plan's units are faults."""
        names = {in_units(f, self.units).name: f.name for f in schema.KEYS[_base(part)]}
        for key in [key for key in given if key not in names]:
            remedy = other_units(key, schema.KEYS[_base(part)], self.units) or nearest(key, names)
            self.log.fault(self.name, f"[{part}] has no key of this name", remedy, value=key)
        return {names[key]: value for key, value in given.items() if key in names}

    def where(self, part: str, key: str) -> str:
        """A key's place as the user writes it, by its name in the core."""
        name = in_units(_declared(part, key), self.units).name
        return f"[{part}] {name}" if part else name

    def fault(self, part: str, key: str, problem: str, remedy: str, value: object = None) -> None:
        """A fault of one key."""
        shown = None if value is None else str(value)
        at = self.places.get((part, key))
        file, row = (at.label, at.row) if at else (self.name, None)
        self.log.fault(file, problem, remedy, row=row, column=self.where(part, key), value=shown, is_key=True)

    @property
    def typed(self) -> frozenset[tuple[str, str]]:
        """(part, key) of every key that is given."""
        return frozenset((name, key) for name in self.config for key in self.part(name)) - self._assumed

    def assume(self, part: str, key: str, value: float, rule: str) -> None:
        """Take a number, in the core's unit, for a key that is not given."""
        self.config.setdefault(part, {})[key] = value
        self._numbers[part][key] = value
        self._assumed |= {(part, key)}
        shown = self.units.say(value, _declared(part, key).unit)
        self.log.assume(self.where(part, key), self.name, shown, rule)

    def part(self, name: str) -> dict[str, Any]:
        part = self.config.get(name, {})
        return part if isinstance(part, dict) else {}

    def _plan_name(self) -> str:
        name = self.config.get("name")
        if isinstance(name, str) and name.strip():
            return name.strip()
        if self.book and name is None:
            return self.book.stem
        self.log.fault(self.name, "the plan has no name", 'Write name = "..." in its first line')
        return ""

    def numbers(self, part: str) -> dict[str, Any]:
        """The numbers of one part in the core's units, whole ones as int; where not given the default, NaN without."""
        return self._numbers[part]

    def optional(self, part: str, key: str) -> float | None:
        """A number; None where it is not given."""
        return float(self.numbers(part)[key]) if key in self.part(part) else None

    def _number(self, part: str, declared: Field) -> float:
        given, value = self.part(part).get(declared.name), None
        field = in_units(declared, self.units)
        if given is not None:
            value = self._parsed(field, field, part, declared.name, given)
        if value is None:
            found = declared.default if isinstance(declared.default, float) else math.nan
        else:
            self.log.unusual(self.name, self.where(part, declared.name), field, value)
            found = self.units.core(value, declared.quantity or declared.unit)
        return int(found) if declared.whole else found

    def _parsed(self, field: Field, plain: Field, part: str, key: str, given: object) -> float | None:
        """A number by its declaration; in quotes, as a person would understand it by ``plain``, which is said."""

        def parse(given: object) -> float:
            if isinstance(given, bool):
                raise CellProblem(f"expected {allowed(field)}", "Enter a number")
            text = str(given)
            if isinstance(given, str):
                text = plain_text(plain, given)
                if text != given.strip():
                    note_reading(self.log, f"{self.name}, {self.where(part, key)}", given, text)
            return parse_number(field, text)

        return self._told(part, key, given, parse)

    def text(self, part: str, key: str) -> str:
        """A text; empty where it is not given."""
        value = self.part(part).get(key, "")
        if isinstance(value, str):
            return plain_word(value)
        self.fault(part, key, "expected text in quotes", f'Write {key} = "..."', value)
        return ""

    def choice(self, part: str, key: str) -> str:
        """One of a key's choices; its default where it is not given."""
        field, word = _declared(part, key), self.text(part, key)
        found = self._told(part, key, word, lambda w: parse_choice(field, plain_text(field, w))) if word else None
        return found or str(field.default or "")

    def flag(self, part: str, key: str) -> bool:
        """True or false; false where it is not given."""
        value = self.part(part).get(key, False)
        if isinstance(value, bool):
            return value
        flag = flag_of(plain_text(_declared(part, key), value)) if isinstance(value, str) else None
        if flag is None:
            self.fault(part, key, "expected true or false", f"Write {key} = true", value)
        else:
            note_reading(self.log, f"{self.name}, {self.where(part, key)}", value, str(flag).lower())
        return bool(flag)

    def listed(self, part: str, key: str) -> list[Any] | None:
        """A list; None where it is not given."""
        value = self.part(part).get(key)
        if value is None or (isinstance(value, list) and value):
            return value
        remedy = f"Write {self.where(part, key).split()[-1]} = [ ... ], or leave the key out"
        self.fault(part, key, "expected a list with at least one entry", remedy, value)
        return None

    def each(self, part: str, key: str, parse: Callable[[Any], T | None]) -> list[T] | None:
        """What a parser makes of each entry of a list, each once; None where the list is not given.

        What it can't read is a fault, and left out; what it makes None of is left out.
        """
        listed = self.listed(part, key)
        if listed is None:
            return None
        found: list[T] = []
        for given in listed:
            value = self._told(part, key, given, parse)
            if value in found:
                self.fault(part, key, "it is duplicated", "Remove one", given)
            elif value is not None:
                found.append(value)
        return found

    def _told(self, part: str, key: str, given: Any, parse: Callable[[Any], T | None]) -> T | None:
        """What a parser makes of a value; None, and a fault, where it can't."""
        try:
            return parse(given)
        except CellProblem as problem:
            self.fault(part, key, problem.problem, problem.remedy, given)
            return None

    def sizes(self) -> tuple[Size, ...]:
        """The standard sizes: round ones, then rectangular ones, each by (equivalent) diameter."""
        found: dict[str, Size] = {}
        default = schema.DEFAULT_ROUND_MM if self.units.is_si else schema.DEFAULT_ROUND_IN
        for value in self._each_size("round_in", default) or default:
            self._add_size(found, "round_in", value)
        step = 50.0 if self.units.is_si else 2.0
        for pair in self._each_size("rectangular_in", [step * n for n in range(1, 60)]):
            if isinstance(pair, list) and len(pair) == 2:
                self._add_size(found, "rectangular_in", *pair)
            else:
                remedy = "Write [[200, 200], [200, 250]]" if self.units.is_si else "Write [[8, 8], [8, 10]]"
                self.fault("sizes", "rectangular_in", "expected pairs of width and height", remedy, pair)
        if len(found) > MAX_SIZES:
            problem = f"there are {len(found):,} standard sizes; at most {MAX_SIZES} are looked at"
            self.log.fault(self.name, problem, "List the sizes that are stocked", column="[sizes]", is_key=True)
            return ()
        return tuple(sorted(found.values(), key=lambda s: (s.shape != "round", s.diameter_in, s.label)))

    def _add_size(self, found: dict[str, Size], key: str, *sides: object) -> None:
        """The size of a diameter, or of width and height, by its label."""
        field = in_units(_declared("sizes", key), self.units)
        lengths = [self._parsed(field, replace(field, kind="number"), "sizes", key, side) for side in sides]
        known = [length for length in lengths if length is not None]
        if len(known) == len(sides):
            size = size_of(known[0] if len(known) == 1 else (known[0], known[1]), self.units)
            if size.label in found:
                self.fault("sizes", key, "this size is duplicated", "Remove one", size.label)
            found[size.label] = size

    def _each_size(self, key: str, steps: Sequence[float]) -> list[Any]:
        """A list of sizes as written, with 4..10 and 8..24x8 in place of each of ``steps`` from one to the other.

        A rectangle in quotes, 8x12, is given as its pair.
        """
        found: list[Any] = []
        for given in self.listed("sizes", key) or []:
            text = plain_text(in_units(_declared("sizes", key), self.units), given) if isinstance(given, str) else ""
            first, _, rest = text.partition("..")
            last, cross, height = rest.partition("x")
            try:
                low, high = float(first), float(last)
            except ValueError:  # no such row
                width, _, other = text.partition("x")
                is_pair = key == "rectangular_in" and width and other and ".." not in text
                found.append([width, other] if is_pair else given)
                continue
            inside = [step for step in steps if low <= step <= high]
            if bool(cross) != (key == "rectangular_in") or not {low, high} <= set(inside):
                self.fault("sizes", key, "a row of sizes goes from one that is made to another", _RANGES, given)
            else:
                found += [[step, height] if cross else step for step in inside]
        return found


SYSTEM_PARTS = ("blower", "pressure")  # each system may have its own
_RANGES = "Write 4..10, or 8..24x8 for widths from 8 to 24 by 2 (in mm: 200..600x200, by 50), or each size"


def _declared(part: str, key: str) -> Field:
    return next(field for field in schema.KEYS[_base(part)] if field.name == key)


def _base(part: str) -> str:
    """The part that one of a system's is like: blower of blower.upstairs."""
    base, dot, _ = part.partition(".")
    return base if dot and base in SYSTEM_PARTS else part


def _unreadable(value: object, where: str = "") -> Iterator[tuple[str, str, str]]:
    """Place, problem and value of what no plan holds and nothing can show."""
    if isinstance(value, dict):
        for key, inner in value.items():
            if not _fit_to_show(key):
                yield where, "a key has characters that can't be shown, or too many", key
            else:
                place = f"{where} {key}" if where else f"[{key}]" if isinstance(inner, dict) else key
                yield from _unreadable(inner, place)
    elif isinstance(value, list):
        for inner in value:
            yield from _unreadable(inner, where)
    elif isinstance(value, str) and not _fit_to_show(value):
        what = f"more than {MAX_NAME} characters" if len(value) > MAX_NAME else "characters that can't be shown"
        yield where, f"the text has {what}", value
    elif isinstance(value, int) and abs(value) > 10**15:
        yield where, "the number is too large", f"{value:.3g}" if abs(value) < 10**300 else "a huge number"
    elif isinstance(value, datetime.date | datetime.time):
        yield where, "no key of a plan takes a date or a time", str(value)


def _fit_to_show(text: str) -> bool:
    return len(text) <= MAX_NAME and all(c.isprintable() or c == "\u00a0" for c in text)
