"""All files of a report into one folder: whole, or not at all."""

from __future__ import annotations

import json
from collections.abc import Collection
from pathlib import Path

from tractduct.files import MAX_TABLE_BYTES, file_name, path_inside
from tractduct.report import Report
from tractduct.systems import HouseReport
from tractduct.writers import data
from tractduct.writers.lot_sheets import write_lot_pages
from tractduct.writers.order_book import write_order
from tractduct.writers.pictures import draw_pictures
from tractduct.writers.purchasing_tables import purchase_csv
from tractduct.writers.readings_form import write_readings
from tractduct.writers.results import RESULTS_FILE, results_text
from tractduct.writers.together import Written, files_below, written_together
from tractduct.writers.workbook import write_workbook

PARTS = ("plan", "order", "lots", "readings")  # what can be written alone
READINGS = "-readings.xlsx"
_ENDINGS = (".json", ".xlsx", ".pdf", ".csv", ".png", ".svg")


def write_house(house: HouseReport, folder: Path, *, only: Collection[str] = PARTS) -> list[Written]:
    """Write results.json of the whole house into a folder, and all that ``write_report`` does below it by system."""
    written = [
        write_report(report, folder / file_name(system.name), only=only)
        for system, report in zip(house.plan.systems, house.reports, strict=True)
    ]
    with written_together(folder, last=RESULTS_FILE) as beside:
        (beside / RESULTS_FILE).write_text(results_text(house), encoding="utf-8", newline="\n")
    return [*written, Written(folder=folder, names=(RESULTS_FILE,))]


def write_report(report: Report, folder: Path, *, only: Collection[str] = PARTS) -> Written:
    """Write results.json and the files of each reader.

    ``only`` names readers: ``plan`` (who standardizes and designs: workbook, pictures), ``order`` (purchasing),
    ``lots`` (crew and balancer) and ``readings`` (the form to type into, never overwritten). An earlier result stays
    whole until the new one is. Files of an earlier run from other input or options that are not made anew are removed.
    Raises OutputError where a file can't be written.
    """
    name, notes = file_name(report.study.plan.name), []
    earlier, same = earlier_files(report, folder)
    with written_together(folder, last=RESULTS_FILE, stale=() if same else earlier) as beside:
        if "plan" in only:
            write_workbook(report, beside / f"{name}.xlsx", draw_pictures(report, beside))
            (beside / data.FOLDER).mkdir()
            for file, text in data.data_files(report).items():
                (beside / data.FOLDER / file).write_text(text, encoding="utf-8", newline="\n")
        if "lots" in only and report.delivery is not None and report.lots is not None:
            write_lot_pages(report.delivery, report.lots, beside, report.stamp)
        if "order" in only and report.buying is not None:
            write_order(report, beside / f"{name}-order.xlsx")
            (beside / "purchase.csv").write_text(purchase_csv(report.buying), encoding="utf-8", newline="\n")
        made = {*files_below(beside), RESULTS_FILE}
        kept = {file for file in earlier if (folder / file).is_file()} if same else set()
        names = tuple(sorted(made | kept))
        (beside / RESULTS_FILE).write_text(results_text(report, files=names), encoding="utf-8", newline="\n")
        if "readings" in only and report.lots is not None and report.lots.listed:
            # At the end: somebody may be typing into the earlier one.
            form = write_readings(report, beside / f"{name}{READINGS}", folder / f"{name}{READINGS}")
            if form.added or form.left or form.changed or form.readings_kept:
                notes.append(f"{name}{READINGS}: {form}.")
            made = {*made, *files_below(beside)}
    removed = () if same else tuple(sorted({*earlier} - made))
    return Written(folder=folder, names=tuple(sorted(made)), removed=removed, notes=tuple(notes))


def _ours(folder: Path, file: str) -> bool:
    """Whether it may be a file that a run made: never what people write into."""
    inside = path_inside(folder, file) is not None and file.count("/") <= 1
    return inside and file.endswith(_ENDINGS) and not file.endswith(READINGS)


def earlier_files(report: Report, folder: Path) -> tuple[list[str], bool]:
    """Files of the run whose results.json lies in a folder, and whether it had the same input, options and version."""
    try:
        path = folder / RESULTS_FILE
        if path.stat().st_size > MAX_TABLE_BYTES:
            return [], False
        found = json.loads(path.read_text(encoding="utf-8"))
        files = [file for file in found["files"] if isinstance(file, str) and _ours(folder, file)]
        made_from = report.made_from.described() if report.made_from else None
        return [file for file in files if (folder / file).is_file()], found.get("made_from") == made_from
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return [], False  # no earlier result, or one that says nothing of its files
