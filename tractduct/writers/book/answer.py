"""The sheet Answer: what to build, what it costs, what to watch; or why no set holds and what helps."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace

import numpy as np

from tractduct.model.words import FLEX
from tractduct.one_plan import Sized, Study
from tractduct.sizing.governing import Reason
from tractduct.sizing.practice import CAUTIONS
from tractduct.writers import tables
from tractduct.writers.book.facts import Facts, counted, named, turned
from tractduct.writers.book.layout import Page
from tractduct.writers.book.looks import (
    CHOSEN,
    GOOD_FILL,
    HEADLINE,
    MONEY,
    TENTHS,
    TEXT,
    THOUSANDTHS,
    TIGHT_FILL,
    WHOLE,
    Column,
    Value,
    plain,
    size_value,
)
from tractduct.writers.book.pressure import pressure_text
from tractduct.writers.summary import cap_text, rooms_right

ANSWER_WIDTHS = (23, 15, 11, 11, 13, 42)
NO_ANSWER_WIDTHS = (23, 18, 12, 12, 50)


ABOUT_SHEETS = {
    "Answer": "what to build, what it costs, what to watch",
    "Sizes": "every section: the size to install, and the size that each front alone would get",
    "Damper marks": "where each damper is set, on every lot, and what each room then gets",
    "Duct tree": "a picture of the runs with their sizes and airflow",
    "Pressure": "what the blower leaves for the ducts, by variant",
    "Lengths": "straight lengths and fittings: the inputs of the pencil check",
    "Pencil check": "each run from the air handler to the room, with live formulas",
    "Tightest": "each run in the variant that leaves it the least pressure",
    "All variants": "pressure and velocity of each run in every variant",
    "Rooms by front": "how each room's airflow turns with the house",
    "Rooms picture": "the same, as a picture",
    "Orientation": "rooms by how far the direction moves them, and their airflow by front",
    "Airflow by front": "each room's airflow by front, as drawn and mirrored",
    "Rooms rose": "the most sensitive rooms, as a picture",
    "House by front": "the house's loads by front, and whether they change by much",
    "Breakdown check": "the loads by surface against the airflow table",
    "Packages": "what more than one size set saves, and which front gets which",
    "Package sizes": "the sizes of each package beside the standard set",
    "Every degree": "whether the set holds between the fronts",
    "Plan picture": "the floors from above, with the ducts where the plan has routes",
    "Lots": "every lot: whether the set holds there, with a link to its own sheet",
    "Lots by room": "each room's airflow at each lot's own direction",
    "Flex products": "what each approved flex product would need",
    "Price of each front": "what it costs that one set covers every front",
    "Sizes and cost": "what a shorter stock list costs",
    "Spare air": "how much more air each run could carry",
    "Product comparison": "flex products alone, approved together, compressed, and at what price they cost the same",
    "Stock list": "which sizes to drop first, and what is not offered",
    "Buy one lot": "purchase list for one lot",
    "Buy all lots": "purchase list for the lots that the plan lists",
    "Buy several lots": "purchase list for a number of lots",
    "Delivered by room": "what each room gets before balancing, against its design airflow",
    "Delivered picture": "the same, as a picture",
    "System": "total airflow, static pressure and whether it can be balanced",
    "Substitution": "one flex product designed for, another one installed",
    "Substitution by room": "the same by room and season",
    "Robustness": "what building tolerances do to the balanced airflow",
    "Findings": "what to look at before building",
    "Basis": "method, limits, sources, cautions",
    "Delivered in all variants": "what each room gets in every variant, with the flow hood's error",
}


def answer_sheet(page: Page, facts: Facts) -> None:
    """Fill the first sheet, last of all, because it lists the others."""
    across = len(ANSWER_WIDTHS if facts.has_set else NO_ANSWER_WIDTHS)
    page.title(f"{facts.study.plan.name}: duct sizes", covers(facts.study), across)
    page.row += 1
    if facts.delivery is not None:
        for n, line in enumerate(rooms_right(facts.delivery)):
            outside = facts.delivery.marks.chosen.outside
            look = replace(TEXT, bold=True, fill=TIGHT_FILL if outside else GOOD_FILL) if not n else TEXT
            page.paragraph(line, across, look)
        page.row += 1
    sized = facts.study.sized
    if sized is not None:
        _what_to_build(page, facts, sized, across)
        _what_to_watch(page, facts, sized, across)
        _case_for_it(page, facts, across)
    else:
        _no_answer(page, facts, across)
    _found(page, facts, across)
    page.heading("Cautions", across)
    for caution in CAUTIONS:
        page.paragraph(caution, across)
    page.row += 1
    page.heading("Sheets", across)
    for name in page.book.book.sheetnames[1:]:
        page.link(page.row, 1, name)
        page.put(page.row, 2, ABOUT_SHEETS[name])
        page.row += 1


def covers(study: Study) -> str:
    """Which variants the one set is for, in words."""
    plan = study.plan
    parts = [
        counted(len(plan.fronts), "front face") + f" ({', '.join(plan.fronts)})",
        " and ".join(turned(m) for m in plan.mirrored),
        " and ".join(plan.seasons),
    ]
    flex = [f for f in plan.flex if f]
    if flex:
        parts.append(counted(len(flex), "flex product") + f" ({', '.join(flex)})")
    number = len(study.variants.variants)
    start = "One size set" if study.size_set else "Wanted: one size set"
    return f"{start} for {counted(number, 'variant')} of the house: {'; '.join(parts)}."


def status_text(facts: Facts) -> str:
    """What is proven, in plain words."""
    study = facts.study
    best, within = study.recommended, study.plan.standardize_within_pct
    if best.size_index is None:
        return "No size set on offer keeps every limit in every variant. This is proven, not a guess."
    holds = "Holds in every variant: each limit was checked again apart from the search."
    if study.status == "optimal" and facts.over_least_pct() <= within + 1e-6:
        return (
            f"{holds} Proven: no set with fewer distinct sizes costs at most {within:g} % over the least "
            f"cost, and none with {best.distinct_sizes} or fewer costs less than this one."
        )
    if study.status == "optimal":
        return f"{holds} Proven: the least cost with at most {counted(best.distinct_sizes, 'distinct size')}."
    return f"{holds} Not proven to be the best: time ran out. {' '.join(tables.not_proven(study))}"


def _what_to_build(page: Page, facts: Facts, sized: Sized, across: int) -> None:
    study = facts.study
    best, least = study.recommended, study.least_cost
    page.heading("What to build and what it costs", across)
    number = len(study.variants.variants)
    covered = f", for all {number} variants" if number > 1 else ""
    sizes = counted(best.distinct_sizes, "distinct size")
    page.put(page.row, 1, f"{sizes}, {facts.money(best.cost)}{covered}", HEADLINE)
    page.height(page.row, 22)
    page.row += 1
    page.fact("Status", status_text(facts), across)
    over = facts.over_least_pct()
    against = (
        f" The least possible with any number of sizes is {facts.money(least.cost)} "
        f"with {least.distinct_sizes} sizes; the shorter stock list costs {over:.1f} % more."
        if over > 0.005
        else " No set that holds costs less."
        if least.status == "optimal"
        else ""
    )
    what = "Cost of the duct" if study.cost_unit == "USD" else "Duct wall (no prices)"
    priced = " Straight duct only: fittings and labor are not priced." if study.cost_unit == "USD" else ""
    if study.cost_unit == "USD" and study.plan.fitting_prices:
        priced = " Duct and the fittings that have a price; labor is not priced."
    page.fact(what, f"{facts.money(best.cost)}.{against}{priced}", across)
    page.fact(
        "Distinct sizes to stock",
        f"{best.distinct_sizes}, counted for each kind and shape of duct. The list below is the whole set: "
        "build every lot of this plan from it.",
        across,
    )
    cap = cap_text(study)
    if cap:
        page.fact("Largest sizes", cap, across)
    page.row += 1
    page.table(
        [
            Column("Duct"),
            Column("Shape"),
            Column("Size", CHOSEN, unit="size"),
            Column("Length", TENTHS, unit="ft"),
            Column("Cost" if study.cost_unit == "USD" else "Wall", MONEY, unit=study.cost_unit),
            Column("Sections in this size", TEXT),
        ],
        stock_rows(study, sized),
    )


def stock_rows(study: Study, sized: Sized) -> list[list[Value]]:
    """Kind, shape, size, feet, cost and sections of each distinct size: what purchasing orders by."""
    index = sized.size_index
    groups: dict[tuple[str, str, int], list[int]] = {}
    for i, section in enumerate(study.tree.sections):
        groups.setdefault((section.kind, section.shape, int(index[i])), []).append(i)
    order = sorted(groups, key=lambda key: (key[0], key[1], study.table.sizes[key[2]].diameter_in))
    rows: list[list[Value]] = []
    for kind, shape, k in order:
        members = groups[kind, shape, k]
        sections = [study.tree.sections[i] for i in members]
        ducts = sorted({s.duct for s in sections})
        rows.append(
            [
                FLEX if kind == FLEX else ", ".join(ducts),
                shape,
                size_value(study.table.sizes[k].label),
                round(sum(s.length_ft for s in sections), 2),
                round(float(sum(study.table.cost[i, k] for i in members)), 2),
                ", ".join(s.name for s in sections),
            ]
        )
    return rows


def _what_to_watch(page: Page, facts: Facts, sized: Sized, across: int) -> None:
    study = facts.study
    page.heading("What drives it and what to watch", across)
    page.fact("What drives the sizes", drivers_text(sized), across)
    page.fact("Pressure for the ducts", pressure_text(facts), across)
    worst = facts.worst_by_run
    if not worst.empty:
        columns = ("run", "room", "slack_inwc", "slack_pct")
        tight = [
            f"{run} ({room}): {facts.units.say(max(spare, 0.0), 'inWC', '.3f')} to spare, {part:.1f} %"
            for run, room, spare, part in zip(*(worst[c].head(3).tolist() for c in columns), strict=True)
        ]
        page.fact("Least pressure to spare", "; ".join(tight) + ". All runs: sheet Tightest.", across)
    speed = sized.velocity_fpm.max(axis=0)
    limit = study.table.sections.velocity_limit_fpm
    fastest = np.argsort(-(speed / limit), kind="stable")[:3]
    page.fact(
        "Fastest air",
        "; ".join(
            f"{study.tree.sections[i].name}: {facts.units.number(speed[i], 'fpm', '.0f')} of "
            f"{facts.units.say(limit[i], 'fpm', '.0f')}"
            for i in fastest
        )
        + ".",
        across,
    )
    page.row += 1


def drivers_text(sized: Sized) -> str:
    """Which fronts, seasons and products decide the sizes."""
    decided = [d for d in sized.governing if d.reason is Reason.VARIANTS]
    by_reason = Counter(d.reason for d in sized.governing)
    parts = []
    if decided:
        parts.append(
            f"{counted(len(decided), 'section')} of {len(sized.governing)} could be smaller but for some "
            "variants. The variant that breaks worst has "
            + "; ".join(
                ", ".join(f"{name} {number}" for name, number in Counter(values).most_common() if name)
                for values in (
                    [f"front {d.variants[0].front}" for d in decided],
                    [d.variants[0].season for d in decided],
                    [d.variants[0].flex for d in decided],
                )
                if any(values)
            )
            + " (number of sections)."
        )
    for reason, words in (
        (Reason.CHILD, "because a section beyond is as large"),
        (Reason.STANDARD, "larger than needed, for a shorter stock list or at no extra cost"),
        (Reason.SMALLEST, "at the smallest size on offer"),
    ):
        if by_reason[reason]:
            parts.append(f"{counted(by_reason[reason], 'section')} {words}.")
    return " ".join(parts)


def _case_for_it(page: Page, facts: Facts, across: int) -> None:
    study = facts.study
    single = study.single
    page.heading("If only the worst front had been looked at", across)
    page.paragraph(case_text(facts), across)
    if single.breaches:
        page.row += 1
        frame, units = tables.single_orientation(study), facts.units
        rows: list[list[Value]] = [
            [
                f"{section} ({room})" if room else section,
                f"{limit}, {units.unit(unit)}",
                int(number),
                page.shown(plain(amount), unit),
                page.shown(plain(allowed), unit),
                f"{worst}: {over:.0f} % over",
            ]
            for section, room, limit, number, amount, allowed, over, unit, worst in zip(
                *(frame[c].tolist() for c in (
                    "section", "room", "limit", "variants", "amount", "allowed", "over_pct", "unit",
                    "worst_variant",
                )),
                strict=True,
            )
        ]  # fmt: skip
        page.table(
            [
                Column("Section or run", TEXT),
                Column("Limit broken"),
                Column("Variants out", WHOLE),
                Column("Comes to", WHOLE),
                Column("Allowed", WHOLE),
                Column("Worst case", TEXT),
            ],
            rows,
            {
                (r, c): {"fpm": WHOLE, "inWC": THOUSANDTHS}.get(unit, TENTHS).in_units(units, unit)
                for r, unit in enumerate(frame["unit"].tolist())
                for c in (3, 4)
            },
        )
    else:
        page.row += 1


def case_text(facts: Facts) -> str:
    """What a set drawn for one orientation would leave out of limits, in a few sentences."""
    study = facts.study
    single = study.single
    looked = f"front {single.front}, {turned(single.mirrored)}" + (f", in {single.flex}" if single.flex else "")
    start = (
        f"A set drawn by the friction-rate method for the worst front alone ({looked}: there it takes the most duct)"
    )
    start += f" costs {facts.money(single.cost)} and" if math.isfinite(single.cost) else ""
    if not single.breaches:
        return f"{start} holds in all variants."
    names = list(dict.fromkeys(b.section for b in single.breaches))
    rooms = list(
        dict.fromkeys(room for n in names if facts.sections[n].side != "return" for room in facts.sections[n].rooms)
    )
    returns = [n for n in names if facts.sections[n].side == "return" and facts.sections[n].is_run]
    others = [n for n in names if not facts.sections[n].is_run]
    what = [
        words
        for number, words in (
            (len(rooms), f"{counted(len(rooms), 'room')} ({named(rooms)})"),
            (len(returns), f"{counted(len(returns), 'return')} ({named(returns)})"),
            (len(others), f"{counted(len(others), 'shared section')} ({named(others)})"),
        )
        if number
    ]
    return (
        f"{start} leaves out of limits {' and '.join(what)}, in {len(study.single_out)} of "
        f"{counted(len(study.variants.variants), 'variant')}."
    )


def _no_answer(page: Page, facts: Facts, across: int) -> None:
    study = facts.study
    page.heading("No size set to build", across)
    page.fact("Status", status_text(facts), across, replace(TEXT, bold=True))
    page.fact("Pressure for the ducts", pressure_text(facts), across)
    page.row += 1
    page.heading("Why", across)
    frame = tables.conflicts(study)
    for what in frame["what"].tolist():
        page.paragraph(f"• {what}", across)
    if not len(frame):
        page.paragraph("The limits can't all be kept at once.", across)
    page.row += 1
    page.heading("Ways out that were tried, each by sizing the plan again", across)
    found = tables.remedies(study)
    rows: list[list[Value]] = [
        [
            kind,
            "a set holds" if holds else "does not help",
            plain(cost) if holds else None,
            int(number) if holds else None,
            change,
        ]
        for kind, change, holds, cost, number in zip(*(found[c].tolist() for c in found.columns), strict=True)
    ]
    page.table(
        [
            Column("Kind of change", TEXT),
            Column("Result", TEXT),
            Column("Cost" if study.cost_unit == "USD" else "Wall", MONEY, unit=study.cost_unit),
            Column("Distinct sizes", WHOLE),
            Column("Change", TEXT),
        ],
        rows,
        {(r, 1): replace(TEXT, bold=True, fill=GOOD_FILL) for r, row in enumerate(rows) if row[2] is not None},
        nothing="No change was found worth a try.",
    )


def _found(page: Page, facts: Facts, across: int) -> None:
    findings = facts.report.findings
    page.heading("Findings", across)
    if not findings:
        page.paragraph("Nothing found to point at.", across)
        page.row += 1
        return
    numbers = Counter(f.severity for f in findings)
    page.paragraph(
        ", ".join(counted(numbers[s], s.word) for s in sorted(numbers)) + ". All of them: sheet Findings.",
        across,
    )
    for finding in findings[:8]:
        page.fact(finding.severity.word.capitalize(), f"{finding.subject}: {finding.message}.", across)
    page.row += 1
