"""An independent pass over a chosen size set: every limit in every variant, from the plan itself.

It shares the physics with the program that chose the sizes, and nothing else: airflow is added up along the
tree from the rooms, section by section, and each loss is worked out again for the one size chosen.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from tractduct.model.plan import NO_CAP, Plan, Section, candidate_sizes, is_reducer
from tractduct.model.sizes import Size
from tractduct.model.words import ALL_ROOMS, AT_PARENT, NOT_BOUGHT, SIDES, key_of
from tractduct.network.airstream import airstream
from tractduct.network.variants import Variant
from tractduct.physics.air import site_air, velocity_pressure_inwc
from tractduct.physics.friction import compression_factor, friction_rate_inwc_per_100ft
from tractduct.sizing.program import DIAMETER_TOLERANCE_IN, highest_allowed
from tractduct.units import IP, UnitSystem

_ANOTHER_ORDER = 1e-12  # part of a limit: far more than the same losses added in another order can differ by


@dataclass(frozen=True, slots=True, kw_only=True)
class Breach:
    """One limit that a size set breaks. ``amount`` and ``limit`` in the unit; ``variant`` None: in all.

    ``units`` are those that it is told in.
    """

    limit_name: str  # pressure, velocity, larger than parent, size
    section: str
    variant: Variant | None
    amount: float
    limit: float
    unit: str
    units: UnitSystem = IP

    def __str__(self) -> str:
        where = f" ({self.variant})" if self.variant else ""
        amount = self.units.number(self.amount, self.unit, ".4g")
        against = f"{amount} against {self.units.say(self.limit, self.unit, '.4g')}"
        return f"{self.limit_name} of {self.section}{where}: {against}"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Verification:
    """What the independent pass found, arrays by section name.

    ``airflow_cfm``, ``velocity_fpm``, ``loss_inwc``: section -> (n_variant,). ``path_loss_inwc``: run ->
    (n_variant,), NaN where the run is shut. ``breaches`` is empty when the set holds.
    """

    airflow_cfm: Mapping[str, NDArray[np.float64]]
    velocity_fpm: Mapping[str, NDArray[np.float64]]
    loss_inwc: Mapping[str, NDArray[np.float64]]
    path_loss_inwc: Mapping[str, NDArray[np.float64]]
    breaches: tuple[Breach, ...]

    @property
    def holds(self) -> bool:
        return not self.breaches


def verify_sizes(
    plan: Plan, variants: tuple[Variant, ...], chosen: Mapping[str, str], *, first_only: bool = False
) -> Verification:
    """Recompute every limit of a size set, section name -> size label, in the given variants.

    ``first_only`` keeps the worst variant of each section's or path's limit and leaves out the others.
    KeyError where a section has no size.
    """
    sizes = {size.label: size for size in plan.sizes}
    by_name = {section.name: section for section in plan.sections}
    breaches: list[Breach] = []
    flow = _airflow(plan, variants)
    groups = _groups(plan, variants)
    velocity: dict[str, NDArray[np.float64]] = {}
    loss: dict[str, NDArray[np.float64]] = {}

    def report(
        name: str, section: str, amount: NDArray[np.float64], limit: float, unit: str, live: NDArray[np.bool_]
    ) -> None:
        over = np.flatnonzero(live & (amount > _refused_above(limit)))
        if first_only and over.size:
            over = over[[int(np.argmax(amount[over]))]]
        breaches.extend(
            Breach(
                limit_name=name,
                section=section,
                variant=variants[v],
                amount=float(amount[v]),
                limit=limit,
                unit=unit,
                units=plan.units,
            )
            for v in over
        )

    everywhere = np.ones(len(variants), dtype=bool)
    fittings = _fittings_needed(plan)
    for section in plan.sections:
        size = sizes[chosen[section.name]]
        above = sizes[chosen[section.parent]] if section.parent else None
        breaches.extend(_size_breaches(plan, section, size, above, variants, fittings[section.name]))
        velocity[section.name] = flow[section.name] / np.array(
            [plan.as_made(plan.duct_of(section, v.flex).name, size).area_ft2 for v in variants]
        )
        loss[section.name] = _section_loss(plan, section, size, groups, flow[section.name])
        limit = plan.velocity_limit_fpm(section)
        report("velocity", section.name, velocity[section.name], limit, "fpm", everywhere)
    path_loss: dict[str, NDArray[np.float64]] = {}
    for run in plan.sections:
        if not run.is_run:
            continue
        is_open = np.array([run.is_open(v.season, v.options) for v in variants])
        total = loss[run.name].copy()
        at = run
        while at.parent:
            at = by_name[at.parent]
            total += loss[at.name]
        if plan.budget_given:
            report("pressure", run.name, total, plan.available_inwc(run.side), "inWC", is_open)
        path_loss[run.name] = np.where(is_open, total, np.nan)
    if not plan.budget_given:
        breaches += _over_blower(plan, variants, flow, path_loss)
    return Verification(
        airflow_cfm=flow,
        velocity_fpm=velocity,
        loss_inwc=loss,
        path_loss_inwc=path_loss,
        breaches=tuple(breaches),
    )


def verify_cap(plan: Plan, variants: tuple[Variant, ...], chosen: Mapping[str, str]) -> tuple[Breach, ...]:
    """Sections more than ``most_steps_over_own`` sizes above what the friction-rate method gives in any variant.

    ``variants`` are all of the plan's. Looked at from below: a section is too large where, in each, the method would be
    content with one of the sizes that many steps smaller. A fixed size is never too large, nor is the smallest on sale
    from ``min_in`` on. A pressure that the blower gives is split by total effective length.
    """
    most = plan.most_steps_over_own
    sizes = {size.label: size for size in plan.sizes}
    flow = _airflow(plan, variants)
    rate, fittings = _friction_rates(plan, variants, flow), _fittings_needed(plan)
    breaches = []
    for section in plan.sections if most < NO_CAP else ():
        size = sizes[chosen[section.name]]
        smaller = [s for s in plan.sizes if s.shape == section.shape and s.diameter_in < size.diameter_in - 1e-9]
        steps = sorted({round(s.diameter_in, 9) for s in smaller}, reverse=True)
        floor = section.min_in > 0.0 and not any(
            not _size_breaches(plan, section, s, None, variants, fittings[section.name]) for s in smaller
        )
        if section.fixed or floor or len(steps) <= most:
            continue
        content = np.zeros(len(variants), dtype=bool)
        far_below = [s for s in smaller if s.diameter_in <= steps[most] + 1e-9]
        while far_below and not content.all():
            s, left = far_below.pop(), ~content  # the largest first
            some = tuple(v for v, ask in zip(variants, left, strict=True) if ask)
            at = flow[section.name][left], rate[section.name][left]
            content[left] = _hand_is_content(plan, section, s, some, fittings[section.name], *at)
        if content.all():
            breaches.append(
                Breach(
                    limit_name=f"more than {most} standard sizes above the friction-rate method's",
                    section=section.name,
                    variant=None,
                    amount=size.diameter_in,
                    limit=steps[most - 1] if most else size.diameter_in,
                    unit="in",
                    units=plan.units,
                )
            )
    return tuple(breaches)


def _friction_rates(
    plan: Plan, variants: tuple[Variant, ...], flow: Mapping[str, NDArray[np.float64]]
) -> dict[str, NDArray[np.float64]]:
    """Section -> (n_variant,) the lowest friction rate of the open runs at and beyond it; inf without any."""
    by_name = {section.name: section for section in plan.sections}
    ways = {run.name: [run] for run in plan.sections if run.is_run}
    for way in ways.values():
        while way[-1].parent:
            way.append(by_name[way[-1].parent])
    live = {run: np.array([by_name[run].is_open(v.season, v.options) for v in variants]) for run in ways}
    feet = {run: live[run] * sum(s.length_ft + plan.equivalent_lengths_ft(s) for s in way) for run, way in ways.items()}
    has = {side: np.full(len(variants), plan.available_inwc(side)) for side in ("supply", "return")}
    if not plan.budget_given:
        tops = [s.name for s in plan.sections if not s.parent and s.side != "return"]
        left = airstream(plan, variants, np.sum([flow[name] for name in tops], axis=0)).left_for_ducts()
        longest = {side: np.max([feet[r] * (by_name[r].side == side) for r in ways], axis=0) for side in has}
        both = longest["supply"] + longest["return"]
        has = {side: left * np.where(both > 0.0, longest[side] / np.maximum(both, 1e-9), 0.5) for side in has}
    rates = {section.name: np.full(len(variants), np.inf) for section in plan.sections}
    for run, way in ways.items():
        of_run = np.where(feet[run] > 0.0, 100.0 * has[by_name[run].side] / np.maximum(feet[run], 1e-9), np.inf)
        for section in way:
            rates[section.name] = np.minimum(rates[section.name], of_run)
    return rates


def _hand_is_content(
    plan: Plan,
    section: Section,
    size: Size,
    variants: tuple[Variant, ...],
    fittings: list[str],
    flow: NDArray[np.float64],
    rate: NDArray[np.float64],
) -> NDArray[np.bool_]:
    """(n_variant,) bool: a size is on sale and keeps a friction rate, as installed, and the velocity limit."""
    feet = section.length_ft + plan.equivalent_lengths_ft(section)
    if feet == 0.0:
        section, feet = replace(section, length_ft=1.0), 1.0
    lost = _section_loss(plan, section, size, _groups(plan, variants), flow, coefficients=False)
    fine = lost <= highest_allowed(rate) * feet / 100.0
    for flex in plan.flex:
        mine = np.array([v.flex == flex for v in variants])
        area = plan.as_made(plan.duct_of(section, flex).name, size).area_ft2
        slow = flow / area <= highest_allowed(plan.velocity_limit_fpm(section))
        fine &= ~mine | (slow & (not _not_offered(plan, section, size, flex, fittings)))
    return np.asarray(fine)


def _refused_above(limit: float) -> float:
    """Where this pass and the search could differ by rounding alone, the search decides."""
    return highest_allowed(limit) * (1.0 + _ANOTHER_ORDER)


def _over_blower(
    plan: Plan,
    variants: tuple[Variant, ...],
    flow: Mapping[str, NDArray[np.float64]],
    path_loss: Mapping[str, NDArray[np.float64]],
) -> list[Breach]:
    """Variants in which the worst supply and the worst return path lose more than the blower leaves."""
    supply = [s.name for s in plan.sections if s.is_run and s.side != "return"]
    back = [s.name for s in plan.sections if s.is_run and s.side == "return"]
    tops = [s.name for s in plan.sections if not s.parent and s.side != "return"]
    left = airstream(plan, variants, np.sum([flow[name] for name in tops], axis=0)).left_for_ducts()
    found = []
    for v, variant in enumerate(variants):
        worst = max(supply, key=lambda name: np.nan_to_num(path_loss[name][v]))
        lost = path_loss[worst][v]
        lost += max((np.nan_to_num(path_loss[name][v]) for name in back), default=0.0)
        if lost > _refused_above(float(left[v])):
            found.append(
                Breach(
                    limit_name="pressure",
                    section=worst,
                    variant=variant,
                    amount=float(lost),
                    limit=float(left[v]),
                    unit="inWC",
                    units=plan.units,
                )
            )
    return found


def _airflow(plan: Plan, variants: tuple[Variant, ...]) -> dict[str, NDArray[np.float64]]:
    """Airflow of each section: its own run's and its children's, added up from the rooms."""
    season = {s: k for k, s in enumerate(plan.seasons)}
    face = {f: i for i, f in enumerate(plan.fronts)}
    mirror = {m: i for i, m in enumerate(plan.mirrored)}
    house = {h.options: h.airflow_cfm for h in plan.every_house}
    need = np.array([house[v.options][face[v.front], mirror[v.mirrored], season[v.season]] for v in variants])
    flow = {section.name: np.zeros(len(variants)) for section in plan.sections}
    serving: dict[tuple[str, str], list[Section]] = {}
    for section in plan.sections:
        for name in {key_of(room) for room in section.rooms}:
            serving.setdefault((section.side, name), []).append(section)
    alike = [(v.season, v.options) for v in variants]
    groups = {group: np.array([one == group for one in alike]) for group in set(alike)}
    for n, room in enumerate(plan.rooms):
        for side in SIDES:
            drawn = plan.equipment.return_over_supply if side == "return" else 1.0
            for (k, built), mine in groups.items():
                ending = (*serving.get((side, key_of(room)), ()), *serving.get((side, ALL_ROOMS), ()))
                live = [s for s in ending if s.is_open(k, built)]
                total = sum(1.0 if s.share is None else s.share for s in live)
                for s in live:
                    part = (1.0 if s.share is None else s.share) / total
                    flow[s.name] += np.where(mine, need[:, n] * part * drawn, 0.0)
    for section in reversed(plan.sections):
        if section.parent:
            flow[section.parent] = flow[section.parent] + flow[section.name]
    return flow


def _groups(plan: Plan, variants: tuple[Variant, ...]) -> dict[tuple[str, str], NDArray[np.bool_]]:
    """The variants of each flex product and season."""
    return {
        (flex, season): np.array([(v.flex, v.season) == (flex, season) for v in variants], dtype=bool)
        for flex, season in product(plan.flex, plan.seasons)
    }


def _section_loss(
    plan: Plan,
    section: Section,
    size: Size,
    groups: Mapping[tuple[str, str], NDArray[np.bool_]],
    flow: NDArray[np.float64],
    *,
    coefficients: bool = True,
) -> NDArray[np.float64]:
    """What a section loses; ``groups`` are the variants of each flex product and season."""
    loss = np.zeros(len(flow))
    for (flex, season), mine in groups.items():
        warmed = section.side != "return" and season in plan.supply_air_f
        air = site_air(plan.elevation_ft, plan.supply_air_f[season] if warmed else plan.air_temperature_f)
        duct = plan.duct_of(section, flex)
        own, moved = plan.as_made(duct.name, size), flow[mine]
        rate = friction_rate_inwc_per_100ft(
            moved, own.diameter_in, duct.roughness_ft, air, duct.airflow_derate_pct / 100.0
        )
        if duct.correction is not None:
            rate = rate * duct.correction.factor(size.diameter_in, moved)[0]
        straight = section.length_ft * compression_factor(
            duct.compression_pct, own.diameter_in, plan.least_compression_factor(size)
        )
        loss[mine] = rate * (straight + plan.equivalent_lengths_ft(section)) / 100.0
        if coefficients:
            loss[mine] += plan.loss_coefficients(section) * velocity_pressure_inwc(moved / own.area_ft2, air)
    return loss


def _fittings_needed(plan: Plan) -> dict[str, list[str]]:
    """By section, the fittings that its size must be offered in; a reducer may not be needed."""
    needed: dict[str, list[str]] = {section.name: [] for section in plan.sections}
    for section in plan.sections:
        for name, _ in section.fittings:
            bought = plan.fittings[name].bought
            if bought != NOT_BOUGHT and not is_reducer(name):
                at_parent = section.parent and bought == AT_PARENT
                needed[section.parent if at_parent else section.name].append(name)
    return needed


def _size_breaches(
    plan: Plan, section: Section, size: Size, above: Size | None, variants: tuple[Variant, ...], fittings: list[str]
) -> list[Breach]:
    """A size outside the section's candidates, not on sale in a product or a fitting that it needs, or larger than
    its parent's."""
    problems = {}
    if size.label not in {s.label for s in candidate_sizes(section, plan.sizes)}:
        problems["size outside the section's bounds"] = size.diameter_in
    for flex in dict.fromkeys(v.flex for v in variants):
        for name in _not_offered(plan, section, size, flex, fittings):
            problems[f"size not offered in {name}"] = size.diameter_in
    if above is not None and size.diameter_in > above.diameter_in + DIAMETER_TOLERANCE_IN:
        problems["larger than parent"] = above.diameter_in
    return [
        Breach(
            limit_name=problem,
            section=section.name,
            variant=None,
            amount=size.diameter_in,
            limit=limit,
            unit="in",
            units=plan.units,
        )
        for problem, limit in problems.items()
    ]


def _not_offered(plan: Plan, section: Section, size: Size, flex: str, fittings: list[str]) -> list[str]:
    """What a section needs and can't be bought in a size: its duct, its fittings. A fitting without prices is free."""
    duct = plan.duct_of(section, flex).name
    found = [duct] if plan.prices and plan.prices.get((duct, size.label)) is None else []
    return found + [f for f in fittings if plan.fitting_prices.get((f, size.label), 0.0) is None]
