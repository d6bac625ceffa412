"""The study in a few lines of plain text, for the command line."""

from __future__ import annotations

from collections import Counter

from tractduct.delivery.deliver import Delivery
from tractduct.delivery.predict import Drive
from tractduct.findings import Finding, Severity
from tractduct.model.options import built_text
from tractduct.model.words import key_of
from tractduct.one_plan import Study
from tractduct.orientation.study import OrientationStudy
from tractduct.purchasing.buy import Buying, PurchaseList
from tractduct.purchasing.compare import Dropped
from tractduct.report import Report
from tractduct.sizing.governing import Reason
from tractduct.systems import HouseReport
from tractduct.writers.orientation_tables import missing
from tractduct.writers.tables import closest_limits, not_proven, wall_or_money

_FINDINGS_SHOWN = 8


def summary(report: Report) -> str:
    """What to build, whether every room is right, what it costs, what drives it, what the direction does, what to
    watch."""
    study, delivery, orientation = report.study, report.delivery, report.orientation
    lines = [f"{study.plan.name}: {_variants(study)}", ""]
    if study.recommended.size_index is None:
        lines += _nothing_holds(study)
    else:
        lines += _sizes(study)
        if delivery is not None:
            lines += ["", *rooms_right(delivery), *_delivery(delivery)]
        lines += _cost(study)
        lines += _options(study)
        lines += _drivers(study)
    lines += _single(study)
    if orientation is not None:
        lines += _orientation(orientation)
    lines += _findings(report.findings)
    return "\n".join([*lines, *_CAUTION])


_CAUTION = (
    "",
    "Local codes, the manufacturers' instructions and a licensed designer come before these sizes.",
    "Measure the airflow and the static pressure of every house; have combustion safety tested where",
    "fuel is burned.",
)


def house_summary(house: HouseReport, *, bought: bool = False) -> str:
    """What all systems of a house share, then each of them."""
    plan, best = house.plan, house.recommended
    names = ", ".join(system.name for system in plan.systems)
    lines = [f"{plan.name}: {len(plan.systems)} systems, {names}"]
    if best.size_index is None:
        lines.append("No one size set holds in all of them; each is shown by itself.")
    else:
        unit = house.reports[0].study.cost_unit
        proven = "proven" if best.status == "optimal" else "not proven: time ran out"
        lines.append(
            f"One stock list of {best.distinct_sizes} sizes serves all, at {plan.units.say(best.cost, unit, ',.2f')} "
            f"({proven}); the least cost is {plan.units.say(house.least_cost.cost, unit, ',.2f')} with "
            f"{house.least_cost.distinct_sizes} sizes."
        )
    each = buying_summary if bought else summary
    return "\n\n".join(["\n".join(lines), *(each(report) for report in house.reports)])


def buying_summary(report: Report) -> str:
    """What purchasing can act on: what to order, what each product costs, what to drop first, what to watch."""
    study, buying = report.study, report.buying
    assert buying is not None
    lines = [f"{study.plan.name}: {_variants(study)}", ""]
    if study.recommended.size_index is None:
        lines += _nothing_holds(study)
    else:
        lines += _sizes(study)
        if report.delivery is not None:
            lines += ["", *rooms_right(report.delivery)]
        lines += _cost(study)
        for part in buying.lists:
            lines += ["", *_list(buying, part)]
    lines += _products(buying)
    lines += _drop_first(buying)
    lines += _findings(report.findings)
    return "\n".join([*lines, *_CAUTION])


def rooms_right(delivery: Delivery) -> list[str]:
    """Whether every room gets its air with the damper marks, what that takes, and what the other choice would be."""
    marks, plan = delivery.marks, delivery.study.plan
    setting, rooms = marks.chosen, len(plan.rooms)
    dampers = len(setting.runs)
    where = "with every run wide open" if not dampers else "with the marks on sheet Damper marks"
    outside = [room.room for room in setting.outside]
    if not outside:
        lines = [f"All {rooms} rooms are within tolerance on every lot {where}, as predicted."]
    else:
        lines = [f"{_count(len(outside), 'room')} of {rooms} outside tolerance {where}: {', '.join(outside)}."]
    if dampers:
        how = "one mark all year" if setting.positions == 1 else "one mark a season"
        tables = "" if len(setting.tables) == 1 else f" in {len(setting.tables)} tables by front"
        lines.append(
            f"{_count(dampers, 'damper')}, {how}{tables}; with all dampers open {marks.rooms_outside_open} rooms would "
            "be outside somewhere."
        )
    if marks.one_alone is not None:
        off = [f"{room.room} {plan.units.number(room.off_cfm, 'cfm', '+.0f')}" for room in marks.one_alone.outside[:6]]
        lines.append(
            f"One mark all year alone would leave {_count(marks.one_alone.rooms_outside, 'room')} outside, by "
            f"{plan.units.unit('cfm')}: {', '.join(off)}."
        )
    other = other_choice(delivery)
    return [*lines, other] if other else lines


def other_choice(delivery: Delivery) -> str:
    """What the set chosen the other way would save, in one line; empty where both are the same."""
    front, study = delivery.by_dampers, delivery.study
    if front is None or not front.entries:
        return ""
    price, best = study.plan.damper_cost, front.least()
    if study.plan.choose == "dampers":
        return ""
    ours = study.recommended.cost + price * len(delivery.marks.chosen.runs)
    saved = ours - best.cost
    if best.rooms_outside > delivery.marks.chosen.rooms_outside or saved < 0.005:
        return ""
    return (
        f"Chosen by dampers instead: {_count(best.dampers, 'damper')}, {best.distinct_sizes} sizes, "
        f"{_count(best.rooms_outside, 'room')} outside; ducts and dampers {money(study, best.cost)} per lot, "
        f'{money(study, saved)} less (searched, not proven; set choose = "dampers" in [objective]).'
    )


def lots_text(part: PurchaseList) -> str:
    """How many lots, with which flex."""
    by_flex = ", ".join(f"{flex} {n}" for flex, n in part.order.lots.items() if flex)
    return _count(part.lots, "lot") + (f" ({by_flex})" if by_flex else "")


def _list(buying: Buying, part: PurchaseList) -> list[str]:
    order, units = part.order, buying.study.plan.units
    lines = [f"Buy for {lots_text(part)}:"]
    for product in dict.fromkeys(line.duct for line in order.ducts):
        mine = [line for line in order.ducts if line.duct == product]
        packages = sum(line.packages for line in mine)
        drawn = sum(line.feet for line in mine)
        lines.append(
            f"  {product:<24}{units.number(drawn, 'ft', ',.0f'):>9} {units.unit('ft')} drawn  "
            f"{_count(len(mine), 'size'):>9}{packages:>7,} boxes or sticks"
            + _priced(buying, sum(line.cost for line in mine))
        )
    pieces = sum(line.count for line in order.fittings)
    kinds = len({line.fitting for line in order.fittings})
    known = [line.cost for line in order.fittings if line.cost == line.cost]
    if pieces:
        lines.append(
            f"  {'fittings':<24}{pieces:>9,} pieces    {_count(kinds, 'kind'):>9}{'':>22}"
            + (_priced(buying, sum(known)) if known else "   no prices")
        )
    if buying.study.plan.prices:
        what = "in whole packages, with waste" if buying.study.plan.purchase.waste_pct else "in whole packages"
        alone = "" if known else ", duct alone"
        lines.append(
            f"  In all {order.cost:,.2f} {units.unit('USD')} {what}{alone}. Sizes: purchase.csv and the workbook."
        )
    return lines


def _priced(buying: Buying, cost: float) -> str:
    plan = buying.study.plan
    return f"{cost:>14,.2f} {plan.units.unit('USD')}" if plan.prices else ""


def _products(buying: Buying) -> list[str]:
    study, found = buying.study, buying.comparison
    if found is None:
        return []
    lines = ["", "Flex products, each alone in its own best sizes:"]
    for one in found.alone:
        if not one.size_set:
            lines.append(f"  {one.flex:<16}no size set holds")
            continue
        worst = max(one.compressed, key=lambda c: c.compression_pct)
        left = f"left at {worst.compression_pct:g} % compression "
        left += "its sizes still hold" if worst.holds else f"{_count(worst.broken, 'section')} out of limits"
        if worst.worst_room:
            left += f", {worst.worst_room} down to {worst.worst_room_pct:.0f} %"
        lines.append(
            f"  {one.flex:<16}{money(study, one.recommended.cost)} per lot, "
            f"{one.recommended.distinct_sizes} sizes; {left}"
        )
    everything = found.approved[-1]
    for flex, extra in everything.extra_cost.items():
        if extra == extra:
            others = " and ".join(f for f in everything.flex if f != flex)
            what = f"{money(study, extra)} per lot in larger sizes" if extra >= 0.005 else "nothing"
            lines.append(f"Approving {flex} besides {others} costs {what}.")
    for pair in found.break_even:
        if pair.price_pct < 100.0:
            lines.append(f"At {pair.price_pct:.0f} % of its price {pair.product} costs as much as {pair.against}.")
    return lines


def _drop_first(buying: Buying) -> list[str]:
    study, units, most = buying.study, buying.study.plan.units, 3

    def more(dropped: Dropped) -> float:
        return dropped.rest_cost - study.recommended.cost

    able = [d for d in buying.dropped if d.rest_cost < float("inf")][:most]
    if not buying.dropped:
        return []
    if not able:
        return ["", "No size can be dropped from this stock: no set holds with the rest of it."]
    return [
        "",
        "Drop first from stock (extra cost per lot with the rest of the list): "
        + "; ".join(f"{d.kind} {units.size(d.size)} {units.number(more(d), study.cost_unit, '+,.2f')}" for d in able)
        + f" {wall_or_money(study)}.",
    ]


def money(study: Study, cost: float) -> str:
    """A cost with its unit."""
    spec = ",.2f" if study.cost_unit == "USD" else ",.0f"
    return f"{study.plan.units.number(cost, study.cost_unit, spec)} {wall_or_money(study)}"


def stock(study: Study) -> list[tuple[str, str, str, int, float]]:
    """Distinct sizes of the standard set: kind, shape, size, sections and feet of each, smallest first."""
    count: Counter[tuple[str, str, str]] = Counter()
    feet: Counter[tuple[str, str, str]] = Counter()
    for section in study.tree.sections:
        key = (section.kind, section.shape, study.size_set[section.name])
        count[key] += 1
        feet[key] += section.length_ft  # type: ignore[assignment]
    rank = {size.label: i for i, size in enumerate(study.table.sizes)}
    ordered = sorted(count, key=lambda k: (k[0] != "flex", k[1] != "round", rank[k[2]]))
    return [(*key, count[key], float(feet[key])) for key in ordered]


def _variants(study: Study) -> str:
    plan = study.plan
    parts = [f"{len(plan.fronts)} front faces"]
    if len(plan.mirrored) > 1:
        parts.append("mirrored or not")
    parts.append(" and ".join(plan.seasons))
    if plan.flex != ("",):
        parts.append(f"{len(plan.flex)} flex product{'s' if len(plan.flex) > 1 else ''}")
    if plan.houses:
        parts.append(f"{len(plan.houses)} combination{'s' if len(plan.houses) > 1 else ''} of options")
    return f"{len(study.variants.variants)} variants ({', '.join(parts)})"


def _options(study: Study) -> list[str]:
    """What the houses cost, and what covering options costs those without them, the dearest first."""
    if not study.house_costs:
        return []

    def say(cost: float) -> str:
        return study.plan.units.say(cost, study.cost_unit, ",.2f")

    (cheapest, low), (dearest, high) = (f(study.house_costs, key=lambda one: one[1]) for f in (min, max))
    least, most = (built_text(built) or "without options" for built in (cheapest, dearest))
    lines = [
        f"The cost counts the sections of every option once; a house costs {say(low)} ({least}) to {say(high)} "
        f"({most})."
    ]
    dear = [(one.covering, one.option.name) for one in study.option_costs if one.covering and one.covering > 0.005]
    if dear:
        each = ", ".join(f"{name} {say(cost)}" for cost, name in sorted(dear, reverse=True))
        lines.append(f"Covering an option costs the houses without it, in the least-cost set: {each} per lot.")
    return lines


def _sizes(study: Study) -> list[str]:
    proven = "proven" if study.status == "optimal" else f"not proven: time ran out ({study.status})"
    lines = [f"Build this size set; it holds in every variant ({proven}):"]
    units = study.plan.units
    by_size: dict[tuple[str, str, str], list[str]] = {}
    for section in study.tree.sections:
        key = (section.kind, section.shape, study.size_set[section.name])
        by_size.setdefault(key, []).append(section.name)
    for kind, shape, size, _, feet in stock(study):
        what = f"{units.size(size)} {kind}" + (" rectangular" if shape == "rectangular" else "")
        length = f"{units.number(feet, 'ft', '.0f'):>7} {units.unit('ft')}"
        lines.append(f"  {what:<24}{length}   {', '.join(by_size[kind, shape, size])}")
    return lines


def _cost(study: Study) -> list[str]:
    best, least = study.recommended, study.least_cost
    over = 100.0 * (best.cost / least.cost - 1.0) if least.cost else 0.0
    found = "" if least.status == "optimal" else " found"
    lines = [
        "",
        f"Cost {money(study, best.cost)} with {best.distinct_sizes} sizes to stock. The least cost{found} is "
        f"{money(study, least.cost)} with {least.distinct_sizes} sizes; this set is {over:.1f} % above it.",
    ]
    lines += not_proven(study)
    cap = cap_text(study)
    if cap:
        lines.append(cap)
    lines.append(f"Closest limits: {closest_limits(study)}")
    return lines


def cap_text(study: Study) -> str:
    """What the cap on steps over the own size costs, in a sentence or two; empty where that was not worked out."""
    free = study.without_cap
    if free is None:
        return ""
    steps = _count(study.plan.most_steps_over_own, "standard size")
    text = f"No section is more than {steps} above the largest that the friction-rate method gives it. "
    if free.extra_at_most > free.extra_cost + 0.005:
        text += f"That adds at most {money(study, free.extra_at_most)} to the least cost."
    elif free.extra_cost > 0.005:
        text += f"That adds {money(study, free.extra_cost)} to the least cost."
    else:
        text += "That adds nothing to the least cost."
    wide, chosen = free.recommended, study.recommended
    if wide.distinct_sizes != chosen.distinct_sizes or abs(wide.cost - chosen.cost) > 0.005:
        text += f" Without it the set would have {wide.distinct_sizes} sizes for {money(study, wide.cost)}."
    return text


def _drivers(study: Study) -> list[str]:
    """The orientations and products that keep sections from being smaller."""
    faces: Counter[str] = Counter()
    flex: Counter[str] = Counter()
    driven = [d for d in study.governing if d.reason is Reason.VARIANTS]
    for driver in driven:
        worst = driver.variants[0]
        faces[f"front {worst.front}{' mirrored' if worst.mirrored else ''} in {worst.season}"] += 1
        if worst.flex:
            flex[worst.flex] += 1
    if not driven:
        return []

    def most(counter: Counter[str]) -> str:
        ranked = sorted(counter.items(), key=lambda item: (-item[1], item[0]))[:3]
        return ", ".join(f"{name} ({n})" for name, n in ranked)

    text = f"What drives it (sections it keeps from being smaller): {most(faces)}"
    if len(study.plan.flex) > 1:
        text += f"; flex: {most(flex)}"
    return [text + "."]


def _single(study: Study) -> list[str]:
    single = study.single
    looked = f"{single.front}{', mirrored' if single.mirrored else ''}"
    looked += f", in {single.flex}" if single.flex else ""
    start = f"Sized by hand for the worst front alone ({looked}: there it takes the most duct), "
    if not single.breaches:
        return ["", start + "the plan would hold in every variant too."]
    rooms = {
        key_of(room)
        for breach in single.breaches
        for section in study.tree.sections
        if section.name == breach.section
        for room in section.rooms
    }
    runs = {b.section for b in single.breaches}
    return [
        "",
        f"{start}{_count(len(runs), 'section')} would be out of limits (rooms served: {len(rooms)}), "
        f"in {len(study.single_out)} of {len(study.variants.variants)} variants.",
    ]


def _count(number: int, word: str) -> str:
    return f"{number} {word}" + ("" if number == 1 else "s")


def _delivery(delivery: Delivery) -> list[str]:
    """Delivered airflow in three lines."""
    got, plan = delivery.open_dampers, delivery.study.plan
    units = plan.units
    how = {
        Drive.BLOWER: "the blower's table",
        Drive.AIRFLOW: "the design airflow held",
        Drive.PRESSURE: "the plenum pressures held",
    }[delivery.drive]
    outside = ~got.room_within(plan.tolerance)
    total, design = got.total_cfm, got.airstream.design_cfm
    off = 100.0 * (total / design - 1.0)
    lines = [
        f"Delivered, with {how} and all dampers open: "
        f"{units.number(total.min(), 'cfm', '.0f')} to {units.say(total.max(), 'cfm', '.0f')} in all ("
        f"{off.min():+.0f} to {off.max():+.0f} % of design); {_count(int(outside.any(axis=0).sum()), 'room')} of "
        f"{len(plan.rooms)} outside tolerance in some variant.",
    ]
    return lines


def _orientation(result: OrientationStudy) -> list[str]:
    """Lots, packages, every degree, the most sensitive rooms, and what the plan does not give."""
    study, lines = result.study, [""]
    if result.lots and study.size_set:
        holds = [r.holds for r in result.lots]
        out = [r.lot.name for r in result.lots if not r.holds]
        lines.append(
            f"{_count(len(holds), 'lot')}: the set holds at {sum(h is True for h in holds)} of them"
            + (f"; look at {', '.join(out[:8])}{' and more' if len(out) > 8 else ''}." if out else ".")
        )
    check = result.degrees
    if check is not None:
        words = "it holds at each" if check.holds else f"it FAILS at {int((~check.holds_at).sum())} of them"
        if not check.between:
            words = "no two of the plan's fronts are neighbours, so nothing between them is checked"
        lines.append(f"{check.every.capitalize()} between the fronts ({len(check.azimuth_deg)} directions): {words}.")
    if result.packages is not None:
        found = result.packages
        more = [f"{c.n_package} save {money(study, found.saving(c.n_package))} per lot more" for c in found.choices[1:]]
        lines.append(
            f"Packages: {found.choices[0].n_package} at {money(study, found.choices[0].expected_cost)} per lot; "
            + (", ".join(more) if more else "more save nothing")
            + "."
        )
    say = study.plan.units.say
    rooms = [
        f"{r.room} ({say(r.largest_cfm - r.smallest_cfm, 'cfm', '.0f')} in {r.season})" for r in result.sensitivity[:3]
    ]
    lines.append(f"The direction moves most: {', '.join(rooms)}.")
    if result.screening:
        lines.append(f"{result.screening}.")
    return [*lines, *missing(result)]


def _findings(found: tuple[Finding, ...]) -> list[str]:
    if not found:
        return []
    found = tuple(sorted(found, key=lambda f: f.severity))
    counts = Counter(f.severity for f in found)
    words = ", ".join(_count(counts[s], s.word) for s in Severity if counts[s])
    lines = ["", f"Watch ({words}):"]
    lines += [f"  {finding}" for finding in found[:_FINDINGS_SHOWN]]
    if len(found) > _FINDINGS_SHOWN:
        lines.append(f"  ... and {len(found) - _FINDINGS_SHOWN} more in the workbook")
    return lines


def _nothing_holds(study: Study) -> list[str]:
    lines = ["No size set holds in every variant."]
    lines += [f"  {conflict}" for conflict in study.conflicts]
    helping = [w for w in study.remedies if w.helps]
    if helping:
        lines += ["", "Ways out that were tried and hold, the cheapest first:"]
        lines += [f"  {w.change}: {money(study, w.solution.cost)}" for w in helping]
    useless = [w for w in study.remedies if not w.helps]
    if useless:
        lines += ["", "Tried, and not enough alone:"]
        lines += [f"  {w.change}" for w in useless]
    return lines
