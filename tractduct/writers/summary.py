"""A report in at most 25 lines of plain text for the command line, and words that the first sheet shares with it."""

from __future__ import annotations

import math
import textwrap
from collections import Counter
from collections.abc import Sequence

from tractduct.delivery.damper_search import DamperFront
from tractduct.delivery.deliver import Delivery
from tractduct.delivery.lots import LotDelivery, lots_outside
from tractduct.findings import Finding, Severity
from tractduct.one_plan import Study
from tractduct.orientation.study import OrientationStudy
from tractduct.report import Report
from tractduct.sizing.remedies import Conflict
from tractduct.systems import HouseReport
from tractduct.units import NOMINAL
from tractduct.writers import tables
from tractduct.writers.orientation_tables import missing
from tractduct.writers.tables import house_range, not_proven
from tractduct.writers.together import Written
from tractduct.writers.words import counted, named

_PICTURES = (".png", ".svg")
_WIDE = 112  # columns of a line
_FINDINGS_SHOWN = 3
_LISTED = 4  # conflicts, and remedies of each sort
_LOTS_TOLD = 4

_CAUTION = (
    "Local codes, makers' instructions and a licensed designer come first. Measure airflow; test combustion safety."
)


def house_summary(house: HouseReport) -> str:
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
    return "\n\n".join(["\n".join(lines), *(summary(report) for report in house.reports)])


def summary(report: Report) -> str:
    """Whether every room is right, what to build, what it costs, whether it holds on every lot, what to watch."""
    study, delivery, orientation = report.study, report.delivery, report.orientation
    lines = [f"{study.plan.name}: {_variants(study)}"]
    if study.sized is None:
        lines += ["", *_nothing_holds(study)]
    else:
        if delivery is not None:
            lines += rooms_right(delivery, report.lots)
        lines += ["", *_sizes(study), *_cost(study), *_options(study)]
    if orientation is not None and study.sized is not None:
        lines += _orientation(orientation)
    lines += [*_findings(report.findings), _CAUTION]
    return "\n".join(wrapped for line in lines for wrapped in _wrapped(line))


def written_text(written: Written) -> str:
    """Which file is for whom, and what else happened in their folder."""
    lines = [f"Written into {written.folder}: {_listed(written.names)}."]
    if written.removed:
        lines.append(f"Removed, as made from other input or options: {_listed(written.removed)}.")
    return "\n".join(wrapped for line in [*lines, *written.notes] for wrapped in _wrapped(line))


def _listed(names: Sequence[str]) -> str:
    """Files by name, those that begin with the plan's without that; pictures and those of inner folders counted."""
    alone = [name for name in names if "/" not in name and not name.endswith(_PICTURES)]
    books = [name for name in alone if name.endswith(".xlsx")]
    if len(books) > 1:  # the plan's name once
        first = min(books, key=len)
        stem = first.removesuffix(".xlsx")
        alone = [first, *(name.removeprefix(stem) for name in alone if name != first)]
    inner = Counter(name.partition("/")[0] for name in names if "/" in name)
    pictures = sum("/" not in name and name.endswith(_PICTURES) for name in names)
    folders = [f"{folder}/ ({counted(n, 'file')})" for folder, n in inner.items()]
    return ", ".join([*alone, *folders, *([counted(pictures, "picture")] if pictures else [])])


def _wrapped(line: str) -> list[str]:
    """A line in as many as it takes; what follows a list's mark or a label stays indented."""
    indent = " " * (len(line) - len(line.lstrip()) + 2)
    return textwrap.wrap(
        line, _WIDE, subsequent_indent=indent if line.startswith(" ") else "", break_on_hyphens=False
    ) or [""]


def rooms_right(delivery: Delivery, lots: LotDelivery | None = None) -> list[str]:
    """Whether every room gets its air with the damper marks, what that takes, and what the other choice would be."""
    marks, plan = delivery.marks, delivery.study.plan
    setting, rooms = marks.chosen, len(plan.rooms)
    dampers, degrees = len(setting.runs), delivery.mark_degrees
    where = "with every run wide open" if not dampers else "with the marks on sheet Damper marks"
    outside = [room.room for room in setting.outside]
    lots_off = lots_outside(delivery, lots)
    between = degrees is not None and not degrees.holds
    if outside:
        lines = [f"{counted(len(outside), 'room')} of {rooms} outside tolerance {where}: {', '.join(outside)}."]
    else:
        sure = not lots_off and (not between or (lots is not None and lots.listed))
        place = "on every lot" if sure else "at every front"
        lines = [f"All {rooms} rooms are within tolerance {place} {where}, as predicted."]
        if lots_off:
            told = [f"{name} ({', '.join(off)})" for name, off in lots_off.items()]
            many = f"{len(told)} of {len(lots.air) if lots else 0} lots"
            lines.append(f"At their own direction not so on {many}: {named(told, _LOTS_TOLD)}.")
    if lots is not None and (own := lots.with_own_marks):
        have = "have" if len(own) > 1 else "has"
        lines.append(
            f"As no table suits them, {counted(len(own), 'lot')} {have} marks of their own, on their pages: "
            f"{named(own, _LOTS_TOLD)}."
        )
    if degrees is not None and between:
        pages = (
            "each lot's page says what it gets" if outside else "a lot that faces so has marks of its own on its page"
        )
        lines.append(
            f"Facing between the fronts, {counted(len(degrees.outside), 'room')} would be outside with any table at "
            f"{degrees.directions_outside} of {len(degrees.azimuth_deg)} degrees; {pages}."
        )
    if dampers:
        how = "one mark all year" if setting.positions == 1 else "one mark a season"
        tables = "" if len(setting.tables) == 1 else f" in {len(setting.tables)} tables by front"
        opened = f"with all dampers open {marks.rooms_outside_open} rooms would be outside somewhere"
        lines.append(f"{counted(dampers, 'damper')}, {how}{tables}; {opened}.")
    if marks.one_alone is not None:
        off = [f"{room.room} {plan.units.number(room.off_cfm, 'cfm', '+.0f')}" for room in marks.one_alone.outside[:6]]
        lines.append(
            f"One mark all year alone would leave {counted(marks.one_alone.rooms_outside, 'room')} outside, by "
            f"{plan.units.unit('cfm')}: {', '.join(off)}."
        )
    other = other_choice(delivery)
    return [*lines, other] if other else lines


def other_choice(delivery: Delivery) -> str:
    """What the set chosen the other way would save, in one line; empty where both are the same."""
    front, study = delivery.by_dampers, delivery.study
    if front is None or not front.entries or study.plan.choose == "dampers":
        return ""
    best, dampers = front.least(), len(delivery.marks.chosen.runs)
    saved = study.recommended.cost + study.plan.damper_cost * dampers - best.cost
    if best.rooms_outside > delivery.marks.chosen.rooms_outside or saved < 0.005:
        return ""
    return (
        f"Chosen by dampers instead: {counted(best.dampers, 'damper')}, {best.distinct_sizes} sizes, "
        f"{counted(best.rooms_outside, 'room')} outside, {money(study, saved)} per lot less ({proven_text(front)})."
    )


def proven_text(front: DamperFront) -> str:
    """What is proven of sizes and dampers searched together."""
    if front.proof is None or front.proof.bound <= 0.0:
        return "searched, not proven"
    if math.isinf(front.proof.bound):
        return "proven: nothing puts every room right"
    gap = front.proof.gap_pct(front.least().cost)
    return f"searched; proven that none with every room right costs over {math.ceil(100.0 * gap) / 100.0:.2f} % less"


def money(study: Study, cost: float) -> str:
    """A cost with its unit, money to the cent."""
    return tables.money(study, cost, ",.2f" if study.cost_unit == "USD" else ",.0f")


def _variants(study: Study) -> str:
    plan = study.plan
    parts = [f"{len(plan.fronts)} front faces"]
    if len(plan.mirrored) > 1:
        parts.append("mirrored or not")
    parts.append(" and ".join(plan.seasons))
    if plan.flex != ("",):
        parts.append(counted(len(plan.flex), "flex product"))
    if plan.houses:
        parts.append(f"{counted(len(plan.houses), 'combination')} of options")
    return f"{len(study.variants.variants)} variants ({', '.join(parts)})"


def _options(study: Study) -> list[str]:
    """What the houses cost, and what covering options costs those without them, the dearest first."""
    if not study.house_costs:
        return []

    def say(cost: float) -> str:
        return study.plan.units.say(cost, study.cost_unit, ",.2f")

    low, high = house_range(study, say)
    lines = [f"The cost counts the sections of every option once; a house costs {low} to {high}."]
    dear = [(one.covering, one.option.name) for one in study.option_costs if one.covering and one.covering > 0.005]
    if dear:
        each = ", ".join(f"{name} {say(cost)}" for cost, name in sorted(dear, reverse=True))
        lines.append(f"Covering an option costs the houses without it, in the least-cost set: {each} per lot.")
    return lines


def cap_text(study: Study) -> str:
    """What the cap on steps over the own size costs, in a sentence or two; empty where that was not worked out."""
    free = study.without_cap
    if free is None:
        return ""
    steps = counted(study.plan.most_steps_over_own, "standard size")
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


def _sizes(study: Study) -> list[str]:
    """The set by kind of duct."""
    proven = "proven" if study.status == "optimal" else f"not proven: time ran out ({study.status})"
    units = study.plan.units
    by_kind: dict[tuple[str, str], list[str]] = {}
    for (kind, shape, size), sections in study.sections_by_size.items():
        length = units.number(sum(s.length_ft for s in sections), "ft", ".0f")
        by_kind.setdefault((kind, shape), []).append(f"{size} ({length})")
    of = f"Sizes, {units.unit(NOMINAL)}, with {units.unit('ft')} per lot"
    lines = [f"Build this size set; it holds in every variant ({proven}). {of}:"]
    for (kind, shape), sizes in by_kind.items():
        what = "rigid, rectangular" if shape == "rectangular" else kind
        lines.append(f"  {what:<20}{', '.join(sizes)}")
    return lines


def _cost(study: Study) -> list[str]:
    best, least = study.recommended, study.least_cost
    found = "" if least.status == "optimal" else " found"
    lines = [
        f"Cost {money(study, best.cost)} per lot with {best.distinct_sizes} sizes to stock; the least cost{found} is "
        f"{money(study, least.cost)} with {least.distinct_sizes} sizes.",
        *not_proven(study),
    ]
    free = study.without_cap
    if free is not None and (free.extra_at_most > 0.005 or free.recommended.cost != best.cost):
        lines.append(cap_text(study))
    return lines


def _orientation(result: OrientationStudy) -> list[str]:
    """Lots and every degree."""
    words = []
    if result.lots:
        holds = [r.holds for r in result.lots]
        out = [r.lot.name for r in result.lots if not r.holds]
        words.append(
            f"{counted(len(holds), 'lot')}: the set holds at {sum(h is True for h in holds)} of them"
            + (f"; look at {', '.join(out[:8])}{' and more' if len(out) > 8 else ''}." if out else ".")
        )
    check = result.degrees
    if check is not None and check.between:
        held = "it holds at each" if check.holds else f"it FAILS at {int((~check.holds_at).sum())} of them"
        words.append(f"{check.every.capitalize()} between the fronts ({len(check.azimuth_deg)} directions): {held}.")
    words += [f"{result.screening}."] if result.screening else []
    return [" ".join([*words, *missing(result)])] if words or missing(result) else []


def _findings(found: tuple[Finding, ...]) -> list[str]:
    if not found:
        return []
    counts = Counter(f.severity for f in found)
    words = ", ".join(counted(counts[s], s.word) for s in Severity if counts[s])
    first = "" if len(found) <= _FINDINGS_SHOWN else f"; the first {_FINDINGS_SHOWN}, the others are on sheet Findings"
    return ["", f"Watch ({words}{first}):", *(f"  {finding}" for finding in found[:_FINDINGS_SHOWN])]


def conflict_lines(conflicts: tuple[Conflict, ...]) -> list[str]:
    """What stands in the way, each limit once: the worst of it, and where else."""
    by_limit: dict[str, list[Conflict]] = {}
    for conflict in conflicts:
        by_limit.setdefault(conflict.limit, []).append(conflict)
    lines = []
    for first, *others in by_limit.values():
        line = str(first)
        if others:
            places = [other.path if other.limit == "pressure" else other.section for other in others]
            line += f". The same at {counted(len(others), 'more place')}: {', '.join(places)}"
        lines.append(line)
    return lines


def _nothing_holds(study: Study) -> list[str]:
    lines = ["No size set holds in every variant.", *(f"  {line}" for line in conflict_lines(study.conflicts))]
    helping = [f"{w.change}: {money(study, w.solution.cost)} per lot" for w in study.remedies if w.helps]
    useless = [w.change for w in study.remedies if not w.helps]
    for heading, some in (
        ("Changes that were tried and hold, the cheapest first:", helping),
        ("Tried, and not enough alone:", useless),
    ):
        if some:
            more = [f"  ... and {len(some) - _LISTED} more in the workbook"] if len(some) > _LISTED else []
            lines += ["", heading, *(f"  {line}" for line in some[:_LISTED]), *more]
    return lines
