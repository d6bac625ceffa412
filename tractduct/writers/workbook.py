"""The Excel workbook: what to build, what it costs, what to watch, what each room gets, and a pencil check.

Text from the plan is written as text and never as a formula. The same study gives the same bytes.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from tractduct.report import Report
from tractduct.writers.book.answer import ANSWER_WIDTHS, NO_ANSWER_WIDTHS, answer_sheet
from tractduct.writers.book.basis import basis_sheet, findings_sheet
from tractduct.writers.book.choices import flex_sheet, fronts_sheet, sizes_and_cost_sheet
from tractduct.writers.book.delivered import (
    delivered_all_sheet,
    delivered_sheet,
    robustness_sheet,
    substitution_by_room_sheet,
    substitution_sheet,
    system_sheet,
)
from tractduct.writers.book.facts import Facts
from tractduct.writers.book.layout import Book
from tractduct.writers.book.lots import lots_by_room_sheet, lots_sheet
from tractduct.writers.book.marks import marks_sheet
from tractduct.writers.book.orientation import orientation_sheets
from tractduct.writers.book.pencil import lengths_sheet, pencil_sheet
from tractduct.writers.book.saving import save
from tractduct.writers.book.sizing import (
    all_variants_sheet,
    rooms_by_front_sheet,
    sizes_sheet,
    spare_air_sheet,
    tightest_sheet,
)
from tractduct.writers.orientation_pictures import OrientationPictures

# Name of a picture -> its sheet and what it shows.
PICTURES = {
    "duct_tree": (
        "Duct tree",
        "From the air handler on the left to the rooms on the right, with each section's size and airflow. The "
        "airflow is the largest over all variants, so sections need not add up to those before them.",
    ),
    "orientation": (
        "Rooms picture",
        "How far each room's airflow turns with the house; the most sensitive room at the top.",
    ),
    "delivered": (
        "Delivered picture",
        "What each room gets before balancing in every variant, against its design airflow and tolerance.",
    ),
}


def write_workbook(
    report: Report,
    path: Path,
    pictures: Mapping[str, Path] | None = None,
    turned: OrientationPictures | None = None,
) -> None:
    """Write the workbook of a report.

    Parameters
    ----------
    pictures : name -> PNG file, as ``draw_pictures`` returns them; those that are missing are left out
    turned : the pictures of the report's orientation study
    """
    study, delivery, orientation = report.study, report.delivery, report.orientation
    facts = Facts(report)
    book = Book(study.plan.name, study.plan.units)
    answer = book.sheet("Answer", ANSWER_WIDTHS if facts.has_set else NO_ANSWER_WIDTHS, portrait=True)

    def picture(name: str) -> None:
        if pictures and name in pictures:
            book.picture(*PICTURES[name], pictures[name])

    if facts.has_set:
        sizes_sheet(book, facts)
    if delivery is not None:
        marks_sheet(book, delivery)
    picture("duct_tree")
    pencil_sheet(book, facts, lengths_sheet(book, facts))
    if facts.has_set:
        tightest_sheet(book, facts)
    rooms_by_front_sheet(book, facts)
    picture("orientation")
    if orientation is not None:
        orientation_sheets(book, orientation, turned)
    flex_sheet(book, facts)
    if facts.has_set:
        fronts_sheet(book, facts)
        sizes_and_cost_sheet(book, facts)
        spare_air_sheet(book, facts)
    if delivery is not None:
        delivered_sheet(book, delivery)
        picture("delivered")
        system_sheet(book, facts, delivery)
        substitution_sheet(book, delivery)
        substitution_by_room_sheet(book, delivery)
        robustness_sheet(book, delivery)
    findings_sheet(book, facts)
    basis_sheet(book, facts)
    if orientation is not None and orientation.lots:
        lots_sheet(book, orientation)
    # The long lists stand last, so that they need not be printed.
    if facts.has_set:
        all_variants_sheet(book, facts)
    if delivery is not None:
        delivered_all_sheet(book, delivery)
    if orientation is not None:
        lots_by_room_sheet(book, orientation)
    answer_sheet(answer, facts)
    save(book, path)
