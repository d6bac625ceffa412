"""What is safe with files: which may be read, where those that a plan names may lie, and what names files may have."""

from __future__ import annotations

import hashlib
import re
import sys
import tomllib
import unicodedata
from collections.abc import Iterable
from functools import cache
from pathlib import Path, PureWindowsPath
from typing import Any, Unpack

from tractduct.errors import Fault, InputFaults, Place

PLAN_FILE = "plan.toml"
MAX_PLAN_FILE_BYTES = 1_000_000
MAX_NESTING = 10  # parts of one of its keys, lists in lists
MAX_TABLE_BYTES = 50_000_000  # a .csv or .xlsx file as it lies on disk

_RESERVED = {"con", "prn", "aux", "nul", *(f"{p}{n}" for p in ("com", "lpt") for n in "123456789¹²³")}
_MOST_BYTES = 150  # file systems take 255, of which endings need some
_TEXT = re.compile(  # and comments
    r""""{3}(?:[^\\]|\\.)*?"{3,5}|'{3}.*?'{3,5}|"(?:[^"\\\n]|\\.)*+"|'[^'\n]*+'|#[^\n]*+""", re.DOTALL
)
_NESTING = re.compile(
    rf"[\[{{\]}}]|(?<![\w-])[\w-]++(?:[ \t]*+\.[ \t]*+[\w-]++){{{MAX_NESTING}}}"  # a key of too many parts
)


class TableFault(InputFaults):
    """A file can't be read at all, or not be written: one fault."""

    def __init__(self, file: str, problem: str, remedy: str, **place: Unpack[Place]) -> None:
        self.fault = Fault(file=file, problem=problem, remedy=remedy, **place)
        super().__init__([self.fault])


def check_file(path: Path, label: str, most: int = MAX_TABLE_BYTES) -> None:
    """TableFault where a path is no plain file or too large: a pipe or a device would be read for ever."""
    try:
        size = path.stat().st_size
        plain = path.is_file()
    except OSError as error:
        raise not_readable(label, error) from None
    if not plain:
        raise TableFault(label, "this is not a file", "Put a file of this name there, or correct the name")
    if size > most:
        problem = f"it has {size / 1e6:,.0f} MB; at most {most / 1e6:g} MB are read"
        raise TableFault(label, problem, "Remove what is not part of the plan")


def not_readable(label: str, error: OSError) -> TableFault:
    """What to raise where the operating system does not give a file."""
    if isinstance(error, FileNotFoundError):
        return TableFault(label, "there is no such file", "Put it there, or correct its name in plan.toml")
    problem = f"it can't be read ({error.strerror or error})"
    return TableFault(label, problem, "Close it in other programs and check who may read it")


def path_inside(folder: Path, file: str) -> Path | None:
    """Where a file that plan.toml names lies; None where that is outside the plan folder."""
    # Windows's rules know drives, shares and both slashes; a plan reads the same wherever it is opened.
    there = PureWindowsPath(file)
    if not there.parts or there.anchor or ".." in there.parts:
        return None
    path = folder / there.as_posix()
    return path if is_inside(path, folder) else None


def is_inside(path: Path, folder: Path) -> bool:
    """Whether a path stays in the folder, links followed."""
    try:
        return path.resolve().is_relative_to(folder.resolve())
    except (OSError, RuntimeError, ValueError):  # links in a circle, a name too long or with a NUL
        return False


def plan_content(data: bytes) -> dict[str, Any]:
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


def file_name(text: str) -> str:
    """A name that every file system takes, from a plan's name or path.

    Texts that differ in case or in how an accent is written only, which some file systems hold for the same, give
    the same name. Letters that file names can't have here, as where the locale is ASCII, are left out.
    """
    plain = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", text).casefold())
    encoding = sys.getfilesystemencoding()
    known = plain.encode(encoding, "replace").decode(encoding)
    name = re.sub(r"[^\w]+", "-", known, flags=re.UNICODE).strip("-_")[:60]
    name = name.encode(errors="ignore")[:_MOST_BYTES].decode(errors="ignore")
    return f"{name}-plan".strip("-") if not name or name in _RESERVED else name


def input_files(folder: Path) -> list[str]:
    """plan.toml, the tables and workbooks beside it, and those in inner folders that it names.

    OSError where the folder can't be read.
    """
    found = set()
    for path in sorted(folder.iterdir()):
        if path.suffix.lower() in (".csv", ".xlsx") and not path.name.startswith((".", "~")) and path.is_file():
            found.add(path.name)
    try:
        check_file(folder / PLAN_FILE, PLAN_FILE, MAX_PLAN_FILE_BYTES)
        tables = plan_content((folder / PLAN_FILE).read_bytes()).get("tables")
    except (OSError, ValueError):
        tables = None  # reading the plan says what is wrong
    for given in tables.values() if isinstance(tables, dict) else ():
        table = path_inside(folder, str(given).partition("#")[0])
        if table is not None and table.is_file():
            found.add(table.relative_to(folder).as_posix())
    return [PLAN_FILE, *sorted(found - {PLAN_FILE})]


def fingerprint(plan: Path) -> str:
    """A hash over a plan's input files and their names, wherever they lie; of a folder, its plan.toml or a workbook.

    OSError where one can't be read.
    """
    folder = plan if plan.is_dir() else plan.parent
    names = [plan.name] if plan.is_file() and plan.name != PLAN_FILE else input_files(folder)
    return content_key("", [(name, (folder / name).read_bytes()) for name in names if (folder / name).is_file()])


def encoded(text: str) -> bytes:
    """A file's name as bytes, whatever it is made of."""
    return text.encode(errors="backslashreplace")  # names of files need not be text


@cache
def code_key() -> str:
    """A hash of the package's source: two programs of one version number need not be the same."""
    package = Path(__file__).parent
    files = sorted(package.rglob("*.py"))
    return content_key("", [(path.relative_to(package).as_posix(), path.read_bytes()) for path in files])


def content_key(options: str, files: Iterable[tuple[str, bytes]]) -> str:
    """A hash of options, and of files by their paths and contents."""
    digest = hashlib.sha256()
    for part in (options.encode(), *(part for path, content in files for part in (encoded(path), content))):
        digest.update(len(part).to_bytes(8, "big"))
        digest.update(part)
    return digest.hexdigest()
