"""The Excel workbook for who standardizes and designs: what to build, whether it is right, what it costs.

Text from the plan is written as text and never as a formula. The same report gives the same bytes.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from tractduct.report import Report
from tractduct.writers.book.answer import WIDTHS, answer_sheet
from tractduct.writers.book.basis import basis_sheet, findings_sheet
from tractduct.writers.book.cost import cost_sheet
from tractduct.writers.book.delivered import delivered_sheet, margins_sheet
from tractduct.writers.book.direction import direction_sheet, lots_sheet
from tractduct.writers.book.flex import flex_sheet
from tractduct.writers.book.layout import Book
from tractduct.writers.book.marks import marks_sheet
from tractduct.writers.book.pencil import pencil_sheet
from tractduct.writers.book.saving import save
from tractduct.writers.book.sizing import rooms_sheet, sizes_sheet, tree_sheet


def write_workbook(report: Report, path: Path, pictures: Mapping[str, Path] | None = None) -> None:
    """Write the workbook of a report.

    ``pictures``: name -> PNG file, as ``draw_pictures`` returns them; those that are missing are left out.
    """
    study, delivery, turned = report.study, report.delivery, report.orientation
    drawn = pictures or {}
    book = Book(study.plan.name, study.plan.units)
    answer = book.sheet("Answer", WIDTHS, portrait=True)
    if study.sized is not None:
        sizes_sheet(book, study)
    if delivery is not None:
        marks_sheet(book, delivery, report.lots, drawn.get("marks"))
    if "duct_tree" in drawn:
        tree_sheet(book, drawn["duct_tree"])
    pencil_sheet(book, study)
    rooms_sheet(book, study, drawn.get("rooms_by_front"))
    if turned is not None:
        direction_sheet(book, turned, drawn.get("every_degree"))
    if study.sized is not None:
        cost_sheet(book, report, drawn.get("cost"))
    if delivery is not None:
        delivered_sheet(book, delivery, drawn.get("delivered"))
    flex_sheet(book, report, drawn.get("substitution"))
    if study.sized is not None:
        margins_sheet(book, report)
    if turned is not None and turned.lots:
        lots_sheet(book, turned)
    findings_sheet(book, report)
    basis_sheet(book, study)
    answer_sheet(answer, report)
    for page in book.pages:
        page.squeeze()
    save(book, path)
