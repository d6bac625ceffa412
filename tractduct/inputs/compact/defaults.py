"""What stands in for what a compact plan does not say. Each that takes part is listed, with its source."""

from __future__ import annotations

from dataclasses import dataclass

from tractduct.model.words import AT_PARENT, EACH, NOT_BOUGHT

_PRACTICE = "common practice, no source"
_INVENTED = "invented: replace it with your own"


@dataclass(frozen=True, slots=True)
class GenericFitting:
    equivalent_length_ft: float
    bought: str = EACH
    source: str = _INVENTED


# How a section joins what it hangs on, and how it ends; its bends.
PLENUM_TAKEOFF, COLLAR, TAKEOFF, REDUCER, WYE = "plenum_takeoff", "collar", "takeoff", "reducer", "wye"
RETURN_ENTRY, RETURN_TAKEOFF = "return_entry", "return_takeoff"
END = {"supply": "boot", "return": "return_box"}
BENDS = {  # of 90 and of 45 degrees
    "flex": ("flex_bend_90", "flex_bend_45"),
    "round": ("elbow_90", "elbow_45"),
    "rectangular": ("elbow_90_rect", "elbow_45_rect"),
}
FITTINGS = {
    PLENUM_TAKEOFF: GenericFitting(15.0),
    COLLAR: GenericFitting(35.0, source=_PRACTICE),
    TAKEOFF: GenericFitting(35.0, source=_PRACTICE),
    REDUCER: GenericFitting(5.0),
    WYE: GenericFitting(20.0, AT_PARENT),
    "elbow_90": GenericFitting(10.0, source=_PRACTICE),
    "elbow_45": GenericFitting(5.0),
    "elbow_90_rect": GenericFitting(15.0),
    "elbow_45_rect": GenericFitting(8.0),
    "flex_bend_90": GenericFitting(15.0, NOT_BOUGHT),
    "flex_bend_45": GenericFitting(8.0, NOT_BOUGHT),
    "boot": GenericFitting(30.0, source=_PRACTICE),
    RETURN_ENTRY: GenericFitting(15.0),
    RETURN_TAKEOFF: GenericFitting(15.0),
    "return_box": GenericFitting(20.0),
}

RIGID, FLEX_PRODUCT = "galvanised", "generic_flex"
ROUGHNESS_FT = {"rigid": 0.0003, "flex": 0.003}
ROUGHNESS_SOURCE = "ASHRAE Handbook Fundamentals, duct roughness table, from memory"
FLEX_COMPRESSION_PCT = 4.0
FLEX_SOURCE = f"{ROUGHNESS_SOURCE}: the roughest of the range; 4 % short of stretched is an assumption"
