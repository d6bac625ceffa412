"""Every table, column and key of a plan: its unit, what is allowed, what is believable, what it means.

This is the one home of that knowledge. Reading, the messages, the workbook template's notes and drop-down
lists and the reference page all come from here. Names, units and bounds stand in the core's units; ``in_units``
gives them in a plan's own.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import KW_ONLY, InitVar, dataclass, replace
from functools import cache, partial
from typing import Literal

from tractduct.model.plan import DEFAULT_PRESSURE_INWC
from tractduct.model.words import AT_PARENT, BOUGHT, EACH, FACES, KINDS, PEAKS, ROLES, SEASONS, SHAPES, SIDES, STICK_FT
from tractduct.units import IP, MEASURES, SI, SYSTEMS, UnitSystem

FREE_TEXT = ("source", "note")  # columns of any table that hold what the author likes

Kind = Literal["text", "number", "choice", "flag", "size", "fittings", "rooms", "price"]


@dataclass(frozen=True, slots=True)
class Field:
    """One column or key.

    ``required``: the column must be there. ``blank``: its cells may be empty, and then mean ``default``. Of what is
    ``optional``, as is a field with a default, the column need not be there and its cells may be empty.
    ``low`` and ``high`` bound what is allowed (``above``: the lower bound itself is not), ``usual`` what is
    believable; ``hint`` says what a value out of bounds often turns out to be, with ``{slip}`` for the units that
    are often written by mistake. ``quantity`` is set where the unit alone does not say how it is turned into SI.
    """

    name: str
    meaning: str
    unit: str = ""
    _: KW_ONLY
    kind: Kind = "text"
    quantity: str = ""
    required: bool = True
    blank: bool = False
    default: str | float | bool | None = None
    choices: tuple[str, ...] = ()
    low: float | None = None
    above: bool = False
    high: float | None = None
    usual: tuple[float, float] | None = None
    whole: bool = False
    hint: str = ""
    optional: InitVar[bool] = False

    def __post_init__(self, optional: bool) -> None:
        if optional or self.default is not None:
            object.__setattr__(self, "required", False)
            object.__setattr__(self, "blank", True)


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

    name, low, high = units.name_of(field.name, quantity), bound(field.low), bound(field.high)
    usual = field.usual and (bound(field.usual[0]) or 0.0, bound(field.usual[1]) or 0.0)
    default = units.shown(field.default, quantity) if isinstance(field.default, float) else field.default
    changed = replace(field, name=name, unit=units.unit(quantity), hint=hint, default=default)
    return replace(changed, low=low, high=high, usual=usual)


def other_units(name: str, fields: Iterable[Field], units: UnitSystem) -> str:
    """What to do about a name that is right in the other system of units; empty where it is not."""
    other = IP if units.is_si else SI
    for field in fields:
        if header_key(name) == header_key(in_units(field, other).name):
            mine, here = in_units(field, units).name, "SI" if units.is_si else "inches, feet and cfm"
            there = 'units = "ip"' if units.is_si else 'units = "si"'
            return f"This plan is in {here}: write {mine}, with values in its unit, or {there} in plan.toml"
    return ""


@cache
def header_key(text: str) -> str:
    """What two spellings of one header have in common: case, spaces and underscores do not matter."""
    return re.sub(r"[\s_\u200b\ufeff]+", "", text).casefold()


@dataclass(frozen=True, slots=True, kw_only=True)
class TableSchema:
    """One table: its columns, whether a plan must have it, and one line on what it is."""

    name: str
    meaning: str
    fields: tuple[Field, ...]
    required: bool

    def field(self, name: str) -> Field:
        """The column of that name; KeyError where there is none."""
        return {field.name: field for field in self.fields}[name]


def table(name: str, meaning: str, *fields: Field, required: bool = False) -> TableSchema:
    return TableSchema(name=name, meaning=meaning, fields=fields, required=required)


_SLIP = "is this in {slip}?"
text = Field
number = partial(Field, kind="number", low=0.0, hint=_SLIP)
price = partial(number, kind="price")
choice = partial(Field, kind="choice")
flag = partial(Field, kind="flag", default=False)  # yes or no
size = partial(Field, kind="size", unit="in")  # a nominal size


def optional(field: Field, *, name: str = "", meaning: str = "") -> Field:
    """A declared field where it need not be given, and what it is called and means there if that is other."""
    return replace(field, name=name or field.name, meaning=meaning or field.meaning, optional=True)


def _option(meaning: str) -> Field:
    return text("option", f"{meaning} several joined by and, such as bay and not bonus", optional=True)


_system = partial(text, "system", optional=True)
_airflow = partial(number, unit="cfm", high=2000.0, usual=(0.0, 600.0), hint="is this a load, or the whole house?",
    required=False)  # fmt: skip
_load = partial(number, unit="Btu/h", high=100_000.0, usual=(0.0, 30_000.0), hint="is this the whole house?",
    required=False)  # fmt: skip
_factor = partial(number, unit="Btu/h ft2", high=500.0, usual=(0.0, 120.0), hint="is this for the whole surface?")
_place = partial(number, unit="ft", low=-1000.0, high=1000.0, usual=(-200.0, 200.0))
_width = partial(number, unit="ft", above=True, high=1000.0, usual=(0.1, 200.0))


def _gain(name: str, meaning: str) -> Field:
    meaning += "; below 0 in a row with an option takes away"
    return _load(name, meaning, low=-100_000.0, usual=(-30_000.0, 30_000.0), required=True)


AIRFLOW = table(
    "airflow", "What each room needs, for each direction that the front of the house faces",
    choice("front_faces", "the direction that the front of the house faces", choices=FACES, required=False),
    flag("mirrored", "yes where the plan is built mirrored; blank is no"),
    text("room", "name of the room, the same as in sections"),
    _airflow("heating_cfm", "airflow the room needs in heating, from a room-by-room load calculation"),
    _airflow("cooling_cfm", "airflow the room needs in cooling, from a room-by-room load calculation"),
    _load("heating_btuh", "instead of airflow: heating load of the room"),
    _load("sensible_cooling_btuh", "instead of airflow: sensible cooling load of the room"),
    _option("blank: what holds without any; an option, or not and an option: stands for that in houses built so;"),
    required=True,
)  # fmt: skip

SECTIONS = table(
    "sections", "The duct tree: one row a section, from the air handler to each register or grille",
    text("section", "name of the section, used once"),
    text("parent", "the section next to it on the air handler's side; blank at the air handler or its plenum",
        blank=True),
    choice("side", "supply or return; blank is supply", choices=SIDES, default="supply"),
    choice("role", "trunk or branch: sets the velocity limit", choices=ROLES),
    text("duct",
        "a rigid duct from the ducts table; flex: whichever flex is delivered; or one flex product, which is then "
        "used whatever is delivered elsewhere"),
    choice("shape", "round or rectangular; blank is round", choices=SHAPES, default="round"),
    number("length_ft", "straight length as installed", "ft", high=500.0, usual=(0.0, 120.0)),
    text("fittings", "names from the fittings table joined by +, with counts such as elbow_90*2", kind="fittings",
        optional=True),
    text("room",
        "the room that this run ends in; blank where it only feeds others; a return may name several rooms with ; "
        "between, or * for all",
        kind="rooms", optional=True),
    number("share", "this run's part of its room's airflow relative to the room's other open runs; blank: equal parts",
        above=True, high=1000.0, usual=(0.05, 100.0),
        hint="is 0 meant, or another unit than its room's other runs have?", optional=True),
    choice("season", "the one season in which this run is open; blank: both", choices=SEASONS, optional=True),
    size("min_in", "smallest size allowed here", optional=True),
    size("max_in", "largest size allowed here", optional=True),
    size("fixed_in", "the size that is already given", optional=True),
    _system("the air handler that it belongs to, where a house has several; blank where it has one"),
    _option("blank: always built; an option: built only with it; not and an option: built only without it;"),
    required=True,
)  # fmt: skip

FITTINGS = table(
    "fittings", "Fittings by plain name, with what each costs in pressure",
    text("fitting", "name of the fitting, used once"),
    number("equivalent_length_ft", "length of straight duct that loses as much", "ft", high=500.0, usual=(0.0, 120.0),
        default=0.0),
    number("loss_coefficient", "part of the section's velocity pressure that is lost", high=50.0, usual=(0.0, 10.0),
        default=0.0, hint="is this an equivalent length?"),
    choice("bought",
        "yes: one for each time a section names it; no: it is made of the duct itself, such as a bend of flex; "
        f"{AT_PARENT}: one where sections join their parent, however many of them name it",
        choices=BOUGHT, default=EACH),
    text("source", "where the value comes from", optional=True),
    required=True,
)  # fmt: skip

DUCTS = table(
    "ducts", "The duct products that may be installed",
    text("duct", "name of the product, used once"),
    choice("kind", "rigid or flex", choices=KINDS),
    number("roughness_ft", "absolute roughness of the wall; may be left out where friction_tables has the product",
        "ft", quantity="roughness", high=0.03, usual=(0.00001, 0.01), blank=True),
    number("airflow_derate_pct",
        "airflow that the product loses at any friction rate against what its roughness alone would give", "%",
        high=60.0, usual=(1.0, 25.0), default=0.0, hint="is this a fraction, or the part that is left?"),
    number("compression_pct", "how far short of fully stretched flex is left", "%", high=50.0, usual=(1.0, 30.0),
        default=0.0, hint="is this a fraction?"),
    text("source", "where the values come from", optional=True),
    required=True,
)  # fmt: skip

FRICTION_TABLES = table(
    "friction_tables", "Published friction of duct products, or what was measured on site",
    text("duct", "name of a product in the ducts table"),
    number("size_in", "nominal diameter", "in", low=2.0, high=60.0, usual=(3.0, 30.0)),
    number("airflow_cfm", "airflow in standard air", "cfm", above=True, high=50_000.0, usual=(5.0, 10_000.0)),
    number("friction_rate_inwc_per_100ft",
        "friction rate at that airflow; blank where a loss over a length was measured", "inWC/100 ft", above=True,
        high=20.0, usual=(0.001, 2.0), optional=True),
    number("loss_inwc", "instead of a friction rate: measured loss over length_ft of straight duct", "inWC", above=True,
        high=10.0, usual=(0.001, 1.0), optional=True),
    number("length_ft", "straight length over which loss_inwc was measured", "ft", above=True, high=500.0,
        usual=(2.0, 200.0), optional=True),
)  # fmt: skip

INNER_DIAMETERS = table(
    "inner_diameters", "Inner diameter of products whose size is not their inner diameter",
    text("duct", "name of a product in the ducts table"),
    size("size_in", "nominal diameter"),
    number("inner_diameter_in", "diameter that the air has", "in", low=1.0, high=60.0, usual=(2.5, 30.0)),
)  # fmt: skip

PRICES = table(
    "prices", "What each duct costs by size",
    text("duct", "name of a product in the ducts table"),
    size("size_in", "diameter, or width x height such as 8x12"),
    price("price_per_ft", "price a foot; - where the product is not offered in that size", "USD/ft", high=1000.0,
        usual=(0.05, 100.0), hint="is this for a whole box or stick?"),
    text("insulation", "insulation level of this price, such as R-6; blank: any", optional=True),
    number("package_ft",
        f"feet in a box or stick of this size; blank: box_ft of [purchase] for flex, {STICK_FT:g} ft for rigid duct",
        "ft", above=True, high=1000.0, usual=(2.0, 100.0), hint="is this in {slip}, or boxes?", optional=True),
)  # fmt: skip

FITTING_PRICES = table(
    "fitting_prices", "What each fitting costs by the size of its section",
    text("fitting", "name of a fitting in the fittings table"),
    size("size_in", f"size of the section that names it; of that section's parent where it is bought {AT_PARENT}"),
    price("price", "price of one; - where it is not offered in that size", "USD", high=10_000.0, usual=(0.1, 500.0),
        hint="is this for a whole box?"),
)  # fmt: skip

BLOWER = table(
    "blower",
    "What the blower makes at each speed, from the equipment's data for standard air; at the site it makes that times "
    "the density of its air over that of standard air",
    text("speed", "name of the speed, the same in each of its rows"),
    number("airflow_cfm", "airflow as the fan moves it, the same in any air; rising from row to row of a speed", "cfm",
        high=20_000.0, usual=(100.0, 3000.0)),
    number("external_static_inwc", "external static pressure at that airflow", "inWC", high=10.0, usual=(0.0, 2.0)),
    _system("the air handler that has it, as in sections"),
)  # fmt: skip

DEVICES = table(
    "devices",
    "What the whole airflow passes besides the ducts: coil, filter, heater, grille, register, damper; in standard "
    "air, brought to the site's as the blower is",
    text("device", "name of the device, used once"),
    choice("side", "supply or return", choices=SIDES),
    number("loss_inwc", "pressure it takes at at_cfm; a filter's when clean", "inWC", high=3.0, usual=(0.0, 0.6)),
    number("at_cfm", "system airflow of that loss", "cfm", above=True, high=20_000.0, usual=(100.0, 3000.0),
        hint="is this one room's airflow?"),
    choice("season", "the one season in which it counts; blank: both", choices=SEASONS, optional=True),
    number("loaded_loss_inwc", "a filter's loss at at_cfm when it is due for change", "inWC", high=3.0,
        usual=(0.0, 1.0), optional=True),
    number("exponent",
        "the loss grows with airflow to this power; blank is 2, as of a grille; filters are about 1.3 to 1.5, from "
        "memory: take it from two points of the filter's data",
        low=1.0, high=3.0, usual=(1.1, 2.1), default=2.0,
        hint="is this a loss, or half the exponent of a curve of airflow over loss?"),
    _system("the air handler whose airflow passes it, as in sections"),
)  # fmt: skip

SURFACES = table(
    "surfaces", "What each room loses and gains heat through, in the house as drawn; turned to any direction",
    text("room", "name of the room, the same as in sections"),
    text("surface",
        "kind of surface, the same as in load_factors: glass, wall, door, roof ...; a kind whose name holds glass, "
        "window or skylight counts as glass"),
    text("plan_face",
        "where it looks in the house as drawn: front, left, back or right, seen from the street, or degrees clockwise "
        "from the front (left is 90, right 270); blank: it does not turn",
        blank=True),
    number("area_ft2", "area; below 0 in a row with an option takes away", "ft2", low=-10_000.0, high=10_000.0,
        usual=(-2000.0, 2000.0)),
    number("shade_fraction",
        "part of it in the shade of overhangs, trees or other houses: that part counts at the cooling factor of a "
        "surface that faces north (common practice, no source), glass by the sun by the light of sky and ground "
        "alone; no change in heating; blank is 0",
        high=1.0, default=0.0, hint="is this in per cent?"),
    _option("blank: always there; an option, or not and an option: added in houses built so;"),
)  # fmt: skip

LOAD_FACTORS = table(
    "load_factors",
    "Load of a square foot of each surface by the direction it faces, from the designer's load calculation",
    text("surface", "kind of surface, the same as in surfaces"),
    choice("exposure",
        "compass point that it faces; all eight are needed of a kind that turns, and between them a monotone periodic "
        "curve through all eight is followed; blank: for surfaces that do not turn",
        choices=FACES, blank=True),
    _factor("sensible_cooling_btuh_per_ft2",
        "sensible cooling load of a square foot; blank in all rows of a glass: worked out from the sun by [solar]",
        blank=True),
    _factor("heating_btuh_per_ft2", "heating load of a square foot"),
)  # fmt: skip

ROOM_GAINS = table(
    "room_gains", "Loads that do not turn with the house: people, appliances, outdoor air; rows of one room add up",
    text("room", "name of the room, the same as in sections"),
    _gain("heating_btuh", "heating load"),
    _gain("sensible_cooling_btuh", "sensible cooling load"),
    text("note", "what it is", optional=True),
    _option("blank: always there; an option, or not and an option: added in houses built so;"),
)  # fmt: skip

LOTS = table(
    "lots", "The lots that the plan is built on: which way each house faces",
    text("lot", "number or name of the lot, used once"),
    number("azimuth_deg", "direction of the front, clockwise from north; blank where front_faces says it", "degrees",
        high=360.0, optional=True, hint="is this counted from another direction?"),
    choice("front_faces", "compass point that the front faces, instead of azimuth_deg", choices=FACES, optional=True),
    flag("mirrored", "yes where the house is built mirrored; blank is no"),
    text("flex",
        "the flex product that this lot gets; blank: any of the approved; one that is not approved is predicted with "
        "damper marks of its own",
        optional=True),
    flag("built", "yes where the house stands already: what changes from now on is for the other lots"),
    text("options", "what this lot is built with, joined by +; one of the combinations that the plan is sized for",
        optional=True),
)  # fmt: skip

OPTIONS = table(
    "options", "Options and elevations: what a house may be built with, the plan as drawn apart",
    text("option", "name of the option, used once"),
    text("group", "of one group at most one is built, such as the elevations; blank: goes with any", optional=True),
    text("meaning", "what it is", optional=True),
)  # fmt: skip

BUILT = table(
    "built", "The sizes that the lots already built have: the study says whether to keep them, or which to change",
    text("section", "name of the section; one that is left out was not built yet, and is free to choose"),
    size("size_in", "its size, a standard one of the plan"),
)  # fmt: skip

ROOMS = table(
    "rooms",
    "Room outlines for the plan picture: x from the left wall seen from the street, y from the front wall back; "
    "several rows of one room make an L",
    text("room", "name of the room"),
    _place("x_ft", "left edge"),
    _place("y_ft", "front edge"),
    _width("width_ft", "from left to right"),
    _width("depth_ft", "from front to back"),
    text("floor", "floor that it is on; blank is 1", default="1"),
)  # fmt: skip

ROUTES = table(
    "routes", "Where ducts lie, for the plan picture: one row a point, from the air handler's end on",
    text("section", "name of the section"),
    _place("x_ft", "from the left wall seen from the street"),
    _place("y_ft", "from the front wall back"),
    text("floor", "floor on whose picture it is drawn; blank: on each", optional=True),
)  # fmt: skip

TABLES = (
    AIRFLOW, SECTIONS, FITTINGS, DUCTS, FRICTION_TABLES, INNER_DIAMETERS, PRICES, FITTING_PRICES, BLOWER, DEVICES,
    SURFACES, LOAD_FACTORS, ROOM_GAINS, LOTS, OPTIONS, BUILT, ROOMS, ROUTES,
)  # fmt: skip


_system_airflow = partial(number, unit="cfm", above=True, high=20_000.0, usual=(200.0, 3000.0),
    hint="is this one room's airflow, or in {slip}?")  # fmt: skip


DEFAULT_STORAGE_WEIGHTS = (0.5, 0.2, 0.12, 0.08, 0.06, 0.04)

# plan.toml: table -> keys. Lists and file names are checked where they are read.
KEYS: dict[str, tuple[Field, ...]] = {
    "": (
        text("name", "name of the plan, as it stands on every sheet"),
        choice("units", "ip: cfm, in, ft, inWC; si: L/s, mm, m, Pa, and names of columns and keys that end so",
            choices=SYSTEMS, default="ip"),
        text("currency", "what prices are in, such as USD or EUR", default="USD"),
    ),
    "site": (
        number("elevation_ft", "elevation of the site above the sea; sets the air's density", "ft", low=-1500.0,
            high=15_000.0, usual=(-300.0, 9000.0), default=0.0, hint="is this in another unit, or of another place?"),
        number("air_temperature_f", "air at the air handler, and in the ducts where nothing else is said", "F",
            low=30.0, high=200.0, usual=(45.0, 140.0), default=70.0),
        *(
            number(f"{season}_supply_air_f",
                f"air in the supply ducts in {season}: its density and viscosity, at the same airflow as at the air "
                "handler; default: air_temperature_f", "F", low=30.0, high=200.0, usual=usual)
            for season, usual in (("heating", (85.0, 160.0)), ("cooling", (45.0, 75.0)))
        ),
        number("latitude_deg", "latitude of the site, north; needed only for glass factors by the sun", "degrees",
            high=66.0, usual=(15.0, 60.0),
            hint="is this the longitude? Only latitudes north of the equator, under the polar circle"),
    ),
    "tables": tuple(
        text(name, "file of that table")
        for name in ("loads", *(t.name for t in TABLES), "runs", "glass", "products", "printed")
    ),
    "loads": (
        choice("printed_front", "direction of the front in the load calculation that the loads in rooms are from",
            choices=FACES, optional=True),
        choice("check_front", "direction of the front in the one that the second cooling load in rooms is from",
            choices=FACES, optional=True),
    ),
    "air_handler": (
        _place("x_ft",
            "where it stands, from the left wall seen from the street: routes that say the way they run are drawn from "
            "there", optional=True),
        _place("y_ft", "where it stands, from the front wall back", optional=True),
    ),
    "variants": (
        text("front_faces", "directions the front may face; default: all in the airflow table"),
        text("mirrored", "[false], [true] or [false, true]; default: all in the airflow table"),
        text("seasons", "heating, cooling; default: all in the airflow table"),
        text("flex", "flex products approved for this plan; default: all in the ducts table"),
        text("options",
            'combinations that are built, such as [[], ["bonus"], ["bonus", "bay"]], or in a cell of the sheet plan '
            '"none; bonus; bonus + bay"; "all": every one that the groups allow; default: all, where there is an '
            "options table"),
    ),
    "pressure": tuple(  # defaults: common practice, no source
        number(f"{side}_inwc",
            f"available to the {side} ducts after equipment and devices; as typed it holds at the site, left out it is "
            "the default times the density of the site's air over that of standard air", "inWC", above=True, high=3.0,
            usual=(0.01, 0.6), default=DEFAULT_PRESSURE_INWC[side])
        for side in SIDES
    ),
    "limits": tuple(  # ANSI/ACCA 1 (Manual D), from memory
        number(f"{duct}_fpm", f"highest velocity of {duct.replace('_', ' ')}", "fpm", low=50.0, high=5000.0,
            usual=(300.0, 1500.0), default=fpm)
        for duct, fpm in (("trunk_rigid", 900.0), ("trunk_flex", 700.0), ("branch_rigid", 900.0),
            ("branch_flex", 700.0), ("return_trunk_rigid", 700.0), ("return_trunk_flex", 700.0),
            ("return_branch_rigid", 700.0), ("return_branch_flex", 700.0))
    ),
    "compression": (
        number("least_factor_12_in",
            "flex of 12 in (300 mm) and more counts at least so many times its friction where it is compressed by "
            "more than 4 %; default 4, after the abstract of one thesis, on the safe side; 1: the relation alone",
            low=1.0, high=20.0, usual=(1.0, 10.0), default=4.0, hint="is this a per cent?"),
    ),
    "sizes": (
        size("round_in", "standard round sizes", low=2.0, high=60.0, hint=_SLIP),
        size("rectangular_in", "standard rectangular sizes, [width, height]", low=2.0, high=60.0, hint=_SLIP),
    ),
    "objective": (
        number("standardize_within_pct",
            "take the fewest distinct sizes that cost at most this much over the least-cost set", "%", high=1000.0,
            usual=(0.0, 50.0), default=5.0, hint="is this a sum of money?"),
        number("max_distinct_sizes", "most distinct sizes to stock; 0: no cap", whole=True, high=1000.0,
            usual=(2.0, 30.0), default=0.0, hint="is this a size, or a count of sections?"),
        number("most_steps_over_own",
            "a section is at most so many standard sizes above the largest that the friction-rate method gives it in "
            "any variant; 99: no cap", whole=True, high=99.0, usual=(1.0, 99.0), default=2.0, hint="is this a size?"),
        number("change_price",
            "what one section changed against the built table costs once, in drawings and approvals; default 0",
            "USD", high=100_000.0, usual=(1.0, 5000.0), default=0.0, hint="is this for all of them?"),
        choice("choose",
            "what the standard set is chosen by: sizes (the fewest, proven), or dampers (the least of duct, fittings "
            "and dampers together, searched)", choices=("sizes", "dampers"), default="sizes"),
    ),
    "dampers": (
        number("price", "price of one balancing damper, installed; the default is an assumption, no source", "USD",
            high=10_000.0, usual=(2.0, 200.0), default=20.0, hint="is this the price of all of them?"),
        number("least_cfm", "no damper in a run whose design airflow never reaches this", "cfm", high=1000.0,
            usual=(5.0, 200.0), default=0.0),
        number("positions", "marks on one damper: 1, the same all year; 2, one for each season where that is needed",
            whole=True, low=1.0, high=2.0, default=2.0, hint="is this how many dampers there are?"),
    ),
    "blower": (
        _system_airflow("heating_cfm", "airflow of the whole system"),
        _system_airflow("cooling_cfm", "airflow of the whole system"),
        text("heating_speed", "speed used in heating"),
        text("cooling_speed", "speed used in cooling"),
        number("capacity_tons", "cooling capacity", "tons", above=True, high=50.0, usual=(1.0, 6.0)),
        flag("held_airflow", "true for a blower that holds its airflow"),
        _system_airflow("least_heating_cfm",
            "least airflow in heating that the equipment's maker asks for, in standard air; where it gives a highest "
            "temperature rise: the output over 1.08 x that rise (Btu/h, F)"),
        number("rated_static_inwc", "highest external static pressure that the equipment is rated for, in standard air",
            "inWC", above=True, high=5.0, usual=(0.2, 1.5)),
    ),
    "tolerance": (
        number("room_pct",
            "how far a room may be off its design airflow, or room_cfm where that is more; defaults of these three: "
            "ANSI/ACCA 5 QI, from memory",
            "%", high=100.0, usual=(2.0, 40.0), default=20.0, hint="is this a fraction?"),
        number("room_cfm", "how far a room may be off its design airflow, or room_pct where that is more", "cfm",
            high=500.0, usual=(2.0, 60.0), default=25.0, hint="is this in per cent?"),
        number("system_pct", "how far the whole system may be off its design airflow", "%", high=100.0,
            usual=(2.0, 40.0), default=15.0, hint="is this a fraction?"),
    ),
    "orientation": (
        number("diversity_btuh",
            "a finding where the house's total sensible cooling load changes by more than this between the "
            "directions; default: a published rule for grouping orientations under one design report in a national "
            "new-homes program, seen second-hand",
            "Btu/h", high=1_000_000.0, usual=(500.0, 50_000.0), default=6000.0),
        number("breakdown_check_pct",
            "with surfaces and an airflow table: a finding for a room in which the two differ by more", "%", high=100.0,
            usual=(0.5, 40.0), default=5.0, hint="is this a fraction?"),
    ),
    "solar": (
        number("shgc", "solar heat gain coefficient of the glass", above=True, high=1.0, usual=(0.15, 0.7),
            hint="is this in per cent, a U-factor, or of bare glass without a frame?"),
        number("design_day", "day of the cooling design, 1 for 1 January; default 202, 21 July", "day of the year",
            whole=True, low=1.0, high=365.0, usual=(121.0, 274.0), default=202.0,
            hint="is this a month, or a day in winter?"),
        # default chosen for the program: between a clear mountain day, about 2, and a hazy one, about 5
        number("linke_turbidity",
            "haze of the clear sky, Linke turbidity: about 2 in clean dry air, 5 in hazy humid air", low=1.0, high=8.0,
            usual=(2.0, 6.0), default=3.5, hint="is this a clearness from another model?"),
        number("conduction_btuh_per_ft2",
            "cooling load of a square foot of glass by the warm air outside alone, the same on each face", "Btu/h ft2",
            high=100.0, usual=(0.0, 20.0), default=0.0, hint="is this the whole load of the glass, sun included?"),
        choice("room_airflow_at",
            "room_peak: a room's airflow is shared by its own peak load; house_peak: by its load at the hour of the "
            "house's peak", choices=PEAKS, default=PEAKS[0]),
        text("storage_weights",
            "how much of the sun's gain is felt in its hour, the hour after, and so on; together 1; default "
            f"{', '.join(f'{w:g}' for w in DEFAULT_STORAGE_WEIGHTS)}, chosen for the program to stand for a furnished "
            "room, from no publication"),
    ),
    "purchase": (
        text("insulation", "insulation level whose prices count, as in the prices table"),
        number("box_ft", "feet in a box of flex where the prices table does not say", "ft", above=True, high=1000.0,
            usual=(2.0, 100.0), default=25.0, hint="is this in {slip}, or boxes?"),
        number("waste_pct", "duct bought beyond what the plan draws", "%", high=100.0, usual=(0.0, 30.0), default=0.0,
            hint="is this a length?"),
        number("lots", "lots to buy for, where the plan lists none", whole=True, low=1.0, high=100_000.0,
            usual=(1.0, 2000.0), default=1.0, hint="is this the number of a lot?"),
    ),
    "leakage": (
        number("supply_pct", "part of the blower's airflow lost from the supply ducts", "%", high=50.0,
            usual=(0.5, 25.0), default=0.0, hint="is this a fraction, or an airflow?"),
        number("return_pct", "part of the blower's airflow gained in the return ducts", "%", high=50.0,
            usual=(0.5, 25.0), default=0.0, hint="is this a fraction, or an airflow?"),
    ),
}  # fmt: skip

DEFAULT_ROUND_IN = (4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 12.0, 14.0, 16.0, 18.0, 20.0)
DEFAULT_ROUND_MM = (80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0)  # EN 1506, from memory
