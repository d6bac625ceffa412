"""All files of a study into one folder: whole, or not at all."""

from __future__ import annotations

import os
import shutil
import tempfile
from pathlib import Path

from tractduct.delivery.deliver import Delivery
from tractduct.delivery.lots import LotDelivery
from tractduct.errors import OutputError
from tractduct.names import file_name
from tractduct.one_plan import Study
from tractduct.purchasing.buy import Buying
from tractduct.writers.orientation_pictures import draw_orientation_pictures
from tractduct.writers.pictures import draw_pictures
from tractduct.writers.purchasing_tables import purchase_csv
from tractduct.writers.results import results_text
from tractduct.writers.workbook import write_workbook


def written_text(path: Path, text: str) -> None:
    """Write one text file, whole or not at all. OutputError where it can't be written."""
    beside = path.with_name(f".unfinished-{path.name}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        beside.write_text(text, encoding="utf-8", newline="\n")
        os.replace(beside, path)
    except OSError as error:
        raise OutputError(f"{path}: it can't be written ({error.strerror or error}). Choose another place") from None


def write_study(
    study: Study,
    folder: Path,
    delivery: Delivery | None = None,
    installed: str | None = None,
    buying: Buying | None = None,
    lots: LotDelivery | None = None,
) -> list[Path]:
    """Write results.json, the workbook and the pictures; returns their paths. With ``buying``, purchase.csv too; with
    ``lots``, the plan turned to each lot's north.

    ``installed`` names the flex product that the balancing sheets are for. Everything is made in a folder
    beside and then moved, so that an earlier result stays whole until the new one is. Raises OutputError where
    a file can't be written.
    """
    made: list[Path] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        beside = Path(tempfile.mkdtemp(prefix=".unfinished-", dir=folder))
    except OSError as error:
        raise OutputError(
            f"{folder}: the folder can't be made ({error.strerror or error}). Choose another with --out"
        ) from None
    try:
        pictures = draw_pictures(study, beside, delivery)
        book = beside / f"{file_name(study.plan.name)}.xlsx"
        orientation = lots.orientation if lots else None
        turned = draw_orientation_pictures(orientation, beside) if orientation else None
        write_workbook(study, book, pictures, delivery, installed, buying, lots, turned)
        (beside / "results.json").write_text(
            results_text(study, delivery, buying=buying, orientation=orientation), encoding="utf-8", newline="\n"
        )
        if buying is not None:
            (beside / "purchase.csv").write_text(purchase_csv(buying), encoding="utf-8", newline="\n")
        for path in sorted(beside.iterdir()):
            os.replace(path, folder / path.name)
            made.append(folder / path.name)
    except OSError as error:
        name = Path(error.filename).name if error.filename else "a file"
        raise OutputError(
            f"{folder / name}: it can't be written ({error.strerror or error}). Close it in other "
            "programs, make room on the disk, or choose another folder with --out"
        ) from None
    finally:
        shutil.rmtree(beside, ignore_errors=True)
    return made
