"""The sheets Direction and Lots: what the way the front faces does, and whether the set holds at every lot."""

from __future__ import annotations

from dataclasses import replace
from itertools import groupby
from operator import itemgetter
from pathlib import Path

import numpy as np

from tractduct.model.options import built_text
from tractduct.orientation.azimuths import azimuth_label
from tractduct.orientation.study import OrientationStudy
from tractduct.physics.solar import LEFT_OUT, MODELS
from tractduct.writers import orientation_tables as lists
from tractduct.writers.book.layout import Book, Page
from tractduct.writers.book.looks import CLOSE_FILL, GOOD_FILL, LABEL, LEAD, TEXT, TIGHT_FILL
from tractduct.writers.listing import options_column
from tractduct.writers.words import counted, named

SCREENED = replace(LABEL, fill=CLOSE_FILL)
LOTS_LISTED = 60
WIDTHS = (21, 10, 11, 14, 11, 14, 11, 8, 10, 11, 28)


def screening(page: Page, result: OrientationStudy) -> None:
    """What must stand beside anything that rests on glass factors by the sun; nothing where none do."""
    if result.screening:
        page.paragraph(f"{result.screening}.", SCREENED)


def direction_sheet(book: Book, result: OrientationStudy, picture: Path | None) -> None:
    """Rooms by sensitivity, every degree, the house's load, the loads by surface against the airflow table."""
    page = book.sheet(
        "Direction",
        (*WIDTHS, *options_column(result.study)),
        "What the direction of the front does",
        "Whether the set holds at every degree, which rooms the direction moves, and how the house's load changes.",
    )
    screening(page, result)
    if result.screening:
        page.paragraph(f"{LEFT_OUT}.")
    for words in lists.missing(result):
        page.paragraph(words, replace(TEXT, fill=CLOSE_FILL))
    if result.study.plan.options:
        page.paragraph(
            "Every degree is checked in all houses, and each lot in its own. Each room is shown in the house in which "
            "the direction moves it most (column Options), and the load of the house whose load changes most.",
            replace(TEXT, fill=CLOSE_FILL),
        )
    _degrees(page, result, picture)
    _rooms(page, result)
    _house(page, result)
    _check(page, result)


def _rooms(page: Page, result: OrientationStudy) -> None:
    known = result.study.plan.surface_loads is not None
    hidden = {"has_glass"} | (set() if known else {"glass_pct", "load_change_pct", "shared_out"})
    page.heading(
        "Rooms by how far the direction moves them",
        "In the season in which the room moves most, over fronts and mirrors; first by steps of standard size between "
        "the sizes that its runs would get alone.",
    )
    page.mark(page.show(lists.sensitivity, result, but=hidden), "size_steps", "{}>=1", CLOSE_FILL)
    rooms = [r.room for r in result.sensitivity if r.shared_out]
    if rooms:
        page.paragraph(
            f"Rooms without glass whose airflow changes: {', '.join(rooms)}. Their own load hardly changes; the other "
            "rooms' loads do, and the system's airflow is shared out by load. The cause is not in these rooms."
        )


def _degrees(page: Page, result: OrientationStudy, picture: Path | None) -> None:
    """Whether the standard set holds between the fronts: ranges, where not, and by how much."""
    check = result.degrees
    if check is None:
        return
    page.heading("Does the standard set hold between the fronts?")
    at = int(np.argmax(np.round(check.use, 9)))  # the first of those that only rounding tells apart
    top = f"{100.0 * check.use[at]:.1f} % of a limit with the front at {azimuth_label(check.azimuth_deg[at])}"
    if not check.between:
        words = (
            "No two of the plan's fronts are neighbours on the compass, so nothing between them is checked: add the "
            f"fronts between to [variants] in plan.toml. At the fronts themselves the most used is {top}."
        )
    elif check.holds:
        words = f"It holds at every direction checked. The most used: {top}."
    else:
        words = f"It DOES NOT HOLD at {int((~check.holds_at).sum())} of the directions checked. The worst: {top}."
    fill = CLOSE_FILL if not check.between else GOOD_FILL if check.holds else TIGHT_FILL
    page.paragraph(words, replace(LABEL, fill=fill))
    if check.between:
        page.paragraph(
            f"Every limit of every section and path in {check.n_variant:,} variants: {check.every} that the plan's "
            f"fronts enclose ({len(check.azimuth_deg)} directions), by the independent check. Checked at each of "
            f"these, not proven between them; from one to the next no limit's use changes by more than "
            f"{100.0 * check.largest_step:.1f} % of the limit. Each direction: data/every_degree.csv.",
            LEAD,
        )
    page.row += 1
    page.image(picture, most_rows=17)
    if not check.holds:
        page.show(lists.broken, result, but=("mirrored",))


def _house(page: Page, result: OrientationStudy) -> None:
    """The house's loads by front, and whether they change by more than one design report may serve."""
    house, units = result.house, page.book.units
    if house is None:
        return
    page.heading("Load change with direction")
    over = house.change_btuh > house.limit_btuh
    built = f" {built_text(house.options) or 'without options'}" if result.study.plan.options else ""
    page.paragraph(
        f"The total sensible cooling load{built} changes by {units.say(house.change_btuh, 'Btu/h', ',.0f')} between "
        f"directions. That is {'MORE' if over else 'less'} than {units.say(house.limit_btuh, 'Btu/h', ',.0f')}; above "
        "that, one cooling unit and one design report for all directions need a second look (limit of a "
        f"national new-homes program, seen second-hand; set {units.name_of('diversity_btuh', 'Btu/h')} in the plan).",
        replace(LABEL, fill=TIGHT_FILL if over else GOOD_FILL),
    )
    page.paragraph(
        "From the plan's loads by surface. They share out airflow and compare directions; the load calculation behind "
        "the plan decides on equipment. As drawn and mirrored: data/house_loads.csv.",
        LEAD,
    )
    rows = lists.house_loads.rows(result)
    if result.study.plan.options:
        rows = [row for row in rows if row["options"] == " + ".join(house.options)]
    by_front = groupby(rows, key=itemgetter("front_faces"))
    largest = [max(of_front, key=itemgetter("sensible_cooling_btuh")) for _, of_front in by_front]
    hidden = {"mirrored", "options"} | (set() if house.hourly else {"peak_hour"})
    page.show(lists.house_loads, result, largest, but=hidden)
    if house.hourly and "cooling" in result.study.plan.seasons:
        _peaks(page, result)


def _peaks(page: Page, result: OrientationStudy) -> None:
    """Cooling at each room's own peak and at the house's: what a factor by the sun can tell."""
    surface_loads = result.study.plan.surface_loads
    used = surface_loads.airflow_at if surface_loads else ""
    off: dict[str, float] = {}
    for row in lists.peaks.rows(result):
        off[row["room"]] = max(off.get(row["room"], 0.0), abs(row["room_peak_cfm"] - row["house_peak_cfm"]))
    worst = sorted(off.items(), key=itemgetter(1), reverse=True)[:3]
    rooms = [f"{room} {page.book.units.say(cfm, 'cfm', '.0f')}" for room, cfm in worst]
    page.paragraph(
        f"The airflow is shared by the loads at {'each room' if used == 'room_peak' else 'the house'}'s peak. By the "
        f"other way it would differ most in: {', '.join(rooms)} (data/peaks.csv). Models: {MODELS}. {LEFT_OUT}."
    )


def _check(page: Page, result: OrientationStudy) -> None:
    """The turned loads by surface against the airflow table, which is used, room by room."""
    check = result.loads_check
    if check is None:
        return
    rooms = list(dict.fromkeys(row["room"] for row in lists.loads_check.rows(result) if not row["within"]))
    page.heading("Loads by surface against the airflow table")
    words = "The two agree."
    if rooms:
        words = (
            f"{counted(len(rooms), 'room')} differ by more than {check.limit_pct:g} %: {named(rooms)}. Find out which "
        )
        words += "of the two is right."
    page.paragraph(
        f"Largest difference {check.largest_pct:.1f} %. {words} The table is used. Room by room: data/loads_check.csv.",
        replace(LABEL, fill=TIGHT_FILL if rooms else GOOD_FILL),
    )


def lots_sheet(book: Book, result: OrientationStudy) -> None:
    """One row a lot, the ones to look at first; of many lots only so many as can be read."""
    columns = lists.lots.columns(result)
    if not result.study.size_set:
        columns = [replace(c, show=lambda _: "there is none") if c.key == "holds" else c for c in columns]
    rows = lists.lots.rows(result)
    holding = sum(row["holds"] is True for row in rows)
    page = book.sheet(
        "Lots",
        columns,
        "All lots",
        f"The standard set holds at {holding} of {counted(len(rows), 'lot')}, each at the direction of its "
        "own front, clockwise from north. Airflow by room and run: data/lots_by_room.csv and data/lots_by_run.csv; "
        "which of several packages a lot would get: data/lots_by_package.csv. The pages for crew and balancer are a "
        "file of their own.",
    )
    screening(page, result)
    if len(rows) > LOTS_LISTED:
        first = sorted(range(len(rows)), key=lambda r: rows[r]["holds"] is True and not rows[r]["look_at"])
        rows = [rows[r] for r in sorted(first[:LOTS_LISTED])]
        page.paragraph(f"{LOTS_LISTED} of them are listed here, those to look at among them; all: data/lots.csv.")
    page.row += 1
    body = page.listing(columns, rows, freeze=1, nothing="The plan lists no lots.")
    page.mark(body, "holds", '{}="not known"', CLOSE_FILL)
    page.mark(body, "holds", '{}<>"holds"', TIGHT_FILL)
