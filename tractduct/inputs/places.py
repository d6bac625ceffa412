"""Where a plan's tables lie: files and sheets by their names."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from tractduct.errors import printable
from tractduct.files import PLAN_FILE, TableFault, is_inside
from tractduct.inputs.fault_log import FaultLog
from tractduct.inputs.schema import header_key
from tractduct.inputs.tables import WORKBOOKS
from tractduct.inputs.workbook import sheet_names

Place = tuple[Path, str | None, str]  # path, sheet and label


def place_of(files: Sequence[Path], names: Sequence[str], log: FaultLog) -> Place | None:
    """A table by its name; None where nothing of that name is there.

    The first place counts, and a note names the others.
    """
    keys = [header_key(name) for name in names]
    places: list[Place] = []
    for key in keys:
        found = [p for p in files if p.suffix.casefold() == ".csv" and header_key(p.stem) == key]
        places += [(path, None, printable(path.name)) for path in found]
    for path in [p for p in files if p.suffix.casefold() in WORKBOOKS]:
        try:
            sheets = sheet_names(path)
        except TableFault:
            if places:  # a broken workbook is no hindrance where no table is sought in it
                continue
            raise
        places += [(path, s, label_of(printable(path.name), printable(s))) for s in sheets if header_key(s) in keys]
    if not places:
        return None
    path, _, label = places[0]
    if not is_inside(path, path.parent):
        problem = "it is a link to a file outside the plan folder"
        raise TableFault(label, problem, "Put the file itself into the plan folder")
    if len(places) > 1:
        message = "this table is read, and not " + ", ".join(other for _, _, other in places[1:])
        log.caution("reading", label, message, f"Keep one of them, or name it in [tables] of {PLAN_FILE}")
    return places[0]


def files_beside(folder: Path) -> list[Path]:
    """The files beside plan.toml, without what programs leave for themselves."""
    return [p for p in sorted(folder.glob("*")) if not p.name.startswith(("~", "."))]


def label_of(file: str, sheet: str | None) -> str:
    return f"{file} sheet '{sheet}'" if sheet else file
