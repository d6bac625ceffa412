"""All files of a study into one folder: whole, or not at all."""

from __future__ import annotations

from pathlib import Path

from tractduct.delivery.deliver import Delivery
from tractduct.delivery.lots import LotDelivery
from tractduct.files import file_name
from tractduct.one_plan import Study
from tractduct.purchasing.buy import Buying
from tractduct.writers.orientation_pictures import draw_orientation_pictures
from tractduct.writers.pictures import draw_pictures
from tractduct.writers.purchasing_tables import purchase_csv
from tractduct.writers.results import RESULTS_FILE, results_text
from tractduct.writers.together import written_together
from tractduct.writers.workbook import write_workbook


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

    ``installed`` names the flex product that the balancing sheets are for. An earlier result stays whole until the new
    one is. Raises OutputError where a file can't be written.
    """
    with written_together(folder, last=RESULTS_FILE) as beside:
        pictures = draw_pictures(study, beside, delivery)
        book = beside / f"{file_name(study.plan.name)}.xlsx"
        orientation = lots.orientation if lots else None
        turned = draw_orientation_pictures(orientation, beside) if orientation else None
        write_workbook(study, book, pictures, delivery, installed, buying, lots, turned)
        text = results_text(study, delivery, buying=buying, orientation=orientation)
        (beside / RESULTS_FILE).write_text(text, encoding="utf-8", newline="\n")
        if buying is not None:
            (beside / "purchase.csv").write_text(purchase_csv(buying), encoding="utf-8", newline="\n")
        made = [folder / path.name for path in sorted(beside.iterdir()) if not path.name.startswith(".")]
    return made
