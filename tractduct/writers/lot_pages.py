"""The pages of a lot, for the crew and the balancer: page 1 builds it, page 2 balances it.

Drawn for printing in black and white. The street side is down, as the crew stands in front of the house; the north
arrow turns instead. The same input gives the same bytes.
"""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Hashable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache, lru_cache, partial
from itertools import pairwise, product
from pathlib import Path
from typing import Any

import matplotlib
from reportlab import rl_config
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.pdfgen.pathobject import PDFPathObject

from tractduct.model.lots import RoomOutline
from tractduct.writers.pdf_split import split_pages

FONT, BOLD = "tractduct", "tractduct-bold"
MARGIN = 30.0  # points
HEAD_POINTS, SUB_POINTS, SMALL_POINTS = 15.0, 10.5, 7.0
TEXT_POINTS, LEAST_TEXT_POINTS = 9.5, 9.0  # numbers are read at arm's length, over a register
LABEL_POINTS, ROOM_POINTS = 9.0, (8.0, 7.0, 6.0)  # on the drawing
LINE = 1.18  # a line's height over its letters'
CELL = 5.0  # points that a cell is wider than its text
LEAST_PAD, BUILD_PAD, BALANCE_PAD = 0.8, 5.0, 9.0  # points between the rows of a table
LEAST_PICTURE, GOOD_PICTURE = 185.0, 300.0  # points high; below the least a long table goes on a page of its own
MOST_LABEL_POINTS = 60.0  # of a section's name on the drawing
HANDLER = "air handler"
LEAST_POINTS = 6.0  # below this a text is cut
STEP, MOST_ROWS_TRIED = 4.0, 80  # points between widths that are tried for a column, and rows on which
BLANK_HIGH, RULED_WIDE = 29.0, 44.0  # of a box to write in, and of a cell
GREY, PALE = 0.35, 0.93

Box = tuple[float, float, float, float]  # left, bottom, right, top
Point = tuple[float, float]
Step = tuple[Point, Point]


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """Where a section lies on a floor: its points in feet, from the air handler outwards.

    ``ends_at``: ``register``, ``grille`` or empty; ``starts_at_handler``: it joins the air handler.
    """

    label: str
    floor: str
    points_ft: tuple[Point, ...]
    is_flex: bool
    diameter_in: float
    ends_at: str = ""
    starts_at_handler: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """The floors of a house as built, mirrored already. Empty where the plan has no room outlines."""

    outlines: tuple[RoomOutline, ...] = ()
    courses: tuple[Course, ...] = ()

    @property
    def floors(self) -> list[str]:
        return sorted({o.floor for o in self.outlines})


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column of a table: its header and how its cells stand."""

    header: str
    align: str = "left"
    bold: bool = False
    words: bool = False  # may be broken into lines
    ruled: bool = False  # boxed, to be written in


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table to print; ``bands`` are words over runs of columns: (words, number of columns), ``below`` lines under."""

    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]
    bands: tuple[tuple[str, int], ...] = ()
    totals: tuple[str, ...] = ()
    below: tuple[str, ...] = ()

    def is_head(self, row: int) -> bool:
        """Whether a row, counted from the header on, is the header or the totals."""
        return row == 0 or row > len(self.rows)


@dataclass(frozen=True, slots=True, kw_only=True)
class LotPages:
    """What stands on the pages of one lot.

    Attributes
    ----------
    name, plan : of the lot and of the plan
    subtitle : which way it faces, mirrored or not, flex
    front_azimuth_deg : of its front, clockwise from north
    verdict, sure : what to know before building; ``sure`` is False where it must catch the eye
    drawing, build : page 1
    steps, balance, blanks : page 2: what to do, the runs, what to write down (label, what is expected); no page 2
        where ``balance`` is None, and ``steps`` then say why on page 1
    notes : under both pages
    stamp : what the pages were made from
    """

    name: str
    plan: str
    subtitle: str
    front_azimuth_deg: float
    verdict: str
    sure: bool
    drawing: Drawing
    build: Table
    steps: tuple[str, ...]
    balance: Table | None
    blanks: tuple[tuple[str, str], ...]
    notes: tuple[str, ...]
    stamp: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Printed:
    """A PDF of lots, one after another, and how many pages each has."""

    data: bytes
    counts: tuple[int, ...]

    def apart(self) -> Iterator[bytes]:
        """A PDF of each lot."""
        return split_pages(self.data, self.counts)


def print_lots(lots: Sequence[LotPages], *, title: str, metric: bool = False) -> Printed:
    """The pages of some lots as a PDF on US letter, or on A4. Text can be selected; fonts are embedded."""
    _fonts()
    out = io.BytesIO()
    paper = A4 if metric else LETTER
    # Else reportlab's own first font, which is not embedded, is named on every page.
    first: Any = FONT  # a name, whatever its annotation says
    was, rl_config.useA85 = rl_config.useA85, 0  # bytes as they are: a twentieth smaller, and quicker
    try:
        canvas = Canvas(out, pagesize=paper, invariant=1, pageCompression=1, initialFontName=first)
        canvas.setTitle(title)
        canvas.setAuthor("tractduct")
        canvas.setSubject("What to build and how to balance it, lot by lot")
        drawn: dict[Hashable, str] = {}
        counts = tuple(_Lot(canvas, paper, lot, drawn).draw() for lot in lots)
        canvas.save()
    finally:
        rl_config.useA85 = was
    return Printed(data=out.getvalue(), counts=counts)


@cache
def _fonts() -> None:
    """DejaVu Sans, which matplotlib ships: letters of most languages, so that any room has its name."""
    folder = Path(matplotlib.get_data_path(), "fonts", "ttf")
    pdfmetrics.registerFont(TTFont(FONT, str(folder / "DejaVuSans.ttf")))
    pdfmetrics.registerFont(TTFont(BOLD, str(folder / "DejaVuSans-Bold.ttf")))


@lru_cache(maxsize=1 << 16)  # lots say much of the same
def width_of(text: str, points: float, font: str = FONT) -> float:
    """Width of a line of text in points."""
    _fonts()
    return float(pdfmetrics.stringWidth(text, font, points))


@lru_cache(maxsize=1 << 16)
def wrapped(text: str, width: float, points: float, font: str = FONT) -> tuple[str, ...]:
    """Lines of a text that are no wider than ``width``; a word that is too long is cut."""
    lines: list[str] = []
    for word in text.split():
        if lines and width_of(f"{lines[-1]} {word}", points, font) <= width:
            lines[-1] += f" {word}"
        else:
            lines.append(_cut(word, width, points, font))
    return tuple(lines) or ("",)


@lru_cache(maxsize=1 << 16)
def _cut(text: str, width: float, points: float, font: str) -> str:
    if width_of(text, points, font) <= width:
        return text
    while text and width_of(text + "…", points, font) > width:
        text = text[:-1]
    return text + "…"


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """A table's widths by column, its lines by row and cell (header first, totals last), what is below, and heights."""

    points: float
    widths: tuple[float, ...]
    rows: tuple[tuple[tuple[str, ...], ...], ...]
    below: tuple[str, ...]
    row_heights: tuple[float, ...]

    def high(self, pad: float) -> float:
        return sum(self.row_heights) + pad * len(self.row_heights) + self.points * LINE * len(self.below)


@lru_cache(maxsize=256)
def fit(table: Table, across: float, points: float) -> Fitted:
    """A table in a space so wide, in as few lines as there can be; words are set a little smaller than numbers."""
    columns = table.columns
    body = [tuple(c.header for c in columns), *table.rows, *([table.totals] if table.totals else [])]
    sizes = [points - 1.0 if c.words else points for c in columns]

    def width(row: int, k: int, text: str) -> float:
        bold = columns[k].bold or table.is_head(row)
        return width_of(text, sizes[k], BOLD if bold else FONT) + CELL

    least = [
        max(RULED_WIDE, width(0, k, c.header)) if c.ruled else max(width(0, k, word) for word in c.header.split())
        for k, c in enumerate(columns)
    ]
    cells = [sorted({width(n, k, row[k]) for n, row in enumerate(body) if n}) for k in range(len(columns))]
    for k in (k for k, c in enumerate(columns) if c.words):  # no word is cut for the sake of others
        longest = max((width(n, k, word) for n, row in enumerate(body) for word in row[k].split()), default=0.0)
        least[k] = max(least[k], min(longest, 0.3 * across))
    widths = [max([least[k], *(cells[k][-1:] if not c.words else [])]) for k, c in enumerate(columns)]
    free = [k for k, c in enumerate(columns) if c.words]
    if free:
        rest = across - sum(w for k, w in enumerate(widths) if k not in free)
        # All but the last are as wide as one of their cells; the last has what is left.
        choices = [
            sorted({least[k], *(STEP * math.ceil(w / STEP) for w in cells[k] if least[k] <= w <= 0.6 * rest)})
            for k in free[:-1]
        ]
        texts = sorted({tuple(row[k] for k in free) for row in table.rows})
        texts = texts[:: -(-len(texts) // MOST_ROWS_TRIED) or 1]
        found = []
        for chosen in product(*choices):
            tried = [*chosen, max(rest - sum(chosen), least[free[-1]])]
            lines = sum(
                max(len(wrapped(text, w - CELL, sizes[k])) for text, w, k in zip(row, tried, free, strict=True))
                for row in texts
            )
            found.append((sum(tried) > rest + 1e-6, lines, tried))
        for k, w in zip(free, min(found)[-1], strict=True):
            widths[k] = min(w, max([least[k], *cells[k]]))
    in_one_line = [max(w, width(0, k, c.header)) for k, (w, c) in enumerate(zip(widths, columns, strict=True))]
    if sum(in_one_line) <= across:
        widths = in_one_line
    spare = across - sum(widths)
    widths = [w + spare / len(widths) if spare > 0.0 else w * across / sum(widths) for w in widths]
    rows = tuple(
        tuple(
            wrapped(text, w - CELL, size, BOLD if n == 0 else FONT) if n == 0 or c.words else (text,)
            for text, c, w, size in zip(row, columns, widths, sizes, strict=True)
        )
        for n, row in enumerate(body)
    )
    return Fitted(
        points=points,
        widths=tuple(widths),
        rows=rows,
        below=tuple(line for text in table.below for line in wrapped(text, across - CELL, points - 1.0)),
        row_heights=tuple(max(len(cell) * size * LINE for cell, size in zip(row, sizes, strict=True)) for row in rows)
        + ((points * LINE,) if table.bands else ()),
    )


class _Lot:
    """The pages of one lot on a canvas."""

    def __init__(self, canvas: Canvas, paper: tuple[float, float], lot: LotPages, drawn: dict[Hashable, str]) -> None:
        self.canvas, self.lot, self.drawn = canvas, lot, drawn
        self.wide, self.high = paper
        self.left, self.right = MARGIN, self.wide - MARGIN
        self.across = self.right - self.left
        self.bottom = MARGIN + 10.0 * len(self._foot_lines()) + 12.0

    def draw(self) -> int:
        """Draw all of its pages; returns how many."""
        pages: list[Callable[[], None]] = [*self._build_parts(), *self._balance_parts()]
        for number, page in enumerate(pages, start=1):
            page()
            self._foot(number, len(pages))
            self.canvas.showPage()
        return len(pages)

    # -- page 1 ------------------------------------------------------------------------------------------

    def _build_parts(self) -> Iterator[Callable[[], None]]:
        """Page 1, and what of its table does not fit on it."""
        table = self.lot.build
        room = self.high - MARGIN - 44.0 - 13.0 * len(self._head_lines()) - self.bottom
        if self.lot.drawing.outlines:
            for points in (TEXT_POINTS, LEAST_TEXT_POINTS):
                if fit(table, self.across, points).high(LEAST_PAD) + LEAST_PICTURE <= room:
                    yield partial(self._with_picture, room, points)
                    return
            yield lambda: self._picture(self._head() - room, room)
        for part in self._parts(table, room, room):
            yield partial(self._build, part, room)

    def _build(self, table: Table, room: float) -> None:
        self._table(table, self._head(), room, BUILD_PAD)

    def _with_picture(self, room: float, points: float) -> None:
        table = self.lot.build
        fitted = fit(table, self.across, points)
        pad = (room - GOOD_PICTURE - fitted.high(0.0)) / len(fitted.row_heights)
        high = fitted.high(min(max(pad, LEAST_PAD), BUILD_PAD))
        top = self._head()
        self._picture(top - room + high + 6.0, room - high - 6.0)
        draw = partial(self._table, table, high, high, BUILD_PAD, left=0.0, points=points)
        self._once((table, high), high, top - room, draw)

    def _parts(self, table: Table, room: float, last_room: float) -> list[Table]:
        """The table in parts that fit a page each; ``last_room`` is left on the page of the last one."""
        fitted = fit(table, self.across, LEAST_TEXT_POINTS)
        heights = [h + LEAST_PAD for h in fitted.row_heights]
        rows, around = len(table.rows), fitted.high(LEAST_PAD) - sum(heights[1 : 1 + len(table.rows)])
        starts, used = [0], around
        for n in range(rows):
            if used + heights[1 + n] > (last_room if n == rows - 1 else room) and n > starts[-1]:
                starts.append(n)
                used = around
            used += heights[1 + n]
        return [
            replace(table, rows=table.rows[a:b])
            if b == rows
            else replace(table, rows=table.rows[a:b], totals=(), below=())
            for a, b in pairwise([*starts, rows])
        ]

    # -- page 2 ------------------------------------------------------------------------------------------

    def _balance_parts(self) -> Iterator[Callable[[], None]]:
        """Page 2, and further ones for runs that do not fit on it."""
        table = self.lot.balance
        if table is None:
            return
        room = self.high - MARGIN - 44.0 - self._steps_high() - self.bottom
        parts = self._parts(table, room, room - self._blanks_high())
        for n, part in enumerate(parts, start=1):
            yield partial(self._balance, part, n == len(parts))

    def _steps(self) -> list[tuple[str, ...]]:
        return [wrapped(step, self.across - 16.0, TEXT_POINTS) for step in self.lot.steps]

    def _steps_high(self) -> float:
        return 6.0 + sum(12.0 * len(lines) + 2.0 for lines in self._steps())

    def _blanks_high(self) -> float:
        return BLANK_HIGH * ((len(self.lot.blanks) + 2) // 3) + 8.0

    def _balance(self, table: Table, last: bool) -> None:
        lot = self.lot
        top = self._head("Balance")
        for number, lines in enumerate(self._steps(), start=1):
            for k, line in enumerate(lines):
                top -= 12.0
                if k == 0:
                    self._text(self.left, top, f"{number}", TEXT_POINTS, BOLD)
                self._text(self.left + 14.0, top, line, TEXT_POINTS)
            top -= 2.0
        top = self._table(table, top - 6.0, top - 6.0 - self.bottom - self._blanks_high(), BALANCE_PAD) - 8.0
        if not last:
            return
        third = self.across / 3.0
        for n, (label, expected) in enumerate(lot.blanks):
            x, y = self.left + third * (n % 3), top - BLANK_HIGH * (n // 3) - BLANK_HIGH + 3.0
            self.canvas.setLineWidth(0.6)
            self.canvas.rect(x, y, third - 4.0, BLANK_HIGH - 3.0)
            self._text(x + 3.0, y + 17.0, _cut(label, third - 10.0, 8.0, FONT), 8.0)
            if expected:
                self._text(x + third - 7.0, y + 4.0, expected, LEAST_TEXT_POINTS, align="right")

    # -- parts -------------------------------------------------------------------------------------------

    def _head_lines(self) -> Sequence[str]:
        return wrapped(self.lot.verdict, self.across - 8.0, TEXT_POINTS, BOLD) if self.lot.verdict else ()

    def _head(self, what: str = "Build") -> float:
        """The title of a page; returns where the rest begins."""
        canvas, lot = self.canvas, self.lot
        y = self.high - MARGIN - HEAD_POINTS
        word = width_of(what, HEAD_POINTS, BOLD)
        self._text(self.right, y, what, HEAD_POINTS, BOLD, align="right")
        # Smaller before it is cut: lots may differ in the end of their names only.
        title, room = f"Lot {lot.name}: {lot.plan}", self.across - word - 12.0
        points = max(LEAST_POINTS, HEAD_POINTS * min(1.0, room / width_of(title, HEAD_POINTS, BOLD)))
        self._text(self.left, y, _cut(title, room + 1e-6, points, BOLD), points, BOLD)
        self._text(self.left, y - 15.0, _cut(lot.subtitle, self.across, SUB_POINTS, FONT), SUB_POINTS)
        top = y - 21.0
        lines = self._head_lines()
        if lines and what == "Build":
            high = 13.0 * len(lines) + 3.0
            if not lot.sure:
                canvas.setLineWidth(1.5)
                canvas.rect(self.left, top - high - 1.0, self.across, high)
            for n, line in enumerate(lines):
                self._text(self.left + 4.0, top - 13.0 * (n + 1) + 1.0, line, TEXT_POINTS, BOLD)
            top -= high
        return top - 5.0

    def _foot_lines(self) -> list[str]:
        return [line for note in self.lot.notes for line in wrapped(note, self.across, SMALL_POINTS)]

    def _foot(self, number: int, total: int) -> None:
        lines = self._foot_lines()
        for n, line in enumerate(lines):
            self._text(self.left, MARGIN + 10.0 * (len(lines) - n), line, SMALL_POINTS)
        self._text(self.right, MARGIN - 4.0, f"page {number} of {total}", TEXT_POINTS, BOLD, align="right")
        self._text(self.left, MARGIN - 4.0, _cut(self.lot.stamp, self.across - 80.0, SMALL_POINTS, FONT), SMALL_POINTS)

    def _text(self, x: float, y: float, text: str, points: float, font: str = FONT, align: str = "left") -> None:
        _text(self.canvas, x, y, text, points, font, align)

    def _table(
        self, table: Table, top: float, room: float, most_pad: float, *, left: float | None = None, points: float = 0.0
    ) -> float:
        """Draw a table below ``top``, ``room`` high at most, from ``left`` or the margin on; returns where it ends."""
        left = self.left if left is None else left
        canvas = self.canvas
        if not points:
            fits = fit(table, self.across, TEXT_POINTS).high(LEAST_PAD) <= room
            points = TEXT_POINTS if fits else LEAST_TEXT_POINTS
        fitted = fit(table, self.across, points)
        pad = min(most_pad, (room - fitted.high(0.0)) / len(fitted.row_heights))
        lefts = [left + sum(fitted.widths[:n]) for n in range(len(fitted.widths))]
        canvas.setLineWidth(0.4)
        if table.bands:
            n, high = 0, fitted.row_heights[-1] + pad
            for words, count in table.bands:
                x, width = lefts[n], sum(fitted.widths[n : n + count])
                if words:
                    self._filled(x, top - high, width, high, PALE)
                    self._text(x + width / 2.0, top - high / 2.0 - points * 0.36, words, points, BOLD, align="centre")
                n += count
            top -= high
        for n, (cells, high) in enumerate(zip(fitted.rows, fitted.row_heights, strict=False)):
            row, head = high + pad, table.is_head(n)
            if n and n % 2 == 0 and not head:
                self._filled(left, top - row, self.across, row, PALE, stroke=0)
            self._row(cells, table.columns, lefts, fitted, top, row, head=head)
            top -= row
            if n == 0 or n >= len(table.rows):
                canvas.line(left, top, left + self.across, top)
        for line in fitted.below:
            top -= points * LINE
            self._text(left + CELL / 2.0, top + 2.0, line, points - 1.0)
        return top

    def _row(
        self, cells: Sequence[Sequence[str]], columns: Sequence[Column], lefts: Sequence[float], fitted: Fitted,
        top: float, row: float, *, head: bool,
    ) -> None:  # fmt: skip
        for lines, column, x, width in zip(cells, columns, lefts, fitted.widths, strict=True):
            font = BOLD if head or column.bold else FONT
            size = fitted.points - 1.0 if column.words else fitted.points
            at = {"left": x + CELL / 2.0, "right": x + width - CELL / 2.0, "centre": x + width / 2.0}[column.align]
            for n, line in enumerate(lines):
                fits = min(1.0, (width - CELL + 1e-6) / max(width_of(line, size, font), 1e-9))
                shown = max(size * fits, LEAST_POINTS)
                y = top - row / 2.0 + ((len(lines) - 1) / 2.0 - n) * size * LINE - fitted.points * 0.36
                self._text(at, y, _cut(line, width - CELL + 1e-6, shown, font), shown, font, align=column.align)
            if column.ruled and not head:
                self._filled(x, top - row, width, row, 1.0, fill=0 if any(lines) else 1)

    def _filled(
        self, x: float, y: float, wide: float, high: float, grey: float, *, stroke: int = 1, fill: int = 1
    ) -> None:
        self.canvas.setFillGray(grey)
        self.canvas.rect(x, y, wide, high, stroke=stroke, fill=fill)
        self.canvas.setFillGray(0.0)

    # -- the drawing -------------------------------------------------------------------------------------

    def _once(self, key: Hashable, high: float, bottom: float, draw: Callable[[], object]) -> None:
        """What lots that are built alike have in common is drawn once; each lot's pages only point to it."""
        if key not in self.drawn:
            name = f"part{len(self.drawn)}"
            self.canvas.beginForm(name, 0, 0, self.across, high)
            draw()
            self.canvas.endForm()
            self.drawn[key] = name
        self.canvas.saveState()
        self.canvas.translate(self.left, bottom)
        self.canvas.doForm(self.drawn[key])
        self.canvas.restoreState()

    def _picture(self, bottom: float, high: float) -> None:
        drawing = self.lot.drawing
        self._once((drawing, high), high, bottom, lambda: _draw_house(self.canvas, drawing, self.across, high))
        _draw_north(self.canvas, self.right - 20.0, bottom + high - 24.0, 180.0 - self.lot.front_azimuth_deg)


def _text(canvas: Canvas, x: float, y: float, text: str, points: float, font: str = FONT, align: str = "left") -> None:
    canvas.setFont(font, points)
    draw = {"left": canvas.drawString, "right": canvas.drawRightString, "centre": canvas.drawCentredString}
    draw[align](x, y, text)


def _along(canvas: Canvas, points: Sequence[Point]) -> PDFPathObject:
    path = canvas.beginPath()
    path.moveTo(*points[0])
    for point in points[1:]:
        path.lineTo(*point)
    return path


def _draw_north(canvas: Canvas, x: float, y: float, clockwise_deg: float) -> None:
    """An arrow to north, so many degrees clockwise from up the page."""
    canvas.saveState()
    canvas.translate(x, y)
    canvas.rotate(-clockwise_deg)
    canvas.setFillGray(0.0)
    path = _along(canvas, [(0, 15), (-6, -11), (0, -6), (6, -11)])
    path.close()
    canvas.drawPath(path, fill=1)
    canvas.translate(0.0, 21.0)
    canvas.rotate(clockwise_deg)
    _text(canvas, 0.0, -3.0, "N", 9.0, BOLD, "centre")
    canvas.restoreState()


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """Words that were given a place on a drawing, in points."""

    text: str
    points: float
    box: Box
    leader: Point | None = None  # what it belongs to, where it had to stand apart


@dataclass(frozen=True, slots=True, kw_only=True)
class FloorLayout:
    """Where a floor and its labels stand on the drawing: ``scale`` in points a foot, ``x0``, ``y0`` of its corner."""

    floor: str
    scale: float
    x0: float
    y0: float
    ducts: tuple[Label, ...] = ()
    rooms: tuple[Label, ...] = ()

    def at(self, point_ft: Point) -> Point:
        return self.x0 + point_ft[0] * self.scale, self.y0 + point_ft[1] * self.scale


@lru_cache(maxsize=16)
def lay_out(drawing: Drawing, wide: float, high: float) -> tuple[FloorLayout, ...]:
    """Floors in a space of so many points, as large as they can be, and every label in a place of its own, upright."""
    floors = drawing.floors
    if not floors:
        return ()
    points = [p for c in drawing.courses for p in c.points_ft]
    points += [(o.x_ft, o.y_ft) for o in drawing.outlines]
    points += [(o.x_ft + o.width_ft, o.y_ft + o.depth_ft) for o in drawing.outlines]
    low_x, low_y = (min(p[k] for p in points) - 1.0 for k in (0, 1))
    across_ft, deep_ft = (max(p[k] for p in points) + 1.0 - low for k, low in ((0, low_x), (1, low_y)))

    def scale_of(columns: int) -> float:
        rows = -(-len(floors) // columns)
        return min(((wide - 44.0) / columns - 8.0) / across_ft, ((high - 16.0) / rows - 14.0) / deep_ft)

    columns = max(range(1, len(floors) + 1), key=lambda n: (round(scale_of(n), 6), n))
    scale, rows = scale_of(columns), -(-len(floors) // columns)
    # The north arrow stands at the right, the floor's name above it, the word street below all.
    share, tall = (wide - 44.0) / columns, (high - 16.0) / rows
    found = []
    for n, floor in enumerate(floors):
        x0 = share * (n % columns) + (share - across_ft * scale) / 2.0 - low_x * scale
        y0 = 16.0 + tall * (rows - 1 - n // columns) + (tall - 14.0 - deep_ft * scale) / 2.0 - low_y * scale
        found.append(_labelled(drawing, floor, scale, x0, y0))
    return tuple(found)


def _labelled(drawing: Drawing, floor: str, scale: float, x0: float, y0: float) -> FloorLayout:
    taken: list[Box] = []
    bare = FloorLayout(floor=floor, scale=scale, x0=x0, y0=y0)
    courses = {c: [bare.at(p) for p in c.points_ft] for c in drawing.courses if c.floor == floor}
    for course, points in courses.items():  # nothing is written over the air handler, a register or a grille
        ends = [points[0]] if course.starts_at_handler else []
        ends += [points[-1]] if course.ends_at else []
        taken += [(x - 6.0, y - 6.0, x + 6.0, y + 6.0) for x, y in ends]
    ducts, rooms = [], []
    for course, points in courses.items():
        label = _placed(course.label, sorted(pairwise(points), key=lambda step: -math.dist(*step)), taken)
        ducts.append(label)
        taken.append(label.box)
    lines = [step for points in courses.values() for step in pairwise(points)]
    for outline in (o for o in drawing.outlines if o.floor == floor):
        named = _in_room(outline, bare, taken, lines)
        if named is not None:
            rooms.append(named)
            taken.append(named.box)
    return replace(bare, ducts=tuple(ducts), rooms=tuple(rooms))


def _placed(text: str, steps: Sequence[Step], taken: Sequence[Box]) -> Label:
    """A label on its duct or right beside it; else as near to it as there is room, with a line to it."""
    # A long name is cut, the size at its end never.
    name, _, size = text.rpartition(" ")
    text = f"{_cut(name, MOST_LABEL_POINTS, LABEL_POINTS, BOLD)} {size}" if name else text
    wide, high = width_of(text, LABEL_POINTS, BOLD) + 3.0, LABEL_POINTS + 1.0
    parts = (0.5, 0.35, 0.65, 0.2, 0.8)
    spots = [(ax + (bx - ax) * t, ay + (by - ay) * t) for (ax, ay), (bx, by) in steps for t in parts]
    beside = ((0.0, 0.0), (0.0, high / 2.0), (0.0, -high / 2.0), (wide / 2.0, 0.0), (-wide / 2.0, 0.0))
    for dx, dy in beside:
        for x, y in spots:
            box = _box(x + dx, y + dy, wide, high)
            if not _hits(box, taken):
                return Label(text=text, points=LABEL_POINTS, box=box)
    x, y = spots[0]
    for ring in range(1, 60):
        for dx, dy in ((0, 1), (0, -1), (1, 0), (-1, 0), (1, 1), (1, -1), (-1, 1), (-1, -1)):
            box = _box(x + dx * ring * 5.0, y + dy * ring * 3.0, wide, high)
            if not _hits(box, taken):
                return Label(text=text, points=LABEL_POINTS, box=box, leader=(x, y))
    return Label(text=text, points=LABEL_POINTS, box=_box(x, y, wide, high))


def _in_room(outline: RoomOutline, floor: FloorLayout, taken: Sequence[Box], lines: Sequence[Step]) -> Label | None:
    """The room's name where it covers least: off labels always, off ducts if it can; smaller where it must be."""
    left, bottom = floor.at((outline.x_ft, outline.y_ft))
    right, top = floor.at((outline.x_ft + outline.width_ft, outline.y_ft + outline.depth_ft))
    for points in ROOM_POINTS:
        wide, high = width_of(outline.room, points) + 2.0, points + 1.0
        if wide > right - left - 2.0 or high > top - bottom - 2.0:
            continue
        free = []
        for i, j in product(range(9), range(9)):
            x = left + 2.0 + wide / 2.0 + (right - left - 4.0 - wide) * i / 8.0
            y = top - 2.0 - high / 2.0 - (top - bottom - 4.0 - high) * j / 8.0
            box = _box(x, y, wide, high)
            if not _hits(box, taken):
                free.append((sum(_crosses(line, box) for line in lines), j, abs(i - 4), i, box))
        if free:
            return Label(text=outline.room, points=points, box=min(free)[-1])
    return None


def _box(x: float, y: float, wide: float, high: float) -> Box:
    return x - wide / 2.0, y - high / 2.0, x + wide / 2.0, y + high / 2.0


def _hits(box: Box, others: Sequence[Box]) -> bool:
    left, bottom, right, top = box
    return any(left < o[2] and o[0] < right and bottom < o[3] and o[1] < top for o in others)


def _crosses(line: Step, box: Box) -> bool:
    """Whether a line goes through a box, tried at its points."""
    (ax, ay), (bx, by) = line
    if not _hits((min(ax, bx) - 1.0, min(ay, by) - 1.0, max(ax, bx) + 1.0, max(ay, by) + 1.0), (box,)):
        return False
    return any(
        box[0] <= ax + (bx - ax) * t / 16.0 <= box[2] and box[1] <= ay + (by - ay) * t / 16.0 <= box[3]
        for t in range(17)
    )


def _draw_house(canvas: Canvas, drawing: Drawing, wide: float, high: float) -> None:
    for layout in lay_out(drawing, wide, high):
        _draw_floor(canvas, drawing, layout)
    words = "street side"
    _text(canvas, (wide - 44.0) / 2.0, 3.0, words, LABEL_POINTS, align="centre")
    _draw_key(canvas, (wide - 44.0) / 2.0 + width_of(words, LABEL_POINTS) / 2.0 + 16.0)


def _draw_key(canvas: Canvas, x: float) -> None:
    """What lines and signs mean."""
    for words in ("rigid", "flex", "register", "grille", HANDLER):
        if words in ("rigid", "flex"):
            _line(canvas, [(x, 5.5), (x + 16.0, 5.5)], words == "flex", 7.0)
            x += 19.0
        else:
            _sign(canvas, x + 6.0, 5.5, words)
            x += 16.0
        canvas.setFillGray(0.0)
        _text(canvas, x, 3.0, words, SMALL_POINTS)
        x += width_of(words, SMALL_POINTS) + 9.0


def _draw_floor(canvas: Canvas, drawing: Drawing, layout: FloorLayout) -> None:
    outlines = [o for o in drawing.outlines if o.floor == layout.floor]
    canvas.setStrokeGray(0.0)
    canvas.setLineWidth(0.7)
    for o in outlines:
        x, y = layout.at((o.x_ft, o.y_ft))
        canvas.rect(x, y, o.width_ft * layout.scale, o.depth_ft * layout.scale)
    x, y = layout.at((min(o.x_ft for o in outlines), max(o.y_ft + o.depth_ft for o in outlines)))
    canvas.setFillGray(0.0)
    _text(canvas, x, y + 4.0, f"floor {layout.floor}", LABEL_POINTS, BOLD)
    courses = [c for c in drawing.courses if c.floor == layout.floor]
    for course in courses:
        _line(canvas, [layout.at(p) for p in course.points_ft], course.is_flex, course.diameter_in)
    for course in courses:
        if course.ends_at:
            _sign(canvas, *layout.at(course.points_ft[-1]), course.ends_at)
    for spot in dict.fromkeys(layout.at(c.points_ft[0]) for c in courses if c.starts_at_handler):
        _sign(canvas, *spot, HANDLER)
    for label in (*layout.ducts, *layout.rooms):
        _write(canvas, label, bold=label in layout.ducts)


def _write(canvas: Canvas, label: Label, *, bold: bool) -> None:
    left, bottom, right, top = label.box
    middle = (left + right) / 2.0, (bottom + top) / 2.0
    if label.leader:
        canvas.setLineWidth(0.4)
        canvas.setStrokeGray(0.0)
        canvas.line(*label.leader, *middle)
    if bold:
        canvas.setFillGray(1.0)
        canvas.rect(left, bottom, right - left, top - bottom, stroke=0, fill=1)
    canvas.setFillGray(0.0)
    font, y = BOLD if bold else FONT, bottom + (top - bottom) * 0.24
    _text(canvas, middle[0], y, label.text, label.points, font, "centre")


def _line(canvas: Canvas, points: Sequence[Point], is_flex: bool, diameter_in: float) -> None:
    """A duct: flex as a broken line, wider for a larger size."""
    canvas.saveState()
    canvas.setStrokeGray(GREY)
    canvas.setLineWidth(0.8 + 0.18 * diameter_in)
    canvas.setLineJoin(1)
    if is_flex:
        canvas.setDash(3.5, 1.6)
    canvas.drawPath(_along(canvas, points))
    canvas.restoreState()


def _sign(canvas: Canvas, x: float, y: float, what: str) -> None:
    """Register: a square with a cross; grille: a square with bars; air handler: a box with its letters."""
    canvas.saveState()
    canvas.setStrokeGray(0.0)
    canvas.setFillGray(1.0)
    canvas.setLineWidth(0.8)
    if what == HANDLER:
        canvas.rect(x - 7.0, y - 5.0, 14.0, 10.0, fill=1)
        canvas.setFillGray(0.0)
        _text(canvas, x, y - 2.3, "AH", 6.5, BOLD, "centre")
    else:
        canvas.rect(x - 4.0, y - 4.0, 8.0, 8.0, fill=1)
        if what == "register":
            canvas.line(x - 4.0, y - 4.0, x + 4.0, y + 4.0)
            canvas.line(x - 4.0, y + 4.0, x + 4.0, y - 4.0)
        else:
            for dx in (-2.0, 0.0, 2.0):
                canvas.line(x + dx, y - 4.0, x + dx, y + 4.0)
    canvas.restoreState()
