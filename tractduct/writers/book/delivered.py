"""What the house delivers: Delivered by room, System, Substitution, Robustness, Delivered in all variants."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from openpyxl.utils import get_column_letter

from tractduct.delivery.deliver import HOOD_ERROR_PCT, HOOD_ERROR_UNPOWERED_PCT, Delivery
from tractduct.delivery.predict import LEAST_CFM_A_TON, Drive
from tractduct.delivery.robust import LENGTH_SPREAD, MOST_COMPRESSION_PCT
from tractduct.errors import ended
from tractduct.writers import delivery_tables as frames
from tractduct.writers.book.facts import VARIANT_COLUMNS, Facts, counted, frame_rows, joined, turned
from tractduct.writers.book.layout import Book, Page
from tractduct.writers.book.looks import (
    CENTRE,
    CLOSE_FILL,
    LABEL,
    LARGER_FILL,
    LEAD,
    MONEY,
    SHORT,
    SMALLER_FILL,
    TENTHS,
    TEXT,
    THOUSANDTHS,
    TIGHT_FILL,
    WHOLE,
    Column,
    Look,
    Value,
    plain,
)
from tractduct.writers.book.pressure import actual_airflow

SIGNED = Look("+0;−0;0")
SIGNED_TENTHS = Look("+0.0;−0.0;0.0")
WITHIN, LOW, HIGH = "within", "▼ too little", "▲ too much"
HOOD_WORDS = (
    f"A flow hood reads about {HOOD_ERROR_PCT:g} % off in the field where it is powered, and "
    f"{HOOD_ERROR_UNPOWERED_PCT[0]:g} to {HOOD_ERROR_UNPOWERED_PCT[1]:g} % where it is not (LBNL, abstract)."
)
FEW_BUILDS_PCT, MOST_BUILDS_PCT = 80, 95  # of the builds within tolerance
LOSS_FROM_PCT, LOSS_BAD_PCT = 5.0, 15.0  # a room's loss that is pointed out, and that is a lot


def tolerance_words(delivery: Delivery) -> str:
    """What counts as within."""
    t, units = delivery.study.plan.tolerance, delivery.study.plan.units
    return (
        f"Within: a room is off its design airflow by at most {t.room_pct:g} % or {units.say(t.room_cfm, 'cfm')}, "
        f"whichever is more; the system by at most {t.system_pct:g} %."
    )


def drive_words(delivery: Delivery) -> str:
    """What moves the air in the prediction."""
    if delivery.drive is Drive.BLOWER:
        return "The airflow is where the blower's table meets what ducts and devices take."
    if delivery.drive is Drive.PRESSURE:
        return "The plenums are held at the pressure that the plan makes available."
    return "The blower is taken to move the design airflow whatever the ducts take: so rooms share it differently."


def verdict(delivered: float, design: float, tolerance: float) -> str:
    """Within, too little or too much; NaN where the airflow is not known."""
    if not np.isfinite(delivered):
        return "not known"
    if abs(delivered - design) <= tolerance * (1.0 + 1e-12):
        return WITHIN
    return LOW if delivered < design else HIGH


# -- Delivered by room -----------------------------------------------------------------------------------


def delivered_sheet(book: Book, delivery: Delivery) -> None:
    """One row a room: range over the variants, and over the ways the house may be built."""
    study = delivery.study
    number, builds = len(study.variants.variants), delivery.spread.builds
    has_flex = any(study.plan.flex)
    frame = frames.room_summary(delivery)
    names = ["room", "lowest_pct", "highest_pct", "variants_outside"]
    columns = [
        Column("Room", LABEL, 22),
        Column("Lowest, % of design", WHOLE, 11),
        Column("Highest, % of design", WHOLE, 11),
        Column(f"Outside tolerance, of {number} variants", WHOLE, 13),
        Column("Before balancing", SHORT, 31),
    ]
    if has_flex:
        columns.append(Column(f"Lowest at {delivery.compressed_pct:g} % compression, % of design", WHOLE, 16))
        names.append("compressed_lowest_pct")
    columns.append(Column("With the damper marks: worst, in tolerances", Look("0.00"), 15))
    names.append("marked_worst")
    columns += [
        Column("As built, low, % of design", WHOLE, 11),
        Column("As built, high, % of design", WHOLE, 11),
        Column("As built, within tolerance, % of builds", WHOLE, 14),
    ]
    names += ["built_low_pct", "built_high_pct", "built_within_pct"]
    page = book.sheet("Delivered by room", [c.width for c in columns])
    page.title(
        "What each room gets, against its design airflow",
        f"Lowest, highest, outside: all dampers wide open, before balancing, over {counted(number, 'variant')}. "
        "With the damper marks (sheet Damper marks): 1 is just within tolerance. "
        f"As built: balanced as drawn, then 5th and 95th of 100 of {builds} builds a variant (sheet Robustness). "
        f"{tolerance_words(delivery)} {drive_words(delivery)} {HOOD_WORDS}",
        len(columns),
    )
    page.row += 1
    got = delivery.open_dampers
    off = got.room_cfm - got.room_design_cfm
    outside = ~got.room_within(study.plan.tolerance)
    rows = frame_rows(frame, names)
    for row in rows:
        n = study.plan.rooms.index(str(row[0]))
        low, high = bool((outside[:, n] & (off[:, n] < 0)).any()), bool((outside[:, n] & (off[:, n] > 0)).any())
        row.insert(4, " and ".join(w for w, on in ((LOW, low), (HIGH, high)) if on) or WITHIN)
    body = page.table(columns, rows, freeze=1)
    first = body[0]
    _mark_verdicts(page, f"B{first}:E{body[-1]}", f"$E{first}")
    letter = "G" if has_flex else "F"
    page.mark(f"{letter}{first}:{letter}{body[-1]}", f"{letter}{first}>1", CLOSE_FILL, bold=True)


def _mark_verdicts(page: Page, area: str, cell: str) -> None:
    """Colour by a verdict: too little blue, too much orange; the words say it in black and white."""
    page.mark(area, f'LEFT({cell},1)="▼"', SMALLER_FILL, bold=True)
    page.mark(area, f'LEFT({cell},1)="▲"', LARGER_FILL, bold=True)


def delivered_all_sheet(book: Book, delivery: Delivery) -> None:
    """One row a room and variant."""
    frame = frames.rooms(delivery)
    columns = [
        Column("Room", replace(LABEL, wrap=False), 20),
        *VARIANT_COLUMNS,
        Column("Design", TENTHS, 9, unit="cfm"),
        Column("Delivered", TENTHS, 11, unit="cfm"),
        Column("Off, %", SIGNED_TENTHS, 9),
        Column("Tolerance", TENTHS, 11, unit="cfm"),
        Column("Verdict", SHORT, 14),
        Column("Powered hood may read, from", WHOLE, 13, unit="cfm"),
        Column("to", WHOLE, 8, unit="cfm"),
    ]
    after = ["design_cfm", "delivered_cfm", "off_pct", "tolerance_cfm"]
    hood, more = ["hood_low_cfm", "hood_high_cfm"], []
    if any(delivery.study.plan.flex):
        columns.append(Column(f"At {delivery.compressed_pct:g} % compression", TENTHS, 14, unit="cfm"))
        more.append("compressed_cfm")
    columns.append(Column("With the damper marks", TENTHS, 14, unit="cfm"))
    more.append("marked_cfm")
    page = book.sheet("Delivered in all variants", [c.width for c in columns])
    page.title(
        "What each room gets in every variant, all dampers wide open",
        f"Filter by the arrows in the header. {tolerance_words(delivery)} {HOOD_WORDS}",
        len(columns),
    )
    rows = joined(frame, ["room"], [*after, *hood, *more])
    for row, got, design, allowed in zip(
        rows, *(frame[c].tolist() for c in ("delivered_cfm", "design_cfm", "tolerance_cfm")), strict=True
    ):
        row.insert(9, verdict(got, design, allowed))
    body = page.table(columns, rows, freeze=1)
    _mark_verdicts(page, f"G{body[0]}:J{body[-1]}", f"$J{body[0]}")


# -- System ----------------------------------------------------------------------------------------------


def system_sheet(book: Book, facts: Facts, delivery: Delivery) -> None:
    """One row a variant: what the blower moves and against what."""
    study, frame = delivery.study, frames.systems(delivery)
    gear, units = study.plan.equipment, book.units
    optional = [
        ("available_static_inwc", Column("Blower makes at design", THOUSANDTHS, 13, unit="inWC")),
        ("as_run_static_inwc", Column("As run: external static", THOUSANDTHS, 11, unit="inWC")),
        ("as_run_cfm", Column("As run, standard air", WHOLE, 11, unit="cfm")),
        ("cfm_a_ton", Column("As run, standard air", WHOLE, 11, unit="cfm a ton")),
    ]
    shown = [(name, column) for name, column in optional if frame[name].notna().any()]
    in_season = 'AND({season}="%s",{cell}<{limit})'
    limits = [
        (name, test, limit, unit, f"{words.format(units.say(limit, unit, '.4g'))} as run")
        for name, test, limit, unit, words in (
            ("cfm_a_ton", in_season % "cooling", LEAST_CFM_A_TON, "cfm a ton", "under {} in cooling"),
            ("as_run_cfm", in_season % "heating", gear.least_heating_cfm, "cfm", "under {} in heating"),
            ("as_run_static_inwc", "{cell}>{limit}", delivery.rated_static_inwc, "inWC", "over {} of external static"),
        )
        if limit is not None and any(name == there for there, _ in shown)
    ]
    columns = [
        *VARIANT_COLUMNS,
        Column("Total", WHOLE, 9, unit="cfm"),
        Column("Design", WHOLE, 9, unit="cfm"),
        Column("Off, %", SIGNED_TENTHS, 8),
        Column("Within tolerance", CENTRE, 11),
        Column("External static", THOUSANDTHS, 11, unit="inWC"),
        Column("Balanced: needs at design", THOUSANDTHS, 13, unit="inWC"),
        Column("Can be balanced", CENTRE, 11),
        *(column for _, column in shown),
    ]
    page = book.sheet("System", [c.width for c in columns])
    page.title(
        "The whole system in every variant",
        f"{drive_words(delivery)} All dampers wide open, but for the balanced columns: what ducts and devices take at "
        "design airflow once every room gets its own. As run: balanced, with filters due for change. "
        + f"{actual_airflow(study.plan)} "
        + ("" if study.plan.equipment.devices else "No devices are listed: static pressure is the ducts' alone. ")
        + ("Marked: " + "; ".join(words for *_, words in limits) + ". " if limits else "")
        + tolerance_words(delivery),
        len(columns),
    )
    page.row += 1
    for finding in delivery.findings:
        if finding.subject == "system":
            page.paragraph(
                f"{finding.severity.word.capitalize()}: {finding.message}. {ended(finding.advice)}", len(columns)
            )
    impossible = int((~delivery.balanced.possible).sum())
    number = len(frame)
    page.paragraph(
        f"Every one of {counted(number, 'variant')} can be balanced: every room can get its design airflow."
        if not impossible
        else f"No damper setting gives every room its design airflow in {impossible} of {number} variants.",
        len(columns),
        LABEL,
    )
    page.row += 1
    rows = joined(
        frame,
        [],
        ["total_cfm", "design_cfm", "off_pct", "within", "external_static_inwc", "needed_static_inwc",
         "can_be_balanced", *(name for name, _ in shown)],
    )  # fmt: skip
    body = page.table(columns, rows, freeze=4)
    first, last = body[0], body[-1]
    for letter in "HK":
        page.mark(f"{letter}{first}:{letter}{last}", f'${letter}{first}="no"', TIGHT_FILL, bold=True)
    for name, test, limit, unit, _ in limits:
        letter = get_column_letter(len(columns) - len(shown) + 1 + [there for there, _ in shown].index(name))
        limit_shown = f"{units.shown(limit, unit):.12g}"
        wanted = test.format(cell=f"${letter}{first}", limit=limit_shown, season=f"$C{first}")
        page.mark(f"{letter}{first}:{letter}{last}", wanted, TIGHT_FILL, bold=True)


# -- Substitution ----------------------------------------------------------------------------------------


def substitution_sheet(book: Book, delivery: Delivery) -> None:
    """Designed for one flex product, another installed; only for a plan of several."""
    study, pairs = delivery.study, delivery.substitutions
    flex = [f for f in study.plan.flex if f]
    if not pairs:
        return
    page = book.sheet("Substitution", (16, 16, 22, 14, 20, 12, 13, 46))
    page.title(
        "Designed for one flex product, another one installed in the same sizes",
        "The sizes are those that the plan would get if only the designed product were approved; the standard set "
        f"covers all of them. {drive_words(delivery)} Pale orange: a room loses over {LOSS_FROM_PCT:g} %; bold: over "
        f"{LOSS_BAD_PCT:g} %.",
        8,
    )
    page.row += 1
    worst = {(p.designed, p.installed): _worst(delivery, p.designed, p.installed) for p in pairs}
    page.heading("Worst change of any room, %", 8)
    body = page.table(
        [Column("Designed for"), *(Column(f"Installed {f}", SIGNED) for f in flex)],
        [[d, *(plain(worst[d, i][0]) if (d, i) in worst else None for i in flex)] for d in flex],
    )
    _mark_losses(page, f"B{body[0]}:{get_column_letter(1 + len(flex))}{body[-1]}", f"B{body[0]}")
    page.heading("What it takes to hold again with the installed product", 8)
    page.paragraph(
        "The least-cost set for the installed product in which no section gets smaller; extra cost at its prices.",
        8,
        LEAD,
    )
    rows: list[list[Value]] = []
    for p in pairs:
        change, room, where = worst[p.designed, p.installed]
        holds = p.recovery.size_index is not None
        rows.append(
            [
                p.designed,
                p.installed,
                room,
                plain(change),
                where,
                len(p.raised) if holds else None,
                plain(p.extra_cost),
                "; ".join(f"{s} {a} to {b}" for s, (a, b) in p.raised.items())
                or ("none: it holds as it is" if holds else "no set holds"),
            ]
        )
    page.table(
        [
            Column("Designed for", LABEL),
            Column("Installed", LABEL),
            Column("Room that loses most", TEXT),
            Column("Change, %", SIGNED_TENTHS),
            Column("Worst at", TEXT),
            Column("Sections up", WHOLE),
            Column("Extra cost", MONEY, unit=study.cost_unit),
            Column("Which", TEXT, unit="size"),
        ],
        rows,
    )


def substitution_by_room_sheet(book: Book, delivery: Delivery) -> None:
    """The same room by room and season, in the orientation that suffers most and in the one that suffers least."""
    if not delivery.substitutions:
        return
    columns = [
        Column("Designed for", replace(LABEL, wrap=False), 16),
        Column("Installed", replace(LABEL, wrap=False), 16),
        Column("Room", replace(LABEL, wrap=False), 22),
        Column("Season", SHORT, 10),
        Column("Worst front", SHORT, 16),
        Column("Expected", TENTHS, 11, unit="cfm"),
        Column("Delivered", TENTHS, 11, unit="cfm"),
        Column("Change there, %", SIGNED_TENTHS, 11),
        Column("Change at the best front, %", SIGNED_TENTHS, 13),
    ]
    page = book.sheet("Substitution by room", [c.width for c in columns])
    page.title(
        "Designed for one flex product, another one installed: room by room",
        "In the orientation in which the room loses most, and the change in the one in which it loses least. Pale "
        f"orange: over {LOSS_FROM_PCT:g} % lost; bold: over {LOSS_BAD_PCT:g} %.",
        len(columns),
    )
    frame = frames.substitutions(delivery)
    orientation = zip(frame["worst_face"].tolist(), frame["mirrored"].tolist(), strict=True)
    rows = [
        [*before, f"{face}, {turned(mirrored)}", *after]
        for before, (face, mirrored), after in zip(
            frame_rows(frame, ["designed", "installed", "room", "season"]),
            orientation,
            frame_rows(frame, ["expected_cfm", "delivered_cfm", "change_pct", "best_change_pct"]),
            strict=True,
        )
    ]
    body = page.table(columns, rows, freeze=3)
    _mark_losses(page, f"H{body[0]}:H{body[-1]}", f"H{body[0]}")


def _mark_losses(page: Page, area: str, cell: str) -> None:
    """Colour the losses of rooms, the large ones more."""
    page.mark(area, f'AND({cell}<>"",{cell}<-{LOSS_BAD_PCT:g})', TIGHT_FILL, bold=True)
    page.mark(area, f'AND({cell}<>"",{cell}<-{LOSS_FROM_PCT:g})', CLOSE_FILL)


def _worst(delivery: Delivery, designed: str, installed: str) -> tuple[float, str, str]:
    """The largest loss of any room with a product installed for another: per cent, room, variant."""
    pair = next(p for p in delivery.substitutions if (p.designed, p.installed) == (designed, installed))
    expected = pair.expected.room_cfm
    change = 100.0 * (pair.delivered.room_cfm / np.where(expected > 0.0, expected, np.nan) - 1.0)
    if np.isnan(change).all():
        return np.nan, "", ""
    # The first of those that only rounding tells apart.
    v, n = np.unravel_index(int(np.nanargmin(np.round(change, 9))), change.shape)
    variant = pair.delivered.variants.variants[v]
    turn = ", mirrored" if variant.mirrored else ""
    return float(change[v, n]), delivery.study.plan.rooms[n], f"{variant.front}{turn}, {variant.season}"


# -- Robustness ------------------------------------------------------------------------------------------


def robustness_sheet(book: Book, delivery: Delivery) -> None:
    """What building tolerances do to the balanced airflow, by room and season."""
    study, spread = delivery.study, delivery.spread
    columns: Sequence[Column] = [
        Column("Room", LABEL, 24),
        Column("Season", SHORT, 11),
        Column("Low, % of design", WHOLE, 13),
        Column("Middle, % of design", WHOLE, 13),
        Column("High, % of design", WHOLE, 13),
        Column("Within tolerance, % of builds", WHOLE, 14),
    ]
    page = book.sheet("Robustness", [c.width for c in columns], portrait=True)
    page.title(
        "What building tolerances do",
        f"Balanced for the house as drawn; then {spread.builds} builds of every variant, with the length of each "
        f"section within {100 * LENGTH_SPREAD:g} %, each flex compressed by 0 to {MOST_COMPRESSION_PCT:g} %, filters "
        "from clean to due for change. Low and high: of 100 builds 5 are below and 5 above. The same builds every "
        f"time. Bold on orange: under {FEW_BUILDS_PCT} % of the builds within tolerance; pale orange: under "
        f"{MOST_BUILDS_PCT} %. The spreads are chosen for the program, from no source. "
        f"{tolerance_words(delivery)}",
        len(columns),
    )
    page.row += 1
    rows: list[list[Value]] = [
        ["whole system", season, plain(spread.total_low[k]), None, plain(spread.total_high[k]), None]
        for k, season in enumerate(study.plan.seasons)
    ]
    rows += [
        [room, season, *(plain(part[k, n]) for part in (spread.low, spread.middle, spread.high, spread.within_pct))]
        for n, room in enumerate(study.plan.rooms)
        for k, season in enumerate(study.plan.seasons)
        if np.isfinite(spread.middle[k, n])
    ]
    body = page.table(columns, rows, freeze=1)
    area = f"F{body[0]}:F{body[-1]}"
    page.mark(area, f'AND(F{body[0]}<>"",F{body[0]}<{FEW_BUILDS_PCT})', TIGHT_FILL, bold=True)
    page.mark(area, f'AND(F{body[0]}<>"",F{body[0]}<{MOST_BUILDS_PCT})', CLOSE_FILL)
