"""The sheets of the compact form: their columns, declared like those of the long tables."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from tractduct.inputs import schema
from tractduct.inputs.schema import choice, header_key, number, optional, table, text
from tractduct.model.words import FACES, KINDS

# What a sheet shows beside a row while it is typed; nothing reads it.
HELPERS = ("mark", "leads_to", "airflow_here", "airflow_shown")
HELPER_KEYS = frozenset(header_key(name) for name in HELPERS)
_SHOWN = tuple(text(name, "what the sheet shows of this row; not read", optional=True) for name in HELPERS)

PLAN = table(
    "plan", "What plan.toml holds, one key a row",
    text("key",
        "name of a key of plan.toml, such as cooling_cfm; with its part before it, such as [blower] cooling_cfm, "
        "where the name alone could be several"),
    text("value", "its value; a list with commas between; blank: as if the row were not there", blank=True),
    text("note", "what the author likes; not read", optional=True),
)  # fmt: skip

GLASS_COLUMNS = {side: f"glass_{side}_ft2" for side in ("front", "right", "back", "left")}

_load = partial(optional, schema.AIRFLOW.field("heating_btuh"))
ROOMS = table(
    "rooms", "The rooms, with their loads as one load calculation prints them, their glass, and where they lie",
    text("room", "name of the room"),
    _load(name="heating_btuh", meaning="heating load, with the front as printed_front says"),
    _load(name="sensible_cooling_btuh", meaning="sensible cooling load, with the front as printed_front says"),
    _load(name="check_cooling_btuh",
        meaning="the same with the front as check_front says: a check, that nothing else uses"),
    *(
        number(name, f"glass that looks to the {side} of the house as drawn, seen from the street", "ft2",
            high=10_000.0, usual=(0.0, 500.0), optional=True)
        for side, name in GLASS_COLUMNS.items()
    ),
    *(optional(field) for field in schema.ROOMS.fields[1:]),
    *_SHOWN,
)  # fmt: skip

GLASS = table(
    "glass", "What a square foot of glass takes by the way it faces, from the load calculation",
    choice("facing", "compass point", choices=FACES),
    replace(schema.LOAD_FACTORS.field("sensible_cooling_btuh_per_ft2"), name="cooling_btuh_per_ft2",
        meaning="sensible cooling load of a square foot", blank=False),
    replace(schema.LOAD_FACTORS.field("heating_btuh_per_ft2"),
        meaning="heating load of a square foot; blank: as the row above", blank=True),
    *_SHOWN,
)  # fmt: skip

RUNS = table(
    "runs", "The duct tree, one row a piece from joint to joint",
    text("section", "its name; blank: the room's, numbered where it has several", optional=True),
    text("on", "the section it hangs on; blank: the air handler; return: the air handler's return side", optional=True),
    text("room",
        "the room it ends in; of a return several with ; between, * for all, rest for those that no other return "
        "names; blank where it only feeds others",
        kind="rooms", optional=True),
    text("route",
        "its length; with bends, legs joined by + (8+6: a right angle between, 8+45deg+6) or by the way they run (b8 "
        "r6 u2: front, back, left, right, up, down; @5 before it: from 5 along what it hangs on); blank: from its "
        "points in routes",
        optional=True),
    text("duct",
        "blank: flex; rect or round: the plan's rigid duct, or galvanised where it has none; a product, with rect "
        "behind it where it is rectangular",
        optional=True),
    text("fittings", "blank: worked out from on, route and end; names joined by + count instead; none for none at all",
        kind="fittings", optional=True),
    *(
        optional(f, meaning=f"{f.meaning}; blank: worked out") if f.name in ("side", "role", "shape") else optional(f)
        for f in schema.SECTIONS.fields
        if f.name not in ("section", "parent", "duct", "length_ft", "fittings", "room")
    ),
    *_SHOWN,
)  # fmt: skip

_ROUGHNESS = schema.DUCTS.field("roughness_ft")
PRODUCTS = table(
    "products", "The duct products that may be installed",
    text("product", "name of the product, used once"),
    choice("kind", "rigid or flex; blank is flex", choices=KINDS, default="flex"),
    optional(_ROUGHNESS, meaning=f"{_ROUGHNESS.meaning}; blank: that of generic duct"),
    *(optional(field) for field in schema.DUCTS.fields if field.name not in ("duct", "kind", _ROUGHNESS.name)),
    *_SHOWN,
)  # fmt: skip

SHEETS = (PLAN, ROOMS, GLASS, RUNS, PRODUCTS)
