"""The plans below some folders, and each one's files read at once."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from tractduct.errors import Fault, InputFaults, printable
from tractduct.files import (
    MAX_PLAN_FILE_BYTES,
    MAX_TABLE_BYTES,
    PLAN_FILE,
    TableFault,
    check_file,
    content_key,
    encoded,
    file_name,
    input_files,
    is_inside,
    not_readable,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a plan lies: its folder, its path below the folder that was given, its name among the results."""

    folder: Path
    below: str
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Bundle:
    """A plan's files as they were read, so that what is keyed is what is studied, on whichever machine.

    ``files`` are (path in the plan folder, content), ``unread`` what could not be read.
    """

    name: str
    below: str
    key: str
    files: tuple[tuple[str, bytes], ...]
    unread: tuple[Fault, ...] = ()

    def unpack(self, folder: Path) -> None:
        """Write the files into a folder. InputFaults where some could not be read."""
        if self.unread:
            raise InputFaults(self.unread)
        for path, content in self.files:
            target = folder / path
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(content)


def find_plans(folders: Sequence[Path], out: Path | None = None) -> list[Place]:
    """Every plan in the folders or below, each once, sorted by its path. A folder that can't be read counts as one.

    Its name is that path as a file name; where two plans would have the same, or results below ``out`` would lie
    among a plan's own files, a few characters of a hash tell them apart. Raises InputFaults for a folder without
    plans.
    """
    faults = []
    found: list[tuple[Path, str, str]] = []
    seen: set[Path] = set()
    for given in folders:
        top = given.parent if given.name == PLAN_FILE else given
        plans = list(_plans_below(top, PurePosixPath(), set()))
        if not plans:
            problem = f"no {PLAN_FILE} is in it or in any folder below" if top.is_dir() else "no such folder"
            faults.append(Fault(file=str(given), problem=problem, remedy="Give the folder that holds the plans"))
        for folder, below in plans:
            if folder.resolve() not in seen:
                seen.add(folder.resolve())
                shown = str(below) if below.parts else top.resolve().name
                found.append((folder, shown, f"{given}|{below}"))
    if faults:
        raise InputFaults(faults)
    names = Counter(file_name(shown) for _, shown, _ in found)
    places = []
    for folder, shown, identity in found:
        name = file_name(shown)
        if names[name] > 1 or (out is not None and (out / name / PLAN_FILE).exists()):
            name += "-" + hashlib.sha256(encoded(identity)).hexdigest()[:8]
        places.append(Place(folder=folder, below=printable(shown), name=name))
    return sorted(places, key=lambda place: (place.below, place.name))


def _plans_below(folder: Path, below: PurePosixPath, above: set[Path]) -> Iterator[tuple[Path, PurePosixPath]]:
    """Plan folders with their paths below the first; links are followed, but not round in a circle."""
    try:
        if not folder.is_dir():
            return
        is_plan = (folder / PLAN_FILE).is_file()
        inner = sorted(path for path in folder.iterdir() if not path.name.startswith("."))
    except OSError:  # whoever reads the plan is told why that can't be
        yield folder, below
        return
    real = folder.resolve()
    if real in above:
        return
    if is_plan:
        yield folder, below
    for path in inner:
        yield from _plans_below(path, below / path.name, above | {real})


def read_bundle(place: Place, options: str) -> Bundle:
    """A plan's files and their key with these options."""
    files, unread = [], []
    try:
        paths = input_files(place.folder)
    except OSError as error:
        paths = []
        why, remedy = f"it can't be read ({error.strerror or error})", "Check who may read and open it"
        unread.append(Fault(file=str(error.filename or place.folder), problem=why, remedy=remedy))
    for path in paths:
        try:
            # As where the plan is read in its place, and before anything is copied.
            check_file(place.folder / path, path, MAX_PLAN_FILE_BYTES if path == PLAN_FILE else MAX_TABLE_BYTES)
            if path != PLAN_FILE and not is_inside(place.folder / path, place.folder):
                remedy = "Put the file itself into the plan folder"
                unread.append(Fault(file=path, problem="it is a link to a file outside the plan folder", remedy=remedy))
                continue
            files.append((path, (place.folder / path).read_bytes()))
        except TableFault as refused:
            unread.append(refused.fault)
        except OSError as error:
            unread.append(not_readable(path, error).fault)
    key = content_key(options, [*files, *((fault.file, encoded(str(fault))) for fault in unread)])
    return Bundle(name=place.name, below=place.below, key=key, files=tuple(files), unread=tuple(unread))
