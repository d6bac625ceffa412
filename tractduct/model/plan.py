"""A checked plan: what a study needs, with no trace of the files it came from."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tractduct.errors import Origin
from tractduct.findings import Finding
from tractduct.model.loads import SurfaceLoads
from tractduct.model.lots import Lot, RoomOutline, RoutePoint
from tractduct.model.options import Built, Condition, House, Option, is_met
from tractduct.model.sizes import Size, round_size
from tractduct.model.words import AT_PARENT, EACH, FLEX, NOT_BOUGHT
from tractduct.physics.air import Air, site_air
from tractduct.physics.friction import least_factor_by_size
from tractduct.products.fit import TableCorrection
from tractduct.units import IP, UnitSystem

NO_CAP = 99  # steps over the own size: from here on none is counted
# For the ducts, in standard air, where a plan says nothing better; common practice, no source.
DEFAULT_PRESSURE_INWC = {"supply": 0.10, "return": 0.05}


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitting:
    """A fitting by plain name. ``loss_coefficient`` is a part of the section's velocity pressure.

    ``bought`` is one of ``words.BOUGHT``.
    """

    name: str
    equivalent_length_ft: float = 0.0
    loss_coefficient: float = 0.0
    bought: str = EACH
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Duct:
    """A duct product. ``kind`` is rigid or flex; derate and compression in per cent.

    ``roughness_ft`` is NaN only while reading. ``correction`` is what a published friction table says over
    roughness and derate.
    """

    name: str
    kind: str
    roughness_ft: float
    airflow_derate_pct: float = 0.0
    compression_pct: float = 0.0
    source: str = ""
    correction: TableCorrection | None = field(default=None, compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """One section of the duct tree, before it is sized.

    ``duct`` names a rigid duct, or is ``flex``; ``product`` is then the one product used whatever the variant's, if
    not empty. ``rooms`` holds ``*`` for a return of all rooms; empty where
    the section only feeds others. ``season`` is the one season in which a run is open, or empty.
    ``min_in`` and ``max_in`` bound the equivalent diameter; ``fixed`` is a size's label. ``option`` says with which
    options it is built.
    """

    name: str
    parent: str = ""
    side: str = "supply"
    role: str = "branch"
    duct: str = FLEX
    product: str = ""
    shape: str = "round"
    length_ft: float = 0.0
    fittings: tuple[tuple[str, int], ...] = ()
    rooms: tuple[str, ...] = ()
    share: float | None = None
    season: str = ""
    min_in: float = 0.0
    max_in: float = math.inf
    fixed: str = ""
    option: Condition = ()
    system: str = ""

    @property
    def kind(self) -> str:
        return "flex" if self.duct == FLEX else "rigid"

    def duct_in(self, flex: str) -> str:
        """The product that it is made of in a variant with that flex; of ``words.FLEX``, what it is drawn in."""
        return self.duct if self.duct != FLEX else self.product or flex

    @property
    def is_run(self) -> bool:
        """True where a register or grille ends it, so that a path ends here."""
        return bool(self.rooms)

    def is_built(self, built: Built) -> bool:
        """Whether a house with these options has it."""
        return is_met(self.option, built)

    def is_open(self, season: str, built: Built) -> bool:
        """Whether it may carry air in a season in a house with these options."""
        return self.season in ("", season) and is_met(self.option, built)


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """Something that the whole airflow passes: its loss in standard air at an airflow.

    The loss grows with airflow to the power of ``exponent``. ``season`` is the one season in which it counts, or
    empty; ``loaded_inwc`` is a filter's loss when due for change, None for anything else. ``place`` is where the loss
    was typed.
    """

    name: str
    side: str
    loss_inwc: float
    at_cfm: float
    season: str = ""
    loaded_inwc: float | None = None
    exponent: float = 2.0
    place: Origin = field(default=Origin("devices", None, "loss_inwc", ""), compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Equipment:
    """The blower and the devices in its air stream.

    Attributes
    ----------
    curves : speed -> ((airflow_cfm, external_static_inwc), ...) in standard air, by rising airflow; empty without
        a table
    speed : season -> speed
    system_cfm : season -> airflow of the whole system, where the plan gives it
    least_heating_cfm, rated_static_inwc : what its maker asks for, in standard air; None where not given
    places : speed -> where each airflow of its curve was typed
    """

    curves: Mapping[str, tuple[tuple[float, float], ...]] = field(default_factory=dict)
    speed: Mapping[str, str] = field(default_factory=dict)
    devices: tuple[Device, ...] = ()
    system_cfm: Mapping[str, float] = field(default_factory=dict)
    capacity_tons: float | None = None
    held_airflow: bool = False
    supply_leakage: float = 0.0
    return_leakage: float = 0.0
    least_heating_cfm: float | None = None
    rated_static_inwc: float | None = None
    places: Mapping[str, tuple[Origin, ...]] = field(default_factory=dict, compare=False, repr=False)

    def place(self, speed: str, point: int) -> Origin:
        """Where an airflow of a speed's curve was typed; the column where that is not known."""
        return self.places[speed][point] if speed in self.places else Origin("blower", None, "airflow_cfm", "")

    @property
    def return_over_supply(self) -> float:
        """What the returns carry over what the registers deliver: 1 without leakage."""
        return (1.0 - self.return_leakage) / (1.0 - self.supply_leakage)


@dataclass(frozen=True, slots=True, kw_only=True)
class Purchase:
    """How duct is bought. ``package_ft`` by (duct, size label) where it is given; else flex comes in ``box_ft``.

    ``insulation`` is the level of the price that counts, likewise, where the prices table gives one.
    """

    package_ft: Mapping[tuple[str, str], float] = field(default_factory=dict)
    insulation: Mapping[tuple[str, str], str] = field(default_factory=dict)
    box_ft: float
    waste_pct: float
    lots: int


# Part of a tolerance. Units that are turned, and sums, leave so little: what is off by no more is within.
TIE = 1e-9


def is_outside(tolerances: ArrayLike) -> NDArray[np.bool_]:
    """Bool of distances from design in tolerances; what is not known is outside."""
    return np.asarray(~(np.asarray(tolerances) <= 1.0 + TIE))


@dataclass(frozen=True, slots=True, kw_only=True)
class Tolerance:
    """How far delivered airflow may be off; a room by the greater of the two."""

    room_pct: float
    room_cfm: float
    system_pct: float

    def of_room_cfm(self, design_cfm: ArrayLike) -> NDArray[np.float64]:
        """How far rooms may be off: the greater of a part of their design airflow and a fixed airflow."""
        return np.maximum(self.room_pct / 100.0 * np.asarray(design_cfm, dtype=float), self.room_cfm)

    def of_system_cfm(self, design_cfm: ArrayLike) -> NDArray[np.float64]:
        """How far the blower may be off."""
        return np.asarray(self.system_pct / 100.0 * np.asarray(design_cfm, dtype=float))


@dataclass(frozen=True, slots=True, kw_only=True)
class Dampers:
    """What balancing dampers cost and where they may be.

    Attributes
    ----------
    price : of one, installed, in the plan's currency; the default is an assumption, no source
    least_cfm : a run whose design airflow never reaches this has none
    positions : 1, one mark all year; 2, one for each season allowed
    """

    price: float = 20.0
    least_cfm: float = 0.0
    positions: int = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Untyped:
    """A value that nobody typed: what it is, where it counts, what it says, and the rule or source it is from."""

    what: str
    where: str
    value: str
    rule: str

    def __str__(self) -> str:
        return f"{self.what}, {self.where}: {self.value} ({self.rule})"


def told_once(untyped: Iterable[Untyped]) -> list[tuple[str, str]]:
    """What each value is, and where it counts and why: the same one once, with all its places."""
    where: dict[tuple[str, str, str], list[str]] = {}
    for one in untyped:
        where.setdefault((one.what, one.value, one.rule), []).append(one.where)
    return [(f"{what} {value}", f"{', '.join(places)} ({rule})") for (what, value, rule), places in where.items()]


@dataclass(frozen=True, slots=True, kw_only=True)
class System:
    """One of several air handlers of a house; what it has is what a plan of it alone would have."""

    name: str
    equipment: Equipment
    supply_inwc: float
    return_inwc: float
    default_pressure: tuple[str, ...]
    budget_given: bool
    typed: frozenset[tuple[str, str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A plan as read and checked: everything that a study needs.

    Attributes
    ----------
    airflow_cfm : (n_face, n_mirrored, n_season, n_room)
        What each room needs; with options, of the first house.
    options, houses : what may be built, and the houses that it is sized for, the first with ``airflow_cfm`` and
        ``surface_loads``; both empty where the plan has no options
    systems : of a house with several air handlers, else empty; ``network.systems`` makes a plan of each, and the
        equipment and pressures here are none's
    unshared : with several systems, ``airflow_cfm`` are loads by which the airflow of each is yet to be shared
    places : where cells were typed that only a study finds at fault, by table, column and section; see ``place``
    built, change_price : section -> size label of the lots that stand already, and what one changed section costs once
    prices : by (duct, size label), USD a foot; None where that duct is not offered in that size. Empty: no
        prices are given.
    inner_in : by (duct, size label), inner diameter where it is not the nominal one
    fitting_prices : by (fitting, size label of ``Piece.section``); None where not offered. Empty: they cost nothing.
    sizes : the standard sizes, round ones first
    most_steps_over_own : standard sizes that a section may be above its largest own size; ``NO_CAP`` for no cap
    choose : what the standard set is chosen by, ``sizes`` or ``dampers``
    supply_air_f : season -> air in the supply ducts, where it is not ``air_temperature_f``
    supply_inwc, return_inwc : what the ducts may lose in the site's air
    default_pressure : the sides whose pressure is the default, brought to the site's density
    budget_given : False where the pressure for the ducts is what the blower leaves after the devices
    typed : the keys that plan.toml gives, by (part, key); the others have their defaults
    derived, assumed : what was worked out from other cells, and defaults that stand for what nobody entered
    findings : what reading the plan showed
    surface_loads : the loads by surface, None where the plan does not give them
    turned : True where the airflow comes from the loads by surface, False where an airflow table gives it
    lots, outlines, routes : where it is built, and how to draw it; empty where not given
    units : what the plan is written and shown in; everything here is in the core's units, and sizes have its labels
    least_factor_12_in : the least factor of compressed flex of 12 in and more
    diversity_btuh : a finding where the house's sensible cooling load changes by more than this with direction
    breakdown_check_pct : a finding where loads by surface and airflow table differ by more than this
    """

    name: str
    folder: Path
    fronts: tuple[str, ...]
    mirrored: tuple[bool, ...]
    seasons: tuple[str, ...]
    flex: tuple[str, ...]
    rooms: tuple[str, ...]
    airflow_cfm: NDArray[np.float64]
    sections: tuple[Section, ...]
    fittings: Mapping[str, Fitting]
    ducts: Mapping[str, Duct]
    prices: Mapping[tuple[str, str], float | None] = field(default_factory=dict)
    inner_in: Mapping[tuple[str, str], float] = field(default_factory=dict)
    fitting_prices: Mapping[tuple[str, str], float | None] = field(default_factory=dict)
    purchase: Purchase
    sizes: tuple[Size, ...]
    elevation_ft: float
    air_temperature_f: float
    supply_air_f: Mapping[str, float] = field(default_factory=dict)
    supply_inwc: float
    return_inwc: float
    default_pressure: tuple[str, ...] = ()
    velocity_limits_fpm: Mapping[str, float]
    least_factor_12_in: float
    standardize_within_pct: float
    max_distinct_sizes: int
    most_steps_over_own: int
    choose: str
    dampers: Dampers
    equipment: Equipment = field(default_factory=Equipment)
    tolerance: Tolerance
    budget_given: bool = True
    typed: frozenset[tuple[str, str]] = frozenset()
    derived: tuple[Untyped, ...] = ()
    assumed: tuple[Untyped, ...] = ()
    findings: tuple[Finding, ...] = ()
    surface_loads: SurfaceLoads | None = None
    turned: bool = False
    lots: tuple[Lot, ...] = ()
    outlines: tuple[RoomOutline, ...] = ()
    routes: tuple[RoutePoint, ...] = ()
    units: UnitSystem = IP
    diversity_btuh: float
    breakdown_check_pct: float
    options: tuple[Option, ...] = ()
    houses: tuple[House, ...] = ()
    built: Mapping[str, str] = field(default_factory=dict)
    change_price: float = 0.0
    systems: tuple[System, ...] = ()
    unshared: bool = False
    places: Mapping[tuple[str, str, str], Origin] = field(default_factory=dict, compare=False, repr=False)

    def place(self, table: str, column: str, section: str = "") -> Origin:
        """Where a column of a table, or a section's cell in it, was typed; by its own name where that is not known."""
        return self.places.get((table, column, section)) or Origin(table, None, column, "")

    @property
    def other_flex(self) -> tuple[str, ...]:
        """Flex products of the ducts table that are not approved; a lot may have got one all the same."""
        return tuple(d.name for d in self.ducts.values() if d.kind == "flex" and d.name not in self.flex)

    @property
    def lots_left(self) -> int:
        """Lots that are still to be built."""
        return sum(not lot.built for lot in self.lots) if self.lots else self.purchase.lots

    @property
    def diameter_by_size(self) -> dict[str, float]:
        """Equivalent diameter of each standard size, by its label. [in]"""
        return {size.label: size.diameter_in for size in self.sizes}

    @property
    def every_house(self) -> tuple[House, ...]:
        """The houses, also where there are no options: then the one."""
        return self.houses or (House(options=(), airflow_cfm=self.airflow_cfm, surface_loads=self.surface_loads),)

    def of_house(self, built: Built) -> Plan:
        """The plan of houses with these options alone. KeyError where it is not sized for them."""
        if not self.houses:
            return self
        house = {house.options: house for house in self.houses}[built]
        return replace(self, houses=(house,), airflow_cfm=house.airflow_cfm, surface_loads=house.surface_loads)

    @property
    def air(self) -> Air:
        """Air at the air handler: the site's at ``air_temperature_f``."""
        return site_air(self.elevation_ft, self.air_temperature_f)

    @property
    def damper_cost(self) -> float:
        """What a balancing damper adds to the cost; 0 without prices, where the cost is of duct wall."""
        return self.dampers.price if self.prices else 0.0

    @property
    def cost_unit(self) -> str:
        """USD, or ft2 of duct wall where the plan gives no prices."""
        return "USD" if self.prices else "ft2"

    @property
    def density_ratio(self) -> float:
        """Density of the air at the air handler over that of standard air.

        The blower's table and the devices' losses times this are those at the site; an actual cfm times this is
        its standard cfm.
        """
        return float(self.air.density_ratio)

    def air_in(self, side: str, season: str) -> Air:
        """Air in the ducts of a side in a season: supply ducts may have their own, all else has the air handler's."""
        supply = self.supply_air_f if side == "supply" else {}
        return site_air(self.elevation_ft, supply.get(season, self.air_temperature_f))

    def velocity_limit_fpm(self, section: Section) -> float:
        """The highest velocity of a section by its side, role and kind."""
        side = "return_" if section.side == "return" else ""
        return self.velocity_limits_fpm[f"{side}{section.role}_{section.kind}_fpm"]

    def available_inwc(self, side: str) -> float:
        """What the ducts of a side may lose."""
        return self.return_inwc if side == "return" else self.supply_inwc

    def duct_of(self, section: Section, flex: str) -> Duct:
        """The product that a section is made of in a variant with that flex."""
        return self.ducts[section.duct_in(flex)]

    def as_made(self, duct: str, size: Size) -> Size:
        """A size as a product has it: with its own inner diameter, where that is given."""
        inner = self.inner_in.get((duct, size.label))
        return size if inner is None else replace(round_size(inner), label=size.label)

    def least_compression_factor(self, size: Size) -> float:
        """The least that compression multiplies the friction of flex of a nominal size by."""
        return float(least_factor_by_size(size.diameter_in, self.least_factor_12_in))

    def pieces(self) -> tuple[Piece, ...]:
        """What is bought of the fittings that the sections name."""
        return pieces_of(self.sections, self.fittings)

    def equivalent_lengths_ft(self, section: Section) -> float:
        """Sum of the equivalent lengths of a section's fittings."""
        return sum(self.fittings[name].equivalent_length_ft * n for name, n in section.fittings)

    def loss_coefficients(self, section: Section) -> float:
        """Sum of the loss coefficients of a section's fittings."""
        return sum(self.fittings[name].loss_coefficient * n for name, n in section.fittings)


def is_reducer(fitting: str) -> bool:
    """True for a fitting that is bought only where sizes differ: any with that word in its name."""
    return "reducer" in fitting.casefold()


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """Fittings that are bought for one place: ``count`` of them.

    Its price goes by the size of ``section``. ``branches`` are the other sections that it joins: a reducer's
    parent; what a piece at the parent opens to, where ``section`` is that parent, the largest of its openings.
    """

    fitting: str
    count: int
    section: str
    branches: tuple[str, ...] = ()

    @property
    def is_reducer(self) -> bool:
        return is_reducer(self.fitting)


_JOINTS = re.compile(r"(?<![^\W\d_])(wye|tee|splitter|manifold)", re.IGNORECASE)


def joint_of(fitting: str) -> str:
    """The kind of joint that a fitting's name says it is: a wye, a tee, a splitter, a manifold; empty for others."""
    found = _JOINTS.search(fitting)
    return found[1].casefold() if found else ""


def pieces_of(sections: Iterable[Section], fittings: Mapping[str, Fitting]) -> tuple[Piece, ...]:
    """What is bought of the fittings that sections name, section by section, then what is at their parents.

    At a parent each kind of fitting is bought once: as often as the child that names it most often does. It opens to
    the children that name it; of two children, to both. A section without a parent joins nothing, so what it names is
    its own. A reducer without a parent reduces nothing.
    """
    found: list[Piece] = []
    joints: dict[tuple[str, str], dict[str, int]] = {}  # (parent, fitting) -> child -> how often it names it
    beyond: dict[str, list[str]] = {}
    for section in sections:
        beyond.setdefault(section.parent, []).append(section.name)
        for name, count in section.fittings:
            bought, parent = fittings[name].bought, section.parent
            if bought == AT_PARENT and parent:
                children = joints.setdefault((parent, name), {})
                children[section.name] = children.get(section.name, 0) + count
            elif bought != NOT_BOUGHT and (parent or not is_reducer(name)):
                branches = (parent,) if is_reducer(name) else ()
                found.append(Piece(fitting=name, count=count, section=section.name, branches=branches))
    for (parent, name), children in joints.items():
        opens_to = tuple(beyond[parent] if len(beyond[parent]) == 2 else children)
        found.append(Piece(fitting=name, count=max(children.values()), section=parent, branches=opens_to))
    return tuple(found)


def candidate_sizes(section: Section, sizes: Iterable[Size]) -> list[Size]:
    """The standard sizes that a section's shape and bounds leave."""
    return [
        s
        for s in sizes
        if s.shape == section.shape
        and (s.label == section.fixed if section.fixed else s.lies_between(section.min_in, section.max_in))
    ]
