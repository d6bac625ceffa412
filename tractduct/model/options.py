"""Options and elevations: what may be built, on what condition, and the houses that come of it."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from math import prod

import numpy as np
from numpy.typing import NDArray

from tractduct.model.loads import SurfaceLoads

Condition = tuple[tuple[str, bool], ...]  # options, and whether each must be built or must not; empty: always
Built = tuple[str, ...]  # the options that a house is built with, in the order of the plan's


@dataclass(frozen=True, slots=True, kw_only=True)
class Option:
    """What may be built. Of one ``group``, if not empty, a house has at most one."""

    name: str
    group: str = ""
    meaning: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class House:
    """The house with some options: ``airflow_cfm`` (n_face, n_mirrored, n_season, n_room), 0 for rooms not there."""

    options: Built
    airflow_cfm: NDArray[np.float64]
    surface_loads: SurfaceLoads | None = None


def is_met(condition: Condition, built: Collection[str]) -> bool:
    """Whether a house with these options is one that the condition means."""
    return all((name in built) == wanted for name, wanted in condition)


def condition_text(condition: Condition) -> str:
    """A condition as a plan writes it."""
    return " and ".join(name if wanted else f"not {name}" for name, wanted in condition)


def built_text(built: Built) -> str:
    """What a house is built with, in words: 'with bay + bonus'; empty for none."""
    return f"with {' + '.join(built)}" if built else ""


def _choices(options: Sequence[Option]) -> list[list[Built]]:
    """By group, what a house may have of it: nothing, or one of its members. An option without a group is one."""
    groups: dict[tuple[str, str], list[Built]] = {}
    for option in options:
        key = (option.group, "" if option.group else option.name)
        groups.setdefault(key, [()]).append((option.name,))
    return list(groups.values())


def count_combinations(options: Sequence[Option]) -> int:
    """How many combinations the groups allow, none at all among them."""
    return prod(len(group) for group in _choices(options))


def every_combination(options: Sequence[Option]) -> Iterator[Built]:
    """Every combination that the groups allow, the one without any first."""
    names = [option.name for option in options]
    for chosen in product(*_choices(options)):
        built = {name for one in chosen for name in one}
        yield tuple(name for name in names if name in built)
