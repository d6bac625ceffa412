"""The demo's workbook as its readers get it: so many sheets and pages, and what LibreOffice makes of its formulas."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import openpyxl
import pypdf
import pytest
from surface_plans import demo_orientation, demo_study

from tractduct.delivery.damper_search import DamperEntry, DamperFront
from tractduct.delivery.deliver import deliver
from tractduct.report import Report
from tractduct.writers.pictures import draw_pictures
from tractduct.writers.workbook import write_workbook

MOST_SHEETS, MOST_PAGES = 14, 25
OFFICE = shutil.which("soffice")


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """With every sheet; of sizes and dampers searched together only as many rows as there are, not their numbers."""
    study, folder = demo_study(), tmp_path_factory.mktemp("demo")
    assert study.sized is not None
    delivery = deliver(study)
    entries = tuple(
        DamperEntry(
            size_index=study.sized.size_index,
            settings=np.zeros((2, len(study.tree.runs)), dtype=np.intp),
            dampers=n,
            positions=2,
            duct_cost=1390.0 - n,
            cost=1390.0 + 19.0 * n,
            bound=1385.0,
            distinct_sizes=14,
            rooms_outside=9 - n,
            worst_tolerances=2.0 - 0.1 * n,
            delivered=delivery.open_dampers,
        )
        for n in range(10)
    )
    delivery = replace(delivery, by_dampers=DamperFront(entries=entries, simulated=0))
    report = Report(study=study, delivery=delivery, orientation=demo_orientation())
    write_workbook(report, folder / "demo.xlsx", draw_pictures(report, folder))
    return folder / "demo.xlsx"


def converted(kind: str, folder: Path, *paths: Path) -> list[Path]:
    """What LibreOffice makes of workbooks, with a profile of its own; one start takes longer than some workbooks."""
    profile = f"-env:UserInstallation=file://{folder}/profile"
    subprocess.run(
        [str(OFFICE), profile, "--headless", "--convert-to", kind, "--outdir", str(folder), *map(str, paths)],
        check=True,
        capture_output=True,
        timeout=180,
    )
    return [folder / f"{path.stem}.{kind}" for path in paths]


def test_number_of_sheets(book: Path) -> None:
    names = openpyxl.load_workbook(book, read_only=True).sheetnames
    assert len(names) <= MOST_SHEETS
    assert names[0] == "Answer"


@pytest.mark.skipif(OFFICE is None, reason="LibreOffice is not installed")
def test_number_of_pages(book: Path, tmp_path: Path) -> None:
    """On letter paper; the answer on one page, with the sentence that matters first."""
    pages = pypdf.PdfReader(*converted("pdf", tmp_path, book)).pages
    assert len(pages) <= MOST_PAGES
    footers = [page.extract_text() for page in pages]
    assert [n for n, words in enumerate(footers) if "What to build and what it costs" in words] == [0]
    assert "All 16 rooms are within tolerance on every lot" in footers[0]
    assert "Basis: inputs, method, sources, cautions" not in footers[0]
    assert all(float(page.mediabox.width) in (612.0, 792.0) for page in pages)  # points of 8.5 and 11 in


@pytest.mark.skipif(OFFICE is None, reason="LibreOffice is not installed")
def test_libreoffice_comes_to_the_stored_values(book: Path, tmp_path: Path) -> None:
    """Of a copy without stored values, so that it has to work out each formula."""
    live = openpyxl.load_workbook(book)
    live.save(tmp_path / "bare.xlsx")
    (tmp_path / "out").mkdir()
    done = openpyxl.load_workbook(*converted("xlsx", tmp_path / "out", tmp_path / "bare.xlsx"), data_only=True)
    stored = openpyxl.load_workbook(book, data_only=True)
    number = 0
    for sheet in live.worksheets:
        for row in sheet.iter_rows():
            for cell in row:
                if cell.data_type == "f":
                    value, found = (b[sheet.title][cell.coordinate].value for b in (stored, done))
                    wanted = value if isinstance(value, str) else pytest.approx(value, rel=1e-5, abs=1e-6)
                    assert found == wanted, (sheet.title, cell.coordinate)
                    number += 1
    assert number > 300
