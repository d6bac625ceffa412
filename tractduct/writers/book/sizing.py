"""Sizes of each section and what they leave: Sizes, Tightest, All variants, Rooms by front, Spare air."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
from openpyxl.formatting.rule import ColorScale, FormatObject, Rule
from openpyxl.styles import Color
from openpyxl.utils import get_column_letter

from tractduct.sizing.practice import NEAR_VELOCITY_PCT
from tractduct.writers import tables
from tractduct.writers.book.facts import VARIANT_COLUMNS, Facts, frame_rows, joined
from tractduct.writers.book.layout import Book
from tractduct.writers.book.looks import (
    CENTRE,
    CHOSEN,
    CLOSE_FILL,
    LABEL,
    LARGER,
    PER_CENT,
    SHORT,
    SIZE,
    SMALLER,
    TEN_THOUSANDTHS,
    TENTHS,
    TEXT,
    THOUSANDTHS,
    TIGHT_FILL,
    WHOLE,
    Column,
    Look,
    Value,
    plain,
    size_value,
)

TIGHT_SLACK_PCT, CLOSE_SLACK_PCT = 2.0, 10.0
LITTLE_SPARE_PCT, SOME_SPARE_PCT = 5, 15  # more air than design that a run could carry
FULL_COLOUR_PCT = 50.0  # off the room's mean, on Rooms by front


def sizes_sheet(book: Book, facts: Facts) -> None:
    """Every section: the size to install, beside the size that each front alone would get."""
    study, faces = facts.study, facts.study.plan.fronts
    page = book.sheet("Sizes")
    columns = [
        Column("Section", LABEL, 9),
        Column("From", TEXT, 11),
        Column("Part", TEXT, 14),
        Column("Duct", TEXT, 23),
        Column("Length", TENTHS, 9, unit="ft"),
        Column("Room", TEXT, 18),
        Column("Install", CHOSEN, facts.size_width(8.5), unit="size"),
        *(Column(f"Front {face}", SIZE, facts.size_width(7.5), unit="size") for face in faces),
        Column("Most air", WHOLE, 8, unit="cfm"),
        Column("Fastest", WHOLE, 8.5, unit="fpm"),
        Column("Limit", WHOLE, 8, unit="fpm"),
        Column("Why not smaller", TEXT, 52),
    ]
    page.set_widths([c.width for c in columns])
    page.title(
        f"{study.plan.name}: size of each section",
        "Build the column Install for every lot. Beside it, the size that each front alone would get by the "
        "friction-rate method (the larger of its mirrors, seasons and flex products; empty where no size "
        "does). That method holds each section to one friction rate; the standard set holds the pressure "
        "lost along the whole run, so a section may be smaller than a front's own size where others make up "
        "for it, and larger where that shortens the stock list. Sheet Pencil check adds it up.",
        len(columns),
    )
    examples = (160, 200, 125) if facts.units.is_si else (7, 8, 6)
    for value, (look, words) in zip(
        examples,
        (
            (CHOSEN, "boxed: the standard size, install this"),
            (LARGER, "arrow up: this front alone would get a larger size than the standard"),
            (SMALLER, "arrow down: this front alone would get a smaller size than the standard"),
        ),
        strict=True,
    ):
        page.put(page.row, 1, value, look)
        page.put(page.row, 2, words)
        page.row += 1
    page.row += 1
    diameter = {size.label: size.diameter_in for size in study.table.sizes}
    frame = tables.size_schedule(study)
    rows: list[list[Value]] = []
    looks: dict[tuple[int, int], Look] = {}
    for r, record in enumerate(frame.to_dict("records")):
        section = facts.sections[record["section"]]
        for f, face in enumerate(faces):
            own = record[face]
            if own and abs(diameter[own] - diameter[record["size"]]) > 1e-9:
                looks[r, 7 + f] = LARGER if diameter[own] > diameter[record["size"]] else SMALLER
        rows.append(
            [
                section.name,
                record["from"],
                f"{section.side} {section.role}",
                section.duct,
                section.length_ft,
                facts.room(section),
                size_value(record["size"]),
                *(size_value(record[face]) for face in faces),
                *(
                    plain(record[c])
                    for c in ("highest_airflow_cfm", "highest_velocity_fpm", "velocity_limit_fpm", "why")
                ),
            ]
        )
    page.table(columns, rows, looks, freeze=1)


PATH_COLUMNS = (
    Column("Run", LABEL, 9),
    Column("Room", SHORT, 20),
    Column("Side", SHORT, 8),
    *VARIANT_COLUMNS,
    Column("Air", TENTHS, 9, unit="cfm"),
    Column("Total effective length", TENTHS, 11, unit="ft"),
    Column("Friction rate", THOUSANDTHS, 11, unit="inWC/100 ft"),
    Column("Lost", TEN_THOUSANDTHS, 9, unit="inWC"),
    Column("Available", THOUSANDTHS, 11, unit="inWC"),
    Column("To spare", TEN_THOUSANDTHS, 9.5, unit="inWC"),
    Column("To spare, %", PER_CENT, 9.5),
    Column("Fastest section", CENTRE, 10),
    Column("Velocity", WHOLE, 10, unit="fpm"),
    Column("Limit", WHOLE, 9, unit="fpm"),
    Column("Velocity to spare", WHOLE, 10, unit="fpm"),
)


def _path_sheet(book: Book, name: str, lead: str, frame: pd.DataFrame, room: Look) -> None:
    columns = [replace(c, look=room) if c.header == "Room" else c for c in PATH_COLUMNS]
    page = book.sheet(name, [c.width for c in columns])
    page.title(name, f"{lead} {SPARE_WORDS}", len(columns))
    rows = joined(
        frame,
        ["run", "room", "side"],
        [
            "airflow_cfm", "total_effective_length_ft", "friction_rate_inwc_per_100ft", "loss_inwc",
            "available_inwc", "slack_inwc", "slack_pct", "fastest_section", "velocity_fpm",
            "velocity_limit_fpm", "velocity_slack_fpm",
        ],
    )  # fmt: skip
    body = page.table(columns, rows, freeze=1)
    spare, speed = f"M{body[0]}:N{body[-1]}", f"P{body[0]}:R{body[-1]}"
    page.mark(spare, f"$N{body[0]}<{TIGHT_SLACK_PCT}", TIGHT_FILL, bold=True)
    page.mark(spare, f"$N{body[0]}<{CLOSE_SLACK_PCT}", CLOSE_FILL)
    near = 1.0 - NEAR_VELOCITY_PCT / 100.0
    page.mark(speed, f"$P{body[0]}>{near}*$Q{body[0]}", TIGHT_FILL, bold=True)


SPARE_WORDS = (
    f"Bold on orange: under {TIGHT_SLACK_PCT:g} % of the pressure to spare, or within {NEAR_VELOCITY_PCT:g} "
    f"% of the velocity limit. Pale orange: under {CLOSE_SLACK_PCT:g} % to spare."
)


def available_words(facts: Facts) -> str:
    """What the column Available holds."""
    if not facts.from_blower:
        return "Available: what the plan gives the run's side."
    return (
        "Available: the run's side of what the blower leaves after the devices in that variant (sheet Pressure), "
        "split between supply and return as their worst runs lose."
    )


def tightest_sheet(book: Book, facts: Facts) -> None:
    """Each run in the variant that leaves it the least of its pressure."""
    lead = (
        "Each run in the variant that leaves it the least of its pressure, the tightest run first. To spare = "
        "available less what the run loses from the air handler to the room in the installed sizes; the "
        f"velocity is of the same variant. {available_words(facts)}"
    )
    _path_sheet(book, "Tightest", lead, facts.worst_by_run, TEXT)


def all_variants_sheet(book: Book, facts: Facts) -> None:
    """Pressure and velocity of each run in every variant."""
    lead = (
        "Each run in every variant in which it is open; filter by the arrows in the header. Fastest section: "
        f"the one closest to its velocity limit on the way to the room. {available_words(facts)}"
    )
    _path_sheet(book, "All variants", lead, facts.paths, SHORT)


def rooms_by_front_sheet(book: Book, facts: Facts) -> None:
    """How each room's airflow turns with the house."""
    study, faces = facts.study, facts.study.plan.fronts
    page = book.sheet("Rooms by front")
    columns = [
        Column("Room", LABEL, 22),
        Column("Season", SHORT, 10),
        *(Column(f"Front {face}", TENTHS, 9, unit="cfm") for face in faces),
        Column("Smallest", TENTHS, 11, unit="cfm"),
        Column("Largest", replace(TENTHS, bold=True), 11, unit="cfm"),
        Column("Largest at front", CENTRE, 10),
        Column("Spread, %", PER_CENT, 10),
        Column("Size steps", Look("0", align="center"), 8),
    ]
    page.set_widths([c.width for c in columns])
    page.title(
        "Airflow of each room by the way the front faces",
        "The room that turns most comes first. Each cell is the larger of as drawn and mirrored; smallest "
        "counts both. Spread: largest over smallest, less 100 %. Size steps: standard sizes between the "
        "smallest and the largest that the room's runs would get alone. Blue is less and orange is more than "
        f"the row's mean, full colour from {FULL_COLOUR_PCT:g} % off; the largest is bold.",
        len(columns),
    )
    frame = tables.rooms_by_face(study)
    rows = frame_rows(
        frame,
        ["room", "season", *faces, "smallest_cfm", "largest_cfm", "largest_at", "spread_pct", "size_steps"],
    )
    body = page.table(columns, rows, freeze=1)
    if len(faces) < 2:
        return
    last = get_column_letter(2 + len(faces))
    for row, mean in zip(body, frame[list(faces)].mean(axis=1).tolist(), strict=True):
        if mean > 0.0:
            page.sheet.conditional_formatting.add(f"C{row}:{last}{row}", _off_mean(book.units.shown(mean, "cfm")))
    page.mark(f"C{body[0]}:{last}{body[-1]}", f"C{body[0]}=MAX($C{body[0]}:${last}{body[0]})", bold=True)


def _off_mean(mean: float) -> Rule:
    """Colours by how far a number is off a mean, on the same scale for every row of the sheet."""
    ends = [round(mean * (1.0 + part * FULL_COLOUR_PCT / 100.0), 6) for part in (-1.0, 0.0, 1.0)]
    return Rule(
        type="colorScale",
        colorScale=ColorScale(
            cfvo=[FormatObject(type="num", val=end) for end in ends],
            color=[Color(c) for c in ("5B9BC9", "FFFFFF", "E08E3C")],
        ),
    )


def spare_air_sheet(book: Book, facts: Facts) -> None:
    """How much more air each run could carry."""
    study = facts.study
    columns = [
        Column("Run", LABEL, 10),
        Column("Room", TEXT, 30),
        Column("More air", TENTHS, 11, unit="cfm"),
        Column("More air, %", PER_CENT, 10),
        Column("What then stops it", SHORT, 22),
        *VARIANT_COLUMNS,
    ]
    page = book.sheet("Spare air", [c.width for c in columns])
    page.title(
        "How much more air each run could carry",
        "In the variant where it can take the least, all other runs staying at design, before the first "
        "limit anywhere is met; the tightest run first. A section that several runs share gives its spare "
        f"air once. Bold on orange: under {LITTLE_SPARE_PCT} %; pale orange: under {SOME_SPARE_PCT} %.",
        len(columns),
    )
    frame = tables.headroom(study).sort_values("extra_pct", kind="stable", ignore_index=True)
    rows = joined(frame, ["run", "room", "extra_cfm", "extra_pct", "limit"], [])
    body = page.table(columns, rows, freeze=1)
    if rows:
        area = f"C{body[0]}:D{body[-1]}"
        for most, fill, bold in ((LITTLE_SPARE_PCT, TIGHT_FILL, True), (SOME_SPARE_PCT, CLOSE_FILL, False)):
            page.mark(area, f'AND($D{body[0]}<>"",$D{body[0]}<{most})', fill, bold=bold)
