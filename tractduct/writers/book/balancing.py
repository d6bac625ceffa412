"""The balancing sheet of one lot: what the flow hood should read, where each damper goes, blanks to fill in."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from tractduct.delivery.balance import Settings
from tractduct.delivery.deliver import HOOD_ERROR_PCT, HOOD_ERROR_UNPOWERED_PCT, Delivery
from tractduct.delivery.predict import Drive
from tractduct.model.words import key_of
from tractduct.units import UnitSystem
from tractduct.writers import delivery_tables as frames
from tractduct.writers.book.facts import named, turned
from tractduct.writers.book.layout import PAPER_IN, Book, Page
from tractduct.writers.book.looks import (
    BAND_FILL,
    CLOSE_FILL,
    COMPUTED_FILL,
    GROUP,
    HEADER,
    TEXT,
    TIGHT_FILL,
    TITLE,
    Column,
    Look,
    height_of,
    plain,
    size_value,
)

RULED = Look(box=True, middle=True)
CENTRED = replace(RULED, align="center")
CFM = replace(RULED, number_format="#,##0")
OUT_OF_TOLERANCE = replace(CFM, number_format='#,##0" !"', bold=True, fill=CLOSE_FILL)
TAKES = replace(RULED, number_format="0.00")
SUM = replace(CFM, bold=True, fill=BAND_FILL)
POSITIONS = {
    "wide open": replace(CENTRED, bold=True),
    "set": CENTRED,
    "shut": replace(CENTRED, italic=True, fill=COMPUTED_FILL),
}
BESIDE_BLANK = Look(align="right", points=9.0, middle=True)
MARGIN_IN, BOTTOM_IN = 0.4, 0.6
LOWEST_ROW, HIGHEST_ROW = 15.0, 24.0  # points; between them as high as the page allows, to write in


@dataclass(frozen=True, slots=True, kw_only=True)
class LotToBalance:
    """One house to balance: the way its front faces, mirrored or not, and the flex product installed."""

    name: str
    front: str
    mirrored: bool
    flex: str


def orientations(delivery: Delivery, installed: str) -> list[LotToBalance]:
    """A lot for every orientation of the plan with one flex product installed."""
    plan = delivery.study.plan
    return [
        LotToBalance(name=f"{face}{' mirrored' if mirrored else ''}", front=face, mirrored=mirrored, flex=installed)
        for face in plan.fronts
        for mirrored in plan.mirrored
    ]


def balancing_sheet(book: Book, delivery: Delivery, lot: LotToBalance) -> str:
    """Write one lot's sheet, one page to print; returns the sheet's name."""
    part = Balancing(delivery.settings, lot)
    page = book.sheet(f"Balance {lot.name}", part.widths)
    header = part.write(page)
    page.sheet.freeze_panes = f"D{header + 1}"
    page.sheet.page_setup.fitToHeight = 1
    set_margins(page)
    page.sheet.print_area = f"A1:{page.sheet.cell(page.row, part.across).coordinate}"
    return page.sheet.title


def set_margins(page: Page) -> None:
    """The margins that the rows' heights are worked out for."""
    page.sheet.page_margins.left = page.sheet.page_margins.right = MARGIN_IN
    page.sheet.page_margins.top, page.sheet.page_margins.bottom = MARGIN_IN, BOTTOM_IN


class Balancing:
    """One lot's balancing on a page: as wide as its ``widths`` and no higher than one on its side."""

    page: Page

    def __init__(self, settings: Settings, lot: LotToBalance) -> None:
        self.settings, self.lot = settings, lot
        self.plan = settings.case.plan
        self.units = self.plan.units
        self.seasons = self.plan.seasons
        self.frame = frames.balancing(settings, lot.front, lot.mirrored, lot.flex)
        where = settings.case.variants.where
        self.variant = {
            s: int(np.flatnonzero(where(front=lot.front, mirrored=lot.mirrored, season=s, flex=lot.flex))[0])
            for s in self.seasons
        }
        self.has_setting = settings.setting is not None
        self.run_rows: list[int] = []
        self.groups = self._groups()
        self.columns = [column.in_units(self.units) for _, columns in self.groups for column in columns]
        self.across = len(self.columns)
        self.widths = [c.width for c in self.columns]

    def _groups(self) -> list[tuple[str, list[Column]]]:
        airflow = self.units.unit("cfm")
        hood = 11.0 if self.units.is_si else 9.5  # a decimal more
        longest = max(len(run.name) for run in self.settings.case.tree.runs)
        run = min(max(7.0, 1.25 * longest + 1.5), 24.0)
        groups = [("", [Column("Run", width=run), Column("Room", width=19), Column("Size", width=7, unit="size")])]
        groups += [
            (
                f"{season.capitalize()}, {airflow}",
                [
                    Column("Design", width=7),
                    Column("Reads before", width=8),
                    Column("Hood range", width=hood),
                    Column("Damper takes", width=8, unit="inWC"),
                    Column("Damper", width=10),
                    Column("Reads after", width=8),
                    Column("Hood range", width=hood),
                ],
            )
            for season in self.seasons
        ]
        if self.has_setting:
            seasons = [Column(season.capitalize(), width=8) for season in self.seasons]
            groups.append((f"One setting, {airflow}", seasons))
        blanks = ("Hood before", "Hood after", "Damper set at", "Initials, date")
        groups.append(("Measured", [Column(words, width=10.5) for words in blanks]))
        return groups

    def write(self, page: Page) -> int:
        """Write it from the page's row on, and leave the page at its last row; returns the row of the header."""
        self.page, lot = page, self.lot
        first = page.row
        built = f"front {lot.front}, {turned(lot.mirrored)}{f', flex {lot.flex}' if lot.flex else ''}"
        page.put(first, 1, f"Balancing: {self.plan.name}, lot {lot.name} ({built})", TITLE)
        page.height(first, 24)
        page.row = first + 1
        for season in self.seasons:
            self._system_line(season)
        header = self._runs()
        self._season_change()
        self._measured()
        self._cautions()
        self._fill_page(first)
        return header

    def _fill_page(self, first: int) -> None:
        """The runs' rows as high as one page on its side allows."""
        page = self.page
        short, long = PAPER_IN[page.book.paper]
        across = sum(width * 7.0 + 5.0 for width in self.widths) * 72.0 / 96.0
        fits = across * (short - MARGIN_IN - BOTTOM_IN) / (long - 2.0 * MARGIN_IN) * 0.98
        used = sum(page.height_at(row) for row in range(first, page.row + 1) if row not in self.run_rows)
        height = (fits - used) / max(len(self.run_rows), 1)
        for row in self.run_rows:
            page.height(row, max(LOWEST_ROW, min(HIGHEST_ROW, height)))

    def _system_line(self, season: str) -> None:
        """What the whole system should move and take in a season; plainly, where no damper setting can do it."""
        balanced, v, plan, units = self.settings.balanced, self.variant[season], self.plan, self.units
        before, after = balanced.before, balanced.after
        speed, made_inwc = plan.equipment.speed.get(season), float(balanced.made_inwc[v])
        makes = units.number(made_inwc, "inWC", ".2f")
        title = season.capitalize() + (f", speed {speed}" if speed else "")
        needs = (
            f"{units.say(after.airstream.design_cfm[v], 'cfm', ',.0f')} by design takes "
            f"{units.say(balanced.needed_inwc[v], 'inWC', '.2f')} "
            + ("external static" if plan.equipment.devices else "(ducts alone)")
            + " once balanced"
        )
        if not balanced.possible[v]:
            made = f"the blower makes {makes}" if np.isfinite(made_inwc) else "the blower's table does not reach it"
            self.page.paragraph(
                f"{title}: NO DAMPER SETTING CAN DO IT. {needs}; {made}. The dampers below share out what there is, "
                "and rooms stay under their design airflow.",
                self.across,
                replace(TEXT, bold=True, fill=TIGHT_FILL),
            )
            return
        settles = ""
        if after.drive is Drive.BLOWER:
            settles = (
                f"; the blower makes {makes} there, so it settles at {units.say(after.total_cfm[v], 'cfm', ',.0f')} "
                f"(before, all dampers open: {units.number(before.total_cfm[v], 'cfm', ',.0f')})"
            )
        self.page.paragraph(f"{title}: {needs}{settles}.", self.across)

    # -- runs --------------------------------------------------------------------------------------------

    def _runs(self) -> int:
        page, column = self.page, 1
        for words, columns in self.groups:
            page.merged(page.row, column, column + len(columns) - 1, words or None, GROUP)
            column += len(columns)
        header = page.row + 1
        for n, c in enumerate(self.columns, start=1):
            page.put(header, n, c.header, HEADER)
        page.height(header, height_of(((c.header, c.width) for c in self.columns), 1.15))
        page.row = header + 1
        for side, words in (("supply", "Supply"), ("return", "Return")):
            mine = self.frame[self.frame["side"] == side]
            if len(mine):
                self._side(mine, words)
        return header

    def _side(self, frame: pd.DataFrame, words: str) -> None:
        page = self.page
        outside = self._outside_rooms()
        for record in frame.to_dict("records"):
            row = page.row
            page.put(row, 1, str(record["run"]), replace(RULED, bold=True))
            page.put(row, 2, _short(str(record["room"])), RULED)
            page.put(row, 3, size_value(str(record["size"])), CENTRED)
            column = 4
            for season in self.seasons:
                self._season_cells(row, column, {k: record[f"{season}_{k}"] for k in SEASON_KEYS})
                column += 7
            for season in self.seasons if self.has_setting else ():
                off = words == "Supply" and (key_of(str(record["room"])), season) in outside
                value = plain(record[f"{season}_one_setting_cfm"])
                page.put(row, column, value, OUT_OF_TOLERANCE if off and value is not None else CFM, "cfm")
                column += 1
            page.fill(row, column, self.across, RULED)
            self.run_rows.append(row)
            page.row += 1
        self._sum(frame, words)

    def _season_cells(self, row: int, column: int, record: dict[str, object]) -> None:
        page, position = self.page, str(record["position"])
        before, after = plain(record["before_cfm"]), plain(record["after_cfm"])
        page.put(row, column, plain(record["design_cfm"]), CFM, "cfm")
        page.put(row, column + 1, before, CFM, "cfm")
        page.put(row, column + 2, hood_range(before, self.units), CENTRED)
        taken = plain(record["damper_inwc"]) if position == "set" else None
        page.put(row, column + 3, taken, TAKES, "inWC")
        page.put(row, column + 4, position, POSITIONS[position])
        page.put(row, column + 5, after, replace(CFM, bold=True), "cfm")
        page.put(row, column + 6, hood_range(after, self.units), CENTRED)

    def _sum(self, frame: pd.DataFrame, words: str) -> None:
        """The side's runs added up, to compare the hood with the blower."""
        page, look = self.page, SUM
        page.fill(page.row, 1, self.across, look)
        page.merged(page.row, 1, 2, f"{words}, sum", replace(look, number_format="General"))
        column = 4
        for season in self.seasons:
            for at, key in ((0, "design"), (1, "before"), (5, "after")):
                page.put(page.row, column + at, plain(float(frame[f"{season}_{key}_cfm"].sum())), look, "cfm")
            column += 7
        for season in self.seasons if self.has_setting else ():
            page.put(page.row, column, plain(float(frame[f"{season}_one_setting_cfm"].sum())), look, "cfm")
            column += 1
        page.fill(page.row, column, self.across, RULED)
        page.row += 1

    def _outside_rooms(self) -> set[tuple[str, str]]:
        """(room's key, season) that the one setting leaves out of tolerance."""
        setting, plan = self.settings.setting, self.plan
        if setting is None:
            return set()
        got = setting.delivered
        off = np.abs(got.room_cfm - got.room_design_cfm) > plan.tolerance.of_room_cfm(got.room_design_cfm)
        return {
            (key_of(room), season)
            for season, v in self.variant.items()
            for n, room in enumerate(plan.rooms)
            if off[v, n]
        }

    # -- below the runs ----------------------------------------------------------------------------------

    def _season_change(self) -> None:
        """Runs to open or shut by season, and rooms that want two damper positions."""
        by_season = frames.rooms_of_season_runs(self.settings.case)
        parts = []
        for season in self.seasons:
            for verb, mine in (("open", by_season["open_in"] == season), ("shut", by_season["open_in"] != season)):
                runs = [f"{run} ({room})" for run, room in by_season[mine][["run", "room"]].itertuples(index=False)]
                if runs:
                    parts.append(f"for {season} {verb} {named(runs, 12)}")
        if len(self.seasons) > 1:
            words = "; ".join(parts) if parts else "no run is for one season only"
            text = f"At the change of season: {words}."
            outside = self._outside_rooms()
            rooms = [r for r in self.plan.rooms if any((key_of(r), s) in outside for s in self.seasons)]
            text += (
                f" One setting marked ! leaves these out of tolerance; mark two damper positions: {named(rooms, 12)}."
                if rooms
                else " One setting keeps every room within tolerance all year."
            )
            self.page.paragraph(text, self.across)

    def _measured(self) -> None:
        """Ruled blanks for what is measured on the whole system."""
        balanced, plan, units = self.settings.balanced, self.plan, self.units
        airflow = units.unit("cfm")
        for season in self.seasons:
            v = self.variant[season]
            static = float(balanced.after.external_static_inwc[v])
            expected = units.number(static, "inWC", ".2f") if np.isfinite(static) else "not known"
            ducts = "" if plan.equipment.devices else ", ducts alone"
            speed = plan.equipment.speed.get(season)
            self._blanks(
                f"{season.capitalize()}: total static, {units.unit('inWC')} (expected {expected}{ducts})",
                f"Blower speed{f' (plan: {speed})' if speed else ''}",
                f"Supply sum, {airflow}",
                f"Return sum, {airflow}",
            )
        self._blanks("Filter: new, in use, due", "Hood: powered or not", "Name", "Signature, date")

    def _blanks(self, *words: str) -> None:
        """A row of words, each with a ruled blank beside it, over the sheet's width."""
        page, row = self.page, self.page.row
        edges = self._parts(len(words))
        for text, (first, last) in zip(words, edges, strict=True):
            half = self._label_end(text, first, last)
            page.merged(row, first, half, text, BESIDE_BLANK)
            page.merged(row, half + 1, last, None, RULED)
        page.height(row, 21.0)
        page.row += 1

    def _label_end(self, text: str, first: int, last: int) -> int:
        """The last column of a label: wide enough for it, and leaving at least a third for the blank."""
        widths = np.cumsum([self.page.width(c) for c in range(first, last + 1)])
        enough = int(np.searchsorted(widths, len(text) * 0.95))
        return first + min(enough, int(np.searchsorted(widths, 0.67 * widths[-1])), last - first - 1)

    def _parts(self, number: int) -> list[tuple[int, int]]:
        """Columns in parts of about the same width."""
        widths = np.cumsum([self.page.width(c) for c in range(1, self.across + 1)])
        ends = [int(np.searchsorted(widths, widths[-1] * (k + 1) / number - 1e-9)) + 1 for k in range(number)]
        return [(1 if k == 0 else ends[k - 1] + 1, end) for k, end in enumerate(ends)]

    def _cautions(self) -> None:
        low, high = HOOD_ERROR_UNPOWERED_PCT
        t = self.plan.tolerance
        self.page.paragraph(
            f"Hood range: what a powered flow hood may read, {HOOD_ERROR_PCT:g} % either way; one without power "
            f"{low:g} to {high:g} % (LBNL, abstract). Tolerance: a room {t.room_pct:g} % or "
            f"{self.units.say(t.room_cfm, 'cfm')}, "
            f"whichever is more; the system {t.system_pct:g} %. Predicted for a clean filter, doors open, flex as "
            "stated: trust the measurement. Damper takes: pressure at design airflow; wide open: leave it so. Never go "
            "under the airflow that the equipment's maker asks. Where fuel is burned indoors, have combustion safety "
            "tested afterwards.",
            self.across,
            replace(TEXT, points=9.0),
        )
        self.page.row -= 1


SEASON_KEYS = ("design_cfm", "before_cfm", "damper_inwc", "position", "after_cfm")


def hood_range(airflow_cfm: object, units: UnitSystem) -> str | None:
    """What a powered hood may read at an airflow, in words."""
    if not isinstance(airflow_cfm, (int, float)):
        return None
    part = HOOD_ERROR_PCT / 100.0
    return "–".join(units.number(airflow_cfm * end, "cfm", ",.0f") for end in (1.0 - part, 1.0 + part))


def _short(text: str, most: int = 18) -> str:
    return text if len(text) <= most else text[: most - 1].rstrip(" ;,") + "…"
