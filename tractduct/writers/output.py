"""All files of a report into one folder: whole, or not at all."""

from __future__ import annotations

from pathlib import Path

from tractduct.files import file_name
from tractduct.report import Report
from tractduct.writers.lot_sheets import write_lot_pages
from tractduct.writers.order_book import write_order
from tractduct.writers.orientation_pictures import draw_orientation_pictures
from tractduct.writers.pictures import draw_pictures
from tractduct.writers.purchasing_tables import purchase_csv
from tractduct.writers.readings_form import write_readings
from tractduct.writers.results import RESULTS_FILE, results_text
from tractduct.writers.together import Written, files_below, written_together
from tractduct.writers.workbook import write_workbook

READINGS = "-readings.xlsx"


def write_report(report: Report, folder: Path) -> Written:
    """Write results.json, the workbook and the pictures.

    With a delivery, the pages of every lot too, as a PDF of all and one of each, and the form for readings of the
    plan's lots; with ``buying``, purchase.csv and the workbook of orders. An earlier result stays whole until the new
    one is. Raises OutputError where a file can't be written.
    """
    plan = report.study.plan
    name, notes = file_name(plan.name), []
    with written_together(folder, last=RESULTS_FILE) as beside:
        pictures = draw_pictures(report.study, beside, report.delivery)
        turned = draw_orientation_pictures(report.orientation, beside) if report.orientation else None
        write_workbook(report, beside / f"{name}.xlsx", pictures, turned)
        if report.delivery is not None and report.lots is not None:
            write_lot_pages(report.delivery, report.lots, beside, report.stamp)
        (beside / RESULTS_FILE).write_text(results_text(report), encoding="utf-8", newline="\n")
        if report.buying is not None:
            write_order(report, beside / f"{name}-order.xlsx")
            (beside / "purchase.csv").write_text(purchase_csv(report.buying), encoding="utf-8", newline="\n")
        if report.lots is not None and report.lots.listed:  # at the end: somebody may be typing into the earlier one
            form = write_readings(report, beside / f"{name}{READINGS}", folder / f"{name}{READINGS}")
            notes.append(f"{name}{READINGS}: {form}.")
        names = tuple(files_below(beside))
    return Written(folder=folder, names=names, notes=tuple(notes))
