"""An independent pass over a chosen size set: every limit in every variant, from the plan itself.

It shares the physics with the program that chose the sizes, and nothing else: airflow is added up along the
tree from the rooms, section by section, and each loss is worked out again for the one size chosen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tractduct.arrays import BoolArray, FloatArray, IntArray
from tractduct.model.options import Built
from tractduct.model.plan import NO_CAP, Plan, Section, candidate_sizes, is_reducer
from tractduct.model.sizes import Size
from tractduct.model.words import ALL_ROOMS, AT_PARENT, NOT_BOUGHT, SIDES, key_of
from tractduct.network.airstream import airstream
from tractduct.network.variants import Variant
from tractduct.physics.air import Air, velocity_pressure_inwc
from tractduct.physics.friction import compression_factor, friction_rate_inwc_per_100ft
from tractduct.sizing.program import DIAMETER_TOLERANCE_IN, highest_allowed
from tractduct.units import IP, UnitSystem

_MOST_AT_ONCE = 30_000  # losses worked out in one go: so many stay near the processor
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

    @property
    def use(self) -> float:
        """The amount as a part of the limit."""
        return self.amount / self.limit

    def __str__(self) -> str:
        where = f" ({self.variant})" if self.variant else ""
        amount = self.units.number(self.amount, self.unit, ".4g")
        against = f"{amount} against {self.units.say(self.limit, self.unit, '.4g')}"
        return f"{self.limit_name} of {self.section}{where}: {against}"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Verification:
    """What the independent pass found, arrays by section name.

    ``velocity_fpm``, ``loss_inwc``: section -> (n_variant,). ``path_loss_inwc``: run ->
    (n_variant,), NaN where the run is shut. ``breaches`` is empty when the set holds.
    """

    velocity_fpm: Mapping[str, FloatArray]
    loss_inwc: Mapping[str, FloatArray]
    path_loss_inwc: Mapping[str, FloatArray]
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
    row = {section.name: i for i, section in enumerate(plan.sections)}
    breaches: list[Breach] = []
    told = _Told.apart(variants)
    flow = _airflow(plan, variants, told)
    loss, velocity = _moved(plan, [(s, sizes[chosen[s.name]]) for s in plan.sections], told, flow)

    def report(name: str, section: Section, amount: FloatArray, limit: float, unit: str, live: BoolArray) -> None:
        over = np.flatnonzero(live & (amount > _refused_above(limit)))
        if first_only and over.size:
            over = over[[int(np.argmax(amount[over]))]]
        breaches.extend(_breach(plan, name, section.name, amount[v], limit, unit, variants[v]) for v in over)

    everywhere = np.ones(len(variants), dtype=bool)
    fittings = _fittings_needed(plan)
    for i, section in enumerate(plan.sections):
        size, parent = sizes[chosen[section.name]], sizes[chosen[section.parent]] if section.parent else None
        breaches.extend(_size_breaches(plan, section, size, parent, told.flex, fittings[section.name]))
        report("velocity", section, velocity[i], plan.velocity_limit_fpm(section), "fpm", everywhere)
    path_loss: dict[str, FloatArray] = {}
    for run in (section for section in plan.sections if section.is_run):
        is_open, total, at = told.is_open(run), loss[row[run.name]].copy(), run
        while at.parent:
            at = plan.sections[row[at.parent]]
            total += loss[row[at.name]]
        if plan.budget_given:
            report("pressure", run, total, plan.available_inwc(run.side), "inWC", is_open)
        path_loss[run.name] = np.where(is_open, total, np.nan)
    if not plan.budget_given:
        breaches += _over_blower(plan, variants, flow, path_loss)
    moving, lost = (dict(zip(row, of, strict=True)) for of in (velocity, loss))
    return Verification(velocity_fpm=moving, loss_inwc=lost, path_loss_inwc=path_loss, breaches=tuple(breaches))


def verify_cap(plan: Plan, variants: tuple[Variant, ...], chosen: Mapping[str, str]) -> tuple[Breach, ...]:
    """Sections more than ``most_steps_over_own`` sizes above what the friction-rate method gives in any variant.

    ``variants`` are all of the plan's. Looked at from below: a section is too large where, in each, the method would be
    content with one of the sizes that many steps smaller. A fixed size is never too large, nor is the smallest on sale
    from ``min_in`` on. A pressure that the blower gives is split by total effective length.
    """
    most = plan.most_steps_over_own
    if most >= NO_CAP:
        return ()
    sizes = {size.label: size for size in plan.sizes}
    row = {section.name: i for i, section in enumerate(plan.sections)}
    told, fittings = _Told.apart(variants), _fittings_needed(plan)
    asked: list[tuple[int, Size]] = []  # row of a section, and a size too many steps smaller than its own
    limit_in: dict[int, float] = {}
    for i, section in enumerate(plan.sections):
        size = sizes[chosen[section.name]]
        smaller = [s for s in plan.sizes if s.shape == section.shape and s.diameter_in < size.diameter_in - 1e-9]
        steps = sorted({round(s.diameter_in, 9) for s in smaller}, reverse=True)
        floor = section.min_in > 0.0 and not any(
            not _size_breaches(plan, section, s, None, told.flex, fittings[section.name]) for s in smaller
        )
        if not (section.fixed or floor or len(steps) <= most):
            asked += [(i, s) for s in smaller if s.diameter_in <= steps[most] + 1e-9]
            limit_in[i] = steps[most - 1] if most else size.diameter_in
    if not asked:
        return ()
    content = _hand_is_content(plan, asked, variants, told, fittings)
    of_row = np.array([i for i, _ in asked])
    too_large = [plan.sections[i].name for i in limit_in if content[of_row == i].any(axis=0).all()]
    name = f"more than {most} standard sizes above the friction-rate method's"
    return tuple(_breach(plan, name, s, sizes[chosen[s]].diameter_in, limit_in[row[s]]) for s in too_large)


def _breach(
    plan: Plan, name: str, section: str, amount: float, limit: float, unit: str = "in", variant: Variant | None = None
) -> Breach:
    return Breach(
        limit_name=name,
        section=section,
        variant=variant,
        amount=float(amount),
        limit=limit,
        unit=unit,
        units=plan.units,
    )


def _friction_rates(plan: Plan, variants: tuple[Variant, ...], told: _Told, flow: FloatArray) -> FloatArray:
    """(n_section, n_variant) the lowest friction rate of the open runs at and beyond each section; inf without any."""
    row = {section.name: i for i, section in enumerate(plan.sections)}
    ways = [[i] for i, section in enumerate(plan.sections) if section.is_run]
    for way in ways:
        while plan.sections[way[-1]].parent:
            way.append(row[plan.sections[way[-1]].parent])
    effective = [s.length_ft + plan.equivalent_lengths_ft(s) for s in plan.sections]
    runs = [plan.sections[way[0]] for way in ways]
    feet = [told.is_open(run) * sum(effective[i] for i in way) for run, way in zip(runs, ways, strict=True)]
    has = {side: np.full(len(variants), plan.available_inwc(side)) for side in ("supply", "return")}
    if not plan.budget_given:
        left = _left_for_ducts(plan, variants, flow)
        longest = {
            side: np.max([f * (run.side == side) for run, f in zip(runs, feet, strict=True)], axis=0) for side in has
        }
        both = longest["supply"] + longest["return"]
        has = {side: left * np.where(both > 0.0, longest[side] / np.maximum(both, 1e-9), 0.5) for side in has}
    rates = np.full(flow.shape, np.inf)
    for run, way, f in zip(runs, ways, feet, strict=True):
        of_run = np.where(f > 0.0, 100.0 * has[run.side] / np.maximum(f, 1e-9), np.inf)
        rates[way] = np.minimum(rates[way], of_run)
    return rates


def _hand_is_content(
    plan: Plan,
    asked: Sequence[tuple[int, Size]],
    variants: tuple[Variant, ...],
    told: _Told,
    fittings: Mapping[str, list[str]],
) -> BoolArray:
    """(n_asked, n_variant) bool: a size of the section of a row is on sale and keeps the friction rate that the method
    gives the section, as installed, and the velocity limit."""
    flow = _airflow(plan, variants, told)
    rate = _friction_rates(plan, variants, told, flow)
    rows = [i for i, _ in asked]
    sections = [plan.sections[i] for i in rows]
    feet = np.array([s.length_ft + plan.equivalent_lengths_ft(s) for s in sections])
    ducts = [
        (replace(s, length_ft=1.0) if total == 0.0 else s, size)
        for s, total, (_, size) in zip(sections, feet, asked, strict=True)
    ]
    feet[feet == 0.0] = 1.0
    lost, velocity = _moved(plan, ducts, told, flow[rows], coefficients=False)
    slow_to = highest_allowed(np.array([plan.velocity_limit_fpm(s) for s in sections]))
    on_sale = [[not _not_offered(plan, s, size, f, fittings[s.name]) for f in told.flex] for s, size in ducts]
    fine = (lost <= highest_allowed(rate[rows]) * feet[:, None] / 100.0) & (velocity <= slow_to[:, None])
    return np.asarray(fine & np.array(on_sale, dtype=bool)[:, told.flex_of])


def _refused_above(limit: float) -> float:
    """Where this pass and the search could differ by rounding alone, the search decides."""
    return highest_allowed(limit) * (1.0 + _ANOTHER_ORDER)


def _left_for_ducts(plan: Plan, variants: tuple[Variant, ...], flow: FloatArray) -> FloatArray:
    """(n_variant,) what the blower leaves, of the airflow (n_section, n_variant) that starts at it."""
    tops = [i for i, s in enumerate(plan.sections) if not s.parent and s.side != "return"]
    return airstream(plan, variants, np.sum(flow[tops], axis=0)).left_for_ducts()


def _over_blower(
    plan: Plan, variants: tuple[Variant, ...], flow: FloatArray, path_loss: Mapping[str, FloatArray]
) -> list[Breach]:
    """Variants in which the worst supply and the worst return path lose more than the blower leaves."""
    supply = [s.name for s in plan.sections if s.is_run and s.side != "return"]
    back = [s.name for s in plan.sections if s.is_run and s.side == "return"]
    left = _left_for_ducts(plan, variants, flow)
    found = []
    for v, variant in enumerate(variants):
        worst = max(supply, key=lambda name: np.nan_to_num(path_loss[name][v]))
        lost = path_loss[worst][v]
        lost += max((np.nan_to_num(path_loss[name][v]) for name in back), default=0.0)
        if lost > _refused_above(float(left[v])):
            found.append(_breach(plan, "pressure", worst, lost, float(left[v]), "inWC", variant))
    return found


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Told:
    """What the airflow and the losses of variants hang on: each value once, and (n_variant,) which of them each has."""

    flex: tuple[str, ...]
    flex_of: IntArray
    states: tuple[tuple[str, Built], ...]  # a season, and the options of a house
    state_of: IntArray

    @classmethod
    def apart(cls, variants: Sequence[Variant]) -> _Told:
        flex = {f: k for k, f in enumerate(dict.fromkeys(v.flex for v in variants))}
        states = {at: k for k, at in enumerate(dict.fromkeys((v.season, v.options) for v in variants))}
        return cls(
            flex=tuple(flex),
            flex_of=np.array([flex[v.flex] for v in variants], dtype=np.intp),
            states=tuple(states),
            state_of=np.array([states[v.season, v.options] for v in variants], dtype=np.intp),
        )

    def is_open(self, run: Section) -> BoolArray:
        """(n_variant,) bool"""
        return np.array([run.is_open(season, built) for season, built in self.states], dtype=bool)[self.state_of]


def _airflow(plan: Plan, variants: tuple[Variant, ...], told: _Told) -> FloatArray:
    """(n_section, n_variant) airflow: a section's own run's and its children's, added up from the rooms."""
    season = {s: k for k, s in enumerate(plan.seasons)}
    face = {f: i for i, f in enumerate(plan.fronts)}
    mirror = {m: i for i, m in enumerate(plan.mirrored)}
    house = {h.options: h.airflow_cfm for h in plan.every_house}
    need = np.array([house[v.options][face[v.front], mirror[v.mirrored], season[v.season]] for v in variants]).T
    row = {section.name: i for i, section in enumerate(plan.sections)}
    flow = np.zeros((len(row), len(variants)))
    serving: dict[tuple[str, str], list[int]] = {}
    for i, section in enumerate(plan.sections):
        for name in {ALL_ROOMS} & set(section.rooms) or {key_of(room) for room in section.rooms}:
            serving.setdefault((section.side, name), []).append(i)
    wants = np.array([1.0 if section.share is None else section.share for section in plan.sections])
    live = np.array([[section.is_open(*state) for state in told.states] for section in plan.sections])
    for n, room in enumerate(plan.rooms):
        for side in SIDES:
            rows = sorted(serving.get((side, key_of(room)), []) + serving.get((side, ALL_ROOMS), []))
            asked = wants[rows, None] * live[rows]
            total = asked.sum(axis=0)
            share = np.divide(asked, total, out=np.zeros(asked.shape), where=total > 0.0)
            drawn = plan.equipment.return_over_supply if side == "return" else 1.0
            flow[rows] += need[n] * share[:, told.state_of] * drawn
    for i, section in reversed(list(enumerate(plan.sections))):
        if section.parent:
            flow[row[section.parent]] += flow[i]
    return flow


def _moved(
    plan: Plan, ducts: Sequence[tuple[Section, Size]], told: _Told, flow: FloatArray, *, coefficients: bool = True
) -> tuple[FloatArray, FloatArray]:
    """What sections lose in sizes at airflows (n_duct, n_variant), and how fast the air moves; of the same shape."""
    loss, velocity = np.empty(flow.shape), np.empty(flow.shape)
    step = max(1, _MOST_AT_ONCE // max(1, len(told.flex_of)))
    for first in range(0, len(ducts), step):
        some = slice(first, first + step)
        loss[some], velocity[some] = _moved_at_once(plan, ducts[some], told, flow[some], coefficients)
    return loss, velocity


def _moved_at_once(
    plan: Plan, ducts: Sequence[tuple[Section, Size]], told: _Told, flow: FloatArray, coefficients: bool
) -> tuple[FloatArray, FloatArray]:
    made = [[plan.duct_of(section, f) for f in told.flex] for section, _ in ducts]
    own = [[plan.as_made(duct.name, size) for duct in of_flex] for of_flex, (_, size) in zip(made, ducts, strict=True)]
    airs = [[plan.air_in(section.side, season) for season, _ in told.states] for section, _ in ducts]

    def each(name: str, of: Sequence[Sequence[object]]) -> FloatArray:
        """(n_duct, n) one attribute of everything."""
        return np.array([[getattr(one, name) for one in row] for row in of], dtype=float)

    air = Air(each("density_lb_per_ft3", airs), each("kinematic_viscosity_ft2_per_s", airs))[:, told.state_of]
    diameter = each("diameter_in", own)
    velocity = flow / each("area_ft2", own)[:, told.flex_of]
    rate = friction_rate_inwc_per_100ft(
        flow,
        diameter[:, told.flex_of],
        each("roughness_ft", made)[:, told.flex_of],
        air,
        each("airflow_derate_pct", made)[:, told.flex_of] / 100.0,
    )
    for i, (of_flex, (_, size)) in enumerate(zip(made, ducts, strict=True)):
        for f, duct in enumerate(of_flex):
            if duct.correction is not None:
                mine = told.flex_of == f
                rate[i, mine] *= duct.correction.factor(size.diameter_in, flow[i, mine])[0]
    least_factor = np.array([[plan.least_compression_factor(size)] for _, size in ducts])
    squeezed = compression_factor(each("compression_pct", made), diameter, least_factor)
    straight, fittings, coefficient = np.array(
        [(s.length_ft, plan.equivalent_lengths_ft(s), plan.loss_coefficients(s)) for s, _ in ducts]
    ).T[:, :, None]
    loss = rate * ((straight * squeezed)[:, told.flex_of] + fittings) / 100.0
    if coefficients:
        loss += coefficient * velocity_pressure_inwc(velocity, air)
    return loss, velocity


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
    plan: Plan, section: Section, size: Size, parent: Size | None, flex: Sequence[str], fittings: list[str]
) -> list[Breach]:
    """A size outside the section's candidates, not on sale in a product or a fitting that it needs, or larger than its
    parent's."""
    problems: list[tuple[str, float]] = []
    if size.label not in {s.label for s in candidate_sizes(section, plan.sizes)}:
        problems.append(("size outside the section's bounds", size.diameter_in))
    for one in flex:
        problems += [
            (f"size not offered in {n}", size.diameter_in) for n in _not_offered(plan, section, size, one, fittings)
        ]
    if parent is not None and size.diameter_in > parent.diameter_in + DIAMETER_TOLERANCE_IN:
        problems.append(("larger than parent", parent.diameter_in))
    return [_breach(plan, name, section.name, size.diameter_in, limit) for name, limit in dict.fromkeys(problems)]


def _not_offered(plan: Plan, section: Section, size: Size, flex: str, fittings: list[str]) -> list[str]:
    """What a section needs and can't be bought in a size: its duct, its fittings. A fitting without prices is free."""
    duct = plan.duct_of(section, flex).name
    found = [duct] if plan.prices and plan.prices.get((duct, size.label)) is None else []
    return found + [f for f in fittings if plan.fitting_prices.get((f, size.label), 0.0) is None]
