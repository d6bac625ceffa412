"""Rules of practice: what a careful person would point at in a sized plan."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product

import numpy as np

from tractduct.arrays import IntArray
from tractduct.findings import Finding, caution, note, warning
from tractduct.model.plan import Plan, Tolerance, is_outside, joint_of
from tractduct.model.words import AT_PARENT, EACH, NOT_BOUGHT, key_of
from tractduct.network.tree import DuctTree
from tractduct.network.variants import Variant
from tractduct.physics.friction import (
    COMPRESSION_TESTED_IN,
    COMPRESSION_TESTED_TO_PCT,
    LARGE_FLEX_ABOVE_PCT,
    LARGE_FLEX_IN,
    METRIC_TRADE_IN,
)
from tractduct.sizing.candidates import at_sizes
from tractduct.sizing.case import Case
from tractduct.sizing.friction_rate import FrictionRateSizing
from tractduct.units import UnitSystem

FRICTION_RATE_WINDOW = (0.06, 0.18)  # inWC/100 ft; ANSI/ACCA 1, from memory
MOST_WYES_IN_A_ROW = 2  # common practice, no source
_MOST_LISTED = 6  # sections named in one finding
NEAR_VELOCITY_PCT = 5.0  # a velocity so near its limit is pointed out
ALTITUDE_CAUTION_ABOVE_FT = 2000.0  # from here on thin air takes more than 7 % of the heat; common practice, no source
STANDARD_AIR_HEAT = 1.08  # Btu/h for each cfm and F: 0.075 lb/ft3 x 0.24 Btu/lb F x 60 min/h; common practice

CAUTIONS = (
    "This sizes ducts for airflow that others worked out. It is no load calculation and no design "
    "approval: local codes, the equipment and duct manufacturers' instructions and a licensed designer's "
    "judgement come first.",
    "Airflow that is too low can overheat a furnace's heat exchanger or freeze a cooling coil. Measure the "
    "airflow and the external static pressure at start-up against the equipment's data.",
    "Returns and exhaust can pull down a room or a house. Where fuel is burned indoors, have combustion "
    "safety tested after the ducts are in. Provide a way back for the air of every room whose door shuts.",
    "Losses hold for flex that is stretched, supported and cut to length as its maker says, or compressed by "
    "the per cent stated here. Sagging, kinks and crushed bends can cost more than any size brings back.",
    "Predicted sizes replace no measurement: have the finished system balanced and the readings written down.",
)


def plan_findings(case: Case, by_friction_rate: FrictionRateSizing) -> Iterator[Finding]:
    """What shows without looking at the chosen sizes."""
    yield from _altitude(case.plan)
    yield from _no_return(case)
    yield from _wyes(case.tree)
    yield from _trunks_on_branches(case.tree)
    yield from _joints_counted_twice(case.plan)
    yield from _friction_rates(case.tree, by_friction_rate, case.plan.units)
    yield from _seasons(case.plan, case.tree)


def size_findings(case: Case, size_index: IntArray) -> Iterator[Finding]:
    """What shows in a chosen size set."""
    yield from _velocities(case, size_index)
    yield from _compressed(case, size_index)
    yield from _outside_table(case, size_index)


def _altitude(plan: Plan) -> Iterator[Finding]:
    if plan.elevation_ft <= ALTITUDE_CAUTION_ABOVE_FT:
        return
    ratio, units, heat = plan.density_ratio, plan.units, "Btu/h for each cfm and F"
    message = (
        f"at {units.say(plan.elevation_ft, 'ft', ',.0f')} air has {ratio:.3f} of standard air's density and "
        f"carries {units.say(STANDARD_AIR_HEAT * ratio, heat, '.2f')}, not "
        f"{units.number(STANDARD_AIR_HEAT, heat, '.2f')}; the plan's airflow counts as actual "
        f"{units.unit('cfm')} at the air handler"
    )
    advice = (
        "Ask whether the load calculation worked out the rooms' airflow for this air: what it has for standard "
        f"air must be divided by {ratio:.3f}. Ask too whether hood readings and the coil's figures are corrected"
    )
    yield caution("altitude", "airflow", message, advice)


def _no_return(case: Case) -> Iterator[Finding]:
    if case.plan.equipment.curves and not any(s.side == "return" for s in case.tree.sections):
        message = "the blower's pressure is used and no return ducts are drawn, so what the return takes is left out"
        advice = "Draw the return, or enter its loss as a device on the return side"
        yield warning("return air", "return side", message, advice)


def _wyes(tree: DuctTree) -> Iterator[Finding]:
    """More than two wyes one after another: sections without a wye between them break the row."""
    reported: set[str] = set()
    for p, run in enumerate(tree.runs):
        row, longest, at = 0, 0, ""
        for i in tree.walk(p):
            section = tree.sections[i]
            wyes = sum(n for name, n in section.fittings if "wye" in key_of(name))
            row = row + wyes if wyes else 0
            if row > longest:
                longest, at = row, section.name
        if longest > MOST_WYES_IN_A_ROW and at not in reported:
            reported.add(at)
            message = f"{longest} wyes follow one another up to {at}; common practice is {MOST_WYES_IN_A_ROW} at most"
            advice = "Feed one of the branches from the plenum or a trunk of its own"
            yield warning("wyes in a row", f"run {run.name}", message, advice, cause="wyes", amount=f"{longest} wyes")


def _trunks_on_branches(tree: DuctTree) -> Iterator[Finding]:
    """A trunk that a branch feeds; common practice, no source."""
    for section, p in zip(tree.sections, tree.parent.tolist(), strict=True):
        above = tree.sections[p]
        if section.role == "trunk" and p >= 0 and above.role == "branch":
            ends = f", a run that ends in {'; '.join(above.rooms)}" if above.is_run else ""
            subject, amount = f"section {section.name}", f"on {above.name}"
            message = f"this trunk hangs on branch {above.name}{ends}, which must carry all of its air"
            advice = "Hang it on a trunk or at the air handler, or correct the roles"
            yield caution("trunk on a branch", subject, message, advice, cause="role", amount=amount)


def _joints_counted_twice(plan: Plan) -> Iterator[Finding]:
    """Sections of one parent that each bring a wye, or a tee, of their own: it is likely the same one."""
    found: dict[tuple[str, str], dict[str, str]] = {}  # (parent, kind) -> child -> fitting
    for section in plan.sections:
        for name, _ in section.fittings:
            if section.parent and joint_of(name) and plan.fittings[name].bought == EACH:
                found.setdefault((section.parent, joint_of(name)), {})[section.name] = name
    for (parent, kind), children in found.items():
        if len(children) > 1:
            names = ", ".join(dict.fromkeys(children.values()))
            message = f"{', '.join(children)} beyond it each bring a {kind} ({names}), and each is bought"
            advice = (
                f"Where they are one piece, write '{AT_PARENT}' in the column bought of the fittings table, and "
                f"'{NOT_BOUGHT}' for a second name of the same piece"
            )
            yield caution("joint counted twice", f"section {parent}", message, advice)


def _friction_rates(tree: DuctTree, by_friction_rate: FrictionRateSizing, units: UnitSystem) -> Iterator[Finding]:
    """Runs outside the window, on each side the farthest first."""
    low, high = FRICTION_RATE_WINDOW
    rate, length = by_friction_rate.path_friction_rate, by_friction_rate.total_effective_length_ft
    lowest = [p for p in np.argsort(rate, kind="stable") if rate[p] < low]
    highest = [p for p in np.argsort(-rate, kind="stable") if rate[p] > high]
    for p in (*lowest, *highest):
        cause, limit, where = ("low", low, "under") if rate[p] < low else ("high", high, "over")
        advice = "A short run takes too much air and may be heard: set its damper mark first"
        if rate[p] < low:
            most = units.say(float(length[p] * rate[p] / low), "ft", ".0f")
            advice = f"{most} in all would keep it: shorten the run, or use fittings that lose less"
        shown = units.number(float(rate[p]), "inWC/100 ft", ".3g")
        message = (
            f"friction rate {shown} is {where} {units.say(limit, 'inWC/100 ft', '.2g')} over "
            f"{units.say(length[p], 'ft', '.0f')} of total effective length"
        )
        yield caution("friction rate", f"run {tree.runs[p].name}", message, advice, cause=cause, amount=shown)


def season_mismatch(
    heating: float, cooling: float, heating_total: float, cooling_total: float, tolerance: Tolerance
) -> float:
    """How badly one damper setting serves a room in both seasons: 1 is just within tolerance.

    A run takes a nearly fixed part of the system's airflow. The best single part misses both seasons by the
    same multiple of the tolerance; that multiple is returned, infinite where nothing is tolerated.
    """
    allowed = tolerance.of_room_cfm([heating, cooling])
    missed = abs(heating * cooling_total - cooling * heating_total)
    bearable = float(heating_total * allowed[1] + cooling_total * allowed[0])
    return missed / bearable if bearable > 0.0 else np.inf if missed > 0.0 else 0.0


def _seasons(plan: Plan, tree: DuctTree) -> Iterator[Finding]:
    """Rooms that no one damper setting serves in both seasons, the worst first."""
    if set(plan.seasons) != {"heating", "cooling"}:
        return
    seasonal = {key_of(room) for run in tree.runs if run.season for room in run.rooms}
    houses = plan.every_house
    flow = np.stack([house.airflow_cfm for house in houses])
    h, c = plan.seasons.index("heating"), plan.seasons.index("cooling")
    totals, allowed = flow.sum(axis=4), plan.tolerance
    found: list[tuple[float, tuple[int, int, int], int]] = []
    for n, room in enumerate(plan.rooms):
        if key_of(room) in seasonal:
            continue
        cases = [
            (season_mismatch(flow[*at, h, n], flow[*at, c, n], totals[*at, h], totals[*at, c], allowed), at, n)
            for at in product(range(len(houses)), range(len(plan.fronts)), range(len(plan.mirrored)))
            if totals[*at, h] > 0.0 and totals[*at, c] > 0.0
        ]
        found.append(max(cases, default=(0.0, (0, 0, 0), n)))
    for worst, at, n in sorted(found, key=lambda f: -f[0]):
        if is_outside(worst):
            where = Variant(plan.fronts[at[1]], plan.mirrored[at[2]], "", "", houses[at[0]].options)
            heating, cooling = (plan.units.number(flow[*at, k, n], "cfm", ".0f") for k in (h, c))
            unit, room, both = plan.units.unit("cfm"), plan.rooms[n], f"{heating} and {cooling}"
            message = (
                f"{where}: {heating} {unit} in heating and {cooling} {unit} in cooling; no one damper setting keeps "
                f"both within {allowed.room_pct:g} % or {plan.units.say(allowed.room_cfm, 'cfm')}"
            )
            advice = "Move the damper at the change of season, or plan a second run that is open in one season only"
            yield caution(
                "one run, two seasons", f"room {room}", message, advice, room=room, cause="seasons", amount=both
            )


def _velocities(case: Case, size_index: IntArray) -> Iterator[Finding]:
    """Sections that are nearly as fast as they may be, the nearest first, with what the next size would do."""
    tree, variants, table, units = case.tree, case.variants, case.table, case.plan.units
    speed = at_sizes(table.velocity_fpm, size_index)
    limits = table.sections.velocity_limit_fpm
    use = (speed / limits).max(axis=0)
    for i in np.argsort(-use, kind="stable"):
        if use[i] < 1.0 - NEAR_VELOCITY_PCT / 100.0:
            return
        v, now = int(np.argmax(speed[:, i])), size_index[i]
        slower = np.flatnonzero(table.on_sale[i] & (table.velocity_fpm[v, i] < 0.999 * speed[v, i]))
        next_up = min(slower, key=lambda s: (table.cost[i, s], table.velocity_fpm[v, i, s]), default=None)
        wider = "No larger size is on sale within its bounds" if next_up is None else ""
        if next_up is not None:
            more = units.say(float(table.cost[i, next_up] - table.cost[i, now]), case.plan.cost_unit, "+,.2f")
            wider = (
                f"In {units.size(table.sizes[next_up].label)} it would be "
                f"{units.say(table.velocity_fpm[v, i, next_up], 'fpm', '.0f')} for {more} per lot"
            )
        subject, moving = f"section {tree.sections[i].name}", units.say(speed[v, i], "fpm", ".0f")
        size, limit = units.size(table.sizes[now].label), units.say(limits[i], "fpm", ".0f")
        message = f"{moving} of {limit} in {size} ({variants.variants[v]})"
        advice = f"Listen for noise at start-up. {wider}"
        yield note("velocity near its limit", subject, message, advice, cause="velocity", amount=moving)


def _compressed(case: Case, size_index: IntArray) -> Iterator[Finding]:
    """Compressed flex of a size, or compressed by more, than the relation was measured on: all in one finding."""
    units = case.plan.units
    pct = case.table.ducts.compression_pct.max(axis=0)
    diameter = case.diameter_in[size_index]
    tested = (diameter >= COMPRESSION_TESTED_IN[0] - METRIC_TRADE_IN) & (diameter <= COMPRESSION_TESTED_IN[-1])
    outside = np.flatnonzero((pct > 0.0) & ~(tested & (pct <= COMPRESSION_TESTED_TO_PCT)))
    if not outside.size:
        return
    sizes = ", ".join(units.number(d, "in", ".0f") for d in COMPRESSION_TESTED_IN)
    message = (
        f"{pct[outside].max():g} % in {_listed(case, size_index, outside)}; measured only at {sizes} "
        f"{units.unit('in')}, up to {COMPRESSION_TESTED_TO_PCT:g} %. {large_flex_words(case.plan)}"
    )
    advice = "Stretch them fully, or use rigid duct"
    yield caution("compressed flex", "compressed flex", message, advice)


def large_flex_words(plan: Plan) -> str:
    """What is done about large flex that is compressed."""
    of = f"Flex of {plan.units.say(LARGE_FLEX_IN - METRIC_TRADE_IN * plan.units.is_si, 'in', '.0f')} and more"
    if plan.least_factor_12_in > 1.0:
        return f"{of} counts at least {plan.least_factor_12_in:g} times its friction above {LARGE_FLEX_ABOVE_PCT:g} %"
    return f"{of} may lose more than it says"


def _outside_table(case: Case, size_index: IntArray) -> Iterator[Finding]:
    """Sizes or airflow that a product's friction table does not reach: its roughness and derate are used there."""
    outside = ~at_sizes(case.table.ducts.in_table, size_index) & (case.variants.airflow_cfm > 0.0)
    is_flex = np.array([s.kind == "flex" for s in case.tree.sections])
    for flex in case.plan.flex:
        mine = np.flatnonzero(np.any(outside[case.variants.where(flex=flex)], axis=0) & is_flex)
        if mine.size:
            message = (
                f"its table does not reach the size or the least or most airflow of {_listed(case, size_index, mine)}"
            )
            advice = "There the fitted roughness and derate are used; add rows if you have them"
            yield note("outside the friction table", f"flex {flex}", message, advice, cause="table")


def _listed(case: Case, size_index: IntArray, which: IntArray) -> str:
    """The first few of some sections, by size."""
    by_size: dict[str, list[str]] = {}
    for i in which[:_MOST_LISTED]:
        label = case.table.sizes[size_index[i]].label
        by_size.setdefault(case.plan.units.size(label), []).append(case.tree.sections[i].name)
    shown = ", ".join(f"{', '.join(names)} ({size})" for size, names in by_size.items())
    return shown + (", ..." if len(which) > _MOST_LISTED else "")
