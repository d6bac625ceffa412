"""The workbook for purchasing: which list is which, what another flex changes, products, stock and orders."""

from __future__ import annotations

from pathlib import Path

from tractduct.report import Report
from tractduct.writers.book.layout import Book
from tractduct.writers.book.purchasing import OVERVIEW, buy_sheets, comparison_sheet, overview_sheet, stock_sheet
from tractduct.writers.book.saving import save


def write_order(report: Report, path: Path) -> None:
    """Write the purchase lists of a report with ``buying``; the same report gives the same bytes."""
    assert report.buying is not None
    book = Book(report.study.plan.name, report.study.plan.units, report.stamp)
    first = book.sheet(OVERVIEW, (21, 15, 20, 14, 14, 14, 14, 32))
    buy_sheets(book, report.buying)
    comparison_sheet(book, report.buying)
    stock_sheet(book, report.buying)
    overview_sheet(first, report, report.buying)
    save(book, path)
