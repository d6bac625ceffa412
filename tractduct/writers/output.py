"""All files of a report into one folder: whole, or not at all."""

from __future__ import annotations

from pathlib import Path

from tractduct.files import file_name
from tractduct.report import Report
from tractduct.systems import HouseReport
from tractduct.writers.lot_pages import pdf_of
from tractduct.writers.lot_sheets import lot_pages
from tractduct.writers.orientation_pictures import draw_orientation_pictures
from tractduct.writers.pictures import draw_pictures
from tractduct.writers.purchasing_tables import purchase_csv
from tractduct.writers.results import RESULTS_FILE, results_text
from tractduct.writers.together import written_together
from tractduct.writers.workbook import write_workbook


def write_house(house: HouseReport, folder: Path) -> list[Path]:
    """Write results.json of the whole house into a folder, and all that ``write_report`` does below it by system."""
    made = []
    for system, report in zip(house.plan.systems, house.reports, strict=True):
        made += write_report(report, folder / file_name(system.name))
    with written_together(folder, last=RESULTS_FILE) as beside:
        (beside / RESULTS_FILE).write_text(results_text(house), encoding="utf-8", newline="\n")
    return [*made, folder / RESULTS_FILE]


def write_report(report: Report, folder: Path) -> list[Path]:
    """Write results.json, the workbook and the pictures; returns their paths.

    With a delivery, the pages of every lot too, as a PDF of all; with ``buying``, purchase.csv. An earlier result stays
    whole until the new one is. Raises OutputError where a file can't be written.
    """
    plan = report.study.plan
    name = file_name(plan.name)
    with written_together(folder, last=RESULTS_FILE) as beside:
        pictures = draw_pictures(report.study, beside, report.delivery)
        turned = draw_orientation_pictures(report.orientation, beside) if report.orientation else None
        write_workbook(report, beside / f"{name}.xlsx", pictures, turned)
        if report.delivery is not None and report.lots is not None:
            pages = lot_pages(report.delivery, report.lots)
            (beside / f"{name}-lots.pdf").write_bytes(
                pdf_of(pages, title=f"{plan.name}: lots", metric=plan.units.is_si)
            )
        (beside / RESULTS_FILE).write_text(results_text(report), encoding="utf-8", newline="\n")
        if report.buying is not None:
            (beside / "purchase.csv").write_text(purchase_csv(report.buying), encoding="utf-8", newline="\n")
        made = [folder / path.name for path in sorted(beside.iterdir()) if not path.name.startswith(".")]
    return made
