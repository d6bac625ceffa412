"""The files of one run: all of them take their places, or none does."""

from __future__ import annotations

import errno
import os
import shutil
import tempfile
from collections.abc import Collection, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from filelock import FileLock, Timeout

from tractduct.errors import OutputError

_UNFINISHED, _LOCK, _BEFORE = ".unfinished-", ".lock", ".before"


@contextmanager
def written_together(folder: Path, last: str, stale: Collection[str] = ()) -> Iterator[Path]:
    """A new folder to write a run's files into. At the end of the ``with`` block they take their places in ``folder``,
    those of inner folders too, and files named in ``stale`` (paths below it) that are not among them go.

    Whatever goes wrong, in the block or then, leaves ``folder`` as it was, or not there if it was not. A process that
    is killed leaves the new folder behind, which the next run removes; if it is killed while files take their places,
    the one of the name ``last`` is missing, which is taken away first and put there last. Raises OutputError where a
    file can't be written; files of other names in ``folder`` are left alone.
    """
    made = [path for path in (folder, *folder.parents) if not os.path.lexists(path)]
    beside: Path | None = None
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _remove_leftovers(folder)
        beside = Path(tempfile.mkdtemp(prefix=_UNFINISHED, dir=folder))
    except OSError as error:
        _remove_empty(made)
        raise OutputError(
            f"{folder}: the folder can't be made or written into ({error.strerror or error}). Choose another place"
        ) from None
    lock = FileLock(beside / _LOCK)
    try:
        with suppress(OSError, NotImplementedError):  # without it, what a killed run leaves stays
            lock.acquire()
        yield beside
        _take_places(beside, folder, last, stale)
    except OSError as error:
        name = Path(error.filename).name if error.filename else "a file"
        raise OutputError(
            f"{folder / name}: it can't be written ({error.strerror or error}). Close it in other programs, make room "
            "on the disk, or choose another place"
        ) from None
    finally:
        lock.release()
        shutil.rmtree(beside, ignore_errors=True)
        _remove_empty(made)


def files_below(folder: Path) -> list[str]:
    """Paths of the files in a folder and its inner ones, but for the lock, with slashes; sorted."""
    found = (path.relative_to(folder) for path in folder.rglob("*") if not path.is_dir() or path.is_symlink())
    return sorted(path.as_posix() for path in found if path.name != _LOCK)


def _take_places(beside: Path, folder: Path, last: str, stale: Collection[str]) -> None:
    names = files_below(beside)
    taken = [name for name in sorted({*names, *stale}) if os.path.lexists(folder / name)]
    for name in taken:
        if (folder / name).is_dir() and not (folder / name).is_symlink():
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), name)
    made = _make_parents(folder, names)
    before = beside / _BEFORE
    _make_parents(before, taken)
    moves = [(folder / name, before / name) for name in sorted(taken, key=lambda name: name != last)]
    moves += [(beside / name, folder / name) for name in sorted(names, key=lambda name: name == last)]
    for done, (source, target) in enumerate(moves, start=1):
        try:
            os.replace(source, target)
        except BaseException:
            for was, now in reversed(moves[:done]):
                with suppress(OSError):  # of the one that failed nothing is there
                    os.replace(now, was)
            _remove_empty(made)
            raise
    _remove_empty([(folder / name).parent for name in stale if "/" in name])


def _make_parents(folder: Path, names: Collection[str]) -> list[Path]:
    """Make a folder and the inner ones that these files lie in; returns those that are new, the innermost first."""
    wanted = sorted({folder, *(parent for name in names for parent in (folder / name).parents if parent != folder)})
    new = [path for path in wanted if path.is_relative_to(folder) and not path.is_dir()]
    for path in new:
        path.mkdir()
    return new[::-1]


def _remove_leftovers(folder: Path) -> None:
    """Remove what runs that were killed left: the lock of one that still works is held."""
    for left in folder.glob(f"{_UNFINISHED}*"):
        if (left / _LOCK).is_file() and not left.is_symlink():
            with suppress(OSError, NotImplementedError, Timeout), FileLock(left / _LOCK, timeout=0.0):
                shutil.rmtree(left, ignore_errors=True)


def _remove_empty(folders: list[Path]) -> None:
    for folder in folders:
        with suppress(OSError):  # it holds something, as it should, or was not made
            folder.rmdir()
