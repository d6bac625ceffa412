"""Reading a written PDF with pypdf: the rows of its pages by where their words stand, and its fonts."""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import Any

import pypdf


@dataclass(frozen=True)
class Sheet:
    """A page: (left, bottom, right, top) in points, and its rows of words from left to right, the highest first.

    What is drawn once and put on many pages counts from its own corner.
    """

    paper: tuple[float, ...]
    rows: list[list[str]]

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
    return [
        Sheet(paper=tuple(float(x) for x in page.mediabox), rows=_rows(page))
        for page in pypdf.PdfReader(io.BytesIO(data)).pages
    ]


def _rows(page: Any) -> list[list[str]]:
    found: dict[tuple[str, int], list[tuple[float, str]]] = {}
    part = [""]

    def enter(operator: bytes, operands: list[Any], *_: object) -> None:
        if operator == b"Do":
            part[0] = str(operands[0])

    def leave(operator: bytes, *_: object) -> None:
        if operator == b"Do":
            part[0] = ""

    def keep(text: str, at: list[float], inner: list[float], font: object, size: float) -> None:
        words = " ".join(text.split())
        if words:
            x = at[0] * inner[4] + at[2] * inner[5] + at[4]
            y = at[1] * inner[4] + at[3] * inner[5] + at[5]
            found.setdefault((part[0], -round(y)), []).append((x, words))

    page.extract_text(visitor_text=keep, visitor_operand_before=enter, visitor_operand_after=leave)
    return [[words for _, words in sorted(found[key])] for key in sorted(found)]


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
