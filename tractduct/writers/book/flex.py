"""The sheet Flex products: what each needs, and what it does where another one was designed for."""

from __future__ import annotations

from itertools import product
from pathlib import Path

from tractduct.delivery.deliver import Delivery
from tractduct.one_plan import Study
from tractduct.report import Report
from tractduct.sizing.program import DIAMETER_TOLERANCE_IN
from tractduct.writers import delivery_tables, tables
from tractduct.writers.book.basis import PRODUCT_COLUMNS, product_cells
from tractduct.writers.book.cost import covering
from tractduct.writers.book.delivered import drive_words
from tractduct.writers.book.layout import Book, Page
from tractduct.writers.book.looks import LABEL, LARGER, SMALLER, TEXT, Column
from tractduct.writers.book.marks import list_marks, mark_columns
from tractduct.writers.listing import Rows

WIDTHS = (16, 20, 20, 14, 22, 12, 12, 40)
LOSS_FROM_PCT, LOSS_BAD_PCT = 5.0, 15.0  # a room's loss that is pointed out, and that is a large one


def flex_sheet(book: Book, report: Report, picture: Path | None) -> None:
    """Only for a plan with flex."""
    plan = report.study.plan
    flex = [f for f in plan.flex if f]
    if not flex:
        return
    page = book.sheet(
        "Flex products",
        WIDTHS,
        "Flex products",
        "What each approved product would need alone, what it costs that one set covers them all, and what a room "
        "loses where another product is installed than was designed for.",
    )
    if report.delivery is not None and report.delivery.substitutions:
        _substituted(page, report.delivery, picture)
    covering(page, report.study, "flex", "What covering each product costs")
    _own_sizes(page, report.study, flex)
    arrived = delivery_tables.arrived_flex(report)
    if report.delivery is not None and arrived:
        _not_approved(page, report, report.delivery, arrived)
    fixed = [s.product for s in plan.sections if s.product]
    use = {row["flex"]: "not approved" for row in arrived} | dict.fromkeys(fixed, "fixed for some sections")
    use = dict.fromkeys(flex, "approved") | {f: words for f, words in use.items() if f not in flex}
    page.heading("The products")
    columns = [Column("Product", LABEL), *PRODUCT_COLUMNS, *([Column("Use", TEXT)] if len(use) > len(flex) else [])]
    rows = [[f, *product_cells(plan.ducts[f]), words] for f, words in use.items()]
    page.table(columns, [row[: len(columns)] for row in rows])


def _not_approved(page: Page, report: Report, delivery: Delivery, arrived: Rows) -> None:
    """Products that arrived on lots and are not approved: what marks of their own leave outside, and these marks."""
    page.heading(
        "Arrived on lots, and not approved",
        "No size set is proven for such a product. On the sizes of the standard set it gets damper marks of its own; "
        "what a hood should then read stands on the pages of those lots. Approve it in [variants] flex to size for it. "
        "Each mark with its targets: data/marks_of_other_flex.csv.",
    )
    page.show(delivery_tables.other_flex, report, arrived)
    columns, marks = mark_columns(delivery, ("mark_deg",)), delivery_tables.marks_of_other_flex.rows(report)
    products = [row["flex"] for row in arrived]
    for other in report.lots.other_flex if report.lots is not None else ():
        if other.flex in products:
            mine = [row for row in marks if row["flex"] == other.flex]
            list_marks(page, other.marks, mine, columns, f" with {other.flex}")


def _substituted(page: Page, delivery: Delivery, picture: Path | None) -> None:
    page.heading(
        "Designed for one product, another one installed in the same sizes",
        "The sizes are those that the plan would get if only the designed product were approved; the standard set "
        f"covers all of them. {drive_words(delivery)} All dampers open. Sections up and extra cost: the least-cost set "
        f"for the installed product in which no section gets smaller. Pale orange: a room loses over {LOSS_FROM_PCT:g} "
        f"%; bold: over {LOSS_BAD_PCT:g} %. Room by room: data/substitution_by_room.csv.",
    )
    page.image(picture, most_rows=18)
    body = page.show(delivery_tables.substitution_pairs, delivery)
    page.mark_low(body, "worst_change_pct", -LOSS_BAD_PCT, -LOSS_FROM_PCT, first="worst_change_pct")


def _own_sizes(page: Page, study: Study, flex: list[str]) -> None:
    """Sections in which a product alone would get another size than the standard."""
    rows, columns = tables.sizes_by_flex.rows(study), tables.sizes_by_flex.columns(study)
    keys = [f"own_size_{f}" for f in flex]
    diameter = study.plan.diameter_by_size
    if study.sized is not None:
        for row, key in product(rows, keys):
            if row[key] and abs(diameter[row[key]] - diameter[row["size"]]) <= DIAMETER_TOLERANCE_IN:
                row[key] = ""
        rows = [row for row in rows if any(row[key] for key in keys)]
    page.heading(
        "Size that each product alone would get by the friction-rate method",
        "Flex sections in which it differs from the standard, ▲ larger or ▼ smaller; the largest over fronts, mirrors "
        "and seasons. All: data/sizes_by_flex.csv.",
    )
    looks = {
        (r, n): LARGER if diameter[row[c.key]] > diameter[row["size"]] else SMALLER
        for n, c in enumerate(columns)
        if c.key in keys and study.sized is not None
        for r, row in enumerate(rows)
        if row[c.key]
    }
    page.listing(columns, rows, looks, nothing="None differs.")
