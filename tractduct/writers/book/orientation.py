"""What the direction does: Orientation, House by front, Breakdown check, Packages, Every degree."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from tractduct.orientation.azimuths import azimuth_label
from tractduct.orientation.study import OrientationStudy
from tractduct.physics.solar import LEFT_OUT, MODELS
from tractduct.physics.turning import POINT_DEG, TURN_DEG
from tractduct.sizing.packages import PackageChoice, group_label
from tractduct.units import NOMINAL
from tractduct.writers import orientation_tables as frames
from tractduct.writers.book.facts import frame_rows, turned
from tractduct.writers.book.layout import Book, Page
from tractduct.writers.book.looks import (
    CENTRE,
    CHOSEN,
    CLOSE_FILL,
    GOOD_FILL,
    LABEL,
    LARGER,
    LARGER_FILL,
    SHORT,
    SIZE,
    SMALLER,
    SMALLER_FILL,
    TENTHS,
    TEXT,
    TIGHT_FILL,
    WHOLE,
    Column,
    Look,
    Value,
    plain,
    size_value,
)
from tractduct.writers.orientation_pictures import OrientationPictures

MOST_CFM = Look('"▲ "#,##0.0', bold=True, fill=LARGER_FILL)
LEAST_CFM = Look('"▼ "#,##0.0', italic=True, fill=SMALLER_FILL)
SIGNED_PER_CENT = Look("+0.0;−0.0;0.0")
SCREENED = replace(TEXT, bold=True, fill=CLOSE_FILL)
DEGREES_IN_A_ROW = 10
MARKED_PCT = 5.0  # a room that moves by less has no best and worst front worth pointing at


def orientation_sheets(book: Book, result: OrientationStudy, pictures: OrientationPictures | None) -> None:
    """All of them, but for what the plan gives no ground for."""
    sensitivity_sheet(book, result)
    by_front_sheet(book, result)
    said = f" {result.screening}." if result.screening else ""
    if pictures is not None and pictures.roses is not None:
        book.picture(
            "Rooms rose",
            "How the airflow of the most sensitive rooms turns with the house: the further out, the more air when the "
            f"front faces that way. Each rose has its own scale.{said}",
            pictures.roses,
        )
    if result.house is not None:
        house_sheet(book, result)
    if result.breakdown_check is not None:
        check_sheet(book, result)
    if result.packages is not None:
        packages_sheet(book, result)
        package_sizes_sheet(book, result)
    if result.degrees is not None:
        degrees_sheet(book, result)
    if pictures is not None and pictures.plan is not None:
        book.picture(
            "Plan picture",
            f"The plan as drawn, with its front to the south; the lot sheets show it turned to each lot's north.{said}",
            pictures.plan,
        )


def screening(page: Page, result: OrientationStudy, across: int) -> None:
    """What must stand beside anything that rests on glass factors by the sun; nothing where none do."""
    if result.screening:
        page.paragraph(f"{result.screening}.", across, SCREENED)


def _face(face: str, mirrored: bool) -> str:
    return f"{face}, mirrored" if mirrored else face


# -- Orientation -----------------------------------------------------------------------------------------


def sensitivity_sheet(book: Book, result: OrientationStudy) -> None:
    """Every room, the most sensitive first, and its airflow by front."""
    plan = result.study.plan
    known = plan.breakdown is not None
    columns = [
        Column("Room", LABEL, 21),
        Column("Moves most in", SHORT, 11),
        Column("Smallest", TENTHS, 10, unit="cfm"),
        Column("at front", SHORT, 13),
        Column("Largest", TENTHS, 10, unit="cfm"),
        Column("at front (drives it)", SHORT, 13),
        Column("Largest over smallest, %", Look("+0"), 11),
        Column("Size steps", WHOLE, 7),
    ]
    if known:
        columns += [
            Column("Glass, % of its load", WHOLE, 9),
            Column("Its own load changes by, %", WHOLE, 11),
            Column("Note", TEXT, 30),
        ]
    across = max(len(columns), 3 + len(plan.fronts))
    page = book.sheet("Orientation", [c.width for c in columns])
    page.title(
        "Rooms by how far the direction moves them",
        "In the season in which the room moves most, over fronts and mirrors; the most sensitive first: by steps of "
        "standard size between the sizes that its runs would get alone, then by largest over smallest airflow."
        + (" Glass: its part of the room's cooling load at the front that drives it." if known else "")
        + ("" if known else " Without a breakdown of loads by surface the plan does not tell what part is glass."),
        across,
    )
    screening(page, result, across)
    if result.screening:
        page.paragraph(f"{LEFT_OUT}.", across)
    for words in frames.missing(result):
        page.paragraph(words, across, replace(TEXT, fill=CLOSE_FILL))
    page.row += 1
    rows: list[list[Value]] = []
    for r in result.sensitivity:
        row: list[Value] = [
            r.room, r.season, plain(r.smallest_cfm), _face(r.least_front, r.least_mirrored), plain(r.largest_cfm),
            _face(r.driving_front, r.driving_mirrored), plain(100.0 * (r.ratio - 1.0)), r.size_steps,
        ]  # fmt: skip
        if known:
            note = "shared out: other rooms' loads change" if r.shared_out else None
            if r.has_glass is False and not r.shared_out:
                note = "no glass"
            row += [plain(r.glass_pct), plain(r.load_change_pct), note]
        rows.append(row)
    body = page.table(columns, rows, freeze=1)
    page.mark(f"H{body[0]}:H{body[-1]}", f"H{body[0]}>=1", CLOSE_FILL, bold=True)
    _shared_out(page, result, across)


def _shared_out(page: Page, result: OrientationStudy, across: int) -> None:
    rooms = [r.room for r in result.sensitivity if r.shared_out]
    if rooms:
        page.paragraph(
            f"Rooms without glass whose airflow changes: {', '.join(rooms)}. Their own load hardly changes; the "
            "other rooms' loads do, and the system's airflow is shared out by load. Do not look for the cause in these "
            "rooms.",
            across,
        )


def by_front_sheet(book: Book, result: OrientationStudy) -> None:
    """Every room's airflow by front, season and mirror."""
    plan = result.study.plan
    columns = [Column("Room", LABEL, 22), Column("Season", SHORT, 11), Column("Mirrored", SHORT, 12)]
    airflow = TENTHS.in_units(book.units, "cfm")  # the unit is in the title
    columns += [Column(face, airflow, 11) for face in plan.fronts]
    across = max(len(columns), 8)
    page = book.sheet("Airflow by front", [*(c.width for c in columns), *(11,) * (across - len(columns))])
    page.title(
        f"Airflow of each room by the way the front faces, {book.units.unit('cfm')}",
        "As drawn and mirrored, the most sensitive room first. ▲ the room's largest and ▼ its smallest in that season, "
        f"where they differ by more than {MARKED_PCT:g} %.",
        across,
    )
    screening(page, result, across)
    page.row += 1
    frame = frames.airflow_by_face(result)
    flow = frame[list(plan.fronts)].to_numpy(dtype=float)
    high = frame.groupby(["room", "season"])[list(plan.fronts)].transform("max").max(axis=1).to_numpy(dtype=float)
    low = frame.groupby(["room", "season"])[list(plan.fronts)].transform("min").min(axis=1).to_numpy(dtype=float)
    looks: dict[tuple[int, int], Look] = {}
    for i in range(len(frame)):
        if high[i] > low[i] * (1.0 + MARKED_PCT / 100.0):
            for j, cfm in enumerate(flow[i]):
                if cfm in (high[i], low[i]):
                    looks[i, 3 + j] = (MOST_CFM if cfm == high[i] else LEAST_CFM).in_units(book.units, "cfm")
    heads = zip(frame["room"].tolist(), frame["season"].tolist(), frame["mirrored"].tolist(), strict=True)
    rows: list[list[Value]] = [
        [room, season, turned(mirrored), *(page.shown(plain(float(cfm)), "cfm") for cfm in flow[i])]
        for i, (room, season, mirrored) in enumerate(heads)
    ]
    page.table(columns, rows, looks, freeze=3)


# -- House by front --------------------------------------------------------------------------------------


def house_sheet(book: Book, result: OrientationStudy) -> None:
    """The house's loads by front, and whether they change by more than one design report may serve."""
    house, plan, units = result.house, result.study.plan, book.units
    assert house is not None
    columns = [
        Column("Front faces", CENTRE, 16),
        Column("Mirrored", SHORT, 14),
        Column("Total sensible cooling", WHOLE, 15, unit="Btu/h"),
        Column("Above the least", WHOLE, 15, unit="Btu/h"),
        Column("Total heating", WHOLE, 15, unit="Btu/h"),
    ]
    names = ["sensible_cooling_btuh", "over_least_cooling_btuh", "heating_btuh"]
    if house.hourly:
        columns.append(Column("Peak at hour, solar time", WHOLE, 15))
        names.append("peak_hour")
    across = max(len(columns), 6)
    page = book.sheet("House by front", [c.width for c in columns] + [15] * (across - len(columns)))
    page.title(
        "The house's loads by the way its front faces",
        "From the plan's breakdown by surface. They are there to share out airflow and to compare directions; the load "
        "calculation behind the plan decides on equipment.",
        across,
    )
    screening(page, result, across)
    over = house.change_btuh > house.limit_btuh
    page.paragraph(
        f"Exposure diversity: the total sensible cooling load changes by "
        f"{units.say(house.change_btuh, 'Btu/h', ',.0f')} between directions. That is "
        f"{'MORE' if over else 'less'} than {units.say(house.limit_btuh, 'Btu/h', ',.0f')}, from which on one "
        "cooling unit and one design report for all directions want a second look (limit of a national new-homes "
        f"program, seen second-hand; set {units.name_of('diversity_btuh', 'Btu/h')} in the plan).",
        across,
        replace(TEXT, bold=True, fill=TIGHT_FILL if over else GOOD_FILL),
    )
    page.row += 1
    frame = frames.house_loads(result)
    cells = frame_rows(frame, names)
    at = zip(frame["front_faces"].tolist(), frame["mirrored"].tolist(), cells, strict=True)
    page.table(columns, [[face, turned(m), *row] for face, m, row in at], freeze=2)
    if house.hourly and "cooling" in plan.seasons:
        _peaks(page, result, across)


def _peaks(page: Page, result: OrientationStudy, across: int) -> None:
    """Cooling at each room's own peak and at the house's: what a factor by the sun can tell."""
    plan = result.study.plan
    used = plan.breakdown.airflow_at if plan.breakdown else ""
    page.heading("Each room at its own peak and at the house's", across)
    page.paragraph(
        f"The airflow used is shared by the loads at {'each room' if used == 'room_peak' else 'the house'}'s peak. The "
        f"largest difference between the two by room. Models: {MODELS}. {LEFT_OUT}.",
        across,
    )
    frame = frames.peaks(result)
    off = (frame["room_peak_cfm"] - frame["house_peak_cfm"]).abs()
    worst = frame.loc[off.groupby(frame["room"], sort=False).idxmax()]
    rows: list[list[Value]] = [
        [
            row["room"], _face(row["front_faces"], row["mirrored"]), plain(row["room_peak_cfm"]),
            plain(row["house_peak_cfm"]), plain(row["room_peak_hour"]), plain(row["house_peak_hour"]),
        ]
        for row in worst.to_dict("records")
    ]  # fmt: skip
    page.table(
        [
            Column("Room", LABEL),
            Column("Front", SHORT),
            Column("At the room's peak", TENTHS, unit="cfm"),
            Column("At the house's peak", TENTHS, unit="cfm"),
            Column("Room's hour", WHOLE),
            Column("House's hour", WHOLE),
        ],
        rows,
    )


# -- Breakdown check -------------------------------------------------------------------------------------


def check_sheet(book: Book, result: OrientationStudy) -> None:
    """The turned breakdown against the airflow table, which is used, room by room."""
    check = result.breakdown_check
    assert check is not None
    columns = [
        Column("Room", LABEL, 24),
        Column("Season", SHORT, 11),
        Column("Most off, %", SIGNED_PER_CENT, 11),
        Column("at front", SHORT, 16),
        Column("Airflow table", TENTHS, 12, unit="cfm"),
        Column("Breakdown", TENTHS, 12, unit="cfm"),
        Column("Mean off, %", SIGNED_PER_CENT, 11),
        Column("Verdict", SHORT, 16),
    ]
    across = len(columns)
    page = book.sheet("Breakdown check", [c.width for c in columns])
    page.title(
        "Breakdown by surface against the airflow table",
        "The breakdown, turned to each front of the table and shared out over the table's own total. The table is used "
        f"where there is one; a room that is off by more than {check.limit_pct:g} % is a finding.",
        across,
    )
    screening(page, result, across)
    within = check.largest_pct <= check.limit_pct
    page.paragraph(
        f"Largest difference: {check.largest_pct:.1f} %. "
        + ("The two agree." if within else "Find out which of the two is right."),
        across,
        replace(TEXT, bold=True, fill=GOOD_FILL if within else TIGHT_FILL),
    )
    page.row += 1
    frame = frames.breakdown_check(result)
    rows: list[list[Value]] = []
    for (room, season), part in frame.groupby(["room", "season"], sort=False):
        worst = part.iloc[int(part["off_pct"].abs().argmax())]
        good = bool(part["within"].all())
        rows.append(
            [
                str(room), str(season), _tenth(worst["off_pct"]), _face(worst["front_faces"], worst["mirrored"]),
                plain(worst["table_cfm"]), plain(worst["breakdown_cfm"]), _tenth(part["off_pct"].mean()),
                "agrees" if good else "differs",
            ]
        )  # fmt: skip
    body = page.table(columns, rows, freeze=1)
    page.mark(f"H{body[0]}:H{body[-1]}", f'H{body[0]}="differs"', TIGHT_FILL, bold=True)


def _tenth(pct: float) -> Value:
    """A small difference: shown as 0 where it rounds to 0, never as -0.0."""
    return plain(round(float(pct), 1) + 0.0)


# -- Packages --------------------------------------------------------------------------------------------


def packages_sheet(book: Book, result: OrientationStudy) -> None:
    """What more than one size set saves, who gets which, and the sizes of each."""
    found, study = result.packages, result.study
    assert found is not None
    lots, unit = len(study.plan.lots), study.cost_unit
    across = 9
    page = book.sheet("Packages", (14, 11, 34, 24, 12, 13, 13, 13, 13))
    page.title(
        "Duct packages: what more than one size set saves",
        "A package is one size set for some of the fronts. For each number of packages: the division of the fronts "
        "that costs least for "
        + (f"the {lots} lots of the plan." if lots else "as many houses of each front.")
        + " Costs are of least-cost sets at the mean price of the approved flex products: the standard set costs "
        "more, because it keeps to fewer sizes.",
        across,
    )
    screening(page, result, across)
    page.paragraph(_worth(result), across, replace(TEXT, bold=True, fill=GOOD_FILL))
    page.row += 1
    page.heading("Cost by number of packages", across)
    page.table(_choice_columns(unit, lots), [_choice_row(result, choice) for choice in found.choices])
    page.heading("Which front belongs to which package", across)
    rows: list[list[Value]] = []
    for choice in found.choices:
        for number, package in enumerate(choice.packages, start=1):
            rows.append(
                [
                    choice.n_package, number, ", ".join(map(group_label, package.groups)),
                    ", ".join(map(group_label, package.also_holds)), plain(100.0 * package.weight),
                    round(package.weight * lots) if lots else None, plain(package.cost),
                ]
            )  # fmt: skip
    page.table(
        [
            Column("Packages", CENTRE),
            Column("Package", CENTRE),
            Column("For fronts", TEXT),
            Column("Holds as well for (no lot faces there)", TEXT),
            Column("Of the lots, %", TENTHS),
            Column("Lots", WHOLE),
            Column("Cost per lot", TENTHS, unit=unit),
        ],
        rows,
    )


def _worth(result: OrientationStudy) -> str:
    found = result.packages
    assert found is not None
    lots = len(result.study.plan.lots)

    def cost(amount: float, spec: str) -> str:
        return result.study.plan.units.say(amount, result.study.cost_unit, spec)

    first = found.choices[0]
    if len(found.choices) == 1:
        return "More than one package saves nothing."
    second = found.choices[1]
    saves = found.saving(second.n_package)
    part = 100.0 * saves / first.expected_cost if first.expected_cost else 0.0
    total = f", {cost(saves * lots, ',.0f')} for all {lots}" if lots else ""
    return (
        f"{second.n_package} packages instead of {first.n_package} save {cost(saves, ',.1f')} a lot ({part:.1f} %)"
        f"{total}. If a second set of drawings, parts and checks costs you more than that, it is not worth it."
    )


def _choice_columns(unit: str, lots: int) -> list[Column]:
    return [
        Column("Number of packages", CENTRE),
        Column("Proven", CENTRE),
        Column("Fronts of each", TEXT),
        Column("No division can cost less than", TENTHS, unit=unit),
        Column("Mean cost per lot", TENTHS, unit=unit),
        Column("The last one saves per lot", TENTHS, unit=unit),
        Column("Saved in all per lot", TENTHS, unit=unit),
        Column(
            f"The last one saves, {lots} lots" if lots else "The last one saves", TENTHS, unit=unit if lots else "%"
        ),
        Column(f"Saved in all, {lots} lots" if lots else "Saved in all", TENTHS, unit=unit if lots else "%"),
    ]


def _choice_row(result: OrientationStudy, choice: PackageChoice) -> list[Value]:
    found, lots = result.packages, len(result.study.plan.lots)
    assert found is not None
    last, whole = found.saving(choice.n_package), found.choices[0].expected_cost - choice.expected_cost
    scale = lots or (100.0 / found.choices[0].expected_cost if found.choices[0].expected_cost else 0.0)
    groups = " | ".join(", ".join(map(group_label, p.groups)) for p in choice.packages)
    return [
        choice.n_package, "yes" if choice.proven else "no", groups, plain(choice.bound), plain(choice.expected_cost),
        plain(last), plain(whole), plain(last * scale), plain(whole * scale),
    ]  # fmt: skip


def package_sizes_sheet(book: Book, result: OrientationStudy) -> None:
    """The sizes of every package of every choice beside the standard set."""
    found, study = result.packages, result.study
    assert found is not None
    packages = [(c.n_package, n, p) for c in found.choices for n, p in enumerate(c.packages, start=1)]
    columns = [Column("Section", LABEL, 13), Column("Standard", CHOSEN, 11)]
    columns += [Column("One least-cost set" if k == 1 else f"{n} of {k}", SIZE, 11) for k, n, _ in packages]
    across = max(len(columns), 8)
    page = book.sheet("Package sizes", [*(c.width for c in columns), *(11,) * (across - len(columns))])
    page.title(
        f"Sizes of the packages, {book.units.unit(NOMINAL)}",
        "The standard set is the one on the other sheets. 1 of 2: the first of two packages (sheet Packages). "
        "▲ larger and ▼ smaller than the standard set.",
        across,
    )
    screening(page, result, across)
    page.row += 1
    diameter = {size.label: size.diameter_in for size in study.table.sizes}
    standard = study.size_set
    labels = [study.case.labels(p.size_index) for _, _, p in packages]
    rows: list[list[Value]] = []
    looks: dict[tuple[int, int], Look] = {}
    for section in study.tree.sections:
        size = standard.get(section.name, "")
        mine = [one[section.name] for one in labels]
        for j, label in enumerate(mine):
            if size and abs(diameter[label] - diameter[size]) > 1e-9:
                looks[len(rows), 2 + j] = LARGER if diameter[label] > diameter[size] else SMALLER
        rows.append([section.name, size_value(size), *map(size_value, mine)])
    page.table(columns, rows, looks, freeze=2)


# -- Every degree ----------------------------------------------------------------------------------------


def degrees_sheet(book: Book, result: OrientationStudy) -> None:
    """Whether the standard set holds between the fronts: ranges, where not, and by how much."""
    check = result.degrees
    assert check is not None
    across = 1 + DEGREES_IN_A_ROW
    page = book.sheet("Every degree", (16, *(12,) * DEGREES_IN_A_ROW))
    page.title(
        "Does the standard set hold between the fronts?",
        f"Every limit of every section and path in {check.n_variant:,} variants: {check.every} that the "
        f"plan's fronts enclose ({len(check.azimuth_deg)} directions), all mirrors, seasons and flex products, by the "
        "independent check. Checked at each of these directions, not proven between them; from one to "
        f"the next no limit's use changes by more than {100.0 * check.largest_step:.1f} % of the limit.",
        across,
    )
    screening(page, result, across)
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
    page.paragraph(words, across, replace(TEXT, bold=True, fill=fill))
    page.row += 1
    if not check.holds:
        page.heading("Where it does not hold", across)
        _broken(page, frames.broken(result))
    page.heading("From front to front", across)
    _sectors(page, result)
    page.heading("Every direction: the most used limit, % of it", across)
    _every(page, result)


def _broken(page: Page, frame: pd.DataFrame) -> None:
    units = page.book.units
    rows: list[list[Value]] = []
    for r in frame.to_dict("records"):
        mirrored = None if r["mirrored"] is None else turned(bool(r["mirrored"]))
        rows.append(
            [
                r["section"], r["limit"], plain(r["first_deg"]), plain(r["last_deg"]), plain(r["over_limit_pct"]),
                page.shown(plain(r["amount"]), r["unit"]), page.shown(plain(r["limit_value"]), r["unit"]),
                units.unit(r["unit"]), r["worst_at"], r["season"] or None,
                " ".join(str(w) for w in (r["flex"], mirrored) if w) or None,
            ]
        )  # fmt: skip
    page.table(
        [
            Column("Section", LABEL),
            Column("Limit", TEXT),
            Column("From, °", TENTHS),
            Column("To, °", TENTHS),
            Column("Over it, %", Look("0.00")),
            Column("Has", Look("#,##0.000")),
            Column("May have", Look("#,##0.000")),
            Column("Unit", SHORT),
            Column("Worst at", SHORT),
            Column("Season", SHORT),
            Column("Flex, mirrored", TEXT),
        ],
        rows,
    )


def _sectors(page: Page, result: OrientationStudy) -> None:
    """One row for each eighth of the compass that is covered."""
    check = result.degrees
    assert check is not None
    rows: list[list[Value]] = []
    for first in np.arange(0.0, TURN_DEG, POINT_DEG):
        inside = (check.azimuth_deg - first) % TURN_DEG <= POINT_DEG
        if inside.sum() < 2:
            continue
        use = np.where(inside, check.use, -np.inf)
        top, bad = int(np.argmax(np.round(use, 9))), int((inside & ~check.holds_at).sum())
        rows.append(
            [
                f"{first:g}° to {(first + POINT_DEG) % TURN_DEG:g}°", int(inside.sum()), plain(100.0 * use[top]),
                azimuth_label(check.azimuth_deg[top]), "holds" if not bad else f"{bad} do not hold",
            ]
        )  # fmt: skip
    page.table(
        [
            Column("Front at", LABEL),
            Column("Directions", WHOLE),
            Column("Most used, % of limit", TENTHS),
            Column("there", CENTRE),
            Column("Verdict", SHORT),
        ],
        rows,
        nothing="No two of the plan's fronts are neighbours on the compass, so nothing lies between them.",
    )


def _every(page: Page, result: OrientationStudy) -> None:
    check = result.degrees
    assert check is not None
    place = np.round(check.azimuth_deg / check.step_deg).astype(int)
    use = {int(p): 100.0 * float(u) for p, u in zip(place, check.use, strict=True)}
    starts = sorted({p - p % DEGREES_IN_A_ROW for p in use})
    rows: list[list[Value]] = [
        [
            azimuth_label(start * check.step_deg),
            *(plain(use[start + k]) if start + k in use else None for k in range(DEGREES_IN_A_ROW)),
        ]
        for start in starts
    ]
    columns = [Column("Front at, plus", LABEL)]
    columns += [Column(f"+{k * check.step_deg:g}°", TENTHS) for k in range(DEGREES_IN_A_ROW)]
    body = page.table(columns, rows)
    if rows:
        page.mark(f"B{body[0]}:K{body[-1]}", f"AND(ISNUMBER(B{body[0]}),B{body[0]}>100)", TIGHT_FILL, bold=True)
