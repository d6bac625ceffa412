"""All files of a report into one folder: whole, or not at all."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from tractduct.files import file_name
from tractduct.report import Report
from tractduct.writers.lot_sheets import earlier_lot_files, write_lot_pages
from tractduct.writers.order_book import write_order
from tractduct.writers.orientation_pictures import draw_orientation_pictures
from tractduct.writers.pictures import draw_pictures
from tractduct.writers.purchasing_tables import purchase_csv
from tractduct.writers.readings_form import write_readings
from tractduct.writers.results import RESULTS_FILE, results_text
from tractduct.writers.together import files_below, written_together
from tractduct.writers.workbook import write_workbook


def write_report(report: Report, folder: Path, say: Callable[[str], None] = lambda words: None) -> list[Path]:
    """Write results.json, the workbook and the pictures; returns their paths.

    With a delivery, the pages of every lot too, as a PDF of all and one of each, and the form for readings of the
    plan's lots; with ``buying``, purchase.csv and the workbook of orders. An earlier result stays whole until the new
    one is; ``say`` is told what became of an earlier form. Raises OutputError where a file can't be written.
    """
    plan = report.study.plan
    name = file_name(plan.name)
    form = f"{name}-readings.xlsx"
    with written_together(folder, last=RESULTS_FILE, stale=earlier_lot_files(folder)) as beside:
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
            say(f"{form}: {write_readings(report, beside / form, folder / form)}")
        made = [folder / path for path in files_below(beside)]
    return made
