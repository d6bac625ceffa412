"""An orientation study as lists. Called with the study each gives a pandas DataFrame.

Column names carry the core's units.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product

import numpy as np

from tractduct.orientation.azimuths import azimuth_label
from tractduct.orientation.lots import LotResult
from tractduct.orientation.study import OrientationStudy
from tractduct.sizing.packages import group_label
from tractduct.units import NOMINAL
from tractduct.writers.book.looks import CENTRE, HUNDREDTHS, LABEL, SHORT, SIGNED_TENTHS, TENTHS, TEXT, WHOLE, Look
from tractduct.writers.listing import (
    COST,
    FRONT,
    MIRRORED,
    SEASON,
    Listing,
    Row,
    col,
    face_text,
    listing,
    options_column,
    options_of,
    size_cell,
    turned,
)
from tractduct.writers.tables import ROOM, RUN, SECTION, room_text

LOT = col("lot", "Lot", look=LABEL, width=14)


def missing(result: OrientationStudy) -> list[str]:
    """What the plan does not give, and what is left out for it, in sentences; empty where nothing is."""
    plan, words = result.study.plan, []
    if not plan.lots:
        words.append(
            "No lots (table lots): the pages to build and balance by are one a front, and packages count as many "
            "houses of each front."
        )
    if plan.surface_loads is None:
        words.append(
            "No loads by surface (tables surfaces and load_factors): no glass shares and no house loads; between two "
            "fronts of the airflow table the airflow is taken in a straight line."
        )
    if not plan.outlines:
        words.append("No room outlines (table rooms): the pages of the lots have no drawing of the house.")
    elif not plan.routes:
        words.append("No duct routes (table routes): the pages of the lots draw rooms alone.")
    if len(plan.fronts) * len(plan.mirrored) == 1:
        words.append("One orientation only: there is nothing to divide among packages.")
    elif result.packages is None and result.study.size_set:
        words.append("Packages were left out.")
    return words


@listing(
    "sensitivity",
    ROOM,
    col("season", "Moves most in", "the season in which the room moves most", width=10),
    col("smallest_cfm", "Smallest", "in that season, over fronts and mirrors", TENTHS, 9),
    col("least_at", "at front", "where it is smallest", width=12),
    col("largest_cfm", "Largest", "in that season, over fronts and mirrors", TENTHS, 9),
    col("driven_by", "at front (drives it)", "where it is largest", width=12),
    col("change_pct", "Largest over smallest", "less 100 %", Look("+0"), 10),
    col("size_steps", "Size steps", "standard sizes between the smallest and the largest that its runs would get alone",
        WHOLE, 7),
    col("glass_pct", "Glass, of its load", "part of its cooling load at the front that drives it", WHOLE, 9),
    col("has_glass", "Glass", "whether it has glass; empty without loads by surface"),
    col("load_change_pct", "Its own load changes by", "largest over smallest cooling load, less 100 %", WHOLE, 10),
    col("shared_out", "Note", "its airflow changes mostly because other rooms' loads do", TEXT, 22,
        show=lambda v: "other rooms' loads change" if v else None),
    options_column,
)  # fmt: skip
def sensitivity(result: OrientationStudy) -> Iterator[Row]:
    """Each room in the house in which the direction moves it most, the room that moves most first.

    Loads are empty without loads by surface."""
    for r in result.sensitivity:
        yield (
            r.room, r.season, r.smallest_cfm, face_text(r.least_front, r.least_mirrored), r.largest_cfm,
            face_text(r.driving_front, r.driving_mirrored), 100.0 * (r.ratio - 1.0), r.size_steps, r.glass_pct,
            r.has_glass, r.load_change_pct, r.shared_out, *options_of(result.study, r.options),
        )  # fmt: skip


@listing(
    "house_loads",
    options_column,
    FRONT,
    MIRRORED,
    col("sensible_cooling_btuh", "Total sensible cooling", look=WHOLE, width=13, unit="Btu/h"),
    col("over_least_cooling_btuh", "Above the least", look=WHOLE, width=13, unit="Btu/h"),
    col("heating_btuh", "Total heating", look=WHOLE, width=13, unit="Btu/h"),
    col("peak_hour", "Peak at hour", "local solar time; empty where no factor comes from the sun", WHOLE, 9),
)
def house_loads(result: OrientationStudy) -> Iterator[Row]:
    """Each house's load by front and mirror; no rows without loads by surface."""
    plan = result.study.plan
    for house in result.houses:
        built, least = options_of(result.study, house.options), house.cooling_btuh.min()
        for (i, front), (j, mirrored) in product(enumerate(plan.fronts), enumerate(plan.mirrored)):
            cooling = house.cooling_btuh[i, j]
            hour = house.loads.house_peak_hour[i, j] if house.hourly else np.nan
            yield *built, front, mirrored, cooling, cooling - least, house.heating_btuh[i, j], hour


@listing(
    "peaks",
    ROOM,
    FRONT,
    MIRRORED,
    col("room_peak_btuh", "At its own peak", "sensible cooling"),
    col("room_peak_hour", "Room's hour", "local solar time"),
    col("house_peak_btuh", "At the house's peak", "sensible cooling"),
    col("house_peak_hour", "House's hour", "local solar time"),
    col("room_peak_cfm", "Airflow by its own peak"),
    col("house_peak_cfm", "Airflow by the house's peak"),
)
def peaks(result: OrientationStudy) -> Iterator[Row]:
    """Each room's cooling at its own peak and at the house's, in the house whose load the direction changes most.

    No rows unless glass factors come from the sun. A screening method, not a load calculation."""
    house, plan = result.house, result.study.plan
    if house is None or not house.hourly or house.room_peak_cfm is None or house.house_peak_cfm is None:
        return
    own, at_house = house.loads.cooling_at("room_peak"), house.loads.cooling_at("house_peak")
    every = product(enumerate(plan.rooms), enumerate(plan.fronts), enumerate(plan.mirrored))
    for (n, room), (i, front), (j, mirrored) in every:
        yield (
            room, front, mirrored, own[i, j, n], house.loads.room_peak_hour[i, j, n], at_house[i, j, n],
            house.loads.house_peak_hour[i, j], house.room_peak_cfm[i, j, n], house.house_peak_cfm[i, j, n],
        )  # fmt: skip


@listing(
    "packages",
    col("packages", "Packages", "number of packages", CENTRE, 9),
    col("package", "Package", "which of them", CENTRE, 9),
    col("orientations", "For fronts", look=TEXT, width=30),
    col("also_holds", "Holds as well for", "fronts that no lot has", TEXT, 16),
    col("mix_pct", "Lots", "part of the lots, or of the fronts", TENTHS, 8),
    col("cost", "Cost per lot", "with the sizes of this package", TENTHS, 10, unit=COST),
    col("expected_cost", "Mean cost per lot", "over all lots, with so many packages", TENTHS, 11, unit=COST),
    col("bound", "None costs less than", "no division into so many packages does", TENTHS, 11, unit=COST),
    col("proven", "Proven", look=CENTRE, width=8),
    col("saving_of_the_last", "The last one saves, per lot", "over one package fewer", TENTHS, 11, unit=COST),
    col("saving_in_all", "Saved, per lot", "over the fewest packages that hold", TENTHS, 11, unit=COST),
)
def packages(result: OrientationStudy) -> Iterator[Row]:
    """Each package of each number of packages: one size set for some of the fronts."""
    found = result.packages
    if found is None:
        return
    for choice in found.choices:
        for number, package in enumerate(choice.packages, start=1):
            yield (
                choice.n_package, number, ", ".join(map(group_label, package.groups)),
                ", ".join(map(group_label, package.also_holds)), 100.0 * package.weight, package.cost,
                choice.expected_cost, choice.bound, choice.proven, found.saving(choice.n_package),
                found.choices[0].expected_cost - choice.expected_cost,
            )  # fmt: skip


@listing(
    "package_sizes",
    col("packages", "Packages", "number of packages"),
    col("package", "Package", "which of them"),
    SECTION,
    col("size", "Size", unit=NOMINAL, show=size_cell),
)
def package_sizes(result: OrientationStudy) -> Iterator[Row]:
    """The size of each section in each package."""
    for choice in result.packages.choices if result.packages else ():
        for number, package in enumerate(choice.packages, start=1):
            for section, size in result.study.case.labels(package.size_index).items():
                yield choice.n_package, number, section, size


def look_at(r: LotResult) -> str:
    """What to look at on a lot, in a sentence or two; empty where nothing is."""
    words = [str(max(r.breaches, key=lambda b: b.use)) + "."] if r.breaches else []
    if r.source == "unknown":
        words.append("The plan has no airflow for this direction.")
    elif not r.covered:
        words.append("The size set was not made for this direction.")
    if r.source == "straight line":
        words.append("Airflow in a straight line between two fronts.")
    return " ".join(words)


@listing(
    "lots",
    LOT,
    col("azimuth_deg", "Front at", "direction of the front, clockwise from north", TENTHS, 9),
    col("nearest_front", "Nearest front", look=CENTRE, width=9),
    MIRRORED,
    col("flex", "Flex", "any: the lots table names none", width=12, show=lambda v: v or "any"),
    options_column,
    col("holds", "Standard set", "whether it holds at the lot's own direction; empty where that is not known", width=15,
        show=lambda v: {True: "holds", False: "DOES NOT HOLD"}.get(v, "not known")),
    col("airflow_source", "Airflow from", width=19),
    col("look_at", "What to look at", look=TEXT, width=38),
)  # fmt: skip
def lots(result: OrientationStudy) -> Iterator[Row]:
    """Each lot at the direction of its own front."""
    for r in result.lots:
        lot = r.lot
        built = options_of(result.study, lot.options)
        yield lot.name, lot.azimuth_deg, r.nearest_front, lot.mirrored, lot.flex, *built, r.holds, r.source, look_at(r)


@listing(
    "lots_by_room",
    LOT,
    SEASON,
    ROOM,
    col("airflow_cfm", "Design airflow", "at the lot's own direction"),
)
def lots_by_room(result: OrientationStudy) -> Iterator[Row]:
    """Design airflow of each room at each lot's own direction; lots whose airflow is not known are left out."""
    plan = result.study.plan
    for r in result.lots:
        if np.isfinite(r.room_airflow_cfm).all():
            for (k, season), (n, room) in product(enumerate(plan.seasons), enumerate(plan.rooms)):
                yield r.lot.name, season, room, r.room_airflow_cfm[k, n]


@listing(
    "lots_by_run",
    LOT,
    RUN,
    ROOM,
    SEASON,
    col("airflow_cfm", "Design airflow", "at the lot's own direction; 0 where the run is shut"),
    col("size", "Size", unit=NOMINAL, show=size_cell),
)
def lot_runs(result: OrientationStudy) -> Iterator[Row]:
    """Design airflow of each run at each lot's own direction."""
    study = result.study
    for r in result.lots:
        for (p, run), (k, season) in product(enumerate(study.tree.runs), enumerate(study.plan.seasons)):
            flow = r.run_airflow_cfm[k, p]
            yield r.lot.name, run.name, room_text(run), season, flow, study.size_set.get(run.name, "")


@listing(
    "lots_by_package",
    LOT,
    col("packages", "Packages", "number of packages"),
    col("package", "Package", "the lot's, by its nearest front; empty: none"),
    col("holds", "Holds", "whether its sizes hold at the lot's own direction"),
    col("better", "Better", "another package that does"),
)
def lot_packages(result: OrientationStudy) -> Iterator[Row]:
    """Which package each lot would get."""
    for p in result.lot_packages:
        number, better = ("" if n is None else str(n + 1) for n in (p.package, p.better))
        yield p.lot, p.n_package, number, p.holds, better


@listing(
    "every_degree",
    col("azimuth_deg", "Front at", "clockwise from north"),
    col("highest_use_pct", "Most used limit", "part of it, over all variants there"),
    col("holds", "Holds", "whether the standard set does"),
)
def degrees(result: OrientationStudy) -> Iterator[Row]:
    """Each direction checked: the most used limit of the standard set."""
    check = result.degrees
    if check is not None:
        yield from zip(check.azimuth_deg.tolist(), (100.0 * check.use).tolist(), check.holds_at.tolist(), strict=True)


@listing(
    "broken_between",
    col("limit", "Limit", look=TEXT, width=10),
    col("section", "Section", look=LABEL, width=10),
    col("first_deg", "From", "front clockwise from north", TENTHS, 8),
    col("last_deg", "To", "front clockwise from north", TENTHS, 8),
    col("over_limit_pct", "Over it", "at worst", HUNDREDTHS, 8),
    col("amount", "Has", "in the unit of the row", Look("#,##0.000"), 9),
    col("allowed", "May have", "in the unit of the row", Look("#,##0.000"), 9),
    col("unit", "Unit", look=SHORT, width=8),
    col("worst_at", "Worst at", width=9),
    col("season", "Season", width=9),
    col("flex", "Flex", width=10),
    col("mirrored", "Mirrored", width=10, show=turned),
    options_column,
)
def broken(result: OrientationStudy) -> Iterator[Row]:
    """Each limit and range of directions where the standard set does not hold."""
    units = result.study.plan.units
    for r in result.degrees.broken if result.degrees else ():
        variant, worst = r.worst.variant, r.worst
        at = variant.front if variant else azimuth_label(r.first_deg)
        which = (variant.season, variant.flex, variant.mirrored) if variant else ("", "", False)
        yield (
            r.limit_name, r.section, r.first_deg, r.last_deg, r.excess_pct, units.shown(worst.amount, worst.unit),
            units.shown(worst.limit, worst.unit), units.unit(worst.unit), at, *which,
            *options_of(result.study, variant.options if variant else ()),
        )  # fmt: skip


@listing(
    "loads_check",
    ROOM,
    FRONT,
    MIRRORED,
    SEASON,
    options_column,
    col("table_cfm", "Airflow table", "which is used", TENTHS, 10),
    col("by_surface_cfm", "By surface", "loads by surface, turned and shared out", TENTHS, 10),
    col("off_pct", "Off", "loads by surface over the table, less 100 %", SIGNED_TENTHS, 8),
    col("within", "Agrees", "within the plan's limit"),
)
def loads_check(result: OrientationStudy) -> Iterator[Row]:
    """Each room, front, mirror, season and house: the loads by surface against the airflow table."""
    check, plan = result.loads_check, result.study.plan
    if check is None:
        return
    off = check.off_pct
    axes = (plan.rooms, plan.fronts, plan.mirrored, plan.seasons, plan.every_house)
    for n, i, j, k, h in product(*(range(len(axis)) for axis in axes)):
        at = (h, i, j, k, n)
        yield (
            plan.rooms[n], plan.fronts[i], plan.mirrored[j], plan.seasons[k],
            *options_of(result.study, plan.every_house[h].options), check.table_cfm[at], check.by_surface_cfm[at],
            off[at], bool(abs(off[at]) <= check.limit_pct),
        )  # fmt: skip


LISTS: tuple[Listing[OrientationStudy], ...] = (
    sensitivity, house_loads, peaks, packages, package_sizes, lots, lots_by_room, lot_runs, lot_packages, degrees,
    broken, loads_check,
)  # fmt: skip
