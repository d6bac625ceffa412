"""Reading a written PDF with pypdf: the rows of its pages by where their words stand, and its fonts."""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import Any

import pypdf


@dataclass(frozen=True)
class Sheet:
    """A page: (left, bottom, right, top) in points, and its rows of words from left to right, the highest first.

    A part that is drawn once and put on many pages has its rows after the page's own. ``places``: how high on the
    paper each word stands; ``turned``, ``off_paper``: words that do not stand upright, or that begin off the paper.
    """

    paper: tuple[float, ...]
    rows: list[list[str]]
    places: list[tuple[float, str]]
    turned: list[str]
    off_paper: list[str]

    @property
    def words(self) -> str:
        """All text in one line, so that it doesn't matter where a sentence breaks."""
        return " ".join(" ".join(row) for row in self.rows)

    def row(self, first: str) -> list[str]:
        """The one row that begins with that cell."""
        (found,) = (row for row in self.rows if row[0] == first)
        return found

    def below(self, header: str) -> list[list[str]]:
        """The rows below the one that begins with that cell."""
        at = next(n for n, row in enumerate(self.rows) if row[0] == header)
        return self.rows[at + 1 :]


def read_pdf(data: bytes) -> list[Sheet]:
    return [_read(page) for page in pypdf.PdfReader(io.BytesIO(data)).pages]


def _read(page: Any) -> Sheet:
    found: dict[tuple[str, int], list[tuple[float, str]]] = {}
    paper = tuple(float(x) for x in page.mediabox)
    sheet = Sheet(paper=paper, rows=[], places=[], turned=[], off_paper=[])
    part, corner = [""], [0.0, 0.0]

    def enter(operator: bytes, operands: list[Any], at: list[float], _: object) -> None:
        if operator == b"Do":
            part[0], corner[:] = str(operands[0]), at[4:6]

    def leave(operator: bytes, *_: object) -> None:
        if operator == b"Do":
            part[0], corner[:] = "", (0.0, 0.0)

    def keep(text: str, at: list[float], inner: list[float], font: object, size: float) -> None:
        words = " ".join(text.split())
        if not words:
            return
        x = at[0] * inner[4] + at[2] * inner[5] + at[4]
        y = at[1] * inner[4] + at[3] * inner[5] + at[5]
        found.setdefault((part[0], -round(y)), []).append((x, words))
        sheet.places.append((y + corner[1], words))
        if abs(at[1] * inner[0] + at[3] * inner[1]) > 1e-6 or at[0] * inner[0] + at[2] * inner[1] <= 0.0:
            sheet.turned.append(words)
        if not (0.0 < x + corner[0] < paper[2] and 0.0 < y + corner[1] < paper[3]):
            sheet.off_paper.append(words)

    page.extract_text(visitor_text=keep, visitor_operand_before=enter, visitor_operand_after=leave)
    sheet.rows.extend([words for _, words in sorted(found[key])] for key in sorted(found))
    return sheet


def fonts_of(data: bytes) -> dict[str, bool]:
    """Name -> whether it is embedded, of every font that a page or a part of it may use."""
    found: dict[str, bool] = {}

    def look(resources: Any) -> None:
        for font in resources.get("/Font", {}).values():
            described = font.get_object().get("/FontDescriptor", {})
            found[font.get_object()["/BaseFont"].split("+")[-1].strip("/")] = "/FontFile2" in described
        for part in resources.get("/XObject", {}).values():
            if "/Resources" in part.get_object():
                look(part.get_object()["/Resources"])

    for page in pypdf.PdfReader(io.BytesIO(data)).pages:
        look(page["/Resources"])
    return found
