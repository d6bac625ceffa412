"""A plan folder to one checked plan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tractduct.errors import InputFaults
from tractduct.files import PLAN_FILE
from tractduct.inputs.airflow import RoomAirflow, read_airflow, turned_airflow
from tractduct.inputs.breakdown import read_surface_loads
from tractduct.inputs.catalogue import (
    DuctPrices,
    Prices,
    approved_flex,
    read_ducts,
    read_fitting_prices,
    read_fittings,
    read_prices,
    without_roughness,
)
from tractduct.inputs.cells import nearest
from tractduct.inputs.equipment import read_equipment
from tractduct.inputs.fault_log import FaultLog
from tractduct.inputs.finder import find_tables
from tractduct.inputs.limits import MAX_CANDIDATES, MAX_FLEX, MAX_SECTION_SIZES, MAX_SECTION_VARIANTS
from tractduct.inputs.lots import read_lots, read_outlines, read_routes
from tractduct.inputs.plan_file import PlanFile
from tractduct.inputs.printed import PrintedAirflow, read_printed
from tractduct.inputs.product_tables import read_inner_diameters, with_tables
from tractduct.inputs.section_table import Places, read_sections
from tractduct.inputs.table_reader import TableReader
from tractduct.model.loads import SurfaceLoads
from tractduct.model.lots import Lot, RoomOutline, RoutePoint
from tractduct.model.plan import (
    DEFAULT_PRESSURE_INWC,
    Dampers,
    Duct,
    Equipment,
    Fitting,
    Plan,
    Purchase,
    Section,
    Tolerance,
    Untyped,
    candidate_sizes,
    pieces_of,
)
from tractduct.model.sizes import Size
from tractduct.model.words import ALL_ROOMS, FLEX, NOT_BOUGHT, SEASONS, SIDES, by_key, key_of
from tractduct.physics.air import site_air


def load_plan(path: str | Path) -> Plan:
    """Read a plan folder, its plan.toml, or a workbook that is a plan by itself, and check all of it.

    Raises InputFaults with every fault that was found.
    """
    log = FaultLog()
    plan_file = PlanFile(Path(path), log)
    plan_file.read()
    tables = find_tables(plan_file, log)
    parts = _read(tables, plan_file)
    _check(tables, parts, plan_file)
    if log.faults:
        # Whoever has no plan.toml enters its keys in the sheet plan.
        told = log.faults
        if not plan_file.has_file:
            told = [replace(f, remedy=f.remedy.replace(PLAN_FILE, "the sheet plan")) for f in told]
        raise InputFaults(told)
    return _plan(parts, plan_file)


def printed_airflow(path: str | Path, files: Sequence[str]) -> PrintedAirflow:
    """The airflow table of a plan out of printed tables, each FILE or FILE#SHEET. Raises InputFaults."""
    log = FaultLog()
    plan_file = PlanFile(Path(path), log)
    plan_file.read()
    places = [(Path(file), sheet) for file, _, sheet in (given.partition("#") for given in files)]
    return read_printed(find_tables(plan_file, log), plan_file, places)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Parts:
    """What the tables hold, each read by itself."""

    sizes: tuple[Size, ...]
    fittings: Mapping[str, Fitting]
    ducts: Mapping[str, Duct]
    inner_in: Mapping[tuple[str, str], float]
    sections: tuple[Section, ...]
    places: Places
    need: RoomAirflow
    breakdown: SurfaceLoads | None
    turned: bool
    equipment: Equipment
    flex: tuple[str, ...]
    prices: DuctPrices
    fitting_prices: Prices
    lots: tuple[Lot, ...]
    outlines: tuple[RoomOutline, ...]
    routes: tuple[RoutePoint, ...]


def _read(tables: Mapping[str, TableReader], plan_file: PlanFile) -> _Parts:
    """Each table by itself, with names out of those that it refers to."""
    sizes = plan_file.sizes()
    fittings = read_fittings(tables["fittings"])
    ducts = with_tables(read_ducts(tables["ducts"]), tables["friction_tables"])
    ducts = without_roughness(tables["ducts"], ducts)
    inner = read_inner_diameters(tables["inner_diameters"], ducts)
    sections, places = read_sections(tables["sections"], fittings, ducts, sizes)
    airflow = tables["airflow"]
    need = read_airflow(airflow, plan_file)
    breakdown = read_surface_loads(tables, need.rooms, plan_file)
    turned = not airflow.is_given and not airflow.is_unread
    if turned:
        need = turned_airflow(tables["surfaces"], breakdown, plan_file)
    elif breakdown and need.rooms:
        breakdown = breakdown.for_rooms(need.rooms)
    equipment = read_equipment(tables["blower"], tables["devices"], need.seasons, plan_file)
    flex = approved_flex(ducts, plan_file)
    return _Parts(
        sizes=sizes,
        fittings=fittings,
        ducts=ducts,
        inner_in=inner,
        sections=sections,
        places=places,
        need=need,
        breakdown=breakdown,
        turned=turned,
        equipment=equipment,
        flex=flex,
        prices=read_prices(tables["prices"], ducts, sizes, plan_file),
        fitting_prices=read_fitting_prices(tables["fitting_prices"], fittings, sizes),
        lots=read_lots(tables["lots"], flex, [d.name for d in ducts.values() if d.kind == "flex"]),
        outlines=read_outlines(tables["rooms"], need.rooms),
        routes=read_routes(tables["routes"], [s.name for s in sections]),
    )


def _plan(parts: _Parts, plan_file: PlanFile) -> Plan:
    """The plan out of its parts and what plan.toml says."""
    site, pressure = plan_file.numbers("site"), plan_file.numbers("pressure")
    objective, purchase, dampers = (plan_file.numbers(part) for part in ("objective", "purchase", "dampers"))
    by_default = tuple(side for side in SIDES if f"{side}_inwc" not in plan_file.part("pressure"))
    at_site = float(site_air(site["elevation_ft"], site["air_temperature_f"]).density_ratio)
    _tell_defaults(parts, by_default, plan_file)
    supply_air = {season: plan_file.optional("site", f"{season}_supply_air_f") for season in SEASONS}
    return Plan(
        name=plan_file.plan_name,
        folder=plan_file.folder,
        fronts=parts.need.fronts,
        mirrored=parts.need.mirrored,
        seasons=parts.need.seasons,
        flex=parts.flex,
        rooms=parts.need.rooms,
        airflow_cfm=parts.need.airflow_cfm,
        sections=parts.sections,
        fittings=parts.fittings,
        ducts=parts.ducts,
        prices=parts.prices.per_ft,
        inner_in=parts.inner_in,
        fitting_prices=parts.fitting_prices,
        purchase=Purchase(
            package_ft=parts.prices.package_ft,
            insulation=parts.prices.insulation,
            box_ft=purchase["box_ft"],
            waste_pct=purchase["waste_pct"],
            lots=int(purchase["lots"]),
        ),
        sizes=parts.sizes,
        elevation_ft=site["elevation_ft"],
        air_temperature_f=site["air_temperature_f"],
        supply_air_f={season: degrees for season, degrees in supply_air.items() if degrees is not None},
        supply_inwc=pressure["supply_inwc"] * (at_site if "supply" in by_default else 1.0),
        return_inwc=pressure["return_inwc"] * (at_site if "return" in by_default else 1.0),
        default_pressure=by_default,
        velocity_limits_fpm=plan_file.numbers("limits"),
        standardize_within_pct=objective["standardize_within_pct"],
        max_distinct_sizes=int(objective["max_distinct_sizes"]),
        most_steps_over_own=int(objective["most_steps_over_own"]),
        choose=plan_file.choice("objective", "choose"),
        dampers=Dampers(price=dampers["price"], least_cfm=dampers["least_cfm"], positions=int(dampers["positions"])),
        equipment=parts.equipment,
        tolerance=Tolerance(**plan_file.numbers("tolerance")),
        budget_given=not parts.equipment.curves or bool(plan_file.part("pressure")),
        typed=plan_file.typed,
        derived=tuple(plan_file.log.derived),
        assumed=tuple(plan_file.log.assumed),
        findings=tuple(plan_file.log.findings),
        breakdown=parts.breakdown,
        turned=parts.turned,
        units=plan_file.units,
        lots=parts.lots,
        outlines=parts.outlines,
        routes=parts.routes,
        **plan_file.numbers("compression"),
        **plan_file.numbers("orientation"),
    )


def _tell_defaults(parts: _Parts, sides: Sequence[str], plan_file: PlanFile) -> None:
    """Defaults that every result rests on, where the plan leaves them."""
    assumed, units = plan_file.log.assumed, plan_file.units
    for side in sides if not parts.equipment.curves or plan_file.part("pressure") else ():
        if any(section.side == side for section in parts.sections):
            value, rule = units.say(DEFAULT_PRESSURE_INWC[side], "inWC"), "in standard air; common practice, no source"
            assumed.append(Untyped(what="pressure", where=f"the {side} ducts", value=value, rule=rule))
    if not plan_file.part("sizes"):
        value = ", ".join(size.label for size in parts.sizes)
        assumed.append(Untyped(what="sizes", where="[sizes]", value=value, rule="round ones that are made"))
    most = _most_of_a_path(parts)
    for n, one in enumerate(assumed):
        if one.what == "fitting":
            value = f"{one.value}, up to {most.get(one.where, 0.0):.0f} % of a path's effective length"
            assumed[n] = replace(one, value=value)
    if not parts.prices.per_ft:
        rule = "no prices are given"
        assumed.append(Untyped(what="cost", where="the size set", value="area of duct wall", rule=rule))


def _most_of_a_path(parts: _Parts) -> dict[str, float]:
    """How much of the effective length of the path where that is most each fitting takes. [%]"""
    sections = {section.name: section for section in parts.sections}
    most: dict[str, float] = {}
    for run in parts.sections:
        length, taken, at = 0.0, dict[str, float](), run.name if run.is_run else ""
        while at:
            length += sections[at].length_ft
            for name, count in sections[at].fittings:
                taken[name] = taken.get(name, 0.0) + count * parts.fittings[name].equivalent_length_ft
            at = sections[at].parent
        total = length + sum(taken.values())
        for name, feet in taken.items():
            most[name] = max(most.get(name, 0.0), 100.0 * feet / total if total else 0.0)
    return most


def _check(tables: Mapping[str, TableReader], parts: _Parts, plan_file: PlanFile) -> None:
    """What must fit together across tables, and how much it may be."""
    plan_file.choice("objective", "choose")
    tolerance = plan_file.numbers("tolerance")
    if tolerance["room_pct"] == 0.0 and tolerance["room_cfm"] == 0.0:
        other = plan_file.where("tolerance", "room_cfm")
        plan_file.fault(
            "tolerance",
            "room_pct",
            "no room can keep a tolerance of zero",
            f"Enter a number above 0 here or in {other}",
            0,
        )
    _check_amounts(parts, plan_file, tables["lots"])
    _tell_drawn(parts, plan_file)
    if not any(tables[name].is_unread for name in ("airflow", "sections", "surfaces")):
        _match_rooms(tables["airflow" if tables["airflow"].is_given else "surfaces"], tables["sections"], parts)
    if parts.prices.per_ft and not tables["sections"].is_unread:
        _match_prices(tables["prices"], parts)
    if parts.fitting_prices and not parts.prices.per_ft and not tables["prices"].is_unread:
        problem = "fittings have prices and ducts have none, so costs can't be added up"
        tables["fitting_prices"].fault(problem, "Add a prices table for the ducts, or remove fitting_prices")
    if parts.fitting_prices and not tables["sections"].is_unread and not tables["fittings"].is_unread:
        _match_fitting_prices(tables["fitting_prices"], parts)


def _check_amounts(parts: _Parts, plan_file: PlanFile, lots: TableReader) -> None:
    """Faults where the whole of a plan is more than can be sized."""
    need, sections, sizes = parts.need, parts.sections, parts.sizes
    variants = len(need.fronts) * len(need.mirrored) * len(need.seasons) * len(parts.flex)
    cases = len(sections) * variants
    candidates = sum(len(candidate_sizes(section, sizes)) for section in sections)
    turned = len(sections) * len(parts.lots) * len(need.seasons)

    def fault(problem: str, remedy: str) -> None:
        plan_file.log.fault(plan_file.name, problem, remedy)

    if len(parts.flex) > MAX_FLEX:
        problem = f"{len(parts.flex)} flex products are approved; at most {MAX_FLEX} are compared"
        fault(problem, "Name those that may be delivered in [variants] flex")
    if cases > MAX_SECTION_VARIANTS:
        problem = f"sections times variants are {cases:,}; at most {MAX_SECTION_VARIANTS:,} are sized together"
        fault(problem, "Approve fewer flex products in [variants], or make a plan of each duct system")
    if candidates > MAX_SECTION_SIZES:
        problem = f"sections times the sizes that each may take are {candidates:,}; at most {MAX_SECTION_SIZES:,}"
        remedy = "Give sections min_in and max_in, list fewer sizes in [sizes], or make a plan of each duct system"
        fault(f"{problem} are sized together", remedy)
    elif cases * len(sizes) > MAX_CANDIDATES:
        problem = f"sections times variants times standard sizes are {cases * len(sizes):,}; at most {MAX_CANDIDATES:,}"
        fault(f"{problem} are looked at together", "List fewer sizes in [sizes], or make a plan of each duct system")
    if turned > MAX_SECTION_VARIANTS:
        problem = f"sections times lots times seasons are {turned:,}; at most {MAX_SECTION_VARIANTS:,}"
        lots.fault(f"{problem} are sized together", "Put the lots into several plans")


def _match_rooms(airflow: TableReader, sections: TableReader, parts: _Parts) -> None:
    """Rooms of both tables are the same ones, and each has an open run whenever it needs air."""
    rooms = by_key(parts.need.rooms)
    runs: dict[tuple[str, str], list[Section]] = {(side, key): [] for side in SIDES for key in rooms}
    for section in parts.sections if rooms else ():
        for room in section.rooms:
            if room != ALL_ROOMS and key_of(room) not in rooms:
                problem = f"the {airflow.name} table has no room '{room}'"
                parts.places[section.name].fault("room", problem, nearest(room, rooms.values()))
                continue
            for key in rooms if room == ALL_ROOMS else [key_of(room)]:
                runs[section.side, key].append(section)
    has_return = any(s.side == "return" for s in parts.sections)
    for n, (key, room) in enumerate(rooms.items()):
        largest = np.nan_to_num(parts.need.airflow_cfm[:, :, :, n]).max(axis=(0, 1), initial=0.0)
        needs = [season for season, cfm in zip(parts.need.seasons, largest, strict=True) if cfm > 0.0]
        if needs and not runs["supply", key]:
            problem = f"room '{room}' needs air and no supply section ends in it"
            airflow.fault(problem, "Add its run to sections, or remove the room", column="room", value=room)
        for season in _shut(runs["supply", key], needs) if runs["supply", key] else ():
            problem = f"room '{room}' needs air in {season} and all its runs are shut then"
            sections.fault(problem, "Leave the season of one of its runs empty", column="season")
        without = _shut(runs["return", key], needs)
        if has_return and without:
            when = "" if without == needs else f" in {without[0]}"
            message = f"no open return names this room{when}, so its air is counted in no return section"
            advice = "Name it in a return's room cell, or use * for a central return"
            airflow.log.warning("return air", f"room {room}", message, advice)


_DRAWN_APART_FT = 1.0  # and a tenth of its length: how exactly a course is drawn


def _tell_drawn(parts: _Parts, plan_file: PlanFile) -> None:
    """One caution for sections that are shorter than they are drawn: only what rises or falls makes a duct longer."""
    say = plan_file.units.say
    points: dict[str, list[tuple[float, float]]] = {}
    for point in parts.routes:
        points.setdefault(point.section, []).append((point.x_ft, point.y_ft))
    drawn = {name: float(np.linalg.norm(np.diff(course, axis=0), axis=1).sum()) for name, course in points.items()}
    short = [
        f"{s.name} (drawn {say(drawn[s.name], 'ft', '.1f')}, entered {say(s.length_ft, 'ft', '.1f')})"
        for s in parts.sections
        if drawn.get(s.name, 0.0) > s.length_ft + max(_DRAWN_APART_FT, 0.1 * s.length_ft)
    ]
    if short:
        message = "these sections are drawn longer than their lengths, which count: " + ", ".join(short[:12])
        plan_file.log.caution("drawn length", "routes", message, "Correct the length or the points of routes")


def _shut(runs: Sequence[Section], seasons: Sequence[str]) -> list[str]:
    """The seasons in which none of some runs is open."""
    return [season for season in seasons if all(run.season not in ("", season) for run in runs)]


def _match_prices(table: TableReader, parts: _Parts) -> None:
    """Each size that a section may take has a price row in each duct that it may be made of."""
    missing: dict[str, list[str]] = {}
    for section in parts.sections:
        labels = [size.label for size in candidate_sizes(section, parts.sizes)]
        for duct in parts.flex if section.duct == FLEX else (section.duct,):
            missing.setdefault(duct, []).extend(label for label in labels if (duct, label) not in parts.prices.per_ft)
    _tell_missing(table, "duct", missing)


def _match_fitting_prices(table: TableReader, parts: _Parts) -> None:
    """A fitting that has prices has one for each size that its sections may take; one without any is free."""
    prices, log = parts.fitting_prices, table.log
    priced = list(dict.fromkeys(name for name, _ in prices))
    missing: dict[str, list[str]] = {}
    takes = {section.name: [s.label for s in candidate_sizes(section, parts.sizes)] for section in parts.sections}
    pieces = pieces_of(parts.sections, parts.fittings)
    for piece in pieces:
        if piece.fitting in priced:
            labels = [label for label in takes[piece.section] if (piece.fitting, label) not in prices]
            missing.setdefault(piece.fitting, []).extend(labels)
    _tell_missing(table, "fitting", missing)
    free = ", ".join(dict.fromkeys(piece.fitting for piece in pieces if piece.fitting not in priced))
    if free:
        message = "these fittings have no price and count as free"
        log.note("fitting prices", free, message, "Add them to fitting_prices if they cost")
    unused = ", ".join(name for name in priced if parts.fittings[name].bought == NOT_BOUGHT)
    if unused:
        message = "these fittings have prices, and the fittings table says that they are not bought"
        advice = "Their prices don't count: remove them from fitting_prices, or correct the column bought"
        log.caution("fitting prices", unused, message, advice)


def _tell_missing(table: TableReader, what: str, missing: Mapping[str, Sequence[str]]) -> None:
    for name, labels in missing.items():
        if labels:
            problem = f"{what} '{name}' has no price for size " + ", ".join(dict.fromkeys(labels))
            table.fault(problem, "Add its price, or - where it is not offered in that size")
