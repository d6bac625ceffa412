"""What stands on the pages of each lot: the house as built, its ducts in building order, what the hood reads."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import cache, partial
from pathlib import Path

import numpy as np

from tractduct.delivery.deliver import Delivery
from tractduct.delivery.lots import LotAir, LotDelivery, rooms_off
from tractduct.delivery.marks import MarkTable
from tractduct.delivery.predict import Drive
from tractduct.files import file_name
from tractduct.model.options import Built, built_text
from tractduct.model.plan import Plan, Section
from tractduct.one_plan import Study
from tractduct.orientation.azimuths import azimuth_label, face_azimuth_deg
from tractduct.orientation.lots import LotResult
from tractduct.sizing.practice import ALTITUDE_CAUTION_ABOVE_FT
from tractduct.units import UnitSystem
from tractduct.version import VERSION
from tractduct.writers.listing import turned
from tractduct.writers.lot_pages import Column, Course, Drawing, LotPages, Table, print_lots
from tractduct.writers.tables import room_text

CAUTION = (
    "Local codes, makers' instructions and a licensed designer come before these sizes. Where fuel is burned indoors, "
    "have combustion safety tested."
)
LOTS_FOLDER = "lots"
NO_MARK = "none"  # a run without a damper
AIR_HANDLER = "AH"  # as on the drawing
LEAST_AIR_CFM = 1.0  # felt at the register; no hood reads less surely
MOST_ROOMS = 2  # of a return in a cell


def lot_pages(delivery: Delivery, lots: LotDelivery, stamp: str = "") -> list[LotPages]:
    """The pages of every lot, in the order of the lots; ``stamp`` says what they were made from."""
    drawing = cache(partial(house_drawing, delivery.study))
    return [
        _pages(delivery, r, lots.air.get(r.lot.name), drawing(r.lot.mirrored, r.lot.options), stamp)
        for r in lots.results
    ]


def write_lot_pages(delivery: Delivery, lots: LotDelivery, folder: Path, stamp: str = "") -> None:
    """``<plan>-lots.pdf`` of all lots, and ``lots/<lot>.pdf`` of each."""
    plan, pages = delivery.study.plan, lot_pages(delivery, lots, stamp)
    printed = print_lots(pages, title=f"{plan.name}: lots", metric=plan.units.is_si)
    (folder / f"{file_name(plan.name)}-lots.pdf").write_bytes(printed.data)
    (folder / LOTS_FOLDER).mkdir()
    taken: set[str] = set()
    for lot, data in zip(pages, printed.apart(), strict=True):
        name, number = file_name(lot.name), 1
        while name in taken:
            number += 1
            name = f"{file_name(lot.name)}-{number}"
        taken.add(name)
        (folder / LOTS_FOLDER / f"{name}.pdf").write_bytes(data)


def house_drawing(study: Study, mirrored: bool, built: Built = ()) -> Drawing:
    """The floors as built with these options, street side down; empty where the plan has no room outlines.

    A room all of whose runs and returns come with other options is not there.
    """
    plan, sizes = study.plan, study.size_set
    there = [section for section in study.tree.sections if section.is_built(built)]
    absent = _served(study.tree.sections) - _served(there)
    if not plan.outlines:
        return Drawing()
    width = max(o.x_ft + o.width_ft for o in plan.outlines)

    outlines = tuple(
        replace(o, x_ft=width - o.x_ft - o.width_ft) if mirrored else o
        for o in plan.outlines
        if o.room.casefold() not in absent
    )
    diameter = plan.diameter_by_size
    courses = (
        Course(
            label=f"{section.name} {sizes[section.name]}",
            floor=floor,
            points_ft=tuple(
                (width - p.x_ft if mirrored else p.x_ft, p.y_ft)
                for p in plan.routes
                if p.section == section.name and p.floor in ("", floor)
            ),
            is_flex=section.kind == "flex",
            diameter_in=diameter[sizes[section.name]],
            ends_at="" if not section.is_run else "grille" if section.side == "return" else "register",
            starts_at_handler=not section.parent,
        )
        for section in there
        for floor in sorted({o.floor for o in outlines})
    )
    return Drawing(outlines=outlines, courses=tuple(c for c in courses if len(c.points_ft) > 1))


def _served(sections: Sequence[Section]) -> set[str]:
    return {room.casefold() for section in sections for room in section.rooms}


def _pages(delivery: Delivery, result: LotResult, air: LotAir | None, drawing: Drawing, stamp: str) -> LotPages:
    study, plan, lot = delivery.study, delivery.study.plan, result.lot
    flex = air.flex if air else lot.flex or plan.flex[0]
    notes = [CAUTION]
    if plan.elevation_ft > ALTITUDE_CAUTION_ABOVE_FT:
        notes.append("Thin air up here: correct the hood's reading for the site as its maker says.")
    sure, verdict = _verdict(delivery, result, air)
    season = main_season(plan, air)
    about = (_direction(result), turned(lot.mirrored), flex, built_text(lot.options))
    return LotPages(
        name=lot.name,
        plan=plan.name,
        subtitle=", ".join(filter(None, about)),
        front_azimuth_deg=lot.azimuth_deg,
        verdict=verdict,
        sure=sure,
        drawing=drawing,
        build=_build(study, air.table if air else None, flex, lot.options),
        steps=_steps(plan, air, season) if air else (),
        balance=_balance(study, air, season) if air else None,
        blanks=_blanks(delivery, air, season) if air else (),
        notes=tuple(notes),
        stamp=stamp or f"{plan.name}; tractduct {VERSION}",
    )


def _direction(result: LotResult) -> str:
    azimuth, front = result.lot.azimuth_deg, result.nearest_front
    if abs(face_azimuth_deg(front) - azimuth) < 1e-9:
        return f"front faces {front}"
    return f"front at {azimuth_label(azimuth)} clockwise from north, nearest {front}"


def _verdict(delivery: Delivery, result: LotResult, air: LotAir | None) -> tuple[bool, str]:
    if result.breaches:
        worst = max(result.breaches, key=lambda b: b.use)
        return False, f"THESE SIZES DO NOT HOLD at this lot's direction: {worst}. Ask the designer before building."
    if result.holds is None or air is None:
        return False, "Whether these sizes hold at this lot's direction is NOT KNOWN. Ask the designer before building."
    rooms = rooms_off(delivery, air)
    if rooms:
        return False, f"These sizes hold. Even with the marks these rooms stay outside tolerance: {', '.join(rooms)}."
    marks = "this lot's own damper marks" if air.own_marks else "the damper marks"
    return True, f"These sizes hold, and with {marks} every room is within tolerance, as predicted."


def main_season(plan: Plan, air: LotAir | None) -> str:
    """The season to measure in: the one of more airflow, which a hood reads more surely."""
    if air is None:
        return plan.seasons[-1]
    return plan.seasons[int(np.argmax(np.round(np.nansum(air.target_cfm, axis=1), 6)))]


def mark_text(table: MarkTable, run: str, season: str) -> str:
    """The damper mark of a run in a season: degrees from wide open; NO_MARK where it has no damper."""
    if run not in table.runs:
        return NO_MARK
    return f"{table.angle_deg[table.runs.index(run), table.seasons.index(season)]:.0f}°"


def _marks(table: MarkTable | None, section: Section) -> str:
    """The mark, or one a season where they differ."""
    if table is None or not section.is_run or section.side == "return":
        return ""
    marks = [mark_text(table, section.name, season) for season in table.seasons]
    if table.positions == 1 or marks[0] == NO_MARK:
        return marks[0]
    return " / ".join(marks)


def _build(study: Study, table: MarkTable | None, flex: str, built: Built) -> Table:
    units = study.plan.units
    marks = "Damper mark"
    if table is not None and table.positions > 1:
        marks = "Marks " + "/".join(s[:4] for s in study.plan.seasons)
    columns = (
        Column(header="Run", bold=True),
        Column(header="From"),
        Column(header="Room", words=True),
        Column(header=f"Size, {units.unit('in')}", align="centre", bold=True),
        Column(header="Duct", words=True),
        Column(header=units.unit("ft"), align="right"),
        Column(header=marks, align="centre", bold=True),
        Column(header="Fittings", words=True),
    )
    order = [s for s in building_order(study) if s.is_built(built)]
    rows = tuple(
        (
            s.name,
            s.parent or AIR_HANDLER,
            _room(s),
            study.size_set[s.name],
            s.duct_in(flex).replace("_", " "),
            units.number(s.length_ft, "ft", ".1f").removesuffix(".0"),
            _marks(table, s),
            ", ".join(f"{n} {name.replace('_', ' ')}" if n > 1 else name.replace("_", " ") for name, n in s.fittings),
        )
        for s in order
    )
    return Table(columns=columns, rows=rows, below=_many_rooms(order))


def _room(section: Section) -> str:
    """The room of a run in a cell; of a return that serves many, how many: they are listed below the table."""
    if len(section.rooms) > MOST_ROOMS:
        return f"{len(section.rooms)} rooms, below"
    return room_text(section) + (f" ({section.season} only)" if section.season else "")


def _many_rooms(sections: Sequence[Section]) -> tuple[str, ...]:
    """Which rooms the returns of many rooms serve."""
    return tuple(f"{s.name}: air from {', '.join(s.rooms)}." for s in sections if len(s.rooms) > MOST_ROOMS)


def building_order(study: Study) -> list[Section]:
    """From the air handler outwards, each branch to its end before the next; supply first."""
    tree = study.tree
    # A stack, not a call for each section: a tree may be deeper than calls may be.
    tops = sorted(np.flatnonzero(tree.parent < 0).tolist(), key=lambda i: tree.sections[i].side == "return")
    ahead = tops[::-1]
    found = []
    while ahead:
        at = ahead.pop()
        found.append(tree.sections[at])
        ahead += reversed(tree.children(at))
    return found


def _steps(plan: Plan, air: LotAir, season: str) -> tuple[str, ...]:
    speed = plan.equipment.speed.get(season)
    at = f" at speed {speed}" if speed else ""
    marks = f"Set each damper to its mark, in degrees from wide open, and lock it. '{NO_MARK}': no damper there."
    if air.table.positions > 1:
        others = " and ".join(s for s in plan.seasons if s != season)
        marks = f"Set each damper to its {season} mark, degrees from wide open; lock it; mark {others} on it too."
    if not air.table.runs:
        marks = "No damper is needed: leave every run wide open."
    return (
        marks,
        f"Clean filter, doors open, blower in {season}{at}. Write down pressures and all readings first.",
        "Outside pass low to high: find a crushed or leaking duct before you move a damper. Write as left.",
    )


def _balance(study: Study, air: LotAir, season: str) -> Table:
    plan, units, table = study.plan, study.plan.units, air.table
    seasons = [season, *(s for s in plan.seasons if s != season)]
    cfm = units.unit("cfm")
    columns = [Column(header="Run", bold=True), Column(header="Room", words=True)]
    bands = [("", 2)]
    for s in seasons:
        first = s == season
        columns += [
            Column(header="Target", align="centre", bold=True),
            Column(header="Pass low", align="centre"),
            Column(header="Pass high", align="centre"),
            Column(header="Mark", align="centre", bold=first),
        ]
        if first:
            columns += [Column(header=words, ruled=True) for words in ("As found", "As left")]
        words = f"{s.capitalize()}, {cfm}" + (": measure this season" if first and len(seasons) > 1 else "")
        bands.append((words, 6 if first else 4))
    runs = [(p, run) for p, run in enumerate(study.tree.runs) if run.is_built(air.result.lot.options)]
    rows = []
    for p, run in sorted(runs, key=lambda one: one[1].side == "return"):
        row = [run.name, _room(run)]
        for s in seasons:
            k = plan.seasons.index(s)
            target, low, high = (float(of[k, p]) for of in (air.target_cfm, air.low_cfm, air.high_cfm))
            if math.isnan(target):
                row += ["shut", "", "", "shut"]
            else:
                passes = ("", "") if math.isnan(low) else pass_texts(units, target, low, high)
                mark = "" if run.side == "return" else mark_text(table, run.name, s)
                row += [units.number(target, "cfm", ".0f"), *passes, mark]
            if s == season:
                row += ["", ""]
        rows.append(tuple(row))
    totals = ["All", "supply registers"]
    supply = np.array([run.side != "return" for run in study.tree.runs])
    for s in seasons:
        total = float(np.nansum(air.target_cfm[plan.seasons.index(s), supply]))
        totals += [units.number(total, "cfm", ".0f"), "", "", ""] + (["", ""] if s == season else [])
    return Table(
        columns=tuple(columns),
        rows=tuple(rows),
        bands=tuple(bands),
        totals=tuple(totals),
        below=_many_rooms([run for _, run in runs]),
    )


def pass_texts(units: UnitSystem, target_cfm: float, low_cfm: float, high_cfm: float) -> tuple[str, str]:
    """The least and the most that a hood may read, rounded inwards, so that what passes is within tolerance.

    A run that should have air passes at ``LEAST_AIR_CFM`` or more: within the tolerance of a small room a dead run
    would pass. Where no reading of so few decimals is within tolerance, more are given.
    """
    low_cfm = max(low_cfm, min(LEAST_AIR_CFM, high_cfm)) if target_cfm > 0.0 else low_cfm
    low, high = units.shown(low_cfm, "cfm"), units.shown(high_cfm, "cfm")
    for decimals in range(units.decimals("cfm", 0), 4):
        step = 10.0**decimals
        least, most = math.ceil(low * step - 1e-6) / step, math.floor(high * step + 1e-6) / step
        if least <= most:
            return f"{least:.{decimals}f}", f"{most:.{decimals}f}"
    return f"{low:.4g}", f"{high:.4g}"


def _blanks(delivery: Delivery, air: LotAir, season: str) -> tuple[tuple[str, str], ...]:
    plan, units = delivery.study.plan, delivery.study.plan.units
    k, inwc = plan.seasons.index(season), units.unit("inWC")

    def expected(value: float, spec: str, unit: str) -> str:
        return "" if not math.isfinite(value) else f"expected {units.number(value, unit, spec)}"

    static = float(air.external_static_inwc[k]) if plan.equipment.devices else math.nan
    total = float(air.total_cfm[k]) if delivery.drive is not Drive.PRESSURE else math.nan
    speed = plan.equipment.speed.get(season, "")
    return (
        (f"Total external static, {inwc}", expected(static, ".2f", "inWC")),
        (f"Supply plenum, {inwc}", expected(float(air.supply_inwc[k]), ".2f", "inWC")),
        (f"Return plenum, {inwc}", ""),
        (f"Filter drop, {inwc}", ""),
        ("Filter: new, in use, due for change", ""),
        ("Blower speed tap", f"plan: {speed}" if speed else ""),
        (f"Sum of the supply registers, {units.unit('cfm')}", expected(total, ".0f", "cfm")),
        ("Flex label read off the duct", air.flex),
        ("Hood make and correction; name, date", ""),
    )
