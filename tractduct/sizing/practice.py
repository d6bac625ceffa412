"""Rules of practice: what a careful person would point at in a sized plan."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from tractduct.findings import Finding, Severity
from tractduct.inputs.cells import key_of
from tractduct.inputs.plan import Plan
from tractduct.network.tree import DuctTree
from tractduct.sizing.candidates import at_sizes
from tractduct.sizing.case import Case
from tractduct.sizing.drivers import Driver, Reason
from tractduct.sizing.hand import HandSizing
from tractduct.units import UnitSystem

FRICTION_RATE_WINDOW = (0.06, 0.18)  # inWC/100 ft; ANSI/ACCA 1, from memory
MOST_WYES_IN_A_ROW = 2  # common practice, no source
NEAR_VELOCITY_LIMIT = 0.95
COMPRESSED_CAUTION_FROM_IN = 12.0  # Cantrill (2013, abstract): the relation may be too kind from here on
ALTITUDE_CAUTION_ABOVE_FT = 2000.0  # from here on thin air takes more than 7 % of the heat; common practice, no source
STANDARD_AIR_HEAT = 1.08  # Btu/h for each cfm and F: 0.075 lb/ft3 x 0.24 Btu/lb F x 60 min/h; common practice
ROOM_TOLERANCE_PCT = 20.0  # the greater of the two; ANSI/ACCA 5 QI, from memory
ROOM_TOLERANCE_CFM = 25.0

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


def find_in_plan(case: Case, hand: HandSizing) -> Iterator[Finding]:
    """What shows without looking at the chosen sizes."""
    yield from _altitude(case.plan)
    yield from _no_return(case)
    yield from _wyes(case.tree)
    yield from _friction_rates(case.tree, hand, case.plan.units)
    yield from _seasons(case.plan, case.tree)


def find_in_sizes(case: Case, size_index: NDArray[np.intp], drivers: tuple[Driver, ...]) -> Iterator[Finding]:
    """What shows in a chosen size set."""
    yield from _velocities(case, size_index)
    yield from _compressed(case, size_index)
    yield from _outside_table(case, size_index)
    yield from _because_of_child(drivers, case.labels(size_index), case.plan.units)


def _altitude(plan: Plan) -> Iterator[Finding]:
    if plan.elevation_ft <= ALTITUDE_CAUTION_ABOVE_FT:
        return
    ratio, units, heat = plan.density_ratio, plan.units, "Btu/h for each cfm and F"
    yield Finding(
        severity=Severity.CAUTION,
        rule="altitude",
        subject="airflow",
        message=f"at {units.say(plan.elevation_ft, 'ft', ',.0f')} air has {ratio:.3f} of standard air's density and "
        f"carries {units.say(STANDARD_AIR_HEAT * ratio, heat, '.2f')}, not "
        f"{units.number(STANDARD_AIR_HEAT, heat, '.2f')}; the plan's airflow counts as actual "
        f"{units.unit('cfm')} at the air handler",
        advice="Ask whether the load calculation worked out the rooms' airflow for this air: what it has for standard "
        f"air must be divided by {ratio:.3f}. Ask too whether hood readings and the coil's figures are corrected",
    )


def _no_return(case: Case) -> Iterator[Finding]:
    if case.plan.equipment.curves and not any(s.side == "return" for s in case.tree.sections):
        yield Finding(
            severity=Severity.WARNING,
            rule="return air",
            subject="return side",
            message="the blower's pressure is used and no return ducts are drawn, so what the return takes is left out",
            advice="Draw the return, or enter its loss as a device on the return side",
        )


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
            yield Finding(
                severity=Severity.WARNING,
                rule="wyes in a row",
                subject=f"run {run.name}",
                message=f"{longest} wyes follow one another up to {at}; common practice is "
                f"{MOST_WYES_IN_A_ROW} at most",
                advice="Feed one of the branches from the plenum or a trunk of its own",
            )


def _friction_rates(tree: DuctTree, hand: HandSizing, units: UnitSystem) -> Iterator[Finding]:
    low, high = FRICTION_RATE_WINDOW
    for p, run in enumerate(tree.runs):
        rate, length = hand.path_friction_rate[p], hand.total_effective_length_ft[p]
        shown = f"friction rate {units.number(rate, 'inWC/100 ft', '.3g')}"
        if rate < low:
            message = f"{shown} is under {units.say(low, 'inWC/100 ft', '.2g')} over {units.say(length, 'ft', '.0f')}"
            advice = "Shorten the run, use fittings that lose less, or make more pressure available"
        elif rate > high:
            message = f"{shown} is over {units.say(high, 'inWC/100 ft', '.2g')} over {units.say(length, 'ft', '.0f')}"
            advice = "Expect too much air and noise here: plan a balancing damper"
        else:
            continue
        yield Finding(
            severity=Severity.CAUTION,
            rule="friction rate",
            subject=f"run {run.name}",
            message=message,
            advice=advice,
        )


def season_mismatch(heating: float, cooling: float, heating_total: float, cooling_total: float) -> float:
    """How badly one damper setting serves a room in both seasons: 1 is just within tolerance.

    A run takes a nearly fixed part of the system's airflow. The best single part misses both seasons by the
    same multiple of the tolerance (the greater of 20 % or 25 cfm); that multiple is returned.
    """
    tolerance = [max(ROOM_TOLERANCE_PCT / 100.0 * q, ROOM_TOLERANCE_CFM) for q in (heating, cooling)]
    part = (heating / tolerance[0] + cooling / tolerance[1]) / (
        heating_total / tolerance[0] + cooling_total / tolerance[1]
    )
    return abs(heating - part * heating_total) / tolerance[0]


def _seasons(plan: Plan, tree: DuctTree) -> Iterator[Finding]:
    if set(plan.seasons) != {"heating", "cooling"}:
        return
    seasonal = {key_of(room) for run in tree.runs if run.season for room in run.rooms}
    flow = plan.airflow_cfm
    h, c = plan.seasons.index("heating"), plan.seasons.index("cooling")
    totals = flow.sum(axis=3)
    for n, room in enumerate(plan.rooms):
        if key_of(room) in seasonal:
            continue
        cases = [
            (season_mismatch(flow[i, j, h, n], flow[i, j, c, n], totals[i, j, h], totals[i, j, c]), i, j)
            for i in range(flow.shape[0])
            for j in range(flow.shape[1])
            if totals[i, j, h] > 0.0 and totals[i, j, c] > 0.0
        ]
        worst, i, j = max(cases, default=(0.0, 0, 0))
        if worst > 1.0:
            turned = ", mirrored" if plan.mirrored[j] else ""
            needs = "heating" if flow[i, j, h, n] > flow[i, j, c, n] else "cooling"
            yield Finding(
                severity=Severity.CAUTION,
                rule="one run, two seasons",
                subject=f"room {room}",
                message=f"front {plan.front_faces[i]}{turned}: "
                f"{plan.units.say(flow[i, j, h, n], 'cfm', '.0f')} in heating and "
                f"{plan.units.say(flow[i, j, c, n], 'cfm', '.0f')} in cooling; no one damper setting keeps both within "
                f"{ROOM_TOLERANCE_PCT:g} % or {plan.units.say(ROOM_TOLERANCE_CFM, 'cfm')}",
                advice=f"Consider a second run that is open in {needs} only",
            )


def _velocities(case: Case, size_index: NDArray[np.intp]) -> Iterator[Finding]:
    tree, variants, table = case.tree, case.variants, case.table
    speed, say = at_sizes(table.velocity_fpm, size_index), case.plan.units.say
    for i, section in enumerate(tree.sections):
        v = int(np.argmax(speed[:, i]))
        limit = table.sections.velocity_limit_fpm[i]
        if speed[v, i] >= NEAR_VELOCITY_LIMIT * limit:
            yield Finding(
                severity=Severity.NOTE,
                rule="velocity near its limit",
                subject=f"section {section.name}",
                message=f"{say(speed[v, i], 'fpm', '.0f')} of {say(limit, 'fpm', '.0f')} in "
                f"{case.plan.units.size(table.sizes[size_index[i]].label)} "
                f"({variants.variants[v]})",
                advice="Leave no room for more air here; listen for noise at start-up",
            )


def _compressed(case: Case, size_index: NDArray[np.intp]) -> Iterator[Finding]:
    tree, variants, table = case.tree, case.variants, case.table
    for i, section in enumerate(tree.sections):
        size = table.sizes[size_index[i]]
        compression = table.ducts.compression_pct[:, i]
        if compression.max() > 0.0 and size.diameter_in >= COMPRESSED_CAUTION_FROM_IN:
            flex = variants.variants[int(np.argmax(compression))].flex
            yield Finding(
                severity=Severity.CAUTION,
                rule="compressed large flex",
                subject=f"section {section.name}",
                message=f"{case.plan.units.size(size.label)} {flex} at {compression.max():g} % compression: the "
                f"relation used was measured up to {case.plan.units.say(10.0, 'in')} and may understate the loss of "
                "larger flex",
                advice="Stretch this section fully, or make it of rigid duct",
            )


def _outside_table(case: Case, size_index: NDArray[np.intp]) -> Iterator[Finding]:
    """Sizes or airflow that a product's friction table does not reach: its roughness and derate are used there."""
    inside = np.take_along_axis(case.table.ducts.in_table, size_index[None, :, None], axis=2)[:, :, 0]
    outside = np.logical_and(~inside, case.variants.airflow_cfm > 0.0)
    labels = case.labels(size_index)
    for flex in case.plan.flex:
        mine = np.any(outside[case.variants.where(flex=flex)], axis=0).tolist()
        names = [s.name for s, out in zip(case.tree.sections, mine, strict=True) if out and s.kind == "flex"]
        if names:
            shown = ", ".join(f"{name} ({case.plan.units.size(labels[name])})" for name in names[:6]) + (
                ", ..." if len(names) > 6 else ""
            )
            yield Finding(
                severity=Severity.NOTE,
                rule="outside the friction table",
                subject=f"flex {flex}",
                message=f"its table does not reach the size or the least or most airflow of {shown}",
                advice="There the fitted roughness and derate are used; add rows if you have them",
            )


def _because_of_child(drivers: tuple[Driver, ...], labels: dict[str, str], units: UnitSystem) -> Iterator[Finding]:
    for driver in drivers:
        if driver.reason is Reason.CHILD and not driver.limit:
            yield Finding(
                severity=Severity.NOTE,
                rule="larger because of its child",
                subject=f"section {driver.section}",
                message=f"{units.size(labels[driver.section])} only because {driver.child} beyond it is as large; "
                f"{units.size(driver.next_smaller)} would carry the air",
                advice=f"Look at what drives {driver.child}: a second run or a shorter one may save both",
            )
