"""The plan format's meaning, written a second time in plain loops: what the tests hold results.json against.

Nothing of the program is used here. The friction factor comes from the `fluids` library; the plan comes as
the tables that its author wrote.
"""

from __future__ import annotations

import itertools
import math
from functools import cache
from typing import Any

import fluids
from fluids.friction import Clamond, friction_laminar
from plan_folder import PlanTables, Row

# Exact unit factors.
M_PER_FT = 0.3048
KG_PER_LB = 0.45359237
PA_PER_INWC = 249.089  # water at 4 C; from memory
# Standard air: 0.075 lb/ft3 at 70 F; duct tables write Re = 8.56 D V (in, fpm), which implies the viscosity.
STANDARD_DENSITY = 0.075 * KG_PER_LB / M_PER_FT**3
STANDARD_VISCOSITY = M_PER_FT**2 / (8.56 * 12.0 * 60.0)

# ANSI/ACCA 1, from memory, as the plan format's defaults state them.
DEFAULT_LIMITS = {
    "trunk_rigid_fpm": 900.0,
    "trunk_flex_fpm": 700.0,
    "branch_rigid_fpm": 900.0,
    "branch_flex_fpm": 700.0,
    "return_trunk_rigid_fpm": 700.0,
    "return_trunk_flex_fpm": 700.0,
    "return_branch_rigid_fpm": 700.0,
    "return_branch_flex_fpm": 700.0,
}
DEFAULT_ROUND = (4, 5, 6, 7, 8, 9, 10, 12, 14, 16, 18, 20)


def density_ratio(elevation_ft: float, temperature_f: float) -> float:
    """(1 - 6.8754e-6 z)^5.2559 and the ideal gas law from 70 F."""
    return (1.0 - 6.8754e-6 * elevation_ft) ** 5.2559 * (70.0 + 459.67) / (temperature_f + 459.67)


def viscosity_ratio(temperature_f: float) -> float:
    """Dynamic viscosity of air over that at 70 F: the U.S. Standard Atmosphere 1976, as `fluids` has it."""
    kelvin, standard = (temperature_f + 459.67) / 1.8, (70.0 + 459.67) / 1.8
    atmosphere = fluids.ATMOSPHERE_1976
    return float(atmosphere.viscosity(kelvin) / atmosphere.viscosity(standard))


@cache
def friction_rate(
    cfm: float,
    diameter_in: float,
    roughness_ft: float,
    elevation_ft: float = 0.0,
    temperature_f: float = 70.0,
) -> float:
    """Darcy-Weisbach in SI with a friction factor of `fluids`. [inWC/100 ft]"""
    if cfm == 0.0:
        return 0.0
    diameter = diameter_in / 12.0 * M_PER_FT
    velocity = cfm * M_PER_FT**3 / 60.0 / (math.pi / 4.0 * diameter**2)
    ratio = density_ratio(elevation_ft, temperature_f)
    reynolds = velocity * diameter * ratio / (STANDARD_VISCOSITY * viscosity_ratio(temperature_f))
    factor = friction_laminar(reynolds) if reynolds < 2300.0 else Clamond(reynolds, roughness_ft * M_PER_FT / diameter)
    pascals = factor * 100.0 * M_PER_FT / diameter * 0.5 * STANDARD_DENSITY * ratio * velocity**2
    return float(pascals / PA_PER_INWC)


def compression_factor(
    compression_pct: float, diameter_in: float, nominal_in: float | None = None, large: float = 4.0
) -> float:
    """From memory, after Abushakra, Walker and Sherman (LBNL): not an outside check. Above 4 % a nominal 12 in and
    more (300 mm is 11.8 in) counts ``large`` at the least."""
    factor = 1.0 + 0.58 * compression_pct * math.exp(-0.126 * diameter_in)
    is_large = (diameter_in if nominal_in is None else nominal_in) > 11.79
    return max(factor, large) if is_large and compression_pct > 4 else factor


def key(name: Any) -> str:
    return str(name or "").strip().casefold()


def number(value: Any, default: float = 0.0) -> float:
    return default if value is None or str(value).strip() == "" else float(value)


Variant = tuple[Any, ...]  # front, mirrored, season, flex; in a plan with options what is built


def terms(cell: Any) -> dict[str, bool]:
    """Options and whether each must be built, out of 'bay and not bonus'."""
    found = {}
    for part in str(cell or "").split(" and "):
        if part.strip():
            wanted = not part.strip().startswith("not ")
            found[key(part if wanted else part.strip().removeprefix("not "))] = wanted
    return found


def met(cell: Any, options: tuple[str, ...] = ()) -> bool:
    return all((name in options) == wanted for name, wanted in terms(cell).items())


class Size:
    """A standard size by its own label."""

    def __init__(self, *sides: float) -> None:
        self.label = "x".join(f"{s:g}" for s in sides)
        self.shape = "round" if len(sides) == 1 else "rectangular"
        if len(sides) == 1:
            self.diameter = float(sides[0])
            self.area = math.pi * (sides[0] / 24.0) ** 2
            self.perimeter = math.pi * sides[0] / 12.0
        else:
            a, b = sides
            self.diameter = 1.30 * (a * b) ** 0.625 / (a + b) ** 0.25
            self.area = a * b / 144.0
            self.perimeter = 2.0 * (a + b) / 12.0


class Reference:
    """What a plan means: airflow, losses, limits, costs."""

    def __init__(self, plan: PlanTables) -> None:
        config, tables = plan.config, plan.tables
        self.sections: dict[str, Row] = {row["section"]: row for row in tables["sections"]}
        self.fittings = {key(row["fitting"]): row for row in tables["fittings"]}
        self.ducts = {key(row["duct"]): row for row in tables["ducts"]}
        self.prices = {
            (key(row["duct"]), str(row["size_in"])): str(row["price_per_ft"]) for row in tables.get("prices", ())
        }
        site = config.get("site", {})
        self.elevation = site.get("elevation_ft", 0.0)
        self.temperature = site.get("air_temperature_f", 70.0)
        self.supply_temperature = {s: site.get(f"{s}_supply_air_f", self.temperature) for s in ("heating", "cooling")}
        pressure = config.get("pressure", {})
        density = density_ratio(self.elevation, self.temperature)
        self.available = {  # as typed it holds at the site; the default is for standard air
            "supply": pressure.get("supply_inwc", 0.10 * density),
            "return": pressure.get("return_inwc", 0.05 * density),
        }
        self.large_factor = config.get("compression", {}).get("least_factor_12_in", 4.0)
        self.limits = {**DEFAULT_LIMITS, **config.get("limits", {})}
        sizes = config.get("sizes", {})
        self.sizes = [Size(d) for d in sizes.get("round_in", DEFAULT_ROUND)]
        self.sizes += [Size(w, h) for w, h in sizes.get("rectangular_in", ())]
        self.size = {size.label: size for size in self.sizes}
        self.within_pct = config.get("objective", {}).get("standardize_within_pct", 5)
        self.most_steps = config.get("objective", {}).get("most_steps_over_own", 2)
        self.cap = config.get("objective", {}).get("max_distinct_sizes", 0)
        self._read_needs(config, tables)
        self.variants = [
            (face, mirrored, season, flex, *options)
            for face in self.faces
            for mirrored in self.mirrored
            for season in self.seasons
            for flex in self.flex
            for options in self.houses
        ]
        self.sections = {
            name: row
            for name, row in self.sections.items()
            if any(met(row.get("option"), *options) for options in self.houses)
        }
        self._flow: dict[tuple[Any, ...], float] = {}
        self._largest: dict[str, float] = {}

    def _read_needs(self, config: dict[str, Any], tables: dict[str, list[Row]]) -> None:
        rows = tables["airflow"]
        loads = "heating_btuh" in rows[0] or "sensible_cooling_btuh" in rows[0]
        columns = {
            "heating": "heating_btuh" if loads else "heating_cfm",
            "cooling": "sensible_cooling_btuh" if loads else "cooling_cfm",
        }
        held = config.get("variants", {})
        self.seasons = held.get("seasons", [s for s in ("heating", "cooling") if columns[s] in rows[0]])
        self.faces = held.get("front_faces") or list(dict.fromkeys(row["front_faces"] for row in rows))

        def flag(row: Row) -> bool:
            return str(row.get("mirrored") or "false").casefold() in ("true", "yes")

        self.mirrored = held.get("mirrored") or sorted({flag(row) for row in rows})
        self.flex = held.get("flex") or [r["duct"] for r in tables["ducts"] if r["kind"] == "flex"] or [""]
        self.rooms = list(dict.fromkeys(key(row["room"]) for row in rows))
        self._read_houses(held, tables)
        self.need: dict[tuple[Any, ...], float] = {}
        for options in self.houses:
            for place in itertools.product(self.faces, self.mirrored, self.seasons):
                for room in self.rooms:
                    self.need[(*place, room, *options)] = self._needed(rows, flag, columns, (*place, room, *options))
                if loads:
                    whole = sum(self.need[(*place, room, *options)] for room in self.rooms)
                    for room in self.rooms:
                        self.need[(*place, room, *options)] *= config["blower"][f"{place[2]}_cfm"] / whole

    def _read_houses(self, held: dict[str, Any], tables: dict[str, list[Row]]) -> None:
        """Every combination with at most one of each group, or those that are listed; one of () without options."""
        self.houses: list[tuple[Any, ...]] = [()]
        if not tables.get("options"):
            return
        groups: dict[str, list[str]] = {}
        for row in tables["options"]:
            groups.setdefault(row.get("group") or f"of {row['option']} alone", []).append(key(row["option"]))
        names = [key(row["option"]) for row in tables["options"]]
        wanted = held.get("options", "all")
        if wanted == "all":
            each = itertools.product(*([None, *group] for group in groups.values()))
            wanted = [[name for name in one if name] for one in each]
        self.houses = [(tuple(n for n in names if n in map(key, built)),) for built in wanted]

    def _needed(self, rows: list[Row], flag: Any, columns: dict[str, str], at: tuple[Any, ...]) -> float:
        """Of the rows that mean this house the one that asks for most; 0 where none does."""
        face, mirrored, season, room, *options = at
        mine = [r for r in rows if (r["front_faces"], flag(r), key(r["room"])) == (face, mirrored, room)]
        mine = [r for r in mine if met(r.get("option"), *options)]
        return float(max(mine, key=lambda r: len(terms(r.get("option"))))[columns[season]]) if mine else 0.0

    # -- the tree ------------------------------------------------------------------------------------

    def side(self, name: str) -> str:
        return self.sections[name].get("side") or "supply"

    def parent(self, name: str) -> str:
        return self.sections[name].get("parent") or ""

    def children(self, name: str) -> list[str]:
        return [other for other in self.sections if self.parent(other) == name]

    def way(self, name: str) -> list[str]:
        """Sections from this one to the air handler."""
        found = [name]
        while self.parent(found[-1]):
            found.append(self.parent(found[-1]))
        return found

    def rooms_of(self, name: str) -> list[str]:
        cell = str(self.sections[name].get("room") or "")
        if cell.strip() == "*":
            return self.rooms
        return [key(part) for part in cell.split(";") if part.strip()]

    def runs(self) -> list[str]:
        return [name for name in self.sections if self.rooms_of(name)]

    def built(self, variant: Variant) -> set[str]:
        """The sections of a house."""
        return {name for name, row in self.sections.items() if met(row.get("option"), *variant[4:])}

    def is_open(self, name: str, variant: Variant) -> bool:
        row = self.sections[name]
        return (row.get("season") or variant[2]) == variant[2] and met(row.get("option"), *variant[4:])

    def run_airflow(self, name: str, variant: Variant) -> float:
        """Airflow that a run carries for its own rooms."""
        if not self.is_open(name, variant):
            return 0.0
        total = 0.0
        for room in self.rooms_of(name):
            others = [
                other
                for other in self.runs()
                if self.side(other) == self.side(name) and room in self.rooms_of(other) and self.is_open(other, variant)
            ]
            shares = {other: number(self.sections[other].get("share"), 1.0) for other in others}
            total += self.need[(*variant[:3], room, *variant[4:])] * shares[name] / sum(shares.values())
        return total

    def airflow(self, name: str, variant: Variant) -> float:
        """Sum of the runs at and beyond a section."""
        at = (name, *variant[:3], *variant[4:])
        if at not in self._flow:
            own = self.run_airflow(name, variant) if self.rooms_of(name) else 0.0
            self._flow[at] = own + sum(self.airflow(child, variant) for child in self.children(name))
        return self._flow[at]

    # -- sizes -----------------------------------------------------------------------------------------

    def kind(self, name: str) -> str:
        named = key(self.sections[name]["duct"])
        return "flex" if named == "flex" or self.ducts[named]["kind"] == "flex" else "rigid"

    def shape(self, name: str) -> str:
        return self.sections[name].get("shape") or "round"

    def duct(self, name: str, flex: str) -> Row:
        named = key(self.sections[name]["duct"])
        return self.ducts[key(flex) if named == "flex" else named]

    def price(self, name: str, size: Size, flex: str) -> float | None:
        text = self.prices[key(self.duct(name, flex)["duct"]), size.label]
        return None if text == "-" else float(text)

    def offered(self, name: str, size: Size, flex: str) -> bool:
        return not self.prices or self.price(name, size, flex) is not None

    def candidates(self, name: str) -> list[Size]:
        """Sizes that shape, bounds, offer and the cap over the own size leave, from the smallest diameter up."""
        if name not in self._largest:
            self._largest[name] = self.largest(name)
        return [size for size in self.on_sale(name) if size.diameter <= self._largest[name] + 1e-9]

    def largest(self, name: str) -> float:
        """The largest equivalent diameter within most_steps_over_own of the largest own size of any variant.

        No limit where a variant has no own size or none can be told, nor for a given size. Where min_in leaves nothing
        below the limit, the smallest that it leaves.
        """
        own = [self.friction_rate_size(name, variant) for variant in self.variants]
        if self.most_steps >= 99 or str(self.sections[name].get("fixed_in") or "").strip() or not all(own):
            return math.inf
        ladder = sorted({round(size.diameter, 9) for size in self.sizes if size.shape == self.shape(name)})
        top = max(ladder.index(round(self.size[label or ""].diameter, 9)) for label in own)
        limit = ladder[min(top + self.most_steps, len(ladder) - 1)]
        if str(self.sections[name].get("min_in") or "").strip():
            limit = max(limit, min((size.diameter for size in self.on_sale(name)), default=0.0))
        return limit

    def on_sale(self, name: str) -> list[Size]:
        """Sizes that shape, bounds and offer leave, from the smallest equivalent diameter up."""
        row = self.sections[name]

        def bound(column: str, default: float) -> float:
            cell = str(row.get(column) or "").strip()
            if not cell:
                return default
            return Size(*(float(s) for s in cell.split("x"))).diameter

        fixed = str(row.get("fixed_in") or "").strip()
        low, high = bound("min_in", 0.0), bound("max_in", math.inf)
        found = [
            size
            for size in self.sizes
            if size.shape == self.shape(name)
            and (size.label == fixed if fixed else low - 1e-9 <= size.diameter <= high + 1e-9)
            and all(self.offered(name, size, flex) for flex in self.flex)
        ]
        return sorted(found, key=lambda size: size.diameter)

    def cost_of(self, name: str, size: Size) -> float:
        length = number(self.sections[name]["length_ft"])
        if not self.prices:
            return length * size.perimeter
        prices = [self.price(name, size, flex) for flex in self.flex]
        return length * sum(p for p in prices if p is not None) / len(prices)

    def cost(self, chosen: dict[str, str]) -> float:
        return sum(self.cost_of(name, self.size[label]) for name, label in chosen.items())

    def distinct(self, chosen: dict[str, str]) -> int:
        return len({(self.kind(n), self.shape(n), label) for n, label in chosen.items()})

    # -- losses and limits -------------------------------------------------------------------------------

    def air_f(self, name: str, variant: Variant) -> float:
        """Temperature of the air in a section: supply ducts may have their own in each season."""
        return self.supply_temperature[variant[2]] if self.side(name) == "supply" else self.temperature

    @property
    def at_70(self) -> bool:
        """Whether all air is at 70 F: off it the viscosity is another publication's here, 0.1 % of friction off."""
        return {self.temperature, *self.supply_temperature.values()} == {70.0}

    def fitting_sum(self, name: str, column: str) -> float:
        total = 0.0
        for part in str(self.sections[name].get("fittings") or "").split("+"):
            if part.strip():
                fitting, _, count = part.partition("*")
                total += number(self.fittings[key(fitting)].get(column)) * int(count or 1)
        return total

    def effective_length(self, name: str) -> float:
        """Straight length and equivalent lengths of one section."""
        return number(self.sections[name]["length_ft"]) + self.fitting_sum(name, "equivalent_length_ft")

    def total_effective_length(self, run: str) -> float:
        return sum(self.effective_length(name) for name in self.way(run))

    def rate(self, name: str, size: Size, variant: Variant) -> float:
        """Friction rate of fully stretched duct, derate in it."""
        duct = self.duct(name, variant[3])
        derate = number(duct.get("airflow_derate_pct")) / 100.0
        flow = self.airflow(name, variant) / (1.0 - derate)
        return friction_rate(
            flow, size.diameter, float(duct["roughness_ft"]), self.elevation, self.air_f(name, variant)
        )

    def compression(self, compression_pct: float, size: Size) -> float:
        return compression_factor(compression_pct, size.diameter, large=self.large_factor)

    def loss(self, name: str, size: Size, variant: Variant) -> float:
        """friction rate x (length x compression + equivalent lengths) / 100 + coefficients x VP."""
        compression = number(self.duct(name, variant[3]).get("compression_pct"))
        straight = number(self.sections[name]["length_ft"]) * self.compression(compression, size)
        length = straight + self.fitting_sum(name, "equivalent_length_ft")
        pressure = (self.velocity(name, size, variant) / 4005.0) ** 2  # common practice
        pressure *= density_ratio(self.elevation, self.air_f(name, variant))
        coefficients = self.fitting_sum(name, "loss_coefficient")
        return self.rate(name, size, variant) * length / 100.0 + coefficients * pressure

    def velocity(self, name: str, size: Size, variant: Variant) -> float:
        return self.airflow(name, variant) / size.area

    def velocity_limit(self, name: str) -> float:
        side = "return_" if self.side(name) == "return" else ""
        return self.limits[f"{side}{self.sections[name]['role']}_{self.kind(name)}_fpm"]

    def path_loss(self, run: str, chosen: dict[str, str], variant: Variant) -> float:
        return sum(self.loss(name, self.size[chosen[name]], variant) for name in self.way(run))

    def breaks(self, chosen: dict[str, str], variant: Variant, only: str = "", slack: float = 1e-7) -> list[str]:
        """The limits that a set breaks in a variant; ``only``: those that this section has a part in."""
        found = []
        for name in self.sections if not only else [only]:
            limit = self.velocity_limit(name)
            speed = self.velocity(name, self.size[chosen[name]], variant)
            if speed > limit * (1.0 + slack):
                found.append(f"velocity of {name}: {speed} over {limit}")
        for run in self.runs():
            if self.is_open(run, variant) and (not only or only in self.way(run)):
                loss, available = self.path_loss(run, chosen, variant), self.available[self.side(run)]
                if loss > available * (1.0 + slack):
                    found.append(f"pressure to {run}: {loss} over {available}")
        return found

    def larger_than_parent(self, chosen: dict[str, str]) -> list[str]:
        return [
            name
            for name, label in chosen.items()
            if self.parent(name) and self.size[label].diameter > self.size[chosen[self.parent(name)]].diameter + 1e-9
        ]

    def holds(self, chosen: dict[str, str]) -> list[str]:
        """Everything wrong with a size set; empty where it holds."""
        found = [f"{n} larger than its parent" for n in self.larger_than_parent(chosen)]
        for name, label in chosen.items():
            if label not in {size.label for size in self.candidates(name)}:
                found.append(f"{name} can't be {label}")
        for variant in self.variants:
            found += self.breaks(chosen, variant)
        return found

    # -- the friction-rate method -----------------------------------------------------------------------

    def design_rate(self, name: str, variant: Variant) -> float:
        """The lowest friction rate of the open runs through a section; inf where there is none."""
        rates = [
            100.0 * self.available[self.side(run)] / self.total_effective_length(run)
            for run in self.runs()
            if name in self.way(run) and self.is_open(run, variant)
        ]
        return min(rates, default=math.inf)

    def friction_rate_size(self, name: str, variant: Variant) -> str | None:
        """The smallest standard size by the friction-rate method; '' where none fits.

        None where one is too close to its limit to tell (within 1e-6).
        """
        rate = self.design_rate(name, variant)
        compression = number(self.duct(name, variant[3]).get("compression_pct"))
        effective, straight = self.effective_length(name), number(self.sections[name]["length_ft"])
        part = straight / effective if effective else 1.0
        for size in sorted(self.sizes, key=lambda size: size.diameter):
            if size.shape != self.shape(name) or not self.offered(name, size, variant[3]):
                continue
            # As installed: compression counts on the straight part of the effective length.
            installed = self.rate(name, size, variant)
            installed *= 1.0 + part * (self.compression(compression, size) - 1.0)
            over = max(installed / rate, self.velocity(name, size, variant) / self.velocity_limit(name))
            if abs(over - 1.0) < 1e-6:
                return None
            if over < 1.0:
                return size.label
        return ""
