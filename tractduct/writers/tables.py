"""A study as lists. Called with its study each gives a pandas DataFrame with declared columns.

Column names carry the core's units. Rows stand in the order of the plan unless said otherwise.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from itertools import product
from operator import itemgetter
from typing import Any, Protocol

import numpy as np

from tractduct.findings import Finding
from tractduct.model.options import built_text, condition_text
from tractduct.model.plan import Section
from tractduct.model.words import FLEX
from tractduct.network.airstream import Airstream, airstream
from tractduct.network.variants import Variant
from tractduct.one_plan import Sized, Study
from tractduct.orientation.sensitivity import size_steps
from tractduct.sizing.governing import Governing, Reason
from tractduct.sizing.margins import PRESSURE, VELOCITY
from tractduct.sizing.solve import Solution
from tractduct.units import NOMINAL, UnitSystem
from tractduct.writers.book.looks import (
    CENTRE,
    CHOSEN,
    LABEL,
    MONEY,
    PER_CENT,
    SIZE,
    TEN_THOUSANDTHS,
    TENTHS,
    TEXT,
    THOUSANDTHS,
    WHOLE,
    Column,
    Look,
)
from tractduct.writers.listing import (
    COST,
    MIRRORED,
    SEASON,
    VARIANT,
    Listing,
    Row,
    col,
    listing,
    options_column,
    options_of,
    size_cell,
)
from tractduct.writers.words import counted

OPEN_AIR = "air handler"
SECTION = col("section", "Section", look=LABEL, width=10)
RUN = col("run", "Run", "a section that ends at a register or grille", LABEL, 9)
ROOM = col("room", "Room", look=LABEL, width=20)
BUILT_WITH = col("option", "Built with", "the options that it hangs on; empty: always built", TEXT, 16)
SIDE = col("side", "Side", "supply or return", width=8)


def few_rooms(text: str) -> str | None:
    """The rooms of a run as they fit a cell."""
    rooms = text.split("; ")
    return (text if len(rooms) < 4 else f"{'; '.join(rooms[:2])} and {len(rooms) - 2} more") or None


def each_front(study: Study, what: str, look: Look, width: float, unit: str) -> list[Column]:
    """A column a front; its values are sizes or airflow."""
    show = size_cell if unit == NOMINAL else None
    return [
        col(f, f"Front {f}", f"{what} with the front to the {f}", look, width, unit=unit, show=show)
        for f in study.plan.fronts
    ]


@listing(
    "sizes",
    SECTION,
    col("from", "From", "the section that it joins", TEXT, 12),
    SIDE,
    col("role", "Role", "trunk or branch", width=9),
    col("duct", "Duct", look=TEXT, width=21),
    col("shape", "Shape", "round or rectangular"),
    col("length_ft", "Length", "straight, as installed", TENTHS, 8),
    col("fittings", "Fittings", look=TEXT, width=34),
    col("room", "Room", "the rooms that the run serves", TEXT, 24, show=few_rooms),
    col("season", "Season", "the one season in which the run is open; empty: both"),
    lambda s: [BUILT_WITH] if s.plan.options else [],
    col("size", "Install", "the standard size", CHOSEN, 9, unit=NOMINAL, show=size_cell),
    lambda s: each_front(s, "size that the friction-rate method gives it", SIZE, 7.5, NOMINAL),
    col("highest_airflow_cfm", "Most air", "largest over all variants", WHOLE, 8),
    col("highest_velocity_fpm", "Fastest", "highest velocity in the standard size", WHOLE, 8),
    col("velocity_limit_fpm", "Limit", "highest velocity allowed", WHOLE, 8),
    col("why", "Why not smaller", "what keeps the section from being smaller", TEXT, 45),
)
def size_schedule(study: Study) -> Iterator[Row]:
    """Each section: what to build, and the size that each front alone would get by the friction-rate method."""
    sized = study.sized
    for i, s in enumerate(study.tree.sections):
        yield (
            s.name, s.parent or OPEN_AIR, s.side, s.role, s.duct_in(FLEX), s.shape, s.length_ft,
            ", ".join(name if count == 1 else f"{name} x {count}" for name, count in s.fittings),
            room_text(s), s.season, *([condition_text(s.option)] if study.plan.options else []),
            study.size_set.get(s.name, ""),
            *(own_size_label(study, i, study.variants.where(front=face)) for face in study.plan.fronts),
            study.variants.airflow_cfm[:, i].max(),
            np.nan if sized is None else sized.velocity_fpm[:, i].max(),
            study.table.sections.velocity_limit_fpm[i],
            why(sized.governing[i], study.plan.units) if sized else "",
        )  # fmt: skip


@listing(
    "lengths",
    SECTION,
    col("item", "Item", "straight duct, or a fitting"),
    col("count", "Count"),
    col("each_ft", "Length of one", "length, or equivalent length of one fitting"),
    col("in_all_ft", "In all", "count x length of one"),
    col("loss_coefficient", "Loss coefficient of one", "part of the section's velocity pressure that one takes"),
    col("source", "Source"),
)
def lengths(study: Study) -> Iterator[Row]:
    """Each section's straight length and its fittings."""
    for s in study.tree.sections:
        yield s.name, "straight duct", 1, s.length_ft, s.length_ft, 0.0, ""
        for name, count in s.fittings:
            f = study.plan.fittings[name]
            each = f.equivalent_length_ft
            yield s.name, name, count, each, count * each, f.loss_coefficient, f.source


@listing(
    "fittings",
    col("fitting", "Fitting"),
    col("used", "Used", "pieces in the plan"),
    col("equivalent_length_ft", "Equivalent length"),
    col("loss_coefficient", "Loss coefficient", "part of the section's velocity pressure"),
    col("source", "Source"),
)
def fittings(study: Study) -> Iterator[Row]:
    """Each fitting of the plan, used or not."""
    used: Counter[str] = Counter()
    for section in study.tree.sections:
        for name, count in section.fittings:
            used[name] += count
    for f in study.plan.fittings.values():
        yield f.name, used[f.name], f.equivalent_length_ft, f.loss_coefficient, f.source


@listing(
    "pressure",
    *VARIANT,
    col("airflow_cfm", "Blower moves", "design airflow"),
    col("made_inwc", "Blower makes", "external static pressure at that airflow, in the site's air"),
    col("devices_inwc", "Devices take", "coil, filter and the like at that airflow"),
    col("left_inwc", "Left for ducts", "what supply and return ducts may lose together"),
    col("supply_inwc", "Supply ducts", "the supply's part of it"),
    col("return_inwc", "Return ducts", "the return's part of it"),
)
def pressure(study: Study) -> Iterator[Row]:
    """What the blower leaves for the ducts in each variant; no rows where the plan gives the pressure."""
    if study.plan.budget_given:
        return
    stream = design_airstream(study)
    made, left = stream.static_at(stream.design_cfm), study.case.budget.total_inwc
    supply = study.by_friction_rate.path_available_inwc[:, [run.side != "return" for run in study.tree.runs]][:, 0]
    devices = made - stream.left_for_ducts()
    yield from by_variant(study, (stream.design_cfm, made, devices, left, supply, left - supply))


@listing(
    "runs_all_variants",
    RUN,
    col("room", "Room", "the rooms that the run serves", TEXT, 22),
    SIDE,
    *VARIANT,
    col("airflow_cfm", "Air", "design airflow", TENTHS, 8),
    col("total_effective_length_ft", "Total effective length", "from the air handler, fittings included", TENTHS, 10),
    col("friction_rate_inwc_per_100ft", "Friction rate", "100 x available / total effective length", THOUSANDTHS, 10),
    col("loss_inwc", "Loses", "from the air handler to the room in the installed sizes", TEN_THOUSANDTHS, 9),
    col("available_inwc", "May lose", "what the run's side has available", THOUSANDTHS, 9),
    col("margin_inwc", "Margin", "available less lost", TEN_THOUSANDTHS, 9),
    col("margin_pct", "Margin", "part of what it may lose", PER_CENT, 9),
    col("fastest_section", "Fastest section", "the one closest to its velocity limit on the way", CENTRE, 10),
    col("velocity_fpm", "Velocity there", look=WHOLE, width=9),
    col("velocity_limit_fpm", "Limit there", look=WHOLE, width=9),
    col("velocity_margin_fpm", "Velocity margin", look=WHOLE, width=9),
)
def paths(study: Study) -> Iterator[Row]:
    """Each run in every variant in which it is open: pressure and velocity against their limits. Empty without a
    set."""
    sized, tree, by_rate = study.sized, study.tree, study.by_friction_rate
    if sized is None:
        return
    rows, names = np.arange(len(study.variants.variants)), np.array([s.name for s in tree.sections])
    for p, run in enumerate(tree.runs):
        way = np.array(tree.walk(p))
        limits = study.table.sections.velocity_limit_fpm[way]
        fastest = np.argmax(sized.velocity_fpm[:, way] / limits, axis=1)
        speed, limit = sized.velocity_fpm[rows, way[fastest]], limits[fastest]
        lost, available = sized.verification.path_loss_inwc[run.name], by_rate.path_available_inwc[:, p]
        columns = (
            study.variants.run_airflow_cfm[:, p], np.full(len(rows), by_rate.total_effective_length_ft[p]),
            by_rate.friction_rate[:, p], lost, available, available - lost, 100.0 * (1.0 - lost / available),
            names[way[fastest]], speed, limit, limit - speed,
        )  # fmt: skip
        for row in by_variant(study, columns, study.variants.open_run[:, p]):
            yield run.name, room_text(run), run.side, *row


@listing(
    "margins_by_run",
    RUN,
    col("room", "Room", "the rooms that the run serves", TEXT, 24, show=few_rooms),
    SIDE,
    col("available_inwc", "May lose", "in the variant that leaves the run the least", THOUSANDTHS, 9),
    col("loss_inwc", "Loses", "in that variant, in the installed sizes", THOUSANDTHS, 9),
    col("margin_pct", "Margin", "part of what it may lose", PER_CENT, 9),
    col("variant", "Tightest in", "that variant", TEXT, 26, show=lambda v: str(v) or None),
    col("extra_cfm", "Headroom", "more air it could carry, all other runs at design, in any variant", WHOLE, 10),
    col("extra_pct", "Headroom", "part of its design airflow", PER_CENT, 10),
    col("limit", "What ends it", "the limit that is met first", TEXT, 18),
    col("limit_variant", "Where", "the variant in which it is met", TEXT, 26, show=lambda v: str(v) or None),
)
def margins_by_run(study: Study) -> Iterator[Row]:
    """Each run in the variant that leaves it least, the tightest first, and how much more air it could carry."""
    if study.sized is None:
        return
    losses, available = study.sized.verification.path_loss_inwc, study.by_friction_rate.path_available_inwc
    spare, found = {h.run: h for h in study.sized.headroom}, []
    for p, run in enumerate(study.tree.runs):
        if not study.variants.open_run[:, p].any():
            continue
        v, more = tightest_variant(study, p), spare.get(run.name)
        lost, may_lose = losses[run.name][v], available[v, p]
        margin_pct, variant = 100.0 * (1.0 - lost / may_lose), str(study.variants.variants[v])
        headroom = (more.extra_cfm, more.extra_pct, more.limit, str(more.variant)) if more else (np.nan, np.nan, "", "")
        row = run.name, room_text(run), run.side, may_lose, lost, margin_pct, variant, *headroom
        found.append((round(margin_pct, 9), row))  # what is a tie but for the last bits is one
    yield from (row for _, row in sorted(found, key=itemgetter(0)))


def tightest_variant(study: Study, p: int) -> int:
    """The variant with the smallest margin of pressure along a run; without a set, the one with the lowest friction
    rate."""
    part = study.by_friction_rate.friction_rate[:, p]
    if study.sized is not None:
        lost = study.sized.verification.path_loss_inwc[study.tree.runs[p].name]
        part = 1.0 - lost / study.by_friction_rate.path_available_inwc[:, p]
    return int(np.argmin(np.where(study.variants.open_run[:, p], np.round(part, 12), np.inf)))


@listing(
    "rooms_by_front",
    ROOM,
    SEASON,
    options_column,
    lambda s: each_front(s, "airflow, the larger of as drawn and mirrored,", TENTHS, 8, "cfm"),
    col("smallest_cfm", "Smallest", "over fronts and mirrors", TENTHS, 9),
    col("largest_cfm", "Largest", "over fronts and mirrors", replace(TENTHS, bold=True), 9),
    col("largest_at", "Largest at front", look=CENTRE, width=9),
    col("spread_pct", "Spread", "largest over smallest, less 100 %", PER_CENT, 9),
    col("size_steps", "Size steps", "standard sizes between the smallest and the largest that its runs would get alone",
        Look("0", align="center"), 7),
)  # fmt: skip
def rooms_by_front(study: Study) -> Iterator[Row]:
    """Each room and season in the house in which it needs most: airflow by front, the room that moves most first."""
    plan = study.plan
    flow = np.stack([house.airflow_cfm for house in plan.every_house])
    house_of = flow.max(axis=(1, 2)).round(9).argmax(axis=0)  # (n_season, n_room)
    flow = np.take_along_axis(flow, house_of[None, None, None], axis=0)[0]
    most, least = flow.max(axis=1), flow.min(axis=1)  # (n_front, n_season, n_room)
    low, high = least.min(axis=0), most.max(axis=0)
    spread = 100.0 * (np.divide(high, low, out=np.full(low.shape, np.nan), where=low > 0.0) - 1.0)
    known = np.isfinite(spread)
    rank = np.where(known.any(axis=0), np.where(known, spread, -np.inf).max(axis=0), np.inf)
    for n in np.argsort(-rank, kind="stable"):
        for k, season in enumerate(plan.seasons):
            built = plan.every_house[house_of[k, n]].options
            yield (
                plan.rooms[n], season, *options_of(study, built), *most[:, k, n], low[k, n], high[k, n],
                plan.fronts[np.argmax(most[:, k, n])], spread[k, n],
                size_steps(study, plan.rooms[n], season, built),
            )  # fmt: skip


@listing(
    "airflow_by_front",
    ROOM,
    SEASON,
    MIRRORED,
    options_column,
    lambda s: each_front(s, "airflow", TENTHS, 8, "cfm"),
)
def airflow_by_front(study: Study) -> Iterator[Row]:
    """Each room, season and mirror of each house: design airflow by front."""
    plan = study.plan
    every = product(enumerate(plan.rooms), enumerate(plan.seasons), enumerate(plan.mirrored), plan.every_house)
    for (n, room), (k, season), (j, mirrored), house in every:
        yield room, season, mirrored, *options_of(study, house.options), *house.airflow_cfm[:, j, k, n].tolist()


@listing(
    "cost_by_sizes",
    col("distinct_sizes", "Distinct sizes", look=WHOLE, width=10),
    col("cost", "Least cost, per lot", "of sets with so many sizes", MONEY, 12, unit=COST),
    col("over_least_pct", "Over the least", "over the least cost with any number of sizes", PER_CENT, 11),
    col("proven", "Status", "whether no set with so many sizes costs less", width=12,
        show=lambda v: "proven" if v else "best found"),
    col("recommended", "Choice", "the standard set", width=14, show=lambda v: "the standard set" if v else None),
)  # fmt: skip
def trade_off(study: Study) -> Iterator[Row]:
    """Least cost by number of distinct sizes."""
    least, chosen = study.least_cost.cost, study.recommended.distinct_sizes
    for e in study.trade_off:
        over = 100.0 * (e.cost / least - 1.0) if least > 0.0 else 0.0
        yield e.distinct_sizes, e.cost, over, e.status == "optimal", e.distinct_sizes == chosen


@listing(
    "price_of_covering",
    col("kind", "Kind", "orientation or flex", width=12),
    col("covers", "Covers", "the variants sized for", LABEL, 16),
    col("left_out", "Leaves out", "the variants left out", width=18),
    col("least_cost", "Least cost, per lot", look=MONEY, width=12, unit=COST),
    col("distinct_sizes", "Distinct sizes", look=WHOLE, width=10),
    col("standard_cost", "Set for all, per lot", "least cost for all variants, same prices", MONEY, 12, unit=COST),
    col("saving", "Covering it costs, per lot", "what covering those left out costs", Look("#,##0.0", bold=True), 14,
        unit=COST),
    col("saving_pct", "Covering it costs", look=PER_CENT, width=11),
)  # fmt: skip
def standardizing(study: Study) -> Iterator[Row]:
    """What it costs that one set covers each orientation and each flex product."""
    for c in study.comparisons:
        part = 100.0 * c.saving / c.standard_cost if c.standard_cost > 0.0 else 0.0
        yield (
            c.kind, c.kept, c.left_out, c.solution.cost, c.solution.distinct_sizes, c.standard_cost, c.saving, part,
        )  # fmt: skip


@listing(
    "options",
    col("option", "Option", look=LABEL, width=12),
    col("meaning", "What it is", look=TEXT, width=24),
    col("group", "Group", "of one group a house has at most one", TEXT, 15),
    col("drives", "Drives", "sections that only its houses keep from being smaller", TEXT, 13),
    col("sections", "Built with it", "sections that are built with it, alone or with others", TEXT, 16),
    col("covering_cost", "Covering it costs, per lot",
        "what the least-cost set for all costs houses without it more than a set of their own; a package of its own "
        "saves them that", TENTHS, 13, unit=COST),
    col("own_package_saves_with", "A package of its own saves it, per lot",
        "what the least-cost set for all costs houses with it more than a set of their own", TENTHS, 13, unit=COST),
)  # fmt: skip
def options(study: Study) -> Iterator[Row]:
    """Each option: what is built with it, which sections it alone drives, and what covering it costs."""
    for one in study.option_costs:
        costs = (np.nan if cost is None else cost for cost in (one.covering, one.saves_with))
        yield (
            one.option.name, one.option.meaning, one.option.group, ", ".join(one.drives), ", ".join(one.sections),
            *costs,
        )  # fmt: skip


@listing("houses", options_column, col("cost", "Cost, per lot", "of the standard set in it", MONEY, 12, unit=COST))
def houses(study: Study) -> Iterator[Row]:
    """Each house that the plan is sized for: its options, and what the standard set costs in it."""
    for built, cost in study.house_costs:
        yield (*options_of(study, built), cost)


@listing(
    "sizes_by_flex",
    SECTION,
    col("room", "Room", look=TEXT, width=22, show=few_rooms),
    col("size", "Install", "the standard size", CHOSEN, 9, unit=NOMINAL, show=size_cell),
    lambda s: [
        col(f"own_size_{f}", f"With {f}", f"size that the friction-rate method gives it in {f}", SIZE, 11, unit=NOMINAL,
            show=size_cell)
        for f in s.plan.flex if f
    ],
)  # fmt: skip
def sizes_by_flex(study: Study) -> Iterator[Row]:
    """Each flex section without a product of its own: the size that each product alone would get, over fronts, mirrors
    and seasons."""
    for i, s in enumerate(study.tree.sections):
        if s.duct == FLEX and not s.product:
            own = (own_size_label(study, i, study.variants.where(flex=f)) for f in study.plan.flex)
            yield (s.name, room_text(s), study.size_set.get(s.name, ""), *own)


@listing(
    "worst_front_alone",
    SECTION,
    col("room", "Room", look=TEXT),
    col("limit", "Limit broken"),
    col("variants", "Variants out", "in how many"),
    col("worst_variant", "Worst in"),
    col("amount", "Comes to", "in the unit of the row"),
    col("allowed", "Allowed", "in the unit of the row"),
    col("unit", "Unit"),
    col("over_pct", "Over it"),
)
def single_orientation(study: Study) -> Iterator[Row]:
    """What a set drawn for the worst front alone would leave out of limits, worst first."""
    sections, units = {s.name: s for s in study.tree.sections}, study.plan.units
    groups: dict[tuple[str, str], list[Any]] = {}
    for breach in study.single.breaches:
        groups.setdefault((breach.section, breach.limit_name), []).append(breach)
    rows = []
    for (name, limit), members in groups.items():
        worst = max(members, key=lambda b: b.use)
        amount, allowed = units.shown(worst.amount, worst.unit), units.shown(worst.limit, worst.unit)
        over = 100.0 * (worst.use - 1.0)
        variant = str(worst.variant) if worst.variant else "all"
        room = room_text(sections[name])
        rows.append((name, room, limit, len(members), variant, amount, allowed, units.unit(worst.unit), over))
    yield from sorted(rows, key=lambda row: -row[-1])


class HasFindings(Protocol):
    """A study, or a whole report."""

    @property
    def findings(self) -> tuple[Finding, ...]: ...


@listing(
    "findings",
    col("severity", "Severity", "warning, caution or note", LABEL, 10),
    col("rule", "About", look=TEXT, width=17),
    col("subject", "Where", look=TEXT, width=20),
    col("message", "What", look=TEXT, width=56),
    col("advice", "What to do", look=TEXT, width=42),
)
def findings(found: HasFindings) -> Iterator[Row]:
    """What to look at before building, most urgent first."""
    for f in found.findings:
        yield f.severity.word, f.rule, f.subject, f.message, f.advice


@listing(
    "conflicts",
    col("path", "Path"),
    SECTION,
    col("limit", "Limit"),
    col("variant", "Variant"),
    col("least", "Least", "the least that it comes to, in the core's unit of the row"),
    col("allowed", "Allowed", "in the core's unit of the row"),
    col("missing", "Missing", "in the core's unit of the row"),
    col("unit", "Unit"),
    col("what", "What", "the conflict in words"),
)
def conflicts(study: Study) -> Iterator[Row]:
    """Why no set holds, limit by limit."""
    for c in study.conflicts:
        variant = str(c.variant) if c.variant else "all"
        yield c.path, c.section, c.limit, variant, c.least, c.allowed, c.missing, c.unit, str(c)


@listing(
    "remedies",
    col("kind", "Kind of change", look=TEXT),
    col("holds", "Result", "whether a set holds with the change", TEXT,
        show=lambda v: "a set holds" if v else "not enough alone"),
    col("cost", "Cost, per lot", look=MONEY, unit=COST),
    col("distinct_sizes", "Distinct sizes", look=WHOLE, show=lambda v: v or None),
    col("change", "Change", look=TEXT),
)  # fmt: skip
def remedies(study: Study) -> Iterator[Row]:
    """What was tried where no set holds, each by sizing the plan again."""
    for w in study.remedies:
        cost, number = (w.solution.cost, w.solution.distinct_sizes) if w.helps else (np.nan, 0)
        yield w.kind, w.helps, cost, number, w.change


LISTS: tuple[Listing[Study], ...] = (
    size_schedule, lengths, fittings, pressure, paths, margins_by_run, rooms_by_front, airflow_by_front, trade_off,
    standardizing, options, houses, sizes_by_flex, single_orientation, conflicts, remedies,
)  # fmt: skip


def design_airstream(study: Study) -> Airstream:
    """The blower and the devices over the variants of a study, filters clean."""
    return airstream(study.plan, study.variants.variants, study.variants.room_airflow_cfm.sum(axis=1))


def as_told(study: Study, variant: Variant) -> Row:
    """The values of the columns ``VARIANT``."""
    return variant.front, variant.mirrored, variant.season, variant.flex, *options_of(study, variant.options)


def by_variant(study: Study, columns: Sequence[np.ndarray], among: np.ndarray | None = None) -> Iterator[Row]:
    """A row of each variant, or of those ``among`` all: the columns ``VARIANT``, then these, each (n_variant,)."""
    for v, (variant, *row) in enumerate(zip(study.variants.variants, *(c.tolist() for c in columns), strict=True)):
        if among is None or among[v]:
            yield *as_told(study, variant), *row


def own_size_label(study: Study, section: int, among: np.ndarray) -> str:
    """The largest own size of a section over some variants; empty where one of them has none."""
    own = study.by_friction_rate.friction_rate_size[among, section]
    if not own.size or own.min() < 0:
        return ""
    return study.table.sizes[int(own.max())].label


def why(driver: Governing, units: UnitSystem) -> str:
    """Why a section is not smaller, in words."""
    match driver.reason:
        case Reason.VARIANTS:
            more = len(driver.variants) - 1
            others = f" and {counted(more, 'more variant')}" if more else ""
            return (
                f"{units.size(driver.next_smaller)} breaks {driver.limit} by {driver.excess_pct:.0f} % "
                f"({driver.variants[0]}){others}"
            )
        case Reason.CHILD:
            return f"{driver.child} beyond it is as large"
        case Reason.SMALLEST:
            return "smallest on offer within its bounds"
        case Reason.STANDARD:
            return f"{units.size(driver.next_smaller)} would hold; kept for fewer sizes to stock or at no extra cost"


def closest_limits(sized: Sized, units: UnitSystem) -> str:
    """The least that is left of a pressure and of a velocity by a size set, and where, in words."""
    words = []
    for limit, unit, left, allowed, there in (
        (PRESSURE, "inWC", ".4f", ".3f", "to"),
        (VELOCITY, "fpm", ".0f", ".0f", "in"),
    ):
        close = sized.margins.closest(limit)
        if close is not None:
            of = f"{units.number(max(close.left, 0.0), unit, left)} of {units.say(close.allowed, unit, allowed)}"
            words.append(f"{of} left {there} {close.place} ({close.variant})")
    exact = sized.margins.exact
    met = f" Met exactly, each variant counted: {counted(exact, 'limit')}." if exact else ""
    return "; ".join(words) + "." + met


def house_range(study: Study, say: Callable[[float], str]) -> tuple[str, str]:
    """What the cheapest and the dearest house cost in the set, in words."""
    (least, low), (most, high) = (end(study.house_costs, key=lambda one: one[1]) for end in (min, max))
    cheapest, dearest = (built_text(built) or "without options" for built in (least, most))
    return f"{say(low)} ({cheapest})", f"{say(high)} ({dearest})"


def wall_or_money(study: Study) -> str:
    """What costs are in: money, or the area of duct wall."""
    unit = study.plan.units.unit(study.cost_unit)
    return unit if study.cost_unit == "USD" else f"{unit} of duct wall"


def money(study: Study, cost: float, spec: str = ",.0f") -> str:
    """A cost of the study with its unit; without prices, of duct wall."""
    return f"{study.plan.units.number(cost, study.cost_unit, spec)} {wall_or_money(study)}"


def costs_less(study: Study, solution: Solution) -> str:
    """What no set within what was asked does: the bound and the gap of one that is not proven, rounded to stay true."""
    decimals = 2 if study.cost_unit == "USD" else 0
    step = 10.0**-decimals
    bound = math.floor(study.plan.units.shown(solution.bound, study.cost_unit) / step) * step
    gap = math.ceil(100.0 * solution.gap_pct) / 100.0
    return f"costs less than {bound:,.{decimals}f} {wall_or_money(study)}, which is {gap:.2f} % less"


def not_proven(study: Study) -> list[str]:
    """What time ran out on and how far off it may be, a sentence each; empty where all is proven."""
    best, words = study.recommended, []
    for what in study.not_proven:
        if what == "least_cost":
            words.append(f"The least cost is not proven: no set {costs_less(study, study.least_cost)}.")
        elif what == "cost":
            sizes = f"{best.distinct_sizes} or fewer sizes"
            words.append(f"The least cost of {sizes} is not proven: no set of so few {costs_less(study, best)}.")
        else:
            within = f"{study.plan.standardize_within_pct:g} %"
            words.append(f"That no fewer sizes would do for at most {within} over the least cost is not proven.")
    return words


def room_text(section: Section) -> str:
    """The rooms that a run serves, as people read them."""
    return "all rooms" if section.rooms == ("*",) else "; ".join(section.rooms)
