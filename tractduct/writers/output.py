"""All files of a report into one folder: whole, or not at all."""

from __future__ import annotations

from pathlib import Path

from tractduct.files import file_name
from tractduct.report import Report
from tractduct.writers import data
from tractduct.writers.lot_pages import pdf_of
from tractduct.writers.lot_sheets import lot_pages
from tractduct.writers.pictures import draw_pictures
from tractduct.writers.purchasing_tables import purchase_csv
from tractduct.writers.results import RESULTS_FILE, results_text
from tractduct.writers.together import files_below, written_together
from tractduct.writers.workbook import write_workbook


def write_report(report: Report, folder: Path) -> list[Path]:
    """Write results.json, the workbook, the pictures and the lists as CSV files; returns their paths.

    With a delivery, the pages of every lot too, as a PDF of all; with ``buying``, purchase.csv. An earlier result stays
    whole until the new one is. Raises OutputError where a file can't be written.
    """
    plan = report.study.plan
    name = file_name(plan.name)
    with written_together(folder, last=RESULTS_FILE) as beside:
        write_workbook(report, beside / f"{name}.xlsx", draw_pictures(report, beside))
        (beside / data.FOLDER).mkdir()
        for file, text in data.data_files(report).items():
            (beside / data.FOLDER / file).write_text(text, encoding="utf-8", newline="\n")
        if report.delivery is not None and report.lots is not None:
            pages = lot_pages(report.delivery, report.lots)
            (beside / f"{name}-lots.pdf").write_bytes(
                pdf_of(pages, title=f"{plan.name}: lots", metric=plan.units.is_si)
            )
        (beside / RESULTS_FILE).write_text(results_text(report), encoding="utf-8", newline="\n")
        if report.buying is not None:
            (beside / "purchase.csv").write_text(purchase_csv(report.buying), encoding="utf-8", newline="\n")
        made = [folder / file for file in files_below(beside)]
    return made
