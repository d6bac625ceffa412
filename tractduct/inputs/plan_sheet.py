"""The sheet ``plan``: what plan.toml holds, one key a row."""

from __future__ import annotations

import re
from typing import Any

from tractduct.errors import Origin
from tractduct.inputs import schema
from tractduct.inputs.cells import flag_of, nearest
from tractduct.inputs.fault_log import FaultLog
from tractduct.inputs.schema import Field, in_units
from tractduct.inputs.spelling import plain_word
from tractduct.inputs.tables import RawTable
from tractduct.model.words import FACES
from tractduct.units import IP, SI

_LISTS = {("variants", key.name) for key in schema.KEYS["variants"]} | {("solar", "storage_weights")}
_LISTS |= {("sizes", key.name) for key in schema.KEYS["sizes"]}
_NAMED = re.compile(r"\[?\s*([\w.]+?)\s*[\].\s]\s*(\w+)")  # [blower] cooling_cfm, blower.cooling_cfm
# What a workbook shows live is chosen beside the keys, and is no part of the plan.
SHOWN_FRONT, SHOWN_SEASON = "shown_front", "shown_season"
_ALL = {"front_faces": list(FACES), "mirrored": [False, True]}

Places = dict[tuple[str, str], Origin]


def read_plan_sheet(table: RawTable, units: object, log: FaultLog) -> tuple[dict[str, Any], Places]:
    """The keys as plan.toml would hold them, and the cell of each by part and the core's name.

    ``units`` are those that plan.toml names, if any.
    """
    config: dict[str, Any] = {}
    places: Places = {}
    rows = [(row, plain_word(row.text("key"))) for row in table.rows if row.text("key")]
    is_si = str(units).casefold() == "si"
    is_si |= any(key.casefold() == "units" and row.text("value").casefold() == "si" for row, key in rows)
    keys = [
        (part, field, in_units(field, SI if is_si else IP).name)
        for part, fields in schema.KEYS.items()
        for field in fields
    ]
    for row, key in rows:
        given = row.text("value")
        at = Origin(table.label, row.number, "key", key)
        if not given or key.casefold() in (SHOWN_FRONT, SHOWN_SEASON):
            continue
        found = _NAMED.fullmatch(key)
        wanted = (found[2] if found else key).casefold()
        known = [one for one in keys if one[2].casefold() == wanted and (not found or one[0] == found[1])]
        if len(known) != 1:
            parts = " or ".join(f"[{part}] {field.name}" for part, field, _ in known)
            problem = "several parts have a key of this name" if known else "no plan has a key of this name"
            remedy = f"Write {parts}" if known else nearest(key, [field.name for _, field, _ in keys])
            log.add(at.fault(problem, remedy))
            continue
        part, field, name = known[0]
        if (part, field.name) in places:
            problem = f"this key is already in row {places[part, field.name].row}"
            log.add(at.fault(problem, "Remove one of the two rows"))
            continue
        places[part, field.name] = at
        where = config if not part else config.setdefault(part, {})
        where[name] = _value(part, field, given)
    return config, places


def _value(part: str, field: Field, given: str) -> Any:
    """A cell as plan.toml would hold it: lists parted, flags true or false; numbers stay text, which is read too."""
    if (part, field.name) == ("variants", "options"):
        if given.casefold() == "all":
            return "all"
        houses = [word.strip() for word in re.split("[;,]", given) if word.strip()]
        return [[] if h.casefold() == "none" else [name.strip() for name in h.split("+")] for h in houses]
    if (part, field.name) in _LISTS:
        if field.name in _ALL and given.casefold() in ("all", "both"):
            return _ALL[field.name]
        words = [word.strip() for word in re.split(";" if ";" in given else ",", given)]
        return [_flag(w) if field.name == "mirrored" else w for w in words if w]
    return _flag(given) if field.kind == "flag" else given


def _flag(word: str) -> bool | str:
    found = flag_of(word)
    return word if found is None else found
