"""A plan folder to one checked plan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np

from tractduct.errors import InputFaults, Origin
from tractduct.files import PLAN_FILE
from tractduct.inputs.airflow import read_airflow, shared_out, turned_airflow
from tractduct.inputs.catalogue import approved_flex, read_ducts, read_fitting_prices, read_fittings, read_prices
from tractduct.inputs.cells import nearest
from tractduct.inputs.equipment import read_equipment
from tractduct.inputs.fault_log import FaultLog
from tractduct.inputs.finder import find_tables
from tractduct.inputs.limits import MAX_CANDIDATES, MAX_FLEX, MAX_SECTION_SIZES, MAX_SECTION_VARIANTS
from tractduct.inputs.lots import read_built, read_lots, read_outlines, read_routes
from tractduct.inputs.options import read_options
from tractduct.inputs.plan_file import SYSTEM_PARTS, PlanFile
from tractduct.inputs.printed import PrintedAirflow, read_printed
from tractduct.inputs.product_tables import read_inner_diameters, with_tables
from tractduct.inputs.section_table import Places, read_sections
from tractduct.inputs.surfaces import read_surface_loads
from tractduct.inputs.table_reader import TableReader
from tractduct.model.options import Built, House, built_text
from tractduct.model.plan import (
    DEFAULT_PRESSURE_INWC,
    Dampers,
    Equipment,
    Plan,
    Purchase,
    Section,
    System,
    Tolerance,
    candidate_sizes,
    pieces_of,
)
from tractduct.model.words import ALL_ROOMS, NOT_BOUGHT, SEASONS, SIDES, by_key, key_of
from tractduct.physics.air import site_air


def load_plan(path: str | Path) -> Plan:
    """Read a plan folder, its plan.toml, or a workbook that is a plan by itself, and check all of it.

    Raises InputFaults with every fault that was found.
    """
    log = FaultLog()
    plan_file = PlanFile(Path(path), log)
    plan_file.read()
    tables = find_tables(plan_file)
    parts = _Parts(tables, plan_file)
    _check(tables, parts, plan_file)
    if log.faults:
        # Whoever has no plan.toml enters its keys in the sheet plan.
        told = log.faults
        if not plan_file.has_file:
            told = [replace(f, remedy=f.remedy.replace(PLAN_FILE, "the sheet plan")) for f in told]
        raise InputFaults(told)
    return _plan(parts, plan_file, _typed_at(tables, parts.places))


def printed_airflow(path: str | Path, files: Sequence[str]) -> PrintedAirflow:
    """The airflow table of a plan out of printed tables, each FILE or FILE#SHEET. Raises InputFaults."""
    plan_file = PlanFile(Path(path), FaultLog())
    plan_file.read()
    places = [(Path(file), sheet) for file, _, sheet in (given.partition("#") for given in files)]
    return read_printed(find_tables(plan_file), plan_file, places)


class _Parts:
    """What the tables hold, each read by itself, with names out of those that it refers to."""

    def __init__(self, tables: Mapping[str, TableReader], plan_file: PlanFile) -> None:
        self.sizes = plan_file.sizes()
        self.fittings = read_fittings(tables["fittings"])
        self.ducts = with_tables(tables["ducts"], read_ducts(tables["ducts"]), tables["friction_tables"])
        self.inner_in = read_inner_diameters(tables["inner_diameters"], self.ducts)
        self.choices = read_options(tables["options"], plan_file)
        self.sections, self.places = read_sections(
            tables["sections"], self.fittings, self.ducts, self.sizes, self.choices
        )
        airflow = tables["airflow"]
        self.systems = _systems(self.sections, self.places, tables, plan_file)
        self.need = read_airflow(airflow, plan_file, self.choices)
        self.loads_by_house = read_surface_loads(tables, self.need.rooms, plan_file, self.choices)
        self.turned = not airflow.is_given and not airflow.is_unread
        if self.turned:
            self.need = turned_airflow(tables["surfaces"], self.loads_by_house, plan_file)
        elif self.need.rooms:
            self.loads_by_house = tuple(loads.for_rooms(self.need.rooms) for loads in self.loads_by_house)
        if self.need.are_loads and self.systems:
            _check_system_cfm(self.systems, self.need.seasons, plan_file)
        elif self.need.are_loads:
            self.need = shared_out(tables["surfaces"] if self.turned else airflow, self.need, plan_file)
        gear = tables["blower"], tables["devices"], self.need.seasons, plan_file
        self.equipments = tuple(read_equipment(*gear, system) for system in self.systems or ("",))
        self.flex = approved_flex(self.ducts, plan_file)
        self.prices = read_prices(tables["prices"], self.ducts, self.sizes, plan_file)
        self.fitting_prices = read_fitting_prices(tables["fitting_prices"], self.fittings, self.sizes)
        self.lots = read_lots(tables["lots"], self.flex, self.ducts.values(), self.choices)
        self.built = read_built(tables["built"], self.sections, self.sizes)
        self.outlines = read_outlines(tables["rooms"], self.need.rooms)
        self.routes = read_routes(tables["routes"], [s.name for s in self.sections])


def _plan(parts: _Parts, plan_file: PlanFile, places: Mapping[tuple[str, str, str], Origin]) -> Plan:
    """The plan out of its parts and what plan.toml says."""
    site = plan_file.numbers("site")
    at_site = float(site_air(site["elevation_ft"], site["air_temperature_f"]).density_ratio)
    whole = _of_system(plan_file, "", parts.equipments[0], at_site)
    _tell_defaults(parts, whole["default_pressure"] if whole["budget_given"] else (), plan_file)
    loads_by_house = parts.loads_by_house or (None,) * len(parts.choices.combinations)
    of_house = zip(parts.choices.combinations, parts.need.airflow_cfm, loads_by_house, strict=True)
    houses = tuple(House(options=built, airflow_cfm=cfm, surface_loads=loads) for built, cfm, loads in of_house)
    supply_air = {season: plan_file.optional("site", f"{season}_supply_air_f") for season in SEASONS}
    return Plan(
        name=plan_file.plan_name,
        folder=plan_file.folder,
        fronts=parts.need.fronts,
        mirrored=parts.need.mirrored,
        seasons=parts.need.seasons,
        flex=parts.flex,
        rooms=parts.need.rooms,
        airflow_cfm=houses[0].airflow_cfm,
        sections=parts.sections,
        fittings=parts.fittings,
        ducts=parts.ducts,
        prices=parts.prices.per_ft,
        inner_in=parts.inner_in,
        fitting_prices=parts.fitting_prices,
        purchase=Purchase(
            package_ft=parts.prices.package_ft, insulation=parts.prices.insulation, **plan_file.numbers("purchase")
        ),
        sizes=parts.sizes,
        elevation_ft=site["elevation_ft"],
        air_temperature_f=site["air_temperature_f"],
        supply_air_f={season: degrees for season, degrees in supply_air.items() if degrees is not None},
        **whole,
        velocity_limits_fpm=plan_file.numbers("limits"),
        choose=plan_file.choice("objective", "choose"),
        dampers=Dampers(**plan_file.numbers("dampers")),
        tolerance=Tolerance(**plan_file.numbers("tolerance")),
        derived=tuple(plan_file.log.derived),
        assumed=tuple(plan_file.log.assumed),
        systems=tuple(
            System(name=name, **_of_system(plan_file, name, equipment, at_site))
            for name, equipment in zip(parts.systems, parts.equipments, strict=bool(parts.systems))
        ),
        unshared=parts.need.are_loads,
        findings=tuple(plan_file.log.findings),
        surface_loads=houses[0].surface_loads,
        options=parts.choices.options,
        houses=houses if parts.choices.options else (),
        turned=parts.turned,
        units=plan_file.units,
        lots=parts.lots,
        built=parts.built,
        places=places,
        outlines=parts.outlines,
        routes=parts.routes,
        **plan_file.numbers("objective"),
        **plan_file.numbers("compression"),
        **plan_file.numbers("orientation"),
    )


def _typed_at(tables: Mapping[str, TableReader], places: Places) -> dict[tuple[str, str, str], Origin]:
    """Where stands what only a study may find at fault; in the compact form that is another sheet than the table."""
    raw = tables["sections"].raw
    found = {("sections", key, ""): Origin(raw.label, None, raw.spelling(key), "") for key in ("system", "season")}
    for section, row in places.items():
        for column in ("room", "length_ft"):
            found["sections", column, section] = row.origin(column)
    return found


def _tell_defaults(parts: _Parts, sides: Sequence[str], plan_file: PlanFile) -> None:
    """Defaults that every result rests on, where the plan leaves them; ``sides`` with a pressure by default."""
    log, units = plan_file.log, plan_file.units
    for side in sides:
        if any(section.side == side for section in parts.sections):
            value, rule = units.say(DEFAULT_PRESSURE_INWC[side], "inWC"), "in standard air; common practice, no source"
            log.assume("pressure", f"the {side} ducts", value, rule)
    if not plan_file.part("sizes"):
        value = ", ".join(size.label for size in parts.sizes)
        log.assume("sizes", "[sizes]", value, "round ones that are made")
    most = _most_of_a_path(parts)
    for n, one in enumerate(log.assumed):
        if one.what == "fitting":
            value = f"{one.value}, up to {most.get(one.where, 0.0):.0f} % of a path's effective length"
            log.assumed[n] = replace(one, value=value)
    if not parts.prices.per_ft:
        log.assume("cost", "the size set", "area of duct wall", "no prices are given")


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


def _of_system(plan_file: PlanFile, name: str, equipment: Equipment, at_site: float) -> dict[str, Any]:
    """What [pressure] and the equipment say of the plan, or of one of its systems: fields that both have."""
    part = plan_file.of_system("pressure", name)
    pressure, given = plan_file.numbers(part), plan_file.part(part)
    by_default = tuple(side for side in SIDES if f"{side}_inwc" not in given)
    own = {plan_file.of_system(base, name): base for base in SYSTEM_PARTS}
    typed = frozenset((own.get(part, part), key) for part, key in plan_file.typed if part in own or "." not in part)
    budget = {f"{side}_inwc": pressure[f"{side}_inwc"] * (at_site if side in by_default else 1.0) for side in SIDES}
    budget_given = not equipment.curves or bool(given)
    return {
        "equipment": equipment, "default_pressure": by_default, "budget_given": budget_given, "typed": typed, **budget
    }  # fmt: skip


def _systems(
    sections: Sequence[Section], places: Places, tables: Mapping[str, TableReader], plan_file: PlanFile
) -> tuple[str, ...]:
    """The names of several systems; empty where there is one."""
    names = by_key(section.system for section in sections if section.system)
    several = tuple(names.values()) if len(names) > 1 else ()
    for section in sections if several else ():
        if not section.system:
            problem = "other sections name a system and this one does not"
            places[section.name].fault("system", problem, "Enter its system")
    for name in several:
        mine = [section for section in sections if section.system == name]
        if not any(s.side != "return" and s.is_run for s in mine):
            places[mine[0].name].fault("system", f"system '{name}' has no supply run", "Correct the column")
    for table in (tables["blower"], tables["devices"]):
        for row in table:
            named = key_of(row.text("system"))
            if (several or named) and named not in names and not tables["sections"].is_unread:
                problem = "no section belongs to a system of this name" if named else "which system is this of?"
                row.fault("system", problem, nearest(row.text("system"), names.values()))
    for part in plan_file.system_parts:
        name = part.partition(".")[2]
        if (name not in names or not several) and not tables["sections"].is_unread:
            problem = f"the sections table has no system '{name}'" if several else "the plan has one system only"
            remedy = "Correct the name, or the column system of sections"
            plan_file.log.fault(plan_file.name, problem, remedy, column=f"[{part}]")
    for key, value in plan_file.part("blower").items() if several else ():
        problem = "the house has several systems: of which is this?"
        plan_file.fault("blower", key, problem, f"Write it in [blower.{several[0]}] and so on, each its own", value)
    if several and plan_file.part("objective").get("choose") == "dampers":
        problem = "a plan with several systems is chosen by its sizes alone"
        remedy = 'Write choose = "sizes", or make a plan of each system'
        plan_file.fault("objective", "choose", problem, remedy, "dampers")
    return several


def _check_system_cfm(systems: Sequence[str], seasons: Sequence[str], plan_file: PlanFile) -> None:
    for system, season in product(systems, seasons):
        part = plan_file.of_system("blower", system)
        if f"{season}_cfm" not in plan_file.part(part):
            problem = f"the plan gives loads but not the {season} airflow of system '{system}'"
            plan_file.fault(part, f"{season}_cfm", problem, f"Add it to [blower.{system}]")


def _check(tables: Mapping[str, TableReader], parts: _Parts, plan_file: PlanFile) -> None:
    """What must fit together across tables, and how much it may be."""
    plan_file.choice("objective", "choose")
    tolerance = plan_file.numbers("tolerance")
    if tolerance["room_pct"] == 0.0 and tolerance["room_cfm"] == 0.0:
        other = plan_file.where("tolerance", "room_cfm")
        problem, remedy = "no room can keep a tolerance of zero", f"Enter a number above 0 here or in {other}"
        plan_file.fault("tolerance", "room_pct", problem, remedy, 0)
    _check_amounts(parts, plan_file, tables["lots"])
    _tell_drawn(parts, plan_file)
    if not any(tables[name].is_unread for name in ("airflow", "sections", "surfaces", "options")):
        _match_rooms(tables, parts)
    if parts.prices.per_ft and not tables["sections"].is_unread:
        _match_prices(tables["prices"], parts)
    has_no_prices = not (parts.prices.per_ft or tables["prices"].is_unread or tables["ducts"].is_unread)
    if parts.fitting_prices and has_no_prices:
        problem = "fittings have prices and ducts have none, so costs can't be added up"
        tables["fitting_prices"].fault(problem, "Add a prices table for the ducts, or remove fitting_prices")
    change_price = plan_file.numbers("objective")["change_price"]
    if change_price > 0.0 and has_no_prices:
        problem = "a change has a price and ducts have none, so what it is worth can't be said"
        remedy = "Add a prices table, or remove change_price"
        plan_file.fault("objective", "change_price", problem, remedy, f"{change_price:g}")
    if parts.fitting_prices and not tables["sections"].is_unread and not tables["fittings"].is_unread:
        _match_fitting_prices(tables["fitting_prices"], parts)


def _check_amounts(parts: _Parts, plan_file: PlanFile, lots: TableReader) -> None:
    """Faults where the whole of a plan is more than can be sized."""
    need, sections, sizes = parts.need, parts.sections, parts.sizes
    houses = len(parts.choices.combinations)
    variants = len(need.fronts) * len(need.mirrored) * len(need.seasons) * len(parts.flex) * houses
    cases = len(sections) * variants
    candidates = sum(len(candidate_sizes(section, sizes)) for section in sections)
    turned = len(sections) * len(parts.lots) * len(need.seasons)

    def over(what: str, found: int, most: int, remedy: str, *, done: str = "sized", at: str = plan_file.name) -> bool:
        if found > most:
            plan_file.log.fault(at, f"{what} are {found:,}; at most {most:,} are {done} together", remedy)
        return found > most

    if len(parts.flex) > MAX_FLEX:
        problem = f"{len(parts.flex)} flex products are approved; at most {MAX_FLEX} are compared"
        plan_file.log.fault(plan_file.name, problem, "Name those that may be delivered in [variants] flex")
    fewer = "combinations of options or flex products" if houses > 1 else "flex products"
    apart = "make a plan of each duct system"
    over("sections times variants", cases, MAX_SECTION_VARIANTS, f"Approve fewer {fewer} in [variants], or {apart}")
    remedy = f"Give sections min_in and max_in, list fewer sizes in [sizes], or {apart}"
    if not over("sections times the sizes that each may take", candidates, MAX_SECTION_SIZES, remedy):
        what, remedy = "sections times variants times standard sizes", f"List fewer sizes in [sizes], or {apart}"
        over(what, cases * len(sizes), MAX_CANDIDATES, remedy, done="looked at")
    what, remedy = "sections times lots times seasons", "Put the lots into several plans"
    over(what, turned, MAX_SECTION_VARIANTS, remedy, at=lots.label)


def _match_rooms(tables: Mapping[str, TableReader], parts: _Parts) -> None:
    """Rooms of the loads and of the sections are the same ones, and each has an open run whenever it needs air."""
    airflow, gains = tables["airflow" if tables["airflow"].is_given else "surfaces"], tables["room_gains"]
    rooms, named = by_key(parts.need.rooms), {key_of(row.written("room")): row for row in reversed([*airflow, *gains])}
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
        told: set[str] = set()  # each in the first house that has it
        for h, built in enumerate(parts.choices.combinations if len(parts.need.airflow_cfm) else ()):
            largest = np.nan_to_num(parts.need.airflow_cfm[h, :, :, :, n]).max(axis=(0, 1), initial=0.0)
            needs = [season for season, cfm in zip(parts.need.seasons, largest, strict=True) if cfm > 0.0]
            supply = [run for run in runs["supply", key] if run.is_built(built)]
            where = f" {built_text(built) or 'without options'}" if parts.choices.options else ""
            if needs and not supply and "supply" not in told:
                told.add("supply")
                problem = f"room '{room}' needs air{where} and no supply section ends in it"
                named[key].fault("room", problem, "Add its run, or correct or remove the room")
            for season in _shut(supply, needs, built) if supply else ():
                if season not in told:
                    told.add(season)
                    problem = f"room '{room}' needs air in {season}{where} and all its runs are shut then"
                    place = parts.places[supply[0].name]
                    place.fault("season", problem, "Leave the season of one of its runs empty")
            for run in supply if parts.choices.options and not parts.need.is_there[h, n] else ():
                if run.name not in told:
                    told.add(run.name)
                    problem = f"this run is built{where}, and its room '{room}' is not there then"
                    remedy = "Name the option that its room comes with, or give the room airflow without it"
                    parts.places[run.name].fault("option", problem, remedy)
            without = _shut(runs["return", key], needs, built)
            if has_return and without and "return" not in told:
                told.add("return")
                when = where + ("" if without == needs else f" in {without[0]}")
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


def _shut(runs: Sequence[Section], seasons: Sequence[str], built: Built) -> list[str]:
    """The seasons in which none of some runs is open in a house with these options."""
    return [season for season in seasons if not any(run.is_open(season, built) for run in runs)]


def _match_prices(table: TableReader, parts: _Parts) -> None:
    """Each size that a section may take has a price row in each duct that it may be made of."""
    missing: dict[str, list[str]] = {}
    for section in parts.sections:
        labels = [size.label for size in candidate_sizes(section, parts.sizes)]
        for duct in dict.fromkeys(section.duct_in(flex) for flex in parts.flex):
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
