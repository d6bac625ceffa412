"""Every table, column and key of a plan: its unit, what is allowed, what is believable, what it means.

This is the one home of that knowledge. Reading, the messages, the workbook template's notes and drop-down
lists and the reference page all come from here. Names, units and bounds stand in the core's units; ``in_units``
gives them in a plan's own.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cache
from typing import Literal

from tractduct.model.plan import DEFAULT_PRESSURE_INWC
from tractduct.model.words import (
    AT_PARENT,
    BOUGHT,
    EACH,
    FACES,
    KINDS,
    PEAKS,
    ROLES,
    SEASONS,
    SHAPES,
    SIDES,
    STICK_FT,
)
from tractduct.units import IP, MEASURES, SI, SYSTEMS, UnitSystem

CHOOSE = ("sizes", "dampers")
FREE_TEXT = ("source", "note")  # columns of any table that hold what the author likes

Kind = Literal["text", "number", "choice", "flag", "size", "fittings", "rooms", "price"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One column or key.

    ``required``: the column must be there. ``blank``: its cells may be empty, and then mean ``default``.
    ``low`` and ``high`` bound what is allowed (``above``: the lower bound itself is not), ``usual`` what is
    believable; ``hint`` says what a value out of bounds often turns out to be, with ``{slip}`` for the units that
    are often written by mistake. ``quantity`` is set where the unit alone does not say how it is turned into SI.
    ``whole``: parts of 1 are refused.
    """

    name: str
    meaning: str
    kind: Kind = "text"
    unit: str = ""
    quantity: str = ""
    required: bool = True
    blank: bool = False
    default: str | float | bool | None = None
    choices: tuple[str, ...] = ()
    low: float | None = None
    above: bool = False
    high: float | None = None
    usual: tuple[float, float] | None = None
    hint: str = ""
    whole: bool = False


@cache
def in_units(field: Field, units: UnitSystem) -> Field:
    """The declaration as a plan in these units has it: name, unit, bounds (to two figures) and hint."""
    quantity = field.quantity or field.unit
    measure = MEASURES.get(quantity)
    if measure is None:
        return replace(field, unit=units.unit(field.unit))
    hint = field.hint.format(slip=measure.si_slip if units.is_si else measure.slip)
    if not units.is_si:
        return replace(field, unit=units.unit(quantity), hint=hint)

    def bound(value: float | None) -> float | None:
        return None if value is None else float(f"{units.shown(value, quantity):.2g}")

    usual = field.usual and (bound(field.usual[0]) or 0.0, bound(field.usual[1]) or 0.0)
    default = units.shown(field.default, quantity) if isinstance(field.default, float) else field.default
    return replace(
        field,
        name=units.name_of(field.name, quantity),
        unit=units.unit(quantity),
        low=bound(field.low),
        high=bound(field.high),
        usual=usual,
        default=default,
        hint=hint,
    )


def other_units(name: str, fields: Iterable[Field], units: UnitSystem) -> str:
    """What to do about a name that is right in the other system of units; empty where it is not."""
    other = IP if units.is_si else SI
    for field in fields:
        if _same_name(name, in_units(field, other).name):
            mine, here = in_units(field, units).name, "SI" if units.is_si else "inches, feet and cfm"
            there = 'units = "ip"' if units.is_si else 'units = "si"'
            return f"This plan is in {here}: write {mine}, with values in its unit, or {there} in plan.toml"
    return ""


def _same_name(one: str, other: str) -> bool:
    return re.sub(r"[\s_]+", "", one).casefold() == re.sub(r"[\s_]+", "", other).casefold()


@dataclass(frozen=True, slots=True, kw_only=True)
class TableSchema:
    """One table: its columns, whether a plan must have it, and one line on what it is."""

    name: str
    meaning: str
    fields: tuple[Field, ...]
    required: bool = True

    def field(self, name: str) -> Field:
        """The column of that name; KeyError where there is none."""
        for field in self.fields:
            if field.name == name:
                return field
        raise KeyError(name)


def _airflow(name: str, meaning: str) -> Field:
    return Field(
        name=name,
        meaning=meaning,
        kind="number",
        unit="cfm",
        required=False,
        low=0.0,
        high=2000.0,
        usual=(0.0, 600.0),
        hint="is this a load, or the whole house?",
    )


def _load(name: str, meaning: str) -> Field:
    return Field(
        name=name,
        meaning=meaning,
        kind="number",
        unit="Btu/h",
        required=False,
        low=0.0,
        high=100_000.0,
        usual=(0.0, 30_000.0),
        hint="is this the whole house?",
    )


def _section_size(name: str, meaning: str) -> Field:
    return Field(name=name, meaning=meaning, kind="size", unit="in", required=False, blank=True)


AIRFLOW = TableSchema(
    name="airflow",
    meaning="What each room needs, for each direction that the front of the house faces",
    fields=(
        Field(
            name="front_faces",
            kind="choice",
            choices=FACES,
            required=False,
            meaning="the direction that the front of the house faces",
        ),
        Field(
            name="mirrored",
            kind="flag",
            required=False,
            blank=True,
            default=False,
            meaning="yes where the plan is built mirrored; blank is no",
        ),
        Field(name="room", meaning="name of the room, the same as in sections"),
        _airflow("heating_cfm", "airflow the room needs in heating, from a room-by-room load calculation"),
        _airflow("cooling_cfm", "airflow the room needs in cooling, from a room-by-room load calculation"),
        _load("heating_btuh", "instead of airflow: heating load of the room"),
        _load("sensible_cooling_btuh", "instead of airflow: sensible cooling load of the room"),
    ),
)

SECTIONS = TableSchema(
    name="sections",
    meaning="The duct tree: one row a section, from the air handler to each register or grille",
    fields=(
        Field(name="section", meaning="name of the section, used once"),
        Field(
            name="parent",
            blank=True,
            meaning="the section next to it on the air handler's side; blank at the air handler or its plenum",
        ),
        Field(
            name="side",
            kind="choice",
            choices=SIDES,
            required=False,
            blank=True,
            default="supply",
            meaning="supply or return; blank is supply",
        ),
        Field(name="role", kind="choice", choices=ROLES, meaning="trunk or branch: sets the velocity limit"),
        Field(name="duct", meaning="a rigid duct from the ducts table, or flex: whichever flex is delivered"),
        Field(
            name="shape",
            kind="choice",
            choices=SHAPES,
            required=False,
            blank=True,
            default="round",
            meaning="round or rectangular; blank is round",
        ),
        Field(
            name="length_ft",
            kind="number",
            unit="ft",
            low=0.0,
            high=500.0,
            usual=(0.0, 120.0),
            hint="is this in {slip}?",
            meaning="straight length as installed",
        ),
        Field(
            name="fittings",
            kind="fittings",
            required=False,
            blank=True,
            meaning="names from the fittings table joined by +, with counts such as elbow_90*2",
        ),
        Field(
            name="room",
            kind="rooms",
            required=False,
            blank=True,
            meaning="the room that this run ends in; "
            "blank where it only feeds others; a return may name several rooms with ; between, or * for all",
        ),
        Field(
            name="share",
            kind="number",
            required=False,
            blank=True,
            low=0.0,
            above=True,
            high=1000.0,
            usual=(0.05, 100.0),
            hint="is 0 meant, or another unit than its room's other runs have?",
            meaning="this run's part of its room's airflow relative to the room's other open runs; blank: equal parts",
        ),
        Field(
            name="season",
            kind="choice",
            choices=SEASONS,
            required=False,
            blank=True,
            default="",
            meaning="the one season in which this run is open; blank: both",
        ),
        _section_size("min_in", "smallest size allowed here"),
        _section_size("max_in", "largest size allowed here"),
        _section_size("fixed_in", "the size that is already given"),
    ),
)

FITTINGS = TableSchema(
    name="fittings",
    meaning="Fittings by plain name, with what each costs in pressure",
    fields=(
        Field(name="fitting", meaning="name of the fitting, used once"),
        Field(
            name="equivalent_length_ft",
            kind="number",
            unit="ft",
            required=False,
            blank=True,
            default=0.0,
            low=0.0,
            high=500.0,
            usual=(0.0, 120.0),
            hint="is this in {slip}?",
            meaning="length of straight duct that loses as much",
        ),
        Field(
            name="loss_coefficient",
            kind="number",
            required=False,
            blank=True,
            default=0.0,
            low=0.0,
            high=50.0,
            usual=(0.0, 10.0),
            hint="is this an equivalent length?",
            meaning="part of the section's velocity pressure that is lost",
        ),
        Field(
            name="bought",
            kind="choice",
            choices=BOUGHT,
            required=False,
            blank=True,
            default=EACH,
            meaning="yes: one for each time a section names it; no: it is made of the duct itself, such as a bend of "
            f"flex; {AT_PARENT}: one where sections join their parent, however many of them name it",
        ),
        Field(name="source", required=False, blank=True, default="", meaning="where the value comes from"),
    ),
)

DUCTS = TableSchema(
    name="ducts",
    meaning="The duct products that may be installed",
    fields=(
        Field(name="duct", meaning="name of the product, used once"),
        Field(name="kind", kind="choice", choices=KINDS, meaning="rigid or flex"),
        Field(
            name="roughness_ft",
            kind="number",
            unit="ft",
            quantity="roughness",
            low=0.0,
            high=0.03,
            usual=(0.00001, 0.01),
            hint="is this in {slip}?",
            blank=True,
            meaning="absolute roughness of the wall; may be left out where friction_tables has the product",
        ),
        Field(
            name="airflow_derate_pct",
            kind="number",
            unit="%",
            required=False,
            blank=True,
            default=0.0,
            low=0.0,
            high=60.0,
            usual=(1.0, 25.0),
            hint="is this a fraction, or the part that is left?",
            meaning="airflow that the product loses at any friction rate against what its roughness alone would give",
        ),
        Field(
            name="compression_pct",
            kind="number",
            unit="%",
            required=False,
            blank=True,
            default=0.0,
            low=0.0,
            high=50.0,
            usual=(1.0, 30.0),
            hint="is this a fraction?",
            meaning="how far short of fully stretched flex is left",
        ),
        Field(name="source", required=False, blank=True, default="", meaning="where the values come from"),
    ),
)

FRICTION_TABLES = TableSchema(
    name="friction_tables",
    meaning="Published friction of duct products, or what was measured on site",
    required=False,
    fields=(
        Field(name="duct", meaning="name of a product in the ducts table"),
        Field(
            name="size_in",
            kind="number",
            unit="in",
            low=2.0,
            high=60.0,
            usual=(3.0, 30.0),
            hint="is this in {slip}?",
            meaning="nominal diameter",
        ),
        Field(
            name="airflow_cfm",
            kind="number",
            unit="cfm",
            low=0.0,
            above=True,
            high=50_000.0,
            usual=(5.0, 10_000.0),
            hint="is this in {slip}?",
            meaning="airflow in standard air",
        ),
        Field(
            name="friction_rate_inwc_per_100ft",
            kind="number",
            unit="inWC/100 ft",
            required=False,
            blank=True,
            low=0.0,
            above=True,
            high=20.0,
            usual=(0.001, 2.0),
            hint="is this in {slip}?",
            meaning="friction rate at that airflow; blank where a loss over a length was measured",
        ),
        Field(
            name="loss_inwc",
            kind="number",
            unit="inWC",
            required=False,
            blank=True,
            low=0.0,
            above=True,
            high=10.0,
            usual=(0.001, 1.0),
            hint="is this in {slip}?",
            meaning="instead of a friction rate: measured loss over length_ft of straight duct",
        ),
        Field(
            name="length_ft",
            kind="number",
            unit="ft",
            required=False,
            blank=True,
            low=0.0,
            above=True,
            high=500.0,
            usual=(2.0, 200.0),
            hint="is this in {slip}?",
            meaning="straight length over which loss_inwc was measured",
        ),
    ),
)

INNER_DIAMETERS = TableSchema(
    name="inner_diameters",
    meaning="Inner diameter of products whose size is not their inner diameter",
    required=False,
    fields=(
        Field(name="duct", meaning="name of a product in the ducts table"),
        Field(name="size_in", kind="size", unit="in", meaning="nominal diameter"),
        Field(
            name="inner_diameter_in",
            kind="number",
            unit="in",
            low=1.0,
            high=60.0,
            usual=(2.5, 30.0),
            hint="is this in {slip}?",
            meaning="diameter that the air has",
        ),
    ),
)

PRICES = TableSchema(
    name="prices",
    meaning="What each duct costs by size",
    required=False,
    fields=(
        Field(name="duct", meaning="name of a product in the ducts table"),
        Field(name="size_in", kind="size", unit="in", meaning="diameter, or width x height such as 8x12"),
        Field(
            name="price_per_ft",
            kind="price",
            unit="USD/ft",
            low=0.0,
            high=1000.0,
            usual=(0.05, 100.0),
            hint="is this for a whole box or stick?",
            meaning="price a foot; - where the product is not offered in that size",
        ),
        Field(
            name="insulation",
            required=False,
            blank=True,
            default="",
            meaning="insulation level of this price, such as R-6; blank: any",
        ),
        Field(
            name="package_ft",
            kind="number",
            unit="ft",
            required=False,
            blank=True,
            low=0.0,
            above=True,
            high=1000.0,
            usual=(2.0, 100.0),
            hint="is this in {slip}, or boxes?",
            meaning=f"feet in a box or stick of this size; blank: box_ft of [purchase] for flex, {STICK_FT:g} ft for "
            "rigid duct",
        ),
    ),
)

FITTING_PRICES = TableSchema(
    name="fitting_prices",
    meaning="What each fitting costs by the size of its section",
    required=False,
    fields=(
        Field(name="fitting", meaning="name of a fitting in the fittings table"),
        Field(
            name="size_in",
            kind="size",
            unit="in",
            meaning=f"size of the section that names it; of that section's parent where it is bought {AT_PARENT}",
        ),
        Field(
            name="price",
            kind="price",
            unit="USD",
            low=0.0,
            high=10_000.0,
            usual=(0.1, 500.0),
            hint="is this for a whole box?",
            meaning="price of one; - where it is not offered in that size",
        ),
    ),
)

BLOWER = TableSchema(
    name="blower",
    meaning="What the blower makes at each speed, from the equipment's data for standard air; at the site it makes "
    "that times the density of its air over that of standard air",
    required=False,
    fields=(
        Field(name="speed", meaning="name of the speed, the same in each of its rows"),
        Field(
            name="airflow_cfm",
            kind="number",
            unit="cfm",
            low=0.0,
            high=20_000.0,
            usual=(100.0, 3000.0),
            hint="is this in {slip}?",
            meaning="airflow as the fan moves it, the same in any air; rising from row to row of a speed",
        ),
        Field(
            name="external_static_inwc",
            kind="number",
            unit="inWC",
            low=0.0,
            high=10.0,
            usual=(0.0, 2.0),
            hint="is this in {slip}?",
            meaning="external static pressure at that airflow",
        ),
    ),
)

DEVICES = TableSchema(
    name="devices",
    meaning="What the whole airflow passes besides the ducts: coil, filter, heater, grille, register, damper; in "
    "standard air, brought to the site's as the blower is",
    required=False,
    fields=(
        Field(name="device", meaning="name of the device, used once"),
        Field(name="side", kind="choice", choices=SIDES, meaning="supply or return"),
        Field(
            name="loss_inwc",
            kind="number",
            unit="inWC",
            low=0.0,
            high=3.0,
            usual=(0.0, 0.6),
            hint="is this in {slip}?",
            meaning="pressure it takes at at_cfm; a filter's when clean",
        ),
        Field(
            name="at_cfm",
            kind="number",
            unit="cfm",
            low=0.0,
            above=True,
            high=20_000.0,
            usual=(100.0, 3000.0),
            hint="is this one room's airflow?",
            meaning="system airflow of that loss",
        ),
        Field(
            name="season",
            kind="choice",
            choices=SEASONS,
            required=False,
            blank=True,
            default="",
            meaning="the one season in which it counts; blank: both",
        ),
        Field(
            name="loaded_loss_inwc",
            kind="number",
            unit="inWC",
            required=False,
            blank=True,
            low=0.0,
            high=3.0,
            usual=(0.0, 1.0),
            hint="is this in {slip}?",
            meaning="a filter's loss at at_cfm when it is due for change",
        ),
        Field(
            name="exponent",
            kind="number",
            required=False,
            blank=True,
            default=2.0,
            low=1.0,
            high=3.0,
            usual=(1.1, 2.1),
            hint="is this a loss, or half the exponent of a curve of airflow over loss?",
            meaning="the loss grows with airflow to this power; blank is 2, as of a grille; filters are about 1.3 to "
            "1.5, from memory: take it from two points of the filter's data",
        ),
    ),
)


def _factor(name: str, meaning: str, *, blank: bool = False) -> Field:
    return Field(
        name=name,
        meaning=meaning,
        kind="number",
        unit="Btu/h ft2",
        blank=blank,
        low=0.0,
        high=500.0,
        usual=(0.0, 120.0),
        hint="is this for the whole surface?",
    )


def _azimuth(name: str, meaning: str) -> Field:
    return Field(
        name=name,
        meaning=meaning,
        kind="number",
        unit="degrees",
        required=False,
        blank=True,
        low=0.0,
        high=360.0,
        hint="is this counted from another direction?",
    )


def _place(name: str, meaning: str, *, above: bool = False) -> Field:
    return Field(
        name=name,
        meaning=meaning,
        kind="number",
        unit="ft",
        low=0.0 if above else -1000.0,
        above=above,
        high=1000.0,
        usual=(0.1 if above else -200.0, 200.0),
        hint="is this in {slip}?",
    )


SURFACES = TableSchema(
    name="surfaces",
    meaning="What each room loses and gains heat through, in the house as drawn; turned to any direction",
    required=False,
    fields=(
        Field(name="room", meaning="name of the room, the same as in sections"),
        Field(
            name="surface",
            meaning="kind of surface, the same as in load_factors: glass, wall, door, roof ...; a kind whose name "
            "holds glass, window or skylight counts as glass",
        ),
        Field(
            name="plan_face",
            blank=True,
            meaning="where it looks in the house as drawn: front, left, back or right, seen from the street, or "
            "degrees clockwise from the front (left is 90, right 270); blank: it does not turn",
        ),
        Field(
            name="area_ft2",
            kind="number",
            unit="ft2",
            low=0.0,
            high=10_000.0,
            usual=(0.0, 2000.0),
            hint="is this in {slip}?",
            meaning="area",
        ),
        Field(
            name="shade_fraction",
            kind="number",
            required=False,
            blank=True,
            default=0.0,
            low=0.0,
            high=1.0,
            hint="is this in per cent?",
            meaning="part of it in the shade of overhangs, trees or other houses: that part counts at the cooling "
            "factor of a surface that faces north (common practice, no source), glass by the sun by the light of sky "
            "and ground alone; no change in heating; blank is 0",
        ),
    ),
)

LOAD_FACTORS = TableSchema(
    name="load_factors",
    meaning="Load of a square foot of each surface by the direction it faces, from the designer's load calculation",
    required=False,
    fields=(
        Field(name="surface", meaning="kind of surface, the same as in surfaces"),
        Field(
            name="exposure",
            kind="choice",
            choices=FACES,
            blank=True,
            meaning="compass point that it faces; all eight are needed of a kind that turns, and between them a "
            "monotone periodic curve through all eight is followed; blank: for surfaces that do not turn",
        ),
        _factor(
            "sensible_cooling_btuh_per_ft2",
            "sensible cooling load of a square foot; blank in all rows of a glass: worked out from the sun by [solar]",
            blank=True,
        ),
        _factor("heating_btuh_per_ft2", "heating load of a square foot"),
    ),
)

ROOM_GAINS = TableSchema(
    name="room_gains",
    meaning="Loads that do not turn with the house: people, appliances, outdoor air; rows of one room add up",
    required=False,
    fields=(
        Field(name="room", meaning="name of the room, the same as in sections"),
        replace(_load("heating_btuh", "heating load"), required=True),
        replace(_load("sensible_cooling_btuh", "sensible cooling load"), required=True),
        Field(name="note", required=False, blank=True, default="", meaning="what it is"),
    ),
)

LOTS = TableSchema(
    name="lots",
    meaning="The lots that the plan is built on: which way each house faces",
    required=False,
    fields=(
        Field(name="lot", meaning="number or name of the lot, used once"),
        _azimuth("azimuth_deg", "direction of the front, clockwise from north; blank where front_faces says it"),
        Field(
            name="front_faces",
            kind="choice",
            choices=FACES,
            required=False,
            blank=True,
            default="",
            meaning="compass point that the front faces, instead of azimuth_deg",
        ),
        Field(
            name="mirrored",
            kind="flag",
            required=False,
            blank=True,
            default=False,
            meaning="yes where the house is built mirrored; blank is no",
        ),
        Field(
            name="flex",
            required=False,
            blank=True,
            default="",
            meaning="the flex product that this lot gets, one of the approved; blank: any of them",
        ),
    ),
)

ROOMS = TableSchema(
    name="rooms",
    meaning="Room outlines for the plan picture: x from the left wall seen from the street, y from the front wall "
    "back; several rows of one room make an L",
    required=False,
    fields=(
        Field(name="room", meaning="name of the room"),
        _place("x_ft", "left edge"),
        _place("y_ft", "front edge"),
        _place("width_ft", "from left to right", above=True),
        _place("depth_ft", "from front to back", above=True),
        Field(name="floor", required=False, blank=True, default="1", meaning="floor that it is on; blank is 1"),
    ),
)

ROUTES = TableSchema(
    name="routes",
    meaning="Where ducts lie, for the plan picture: one row a point, from the air handler's end on",
    required=False,
    fields=(
        Field(name="section", meaning="name of the section"),
        _place("x_ft", "from the left wall seen from the street"),
        _place("y_ft", "from the front wall back"),
        Field(
            name="floor",
            required=False,
            blank=True,
            default="",
            meaning="floor on whose picture it is drawn; blank: on each",
        ),
    ),
)

TABLES = (
    AIRFLOW,
    SECTIONS,
    FITTINGS,
    DUCTS,
    FRICTION_TABLES,
    INNER_DIAMETERS,
    PRICES,
    FITTING_PRICES,
    BLOWER,
    DEVICES,
    SURFACES,
    LOAD_FACTORS,
    ROOM_GAINS,
    LOTS,
    ROOMS,
    ROUTES,
)


def _pressure(name: str, default: float, meaning: str) -> Field:
    # defaults: common practice, no source
    return Field(
        name=name,
        kind="number",
        unit="inWC",
        default=default,
        low=0.0,
        above=True,
        high=3.0,
        usual=(0.01, 0.6),
        hint="is this in {slip}?",
        meaning=meaning,
    )


_AFTER = (
    "after equipment and devices; as typed it holds at the site, left out it is the default times the density of the "
    "site's air over that of standard air"
)


def _velocity(name: str, default: float) -> Field:
    # ANSI/ACCA 1 (Manual D), from memory
    return Field(
        name=name,
        kind="number",
        unit="fpm",
        default=default,
        low=50.0,
        high=5000.0,
        usual=(300.0, 1500.0),
        hint="is this in {slip}?",
        meaning="highest velocity of " + name.removesuffix("_fpm").replace("_", " "),
    )


def _system_airflow(name: str) -> Field:
    return Field(
        name=name,
        kind="number",
        unit="cfm",
        low=0.0,
        above=True,
        high=20_000.0,
        usual=(200.0, 3000.0),
        hint="is this one room's airflow, or in {slip}?",
        meaning="airflow of the whole system",
    )


def _supply_air(season: str) -> Field:
    return Field(
        name=f"{season}_supply_air_f",
        kind="number",
        unit="F",
        low=30.0,
        high=200.0,
        usual=(85.0, 160.0) if season == "heating" else (45.0, 75.0),
        hint="is this in {slip}?",
        meaning=f"air in the supply ducts in {season}: its density and viscosity, at the same airflow as at the air "
        "handler; default: air_temperature_f",
    )


DEFAULT_STORAGE_WEIGHTS = (0.5, 0.2, 0.12, 0.08, 0.06, 0.04)

# plan.toml: table -> keys. Lists and file names are checked where they are read.
KEYS: dict[str, tuple[Field, ...]] = {
    "": (
        Field(name="name", meaning="name of the plan, as it stands on every sheet"),
        Field(
            name="units",
            kind="choice",
            choices=SYSTEMS,
            default="ip",
            meaning="ip: cfm, in, ft, inWC; si: L/s, mm, m, Pa, and names of columns and keys that end so",
        ),
        Field(name="currency", default="USD", meaning="what prices are in, such as USD or EUR"),
    ),
    "site": (
        Field(
            name="elevation_ft",
            kind="number",
            unit="ft",
            default=0.0,
            low=-1500.0,
            high=15_000.0,
            usual=(-300.0, 9000.0),
            hint="is this in another unit, or of another place?",
            meaning="elevation of the site above the sea; sets the air's density",
        ),
        Field(
            name="air_temperature_f",
            kind="number",
            unit="F",
            default=70.0,
            low=30.0,
            high=200.0,
            usual=(45.0, 140.0),
            hint="is this in {slip}?",
            meaning="air at the air handler, and in the ducts where nothing else is said",
        ),
        _supply_air("heating"),
        _supply_air("cooling"),
        Field(
            name="latitude_deg",
            kind="number",
            unit="degrees",
            low=0.0,
            high=66.0,
            usual=(15.0, 60.0),
            hint="is this the longitude? Only latitudes north of the equator, under the polar circle",
            meaning="latitude of the site, north; needed only for glass factors by the sun",
        ),
    ),
    "tables": tuple(Field(name=name, meaning="file of that table") for name in ("loads", *(t.name for t in TABLES))),
    "variants": (
        Field(name="front_faces", meaning="directions the front may face; default: all in the airflow table"),
        Field(name="mirrored", meaning="[false], [true] or [false, true]; default: all in the airflow table"),
        Field(name="seasons", meaning="heating, cooling; default: all in the airflow table"),
        Field(name="flex", meaning="flex products approved for this plan; default: all in the ducts table"),
    ),
    "pressure": (
        _pressure("supply_inwc", DEFAULT_PRESSURE_INWC["supply"], f"available to the supply ducts {_AFTER}"),
        _pressure("return_inwc", DEFAULT_PRESSURE_INWC["return"], f"available to the return ducts {_AFTER}"),
    ),
    "limits": (
        _velocity("trunk_rigid_fpm", 900.0),
        _velocity("trunk_flex_fpm", 700.0),
        _velocity("branch_rigid_fpm", 900.0),
        _velocity("branch_flex_fpm", 700.0),
        _velocity("return_trunk_rigid_fpm", 700.0),
        _velocity("return_trunk_flex_fpm", 700.0),
        _velocity("return_branch_rigid_fpm", 700.0),
        _velocity("return_branch_flex_fpm", 700.0),
    ),
    "compression": (
        Field(
            name="least_factor_12_in",
            kind="number",
            default=4.0,
            low=1.0,
            high=20.0,
            usual=(1.0, 10.0),
            hint="is this a per cent?",
            meaning="flex of 12 in (300 mm) and more counts at least so many times its friction where it is compressed "
            "by more than 4 %; default 4, after the abstract of one thesis, on the safe side; 1: the relation alone",
        ),
    ),
    "sizes": (
        Field(
            name="round_in",
            kind="size",
            unit="in",
            low=2.0,
            high=60.0,
            hint="is this in {slip}?",
            meaning="standard round sizes",
        ),
        Field(
            name="rectangular_in",
            kind="size",
            unit="in",
            low=2.0,
            high=60.0,
            hint="is this in {slip}?",
            meaning="standard rectangular sizes, [width, height]",
        ),
    ),
    "objective": (
        Field(
            name="standardize_within_pct",
            kind="number",
            unit="%",
            default=5.0,
            low=0.0,
            high=1000.0,
            usual=(0.0, 50.0),
            hint="is this a sum of money?",
            meaning="take the fewest distinct sizes that cost at most this much over the least-cost set",
        ),
        Field(
            name="max_distinct_sizes",
            kind="number",
            default=0.0,
            low=0.0,
            high=1000.0,
            usual=(2.0, 30.0),
            hint="is this a size, or a count of sections?",
            whole=True,
            meaning="most distinct sizes to stock; 0: no cap",
        ),
        Field(
            name="most_steps_over_own",
            kind="number",
            default=2.0,
            low=0.0,
            high=99.0,
            usual=(1.0, 99.0),
            hint="is this a size?",
            whole=True,
            meaning="a section is at most so many standard sizes above the largest that the friction-rate method gives "
            "it in any variant; 99: no cap",
        ),
        Field(
            name="choose",
            kind="choice",
            choices=CHOOSE,
            default="sizes",
            meaning="what the standard set is chosen by: sizes (the fewest, proven), or dampers (the least of duct, "
            "fittings and dampers together, searched)",
        ),
    ),
    "dampers": (
        Field(
            name="price",
            kind="number",
            unit="USD",
            default=20.0,  # an assumption: no source
            low=0.0,
            high=10_000.0,
            usual=(2.0, 200.0),
            hint="is this the price of all of them?",
            meaning="price of one balancing damper, installed; the default is an assumption",
        ),
        Field(
            name="least_cfm",
            kind="number",
            unit="cfm",
            default=0.0,
            low=0.0,
            high=1000.0,
            usual=(5.0, 200.0),
            hint="is this in {slip}?",
            meaning="no damper in a run whose design airflow never reaches this",
        ),
        Field(
            name="positions",
            kind="number",
            default=2.0,
            low=1.0,
            high=2.0,
            hint="is this how many dampers there are?",
            whole=True,
            meaning="marks on one damper: 1, the same all year; 2, one for each season where that is needed",
        ),
    ),
    "blower": (
        _system_airflow("heating_cfm"),
        _system_airflow("cooling_cfm"),
        Field(name="heating_speed", meaning="speed used in heating"),
        Field(name="cooling_speed", meaning="speed used in cooling"),
        Field(
            name="capacity_tons",
            kind="number",
            unit="tons",
            low=0.0,
            above=True,
            high=50.0,
            usual=(1.0, 6.0),
            hint="is this in {slip}?",
            meaning="cooling capacity",
        ),
        Field(name="held_airflow", kind="flag", meaning="true for a blower that holds its airflow"),
        replace(
            _system_airflow("least_heating_cfm"),
            meaning="least airflow in heating that the equipment's maker asks for, in standard air; "
            "where it gives a highest temperature rise: the output over 1.08 x that rise (Btu/h, F)",
        ),
        Field(
            name="rated_static_inwc",
            kind="number",
            unit="inWC",
            low=0.0,
            above=True,
            high=5.0,
            usual=(0.2, 1.5),
            hint="is this in {slip}?",
            meaning="highest external static pressure that the equipment is rated for, in standard air",
        ),
    ),
    "tolerance": (
        Field(
            name="room_pct",
            kind="number",
            unit="%",
            default=20.0,
            low=0.0,
            high=100.0,
            usual=(2.0, 40.0),
            hint="is this a fraction?",
            meaning="how far a room may be off its design airflow, or room_cfm where that is more; defaults of these "
            "three: ANSI/ACCA 5 QI, from memory",
        ),
        Field(
            name="room_cfm",
            kind="number",
            unit="cfm",
            default=25.0,
            low=0.0,
            high=500.0,
            usual=(2.0, 60.0),
            hint="is this in per cent?",
            meaning="how far a room may be off its design airflow, or room_pct where that is more",
        ),
        Field(
            name="system_pct",
            kind="number",
            unit="%",
            default=15.0,
            low=0.0,
            high=100.0,
            usual=(2.0, 40.0),
            hint="is this a fraction?",
            meaning="how far the whole system may be off its design airflow",
        ),
    ),
    "orientation": (
        Field(
            name="diversity_btuh",
            kind="number",
            unit="Btu/h",
            # published rule for grouping orientations under one design report in a national new-homes program,
            # seen second-hand
            default=6000.0,
            low=0.0,
            high=1_000_000.0,
            usual=(500.0, 50_000.0),
            hint="is this in {slip}?",
            meaning="a finding where the house's total sensible cooling load changes by more than this between the "
            "directions; default: a published rule for grouping orientations under one design report in a national "
            "new-homes program, seen second-hand",
        ),
        Field(
            name="breakdown_check_pct",
            kind="number",
            unit="%",
            default=5.0,
            low=0.0,
            high=100.0,
            usual=(0.5, 40.0),
            hint="is this a fraction?",
            meaning="with surfaces and an airflow table: a finding for a room in which the two differ by more",
        ),
    ),
    "solar": (
        Field(
            name="shgc",
            kind="number",
            low=0.0,
            above=True,
            high=1.0,
            usual=(0.15, 0.7),
            hint="is this in per cent, a U-factor, or of bare glass without a frame?",
            meaning="solar heat gain coefficient of the glass",
        ),
        Field(
            name="design_day",
            kind="number",
            unit="day of the year",
            default=202.0,  # 21 July
            low=1.0,
            high=365.0,
            usual=(121.0, 274.0),
            hint="is this a month, or a day in winter?",
            meaning="day of the cooling design, 1 for 1 January; default 202, 21 July",
        ),
        Field(
            name="linke_turbidity",
            kind="number",
            default=3.5,  # chosen for the program: between a clear mountain day, about 2, and a hazy one, about 5
            low=1.0,
            high=8.0,
            usual=(2.0, 6.0),
            hint="is this a clearness from another model?",
            meaning="haze of the clear sky, Linke turbidity: about 2 in clean dry air, 5 in hazy humid air",
        ),
        Field(
            name="conduction_btuh_per_ft2",
            kind="number",
            unit="Btu/h ft2",
            default=0.0,
            low=0.0,
            high=100.0,
            usual=(0.0, 20.0),
            hint="is this the whole load of the glass, sun included?",
            meaning="cooling load of a square foot of glass by the warm air outside alone, the same on each face",
        ),
        Field(
            name="room_airflow_at",
            choices=PEAKS,
            default="room_peak",
            meaning="room_peak: a room's airflow is shared by its own peak load; house_peak: by its load at the hour "
            "of the house's peak",
        ),
        Field(
            name="storage_weights",
            meaning="how much of the sun's gain is felt in its hour, the hour after, and so on; together 1; default "
            f"{', '.join(f'{w:g}' for w in DEFAULT_STORAGE_WEIGHTS)}, chosen for the program to stand for a furnished "
            "room, from no publication",
        ),
    ),
    "purchase": (
        Field(name="insulation", meaning="insulation level whose prices count, as in the prices table"),
        Field(
            name="box_ft",
            kind="number",
            unit="ft",
            default=25.0,
            low=0.0,
            above=True,
            high=1000.0,
            usual=(2.0, 100.0),
            hint="is this in {slip}, or boxes?",
            meaning="feet in a box of flex where the prices table does not say",
        ),
        Field(
            name="waste_pct",
            kind="number",
            unit="%",
            default=0.0,
            low=0.0,
            high=100.0,
            usual=(0.0, 30.0),
            hint="is this a length?",
            meaning="duct bought beyond what the plan draws",
        ),
        Field(
            name="lots",
            kind="number",
            default=1.0,
            low=1.0,
            high=100_000.0,
            usual=(1.0, 2000.0),
            hint="is this the number of a lot?",
            whole=True,
            meaning="lots to buy for, where the plan lists none",
        ),
    ),
    "leakage": (
        Field(
            name="supply_pct",
            kind="number",
            unit="%",
            default=0.0,
            low=0.0,
            high=50.0,
            usual=(0.5, 25.0),
            hint="is this a fraction, or an airflow?",
            meaning="part of the blower's airflow lost from the supply ducts",
        ),
        Field(
            name="return_pct",
            kind="number",
            unit="%",
            default=0.0,
            low=0.0,
            high=50.0,
            usual=(0.5, 25.0),
            hint="is this a fraction, or an airflow?",
            meaning="part of the blower's airflow gained in the return ducts",
        ),
    ),
}

DEFAULT_ROUND_IN = (4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 12.0, 14.0, 16.0, 18.0, 20.0)
DEFAULT_ROUND_MM = (80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0)  # EN 1506, from memory
