"""What a house delivers as lists. Called with a delivery each gives a pandas DataFrame.

Column names carry the core's units.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from tractduct.delivery.deliver import HOOD_ERROR_PCT, Delivery
from tractduct.delivery.lots import table_numbers
from tractduct.delivery.marks import Setting
from tractduct.delivery.substitute import Substitution
from tractduct.one_plan import Study
from tractduct.report import Report
from tractduct.units import NOMINAL
from tractduct.writers.book.looks import (
    CENTRE,
    CHOSEN,
    HUNDREDTHS,
    LABEL,
    MONEY,
    SHORT,
    SIGNED_TENTHS,
    TEXT,
    THOUSANDTHS,
    WHOLE,
    Look,
)
from tractduct.writers.listing import (
    COST,
    SEASON,
    VARIANT,
    Listing,
    Row,
    Rows,
    col,
    face_text,
    listing,
    options_column,
    options_of,
    size_cell,
    turned,
)
from tractduct.writers.tables import ROOM, RUN, SIDE, by_variant, room_text

ANGLE = Look('0"°"', bold=True, align="center", fill=CHOSEN.fill, box=True)
FLEX = col("flex", "Product", "a flex product that is not approved", LABEL, 16)


@listing(
    "system",
    *VARIANT,
    col("total_cfm", "Total", "what the blower moves, all dampers open", WHOLE, 9),
    col("design_cfm", "Design", "design airflow", WHOLE, 9),
    col("off_pct", "Off", "total against design", SIGNED_TENTHS, 8),
    col("within", "Within", "whether the total is within the system's tolerance", CENTRE, 9),
    col("external_static_inwc", "External static", "all dampers open", THOUSANDTHS, 10),
    col("needed_static_inwc", "Needs", "what ducts and devices take once every room gets its own", THOUSANDTHS, 10),
    col("available_static_inwc", "Blower makes", "at design airflow", THOUSANDTHS, 10),
    col("can_be_balanced", "Can be balanced", "whether dampers can give every room its design airflow", CENTRE, 10),
    col("as_run_cfm", "As run", "balanced, filters due for change, in standard air", WHOLE, 9),
    col("as_run_static_inwc", "As run: external static", "balanced, filters due for change", THOUSANDTHS, 10),
    col("cfm_a_ton", "As run", "standard air for each unit of rated cooling capacity", WHOLE, 10, unit="cfm a ton"),
)
def systems(delivery: Delivery) -> Iterator[Row]:
    """What the blower moves in each variant, and against what."""
    got, balanced = delivery.open_dampers, delivery.balanced
    tons, design = delivery.study.plan.equipment.capacity_tons, got.airstream.design_cfm
    columns = (
        got.total_cfm, design, 100.0 * (got.total_cfm / design - 1.0),
        got.system_within(delivery.study.plan.tolerance), got.external_static_inwc, balanced.needed_inwc,
        np.broadcast_to(balanced.made_inwc, design.shape), balanced.possible, delivery.standard_cfm,
        delivery.as_run.external_static_inwc, delivery.standard_cfm / (tons or np.nan),
    )  # fmt: skip
    yield from by_variant(delivery.study, columns)


@listing(
    "rooms_all_variants",
    ROOM,
    *VARIANT,
    col("design_cfm", "Design"),
    col("delivered_cfm", "All open", "with all dampers open"),
    col("off_pct", "Off", "all dampers open, against design"),
    col("tolerance_cfm", "Tolerance", "how far off design counts as within"),
    col("within", "Within", "whether it is within tolerance, all dampers open"),
    col("hood_low_cfm", "Hood from", "least that a powered flow hood may read, all dampers open"),
    col("hood_high_cfm", "Hood to", "most that it may read"),
    col("compressed_cfm", "Compressed", "all dampers open, flex compressed as --compressed says"),
    col("marked_cfm", "Marked", "with the damper marks"),
)
def rooms(delivery: Delivery) -> Iterator[Row]:
    """What each room gets in every variant, against its design airflow."""
    got, plan = delivery.open_dampers, delivery.study.plan
    hood = HOOD_ERROR_PCT / 100.0
    columns = (
        got.room_design_cfm, got.room_cfm, got.room_off_pct, plan.tolerance.of_room_cfm(got.room_design_cfm),
        got.room_within(plan.tolerance), got.room_cfm * (1.0 - hood), got.room_cfm * (1.0 + hood),
        delivery.compressed.room_cfm, delivery.marks.chosen.delivered.room_cfm,
    )  # fmt: skip
    for n, room in enumerate(plan.rooms):
        for row in by_variant(delivery.study, [c[:, n] for c in columns]):
            yield room, *row


@listing(
    "rooms_delivered",
    ROOM,
    col("lowest_pct", "All open: lowest, of design", "over all variants", WHOLE, 11),
    col("highest_pct", "All open: highest, of design", "over all variants", WHOLE, 11),
    col("variants_outside", "All open: variants outside tolerance", look=WHOLE, width=12),
    col("before", "All open: verdict", "too little, too much, or within, in some variant", SHORT, 27),
    col(
        "compressed_lowest_pct", "All open, compressed flex: lowest, of design", "flex as --compressed says", WHOLE, 14
    ),
    col("marked_lowest_pct", "With marks: lowest, of design", "with the damper marks", WHOLE, 12),
    col("marked_highest_pct", "With marks: highest, of design", "with the damper marks", WHOLE, 12),
    col("marked_worst", "With marks: worst, in tolerances", "1 is just within", HUNDREDTHS, 12),
)
def room_summary(delivery: Delivery) -> Iterator[Row]:
    """Each room: the range over all variants, dampers open and marked."""
    plan, got, marked = delivery.study.plan, delivery.open_dampers, delivery.marks.chosen
    outside = ~got.room_within(plan.tolerance)
    for n, room in enumerate(plan.rooms):
        off, low = got.room_off_pct[:, n], got.room_cfm[:, n] < got.room_design_cfm[:, n]
        if np.isnan(off).all():
            continue
        words = [w for w, on in ((LOW, outside[:, n] & low), (HIGH, outside[:, n] & ~low)) if on.any()]
        after = marked.delivered.room_off_pct[:, n]
        yield (
            room, 100.0 + np.nanmin(off), 100.0 + np.nanmax(off), outside[:, n].sum(), " and ".join(words) or WITHIN,
            100.0 + np.nanmin(delivery.compressed.room_off_pct[:, n]), 100.0 + np.nanmin(after),
            100.0 + np.nanmax(after), marked.off[:, n].max(),
        )  # fmt: skip


WITHIN, LOW, HIGH = "within", "▼ too little", "▲ too much"


MARKS = (
    col("table", "Table", "of the lots that share these marks", width=7),
    col("fronts", "For fronts", "orientations of the table"),
    RUN,
    col("room", "Room", width=20),
    col("size", "Size", look=CENTRE, width=8, unit=NOMINAL, show=size_cell),
    SEASON,
    col("mark_deg", "Mark", "closed from wide open", ANGLE, 9, unit="°"),
    col("free_opening_pct", "Free opening", "part of the duct's area that the blade leaves free", WHOLE, 10),
    col("takes_inwc", "Takes at design, up to", "pressure at design airflow", THOUSANDTHS, 11),
    col("target_from_cfm", "Target, from", "least design airflow over the table's lots", WHOLE, 9),
    col("target_to_cfm", "Target, to", "largest design airflow over the table's lots", WHOLE, 9),
)


@listing("marks", *MARKS)
def marks(delivery: Delivery) -> Iterator[Row]:
    """Where each damper is set. A run that is not listed has no damper and stays wide open."""
    return _marks(delivery.study, delivery.marks.chosen, delivery.study.size_set)


def _marks(study: Study, setting: Setting, sizes: Mapping[str, str]) -> Iterator[Row]:
    runs = {run.name: run for run in study.tree.runs}
    for n, table in enumerate(setting.tables, start=1):
        fronts = ", ".join(face_text(*face) for face in table.orientations)
        for r, name in enumerate(table.runs):
            for k, season in enumerate(table.seasons):
                if runs[name].season in ("", season):
                    yield (
                        n, fronts, name, room_text(runs[name]), sizes[name], season, table.angle_deg[r, k],
                        100.0 * table.free_share[r, k], table.takes_inwc[r, k, 1], *table.design_cfm[r, k],
                    )  # fmt: skip


@listing(
    "cost_by_dampers",
    col("dampers", "Dampers", look=WHOLE, width=10),
    col("positions", "Marks", "1: one mark all year; 2: one a season", width=18,
        show=lambda p: "one mark all year" if p == 1 else "one mark a season"),
    col("duct_cost", "Ducts, per lot", look=MONEY, width=12, unit=COST),
    col("cost", "Ducts and dampers, per lot", look=MONEY, width=12, unit=COST),
    col("distinct_sizes", "Distinct sizes", look=WHOLE, width=10),
    col("rooms_outside", "Rooms outside", "outside tolerance in some variant", WHOLE, 10),
    col("worst_tolerances", "Worst, in tolerances", "largest distance from design", HUNDREDTHS, 11),
    col("chosen", "Choice", 'what choose = "dampers" takes', width=18,
        show=lambda v: 'choose = "dampers"' if v else None),
)  # fmt: skip
def by_dampers(delivery: Delivery) -> Iterator[Row]:
    """Sizes and dampers searched together: the best set found for each number of dampers; searched, not proven."""
    front = delivery.by_dampers
    for e in front.entries if front else ():
        yield (
            e.dampers, e.positions, e.duct_cost, e.cost, e.distinct_sizes, e.rooms_outside, e.worst_tolerances,
            front is not None and e is front.least(),
        )  # fmt: skip


def to_hold_again(pair: Substitution) -> tuple[float, float, str]:
    """How many sections another product needs larger, NaN where no set holds; what they cost more; which, in words."""
    holds = pair.recovery.size_index is not None
    which = "; ".join(f"{section} {was} to {now}" for section, (was, now) in pair.raised.items())
    none = "none: it holds as it is" if holds else "no set holds"
    return len(pair.raised) if holds else np.nan, pair.extra_cost, which or none


def change_pct(pair: Substitution) -> np.ndarray:
    """(n_variant, n_room) what another product does to each room's airflow; NaN where the room has none."""
    expected = pair.expected.room_cfm
    return np.asarray(100.0 * (pair.delivered.room_cfm / np.where(expected > 0.0, expected, np.nan) - 1.0))


@listing(
    "substitution_by_room",
    col("designed", "Designed for", look=LABEL, width=15),
    col("installed", "Installed", look=LABEL, width=15),
    ROOM,
    SEASON,
    col("worst_front", "Worst front", "the orientation in which the room loses most", width=10),
    col("mirrored", "Mirrored", "of that orientation", show=turned),
    options_column,
    col("expected_cfm", "Expected", "with the product designed for"),
    col("delivered_cfm", "Delivered", "with the product installed"),
    col("change_pct", "Change there"),
    col("best_change_pct", "Change at the best front", "the orientation in which the room loses least"),
)
def substitutions(delivery: Delivery) -> Iterator[Row]:
    """One flex product designed for, another installed in the same sizes: what each room gets, all dampers open."""
    plan = delivery.study.plan
    for pair in delivery.substitutions:
        change = change_pct(pair)
        for n, room in enumerate(plan.rooms):
            for season in plan.seasons:
                part = np.where(pair.delivered.variants.where(season=season), change[:, n], np.nan)
                if np.isnan(part).all():
                    continue
                v = np.nanargmin(np.round(part, 9))  # the first of those that only rounding tells apart
                variant = pair.delivered.variants.variants[v]
                yield (
                    pair.designed, pair.installed, room, season, variant.front, variant.mirrored,
                    *options_of(delivery.study, variant.options), pair.expected.room_cfm[v, n],
                    pair.delivered.room_cfm[v, n], part[v], np.nanmax(part),
                )  # fmt: skip


@listing(
    "substitution",
    col("designed", "Designed for", look=LABEL, width=15),
    col("installed", "Installed", look=LABEL, width=15),
    col("room", "Room that loses most", look=TEXT, width=20),
    col("worst_change_pct", "Its change", look=SIGNED_TENTHS, width=10),
    col("variant", "In", "the variant in which it loses most", TEXT, 22),
    col("sections_up", "Sections up", "sections that need a larger size for the product installed", WHOLE, 9),
    col("extra_cost", "Extra cost, per lot", "of those sizes, at the product's prices", MONEY, 10, unit=COST),
    col("raise", "Which", "section, size designed and size needed", TEXT, 34, unit=NOMINAL),
)
def substitution_pairs(delivery: Delivery) -> Iterator[Row]:
    """Each pair of products: the room that loses most, and what it takes to hold again in no smaller sizes."""
    for pair in delivery.substitutions:
        change = change_pct(pair)
        room, worst, where = "", np.nan, ""
        if not np.isnan(change).all():
            v, n = np.unravel_index(int(np.nanargmin(np.round(change, 9))), change.shape)
            room, worst = delivery.study.plan.rooms[n], float(change[v, n])
            where = str(pair.delivered.variants.variants[v])
        yield pair.designed, pair.installed, room, worst, where, *to_hold_again(pair)


@listing(
    "robustness",
    ROOM,
    SEASON,
    col("low_pct", "Low, of design", "of 100 builds 5 are below", WHOLE, 10),
    col("middle_pct", "Middle, of design", look=WHOLE, width=10),
    col("high_pct", "High, of design", "of 100 builds 5 are above", WHOLE, 10),
    col("within_pct", "Builds within tolerance", look=WHOLE, width=11),
)
def robustness(delivery: Delivery) -> Iterator[Row]:
    """What building tolerances do to each room, once balanced as drawn."""
    spread, plan = delivery.spread, delivery.study.plan
    for n, room in enumerate(plan.rooms):
        for k, season in enumerate(plan.seasons):
            if np.isfinite(spread.middle[k, n]):
                parts = (spread.low, spread.middle, spread.high, spread.within_pct)
                yield (room, season, *(part[k, n] for part in parts))


@listing(
    "runs_delivered",
    *VARIANT,
    RUN,
    ROOM,
    SIDE,
    col("design_cfm", "Design"),
    col("delivered_cfm", "All open", "with all dampers open"),
    col("marked_cfm", "Marked", "with the damper marks"),
)
def delivered_runs(delivery: Delivery) -> Iterator[Row]:
    """What each open run gets at its register or grille in every variant."""
    got, tree, marked = delivery.open_dampers, delivery.study.tree, delivery.marks.chosen.delivered
    for p, run in enumerate(tree.runs):
        columns = [c[:, p] for c in (got.run_design_cfm, got.run_cfm, marked.run_cfm)]
        for row in by_variant(delivery.study, columns, got.variants.open_run[:, p]):
            yield *row[:-3], run.name, room_text(run), run.side, *row[-3:]


@listing(
    "marks_every_degree",
    col("azimuth_deg", "Front at", "clockwise from north"),
    col("worst_tolerances", "Worst room, in tolerances", "with the table of marks that suits best; 1 is just within"),
)
def marks_every_degree(delivery: Delivery) -> Iterator[Row]:
    """How far off the worst room is between the fronts, with the damper marks."""
    found = delivery.mark_degrees
    if found is not None:
        yield from zip(found.azimuth_deg.tolist(), found.worst_tolerances.tolist(), strict=True)


@listing(
    "changes_of_built",
    col("changes", "Sections changed", "against the sizes already built", WHOLE, 12),
    col("changed", "Which", "section, size built and new size", TEXT, 24, unit=NOMINAL),
    col("cost", "Least cost, per lot", "of sets with so many changes", MONEY, 15, unit=COST),
    col("once", "The changes cost once", look=MONEY, width=13, unit=COST),
    col("worth", "Worth over the lots left",
        "what the set saves on them against the built sizes, less what the changes cost once; below 0 it costs that",
        MONEY, 16, unit=COST),
    col("proven", "Status", "whether no set with so many changes costs less", width=13,
        show=lambda v: "proven" if v else "best found"),
    col("best", "Choice", "worth most of those that hold", width=13, show=lambda v: "worth most" if v else None),
)  # fmt: skip
def changes_of_built(report: Report) -> Iterator[Row]:
    """A tract under way: the least cost by number of sections changed, and what that is worth on the lots left."""
    built = report.built
    for c in built.front if built is not None else ():
        changed = "; ".join(f"{s} {was} to {now}" for s, (was, now) in c.changed.items())
        yield (
            c.number, changed or "none: keep what is built", c.solution.cost, c.number * report.study.plan.change_price,
            c.worth, c.solution.status == "optimal", built is not None and c is built.best,
        )  # fmt: skip


@listing("marks_of_built", *MARKS)
def marks_of_built(report: Report) -> Iterator[Row]:
    """A tract under way: where each damper is set if the sizes already built are kept."""
    built = report.built
    if built is not None and built.marks is not None:
        yield from _marks(built.study, built.marks.chosen, built.study.case.labels(built.size_index))


@listing(
    "other_flex",
    FLEX,
    col("lots", "Arrived on lots", "those whose row names it; empty: none", TEXT, width=20),
    col("dampers", "Dampers", "in the marks of its own", WHOLE, 10),
    col("rooms_outside", "Rooms outside", "with these marks, in some variant", WHOLE, 14),
    col("which", "Which", "the rooms outside, what they get and their design airflow", TEXT, 22),
    col("worst_tolerances", "Worst, in tolerances", "1 is just within", HUNDREDTHS, 12),
)
def other_flex(report: Report) -> Iterator[Row]:
    """Each flex product that is not approved, where the plan lists lots: in the sizes of the standard set."""
    units = report.study.plan.units
    for other in report.lots.other_flex if report.lots is not None else ():
        lots, marks = (lot.name for lot in report.study.plan.lots if lot.flex == other.flex), other.marks
        rooms = (
            f"{r.room} {units.number(r.delivered_cfm, 'cfm', '.0f')} of {units.say(r.design_cfm, 'cfm', '.0f')}"
            for r in marks.outside
        )
        yield (
            other.flex, ", ".join(lots), len(marks.runs), marks.rooms_outside, "; ".join(rooms), marks.worst_tolerances
        )  # fmt: skip


def arrived_flex(report: Report) -> Rows:
    """The rows of ``other_flex`` for products that arrived on a lot."""
    return [row for row in other_flex.rows(report) if row["lots"]]


@listing(
    "marks_of_lots",
    col("lot", "Lot"),
    col("table", "Table", "number of the table of marks; own: of this lot or its flex product alone"),
    RUN,
    SEASON,
    col("mark_deg", "Mark", "closed from wide open", ANGLE, 9, unit="°"),
)
def marks_of_lots(report: Report) -> Iterator[Row]:
    """Where each damper is set on each lot, where not all of them have one table."""
    lots, delivery = report.lots, report.delivery
    if lots is None or delivery is None:
        return
    for name, number in table_numbers(delivery, lots).items():
        table = lots.air[name].table
        for run, angles in zip(table.runs, table.angle_deg.tolist(), strict=True):
            for season, angle in zip(table.seasons, angles, strict=True):
                yield name, "own" if number is None else str(number), run, season, angle


@listing("marks_of_other_flex", FLEX, *MARKS)
def marks_of_other_flex(report: Report) -> Iterator[Row]:
    """Where each damper is set on lots that got a flex product which is not approved."""
    for other in report.lots.other_flex if report.lots is not None else ():
        for row in _marks(report.study, other.marks, report.study.size_set):
            yield other.flex, *row


OF_REPORT: tuple[Listing[Report], ...] = (
    changes_of_built,
    marks_of_built,
    other_flex,
    marks_of_other_flex,
    marks_of_lots,
)
LISTS: tuple[Listing[Delivery], ...] = (
    systems, rooms, room_summary, marks, by_dampers, substitutions, substitution_pairs, robustness, delivered_runs,
    marks_every_degree,
)  # fmt: skip
