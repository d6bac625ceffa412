"""Room airflow out of tables as load calculations print them: blocks of rooms by front, in whatever layout.

A number is taken only where one reading of the sheet makes sense: against the plan's rooms, with its season, its front
and its unit said, totals that agree, and sums that are the blower's. Everything else is refused, with its place.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from openpyxl.utils import get_column_letter

from tractduct.errors import Fault, InputFaults, Place, printable
from tractduct.files import TableFault
from tractduct.inputs.cells import nearest
from tractduct.inputs.plan_file import PlanFile
from tractduct.inputs.schema import AIRFLOW, in_units
from tractduct.inputs.spelling import COMPASS, SEASON_WORDS
from tractduct.inputs.table_reader import TableReader
from tractduct.inputs.tables import WORKBOOKS, csv_lines
from tractduct.inputs.workbook import sheet_grid, sheet_names
from tractduct.model.words import ALL_ROOMS, FACES, SEASONS, by_key, key_of

Grid = list[list[str]]

_SEASON = {**SEASON_WORDS, **{season: season for season in SEASONS}, "winter": "heating", "summer": "cooling"}
_FACE = {**COMPASS, **{face.casefold(): face for face in FACES}}
_FLOW = {"cfm": "cfm", "l/s": "L/s", "lps": "L/s"}
_OTHER = {"btuh", "btu/h", "btu", "kbtu", "kbtuh", "mbh", "kw", "watt", "watts", "ft2", "sqft", "sf", "m2", "area",
          "load", "loads", "%", "fpm", "tons", "ton", "m3/h", "inwc", "volume", "gain", "gains", "loss"}  # fmt: skip
_FILLER = {"front", "fronts", "face", "faces", "facing", "house", "home", "door", "street", "orientation", "direction",
           "of", "the", "to", "is", "plan", "room", "rooms", "airflow", "air", "flow", "supply", "design", "for", "by",
           "with", "table", "sheet", "block", *_SEASON, *_FLOW}  # fmt: skip
_TOTAL = {"total", "totals", "sum", "sums"}
_TURN = re.compile(r"\bturn|rotat|clockwise|\bc?cw\b|\u00b0|\bdeg|mirror|flip|revers", re.IGNORECASE)
_NUMBER = re.compile(r"(?:[0-9]{1,3}(?:,[0-9]{3})+|[0-9]+)(?:\.[0-9]+)?|\.[0-9]+")
_ROUNDED = 0.5  # cfm a room, that printed totals may be off


class _Unclear(Exception):
    """Why a grid is not read, and the line of it."""

    def __init__(self, problem: str, remedy: str, line: int | None = None, value: str | None = None) -> None:
        super().__init__(problem)
        self.problem, self.remedy, self.line, self.value = problem, remedy, line, value


@dataclass(frozen=True, slots=True)
class _Asked:
    """What a printed table is held against."""

    rooms: Mapping[str, str]  # by key
    flow: str  # the unit of airflow
    fronts: tuple[str, ...]  # declared by the plan; empty: 4 or 8
    seasons: tuple[str, ...]
    system: Mapping[str, float]  # in the plan's unit


@dataclass(slots=True)
class _Block:
    """Lines of one block: its heading, its rooms, its totals."""

    heading: list[int] = field(default_factory=list)
    rooms: list[int] = field(default_factory=list)
    totals: list[int] = field(default_factory=list)


@dataclass(slots=True)
class _Front:
    """What one front's block says: values by season and room key; how it was found; ``label`` of its sheet."""

    face: str
    lines: tuple[int, int]
    whence: str
    values: dict[str, dict[str, float]] = field(default_factory=dict)
    with_totals: bool = False
    label: str = ""


@dataclass(frozen=True, slots=True)
class PrintedAirflow:
    """What was read: the airflow table's lines, the header first, and what to say of it."""

    lines: tuple[tuple[str, ...], ...]
    said: tuple[str, ...]

    @property
    def table(self) -> str:
        """The lines as the text of a CSV file."""
        text = io.StringIO()
        csv.writer(text, lineterminator="\n").writerows(self.lines)
        return text.getvalue()


def read_printed(
    tables: Mapping[str, TableReader], plan_file: PlanFile, files: Sequence[tuple[Path, str]]
) -> PrintedAirflow:
    """The airflow table of a plan out of printed tables, each a file and a sheet, empty for all. Raises InputFaults.

    ``tables`` are the plan's, of which the rooms are taken.
    """
    asked, units = _asked(tables, plan_file), plan_file.units
    faults: list[Fault] = []
    said: list[str] = []
    fronts: list[_Front] = []
    for label, names, grid in _grids(files):
        try:
            found, notes = _read_grid(grid, names, asked, label)
        except InputFaults as refused:
            faults += refused.faults
            continue
        fronts += found
        said += notes
    if not faults:
        faults = _whole(fronts, asked, ", ".join(printable(path.name) for path, _ in files))
    scale: dict[tuple[str, str], float] = {}
    for front in fronts if not faults else ():
        for season, values in front.values.items():
            total, system = sum(values.values()), asked.system.get(season)
            if system is None:
                continue
            if abs(total - system) > _ROUNDED * len(values):
                problem = f"front {front.face}: {season} adds up to {total:g} {asked.flow}, "
                problem += f"and the blower makes {system:g}"
                remedy = f"Correct the table, or {season} of [blower] in the plan"
                faults.append(Fault(file=front.label, problem=problem, remedy=remedy))
            scale[front.face, season] = system / total if total else 1.0
    if faults:
        raise InputFaults(faults)
    for season in asked.seasons:
        if season in asked.system:
            off = max(abs(factor - 1.0) for (_, s), factor in scale.items() if s == season) * 100.0
            flow = f"{asked.system[season]:g} {asked.flow}"
            said.append(f"{season} is scaled to the blower's {flow}: by {off:.2g} % at most")
        else:
            said.append(f"the plan gives no {season} airflow of the blower, so nothing checks the sums of {season}")
    seasons = [season for season in SEASONS if season in asked.seasons]
    columns = ("front_faces", "room", *(f"{season}_cfm" for season in seasons))
    lines = [tuple(in_units(AIRFLOW.field(name), units).name for name in columns)]
    for front in sorted(fronts, key=lambda front: FACES.index(front.face)):
        for key, room in asked.rooms.items():
            flows = (front.values[season][key] * scale.get((front.face, season), 1.0) for season in seasons)
            lines.append((front.face, room, *(f"{flow:.6g}" for flow in flows)))
    return PrintedAirflow(tuple(lines), tuple(said))


def _asked(tables: Mapping[str, TableReader], plan_file: PlanFile) -> _Asked:
    """The plan's rooms and airflow, without its airflow table."""
    rooms = by_key(tables["rooms"].raw.texts("room") + tables["room_gains"].raw.texts("room"))
    for row in tables["sections"].raw.rows:
        name = row.text("room")
        if name and name != ALL_ROOMS and row.text("side").casefold() != "return":
            rooms.setdefault(key_of(name), name)
    if not rooms:
        if plan_file.log.faults:
            raise InputFaults(plan_file.log.faults)
        raise TableFault(plan_file.name, "the plan names no room", "Add its runs")
    units = plan_file.units
    system = {s: plan_file.optional("blower", f"{s}_cfm") for s in SEASONS}
    variants = plan_file.part("variants")
    fronts, seasons = (
        tuple(str(v) for v in variants.get(key, ()) if str(v) in known)
        for key, known in (("front_faces", FACES), ("seasons", SEASONS))
    )
    return _Asked(
        rooms=rooms,
        flow=units.unit("cfm"),
        fronts=fronts,
        seasons=seasons or SEASONS,
        system={s: units.shown(cfm, "cfm") for s, cfm in system.items() if cfm},
    )


def _grids(files: Sequence[tuple[Path, str]]) -> Iterable[tuple[str, tuple[str, ...], Grid]]:
    """Label, names that may tell the front, and cells of every sheet of some files."""
    for path, sheet in files:
        label = printable(path.name)
        if path.suffix.casefold() in WORKBOOKS:
            wanted = [sheet] if sheet else [name for name in sheet_names(path) if not name.startswith("_")]
            grids = [(f"{label} sheet '{printable(name)}'", (name,), sheet_grid(path, name, label)) for name in wanted]
            lone = (path.stem,) if len(wanted) == 1 else ()
            yield from ((where, (*names, *lone), grid) for where, names, grid in grids if any(map(any, grid)))
        elif path.suffix.casefold() == ".csv":
            yield label, (path.stem,), csv_lines(path, label)
        else:
            raise TableFault(label, "printed tables are read from .csv or .xlsx files", "Save it as one of them")


def _read_grid(grid: Grid, names: Sequence[str], asked: _Asked, label: str) -> tuple[list[_Front], list[str]]:
    """The fronts of a sheet, with rooms in rows or in columns: exactly one of the two may make sense."""
    width = max((len(line) for line in grid), default=0)
    upright = [[*(cell.strip() for cell in line), *[""] * (width - len(line))] for line in grid]
    turned = [list(column) for column in zip(*upright, strict=True)]
    found: list[tuple[bool, list[_Front], list[str]]] = []
    refused: list[tuple[int, bool, _Unclear]] = []
    for lines, is_turned in ((upright, False), (turned, True)):
        try:
            found.append((is_turned, *_read_lines(lines, names, asked)))
        except _Unclear as why:
            refused.append((max(_rooms_named(lines, asked), default=0), is_turned, why))
    if len(found) == 1:
        is_turned, fronts, unread = found[0]
        for front in fronts:
            front.label = label
        notes = [_told(front, asked, is_turned=is_turned) for front in fronts]
        return fronts, notes + [f"{label}: not read: {', '.join(unread[:12])}"] * bool(unread)
    if found:
        raise TableFault(label, "it can be read by rows and by columns", "Give the table alone")
    _, is_turned, unclear = max(refused, key=lambda r: r[0])
    place: Place = {"value": unclear.value}
    if unclear.line is not None and is_turned:
        place["column"] = get_column_letter(unclear.line + 1)
    elif unclear.line is not None:
        place["row"] = unclear.line + 1
    raise TableFault(label, unclear.problem, unclear.remedy, **place)


def _told(front: _Front, asked: _Asked, *, is_turned: bool) -> str:
    sums = ", ".join(f"{season} {sum(values.values()):g}" for season, values in front.values.items())
    first, last = (get_column_letter(n + 1) if is_turned else str(n + 1) for n in front.lines)
    totals = "totals agree" if front.with_totals else "no totals to check"
    where = f"{'columns' if is_turned else 'rows'} {first} to {last} (direction from the {front.whence})"
    return f"{front.label}: front {front.face}: {len(asked.rooms)} rooms, {sums} {asked.flow}, {where}, {totals}"


def _read_lines(lines: Grid, names: Sequence[str], asked: _Asked) -> tuple[list[_Front], list[str]]:
    """The fronts of a grid with a room a line, and what is not read of it. Raises _Unclear."""
    at = _room_column(lines, asked)
    blocks, unread = _blocks(lines, at, asked)
    fronts: dict[str, _Front] = {}
    columns: dict[int, tuple[str, str]] = {}
    for block in blocks:
        own, others = _columns(lines, block, at, asked)
        unread += [text for text in others if text not in unread]
        columns = own or {j: (season, "") for j, (season, _) in columns.items()}
        if not columns:
            remedy = f"Write heating {asked.flow} and cooling {asked.flow} over the columns"
            raise _Unclear("no column over these rooms says its season", remedy, block.rooms[0])
        for front in _fronts(lines, block, at, columns, names if len(blocks) == 1 else (), asked):
            if front.face in fronts:
                problem = f"front {front.face} is there twice; it was at line {fronts[front.face].lines[0] + 1}"
                raise _Unclear(problem, "Remove one of the two, or correct its direction", front.lines[0])
            fronts[front.face] = front
    return list(fronts.values()), unread


def _rooms_named(lines: Grid, asked: _Asked) -> list[int]:
    """How many cells of each column name a room."""
    return [sum(key_of(cell) in asked.rooms for cell in column) for column in zip(*lines, strict=True)]


def _room_column(lines: Grid, asked: _Asked) -> int:
    held = _rooms_named(lines, asked)
    most = max(held, default=0)
    if most == 0:
        problem = "it names none of the plan's rooms"
        raise _Unclear(problem, "Name the rooms as in the plan: " + ", ".join(list(asked.rooms.values())[:12]))
    best = [c for c, number in enumerate(held) if number == most]
    if any([line[c] for line in lines] != [line[best[0]] for line in lines] for c in best[1:]):
        raise _Unclear("several columns name the rooms, and not alike", "Give one table a sheet")
    return best[0]


def _blocks(lines: Grid, at: int, asked: _Asked) -> tuple[list[_Block], list[str]]:
    """The lines by block; text above a block is its heading."""
    blocks = [_Block()]
    unread: list[str] = []
    for n, line in enumerate(lines):
        block, label = blocks[-1], line[at]
        others = [cell for c, cell in enumerate(line) if cell and c != at]
        numbers = [cell for cell in others if _NUMBER.fullmatch(cell)]
        words = _words_in(line)
        headed = any(set(_SEASON) & _words_in(lines[m]) for m in block.heading)
        touching = block.rooms[-1:] == [n - 1]
        if key_of(label) in asked.rooms and others:
            if block.totals:
                blocks.append(_Block())
            blocks[-1].rooms.append(n)
        elif numbers and block.rooms and words & _TOTAL:
            block.totals.append(n)
        elif (numbers and words & _OTHER and not touching) or (numbers and words and not block.rooms and not headed):
            unread.append(" ".join(" ".join(line).split()))
        elif numbers:
            problem = f"'{label}' is no room of the plan" if label else "a line of numbers has no name"
            remedy = "Write Total before sums, and the room's name before what a room gets"
            raise _Unclear(problem, nearest(label, asked.rooms.values()) if label else remedy, n, label or None)
        elif any(line):
            if block.rooms:
                blocks.append(_Block())
            blocks[-1].heading.append(n)
    return [block for block in blocks if block.rooms], unread


def _columns(lines: Grid, block: _Block, at: int, asked: _Asked) -> tuple[dict[int, tuple[str, str]], list[str]]:
    """Season and face of each column of airflow; the headings of columns that are not read."""
    for n in block.heading:
        turn = next((cell for cell in lines[n] if _TURN.search(cell)), None)
        if turn is not None:
            raise _Unclear("a turn does not say which way the front faces", "Write the compass point", n, turn)
    titles = [n for n in block.heading if _is_title(lines[n])]
    title_words = _words_in(cell for n in titles for cell in lines[n])
    if block.heading and titles == block.heading and not title_words & set(_SEASON):
        return {}, []  # its columns are those of the block above
    found: dict[int, tuple[str, str]] = {}
    unread: list[str] = []
    for c in range(len(lines[0])):
        cells = [lines[n][c] for n in block.heading if lines[n][c] and n not in titles]
        words = _words_in(cells)
        own, seasons = ({_SEASON[word] for word in some if word in _SEASON} for some in (words, words | title_words))
        flows = {_FLOW[word] for word in words if word in _FLOW} or {_FLOW[w] for w in title_words if w in _FLOW}
        if c == at or not any(_NUMBER.fullmatch(lines[n][c]) for n in block.rooms):
            continue
        if words & _OTHER or not (own or (seasons and words & set(_FACE))):
            unread.append(" ".join(cells) or f"the column {get_column_letter(c + 1)}")
            if not cells:
                raise _Unclear("a column of numbers has no heading", "Say what it is, or remove it", block.rooms[0])
            continue
        if len(own or seasons) != 1:
            raise _Unclear("a column names both seasons", "Give each season a column", block.heading[-1], cells[-1])
        if flows != {asked.flow}:
            problem = f"a column of airflow says {', '.join(sorted(flows)) or 'no unit'}; expected {asked.flow}"
            raise _Unclear(problem, f"Write {asked.flow} over it", block.heading[-1], cells[-1])
        faces = [face for cell in cells if (face := _face(cell))]
        if len(set(faces)) > 1:
            raise _Unclear("a column names two directions", "Give each a column", block.heading[-1], cells[-1])
        found[c] = next(iter(own or seasons)), faces[0] if faces else ""
    return found, unread


def _is_title(line: Sequence[str]) -> bool:
    """Whether a heading's line is about the whole block: one text, or a direction beside what is called front."""
    texts = list(dict.fromkeys(filter(None, line)))
    return len(texts) == 1 or bool(_face(" ".join(texts)) and not set(_SEASON) & set(_words(" ".join(texts))))


def _fronts(
    lines: Grid, block: _Block, at: int, columns: Mapping[int, tuple[str, str]], names: Sequence[str], asked: _Asked
) -> list[_Front]:
    """What a block says of each front that it has."""
    titles = [n for n in block.heading if _is_title(lines[n])]
    titled = [face for n in titles if (face := _face(" ".join(dict.fromkeys(filter(None, lines[n])))))]
    beside = [c for c in range(len(lines[0])) if c != at and all(_face(lines[n][c]) for n in block.rooms)]
    faces = list(dict.fromkeys(face for _, face in columns.values() if face))
    if len(set(titled)) > 1 or len(beside) > 1 or sum(map(bool, (faces, titled, beside))) > 1:
        problem = "directions stand in several places over and beside these rooms"
        raise _Unclear(problem, "Say the direction once", block.rooms[0])
    groups: dict[str, list[int]] = {}
    whence = "column" if faces else "title" if titled else "direction column"
    if beside:
        for n in block.rooms:
            groups.setdefault(_face(lines[n][beside[0]]), []).append(n)
    else:
        if not faces and not titled:
            named = [(name, face) for name in names if (face := _face(name))]
            if not named or len({face for _, face in named}) > 1:
                problem = "nothing says which way the front faces in this block"
                raise _Unclear(problem, "Write the compass point over it, such as: front faces NE", block.rooms[0])
            titled, whence = [named[0][1]], "name of the sheet or file"
        groups = dict.fromkeys(faces or titled, block.rooms)
    found = []
    for face, rows in groups.items():
        front = _Front(face, (rows[0], rows[-1]), whence)
        for season in asked.seasons:
            of = {c: f for c, (s, f) in columns.items() if s == season}
            # One column for all fronts, or one for each: a mixture has lost a heading.
            mine = [c for c, f in of.items() if f == face] if any(of.values()) else list(of)
            if any(of.values()) and not all(of.values()):
                problem = f"of the columns of {season} some say the direction and others don't"
                raise _Unclear(problem, "Say it over each, or over none", rows[0])
            if len(mine) != 1:
                problem = f"front {face} has {len(mine) or 'no'} column{'s' * (len(mine) > 1)} of {season} {asked.flow}"
                remedy = "Keep the one that counts" if mine else "Add it, or name one season in [variants] of the plan"
                raise _Unclear(problem, remedy, rows[0])
            front.values[season] = _values(lines, rows, at, mine[0], asked)
            total = sum(front.values[season].values())
            printed = [lines[n][mine[0]] for n in block.totals if not beside]
            for text in printed:
                if not _NUMBER.fullmatch(text) or abs(float(text.replace(",", "")) - total) > _ROUNDED * len(rows):
                    problem = f"front {face}: the rooms' {season} adds up to {total:g}, and the total says otherwise"
                    raise _Unclear(problem, "Correct the one that is wrong", block.totals[0], text or None)
            front.with_totals = bool(printed)
        found.append(front)
    return found


def _values(lines: Grid, rows: Sequence[int], at: int, column: int, asked: _Asked) -> dict[str, float]:
    """A column by room: each of the plan's rooms once."""
    found: dict[str, float] = {}
    for n in rows:
        key, text = key_of(lines[n][at]), lines[n][column]
        if key in found:
            raise _Unclear(f"room '{lines[n][at]}' is there twice", "Remove one, or say what parts the two", n)
        if not _NUMBER.fullmatch(text):
            problem = f"expected a number of {asked.flow} for room '{lines[n][at]}'"
            raise _Unclear(problem, "Enter it; 0 where the room gets no air", n, text or None)
        found[key] = float(text.replace(",", ""))
    missing = [room for key, room in asked.rooms.items() if key not in found]
    if missing:
        remedy = "Add it, or name it as the plan does"
        raise _Unclear(f"these rooms of the plan are missing: {', '.join(missing[:12])}", remedy, rows[0])
    return found


def _whole(fronts: Sequence[_Front], asked: _Asked, files: str) -> list[Fault]:
    """What is wrong with all fronts together."""
    found: list[Fault] = []
    seen: dict[str, str] = {}
    for n, front in enumerate(fronts):
        if front.face in seen:
            problem = f"front {front.face} is in {seen[front.face]} too"
            found.append(Fault(file=front.label, problem=problem, remedy="Remove one of the two"))
        seen[front.face] = front.label
        twin = next((other for other in fronts[:n] if other.values == front.values), None)
        if twin is not None:
            problem = f"fronts {twin.face} and {front.face} have the same numbers"
            found.append(Fault(file=front.label, problem=problem, remedy="Print the one that was copied again"))
    held, wanted = set(seen), set(asked.fronts)
    if (wanted and not wanted <= held) or (not wanted and len(held) not in (4, 8)):
        problem = f"there are {len(held)} fronts: {', '.join(f for f in FACES if f in held)}"
        remedy = "Give 4 or 8, or name those that count in [variants] front_faces of the plan"
        remedy = f"Give those of [variants] front_faces: {', '.join(asked.fronts)}" if wanted else remedy
        found.append(Fault(file=files, problem=problem, remedy=remedy))
    return found


def _words(text: str) -> list[str]:
    """A cell's words in small letters: N.E. is ne, north-east is northeast."""
    text = re.sub(r"(?<=\b[nsew])\.(?=[nsew]?\b)", "", text.casefold())
    text = re.sub(r"\b(north|south)[\s-]*(east|west)\b", r"\1\2", text)
    return re.findall(r"%|[a-z0-9/]+", text.replace("\u00b2", "2"))


def _words_in(cells: Iterable[str]) -> set[str]:
    return {word for cell in cells for word in _words(cell)}


def _face(text: str) -> str:
    """The compass point that a text names, with nothing but filler beside it; empty where it names none."""
    words = _words(text)
    faces = [_FACE[word] for word in words if word in _FACE]
    return faces[0] if len(faces) == 1 and all(word in _FACE or word in _FILLER for word in words) else ""
