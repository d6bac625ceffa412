"""Every long list of a report as a CSV file, and a list of all their columns."""

from __future__ import annotations

from typing import Any

from tractduct.report import Report
from tractduct.writers import delivery_tables, orientation_tables, tables
from tractduct.writers.csv_text import csv_text
from tractduct.writers.listing import Listing

FOLDER, COLUMNS_FILE = "data", "columns.csv"


def data_files(report: Report) -> dict[str, str]:
    """File name -> CSV text in the plan's units, of every list that has rows; ``columns.csv`` says what is in them."""
    lists: tuple[tuple[tuple[Listing[Any], ...], object], ...] = (
        (tables.LISTS, report.study),
        (delivery_tables.LISTS, report.delivery),
        (orientation_tables.LISTS, report.orientation),
        (delivery_tables.OF_REPORT, report),
        ((tables.findings,), report),
    )
    files: dict[str, str] = {}
    columns = [("file", "column", "unit", "meaning")]
    for one, subject in ((one, subject) for of_one, subject in lists if subject for one in of_one):
        text = one.csv(subject)
        if text:
            files[f"{one.name}.csv"] = text
            columns += one.documented(subject)
    return {COLUMNS_FILE: csv_text(columns), **dict(sorted(files.items()))}
