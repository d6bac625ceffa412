"""The words of a plan: what may stand where a name is one of few, and when two names are one."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache

SEASONS = ("heating", "cooling")
FACES = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")
SIDES = ("supply", "return")
ROLES = ("trunk", "branch")
SHAPES = ("round", "rectangular")
KINDS = ("rigid", "flex")
PEAKS = ("room_peak", "house_peak")
EACH, NOT_BOUGHT, AT_PARENT = BOUGHT = ("yes", "no", "at the parent")  # how a fitting is bought
STICK_FT = 5.0  # a stick of rigid duct where the prices table does not say; common practice, no source
FLEX = "flex"  # the duct of a section that takes whichever flex product the variant has
PLAN_FACES = {"front": 0.0, "left": 90.0, "back": 180.0, "right": 270.0}  # degrees clockwise from the front
GLASS_WORDS = ("glass", "window", "skylight")  # a surface whose name holds one of them counts as glass
ALL_ROOMS = "*"


@lru_cache(maxsize=1 << 11)  # a plan's few names are asked for again and again
def key_of(name: str) -> str:
    """What two spellings of one name have in common: case and spacing do not matter."""
    return " ".join(name.split()).casefold()


def by_key(names: Iterable[str]) -> dict[str, str]:
    """Names by their keys."""
    return {key_of(name): name for name in names}
