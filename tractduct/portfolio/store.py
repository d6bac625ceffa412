"""The folder of a batch's results: one run at a time, every result whole or not there."""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType

from filelock import FileLock, Timeout

from tractduct.errors import OutputError, TractductError, printable
from tractduct.files import check_file
from tractduct.portfolio.outcome import Outcome, State, outcome_of_text

OUTCOME_FILE = "outcome.json"
_LOCK, _UNFINISHED = ".lock", ".unfinished"
_MOST_BYTES = 20_000_000  # of a plan's outcome, a hundred times what the largest plan leaves


class InUse(TractductError):
    """Another run writes into the folder."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Packed:
    """An outcome and the files that go with it."""

    outcome: Outcome
    files: Mapping[str, bytes]


class Store:
    """The results below a folder, locked while the ``with`` block runs.

    The lock is the operating system's, so that it goes with the process however that ends. New files of a plan
    are written into a folder of their own first, then take the place of the old ones, ``outcome.json`` last:
    it names every file with its hash, and a plan without one, or with other files, is not done.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.unusable: dict[str, str] = {}  # plans of which something was kept that is no outcome, and why
        self._lock = FileLock(folder / _LOCK, timeout=0.0)

    def __enter__(self) -> Store:
        """Raises InUse, or OutputError where the folder can't be written."""
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            self._lock.acquire()
            for left in (*self.folder.glob(f"{_UNFINISHED}-*"), *self.folder.glob(f"*/{_UNFINISHED}")):
                shutil.rmtree(left) if left.is_dir() else left.unlink()  # of a run that was killed
        except Timeout:
            raise InUse(
                f"{self.folder}: another run is writing its results there. Wait for it, or choose another folder "
                "with --out."
            ) from None
        except (OSError, NotImplementedError) as error:
            raise _cannot_write(self.folder, error) from None
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._lock.release()

    def outcome(self, name: str) -> Outcome | None:
        """What is kept of a plan; None where nothing is, or nothing usable."""
        path = self.folder / name / OUTCOME_FILE
        try:
            if not path.exists():
                return None
            check_file(path, OUTCOME_FILE, _MOST_BYTES)
            outcome = outcome_of_text(path.read_text(encoding="utf-8"))
            if outcome.name != name:
                raise ValueError(f"it is of {outcome.name!r}")
        except (OSError, ValueError) as error:
            self.unusable.setdefault(name, printable(str(error)))
            return None
        return outcome

    def is_done(self, name: str, key: str) -> bool:
        """Whether the same plan, options and version gave a result that is still there, whole."""
        kept = self.outcome(name)
        if kept is None or kept.key != key or kept.state is State.ERROR:
            return False
        try:
            files = {self.folder / name / file: digest for file, digest in kept.files.items()}
            return all(path.is_file() and _sha256(path.read_bytes()) == digest for path, digest in files.items())
        except OSError:
            return False

    def save(self, packed: Packed) -> None:
        """Keep a result. OutputError where it can't be written; what was kept before is whole then."""
        outcome = replace(packed.outcome, files={name: _sha256(data) for name, data in sorted(packed.files.items())})
        folder = self.folder / outcome.name
        unfinished = folder / _UNFINISHED
        try:
            if folder.is_symlink():
                raise OSError("it is a link to another place; remove it")
            unfinished.mkdir(parents=True)
            for name, data in packed.files.items():
                for place in (unfinished, folder):
                    (place / name).parent.mkdir(parents=True, exist_ok=True)
                _write(unfinished / name, data)
            _write(unfinished / OUTCOME_FILE, outcome.text().encode())
            before = self.outcome(outcome.name)
            for name in before.files if before else ():
                if name not in packed.files:
                    (folder / name).unlink(missing_ok=True)
            (folder / OUTCOME_FILE).unlink(missing_ok=True)
            _sync(folder)
            for name in (*packed.files, OUTCOME_FILE):
                os.replace(unfinished / name, folder / name)
            shutil.rmtree(unfinished)
            _sync(folder)
        except OSError as error:
            shutil.rmtree(unfinished, ignore_errors=True)
            raise _cannot_write(folder, error) from None

    def write(self, name: str, data: bytes) -> Path:
        """A file of the whole batch, whole or not at all. OutputError where it can't be written."""
        path, beside = self.folder / name, self.folder / f"{_UNFINISHED}-{name}"
        try:
            _write(beside, data)
            os.replace(beside, path)
        except OSError as error:
            with suppress(OSError):
                beside.unlink(missing_ok=True)
            raise _cannot_write(path, error) from None
        return path


def _write(path: Path, data: bytes) -> None:
    """Through to the disk, so that a name never stands for less than its content."""
    with path.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def _sync(folder: Path) -> None:
    """The folder's names through to the disk, where the system can."""
    if not hasattr(os, "O_DIRECTORY"):
        return
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _cannot_write(path: Path, error: BaseException) -> OutputError:
    why = getattr(error, "strerror", None) or error
    return OutputError(
        f"{path}: it can't be written ({why}). Close it in other programs, make room on the disk, or choose another "
        "folder with --out; what was done before stays and is not done again."
    )
