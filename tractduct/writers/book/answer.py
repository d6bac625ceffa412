"""The sheet Answer: what to build, whether it is right, what it costs, what to watch; or why no set holds."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from tractduct.delivery.built import Built
from tractduct.delivery.lots import lots_outside
from tractduct.errors import ended
from tractduct.findings import Finding
from tractduct.model.words import FLEX
from tractduct.one_plan import Sized, Study
from tractduct.report import Report
from tractduct.sizing.governing import Reason
from tractduct.sizing.practice import CAUTIONS
from tractduct.writers import delivery_tables, tables
from tractduct.writers.book.cost import houses_text
from tractduct.writers.book.layout import Page
from tractduct.writers.book.looks import (
    CHOSEN,
    GOOD_FILL,
    HEADLINE,
    LABEL,
    MONEY,
    TENTHS,
    TEXT,
    TIGHT_FILL,
    Column,
    Value,
    size_value,
)
from tractduct.writers.book.pressure import pressure_text
from tractduct.writers.listing import turned
from tractduct.writers.summary import cap_text, rooms_right
from tractduct.writers.tables import money
from tractduct.writers.words import counted, named

WIDTHS = (22, 22, 12, 12, 14, 60)
FINDINGS_SHOWN = 5
ABOUT_SHEETS = {
    "Sizes": "every section: the size to install, and where a front alone would get another",
    "Damper marks": "where each damper is set, and what helps a room that stays outside",
    "Duct tree": "the runs with their sizes and airflow, as a picture",
    "Pencil check": "each run added up from the air handler to the room, with live formulas",
    "Rooms by front": "each room's airflow by the way the front faces",
    "Direction": "rooms by how far the direction moves them, the house's load, every degree",
    "Sizes and cost": "what fewer sizes, fewer dampers, more size sets and each front cost",
    "Delivered": "what each room and the system get, dampers open and marked",
    "Flex products": "what each product needs, and what it does where another was designed for",
    "Robustness and margins": "building tolerances, pressure margins, headroom, how close the limits are",
    "Lots": "every lot: whether the set holds there",
    "Findings": "what to look at before building",
    "Basis": "inputs, method, sources and cautions",
}


def answer_sheet(page: Page, report: Report) -> None:
    """Fill the first sheet, last of all, because it lists the others. It is printed on one page."""
    page.sheet.page_setup.fitToHeight = 1
    page.title(f"{report.study.plan.name}: duct sizes", covers(report.study))
    page.gap()
    if report.delivery is not None:
        delivery, lots = report.delivery, report.lots
        fill = TIGHT_FILL if delivery.marks.chosen.outside or lots_outside(delivery, lots) else GOOD_FILL
        for n, line in enumerate(rooms_right(delivery, lots)):
            page.paragraph(line, TEXT if n else replace(HEADLINE, points=13.0, wrap=True, fill=fill))
    if report.study.sized is not None:
        _what_to_build(page, report, report.study.sized)
        _what_drives_it(page, report.study, report.study.sized)
    else:
        _no_answer(page, report.study)
    _found(page, report.findings)
    page.heading("Cautions")
    for caution in CAUTIONS:
        page.paragraph(caution)
    page.heading("Sheets")
    for name in page.book.book.sheetnames[1:]:
        page.link(page.row, 1, name)
        page.put(page.row, 2, ABOUT_SHEETS[name])
        page.row += 1
    page.paragraph(
        "Each list behind these sheets is a CSV file in the folder data; data/columns.csv says what their columns are."
    )


def covers(study: Study) -> str:
    """Which variants the one set is for, in words."""
    plan = study.plan
    parts = [
        counted(len(plan.fronts), "front") + f" ({', '.join(plan.fronts)})",
        " and ".join(turned(m) for m in plan.mirrored),
        " and ".join(plan.seasons),
    ]
    flex = [f for f in plan.flex if f]
    if flex:
        parts.append(counted(len(flex), "flex product") + f" ({', '.join(flex)})")
    if plan.options:
        parts.append(counted(len(plan.houses), "house") + " by options built")
    number = len(study.variants.variants)
    start = "One size set" if study.size_set else "Wanted: one size set"
    return f"{start} for {counted(number, 'variant')} of the house: {'; '.join(parts)}."


def status_text(study: Study) -> str:
    """What is proven, in plain words."""
    best, within = study.recommended, study.plan.standardize_within_pct
    if study.sized is None:
        return "No size set on offer keeps every limit in every variant. This is proven, not a guess."
    holds = "Holds in every variant: each limit was checked again apart from the search."
    if study.status == "optimal" and _over_least_pct(study) <= within + 1e-6:
        return (
            f"{holds} Proven: no set with fewer distinct sizes costs at most {within:g} % over the least "
            f"cost, and none with {best.distinct_sizes} or fewer costs less than this one."
        )
    if study.status == "optimal":
        return f"{holds} Proven: the least cost with at most {counted(best.distinct_sizes, 'distinct size')}."
    return f"{holds} Not proven to be the best: time ran out. {' '.join(tables.not_proven(study))}"


def _what_to_build(page: Page, report: Report, sized: Sized) -> None:
    study, best = report.study, report.study.recommended
    page.heading("What to build and what it costs")
    number = len(study.variants.variants)
    covered = f", for all {number} variants" if number > 1 else ""
    sizes = counted(best.distinct_sizes, "distinct size")
    page.put(page.row, 1, f"{sizes}, {money(study, best.cost)} per lot{covered}", HEADLINE)
    page.height(page.row, 22)
    page.row += 1
    page.fact("Status", status_text(study))
    page.fact("Cost of the duct" if study.cost_unit == "USD" else "Duct wall (no prices)", cost_text(study))
    for label, text in (
        ("Largest sizes", cap_text(study)),
        ("Options", houses_text(study)),
        ("Already built", built_text(report.built)),
        ("Not approved", not_approved_text(report)),
    ):
        if text:
            page.fact(label, text)
    page.row += 1
    columns = [
        Column("Duct"),
        Column("Shape"),
        Column("Size", CHOSEN, unit="size"),
        Column("Length", TENTHS, unit="ft"),
        Column("Cost per lot" if study.cost_unit == "USD" else "Wall per lot", MONEY, unit=study.cost_unit),
        Column("Sections in this size", TEXT),
    ]
    page.table(columns, stock_rows(study, sized))


def cost_text(study: Study) -> str:
    """What the set costs, against the least possible, and what is in it."""
    best, least = study.recommended, study.least_cost
    over, against = _over_least_pct(study), ""
    if over > 0.005:
        against = (
            f" The least possible with any number of sizes is {money(study, least.cost)} with {least.distinct_sizes} "
            f"sizes; fewer sizes to stock cost {over:.1f} % more."
        )
    elif least.status == "optimal":
        against = " No set that holds costs less."
    priced = ""
    if study.cost_unit == "USD":
        what = "Duct and the fittings that have a price" if study.plan.fitting_prices else "Straight duct only"
        priced = f" {what}; labor is not priced."
    return f"{money(study, best.cost)} per lot.{against}{priced}"


def built_text(built: Built | None) -> str:
    """What to do with the sizes that stand already; empty where nothing does."""
    findings = built.findings if built else ()
    return " ".join(f"{ended(finding.advice)} See sheet Sizes and cost." for finding in findings)


def not_approved_text(report: Report) -> str:
    """What flex arrived on lots that is not approved, and what its own marks leave outside; empty where none did."""
    products = []
    for row in delivery_tables.arrived_flex(report):
        lots = [lot.name for lot in report.study.plan.lots if lot.flex == row["flex"]]
        products.append(
            f"{row['flex']} arrived on {counted(len(lots), 'lot')} ({named(lots)}): damper marks of its own leave "
            f"{counted(row['rooms_outside'], 'room')} outside tolerance"
        )
    return f"{'; '.join(products)}. No size set is proven for it: see sheet Flex products." if products else ""


def _over_least_pct(study: Study) -> float:
    """How much more the set costs than the least possible."""
    best, least = study.recommended.cost, study.least_cost.cost
    return 100.0 * (best / least - 1.0) if least > 0.0 else 0.0


def stock_rows(study: Study, sized: Sized) -> list[list[Value]]:
    """Kind, shape, size, feet, cost and sections of each distinct size."""
    each = study.table.cost[np.arange(len(sized.size_index)), sized.size_index].tolist()
    cost = {s.name: amount for s, amount in zip(study.tree.sections, each, strict=True)}
    diameter = study.plan.diameter_by_size
    groups = sorted(study.sections_by_size.items(), key=lambda group: (*group[0][:2], diameter[group[0][2]]))
    return [
        [
            ", ".join(sorted({s.duct_in(FLEX) for s in sections})),
            shape,
            size_value(size),
            round(sum(s.length_ft for s in sections), 2),
            round(sum(cost[s.name] for s in sections), 2),
            ", ".join(s.name for s in sections),
        ]
        for (_, shape, size), sections in groups
    ]


def _what_drives_it(page: Page, study: Study, sized: Sized) -> None:
    page.heading("What drives it and how close it is")
    page.fact("What drives the sizes", drivers_text(sized))
    page.fact("Pressure for the ducts", pressure_text(study))
    page.fact("Closest limits", tables.closest_limits(sized, study.plan.units))
    page.fact("Drawn for one front", case_text(study))


def drivers_text(sized: Sized) -> str:
    """Which fronts, seasons and products decide the sizes."""
    decided = [d for d in sized.governing if d.reason is Reason.VARIANTS]
    by_reason = Counter(d.reason for d in sized.governing)
    parts = []
    if decided:
        worst = [d.variants[0] for d in decided]
        lists = ([f"front {v.front}" for v in worst], [v.season for v in worst], [v.flex for v in worst])
        most = [Counter(filter(None, values)).most_common(2) for values in lists]
        words = "; ".join(", ".join(f"{name} {number}" for name, number in found) for found in most if found)
        parts.append(
            f"{len(decided)} of {counted(len(sized.governing), 'section')} could be smaller but for some variants. The "
            f"variant that needs it most has, by number of sections: {words}."
        )
    for reason, words in (
        (Reason.CHILD, "as large as a section beyond it"),
        (Reason.STANDARD, "larger than needed, for fewer sizes to stock or at no extra cost"),
        (Reason.SMALLEST, "at the smallest size on offer"),
    ):
        if by_reason[reason]:
            is_or_are = "is" if by_reason[reason] == 1 else "are"
            parts.append(f"{counted(by_reason[reason], 'section')} {is_or_are} {words}.")
    return " ".join(parts)


def case_text(study: Study) -> str:
    """What a set drawn for one orientation would leave out of limits, in a few sentences."""
    single, sections = study.single, {s.name: s for s in study.tree.sections}
    looked = f"front {single.front}, {turned(single.mirrored)}" + (f", in {single.flex}" if single.flex else "")
    start = f"A set drawn by the friction-rate method for the worst front alone ({looked}: there it takes most duct)"
    start += f" costs {money(study, single.cost)} per lot and" if math.isfinite(single.cost) else ""
    if not single.breaches:
        return f"{start} holds in all variants."
    names = list(dict.fromkeys(b.section for b in single.breaches))
    rooms = dict.fromkeys(r for n in names if sections[n].side != "return" for r in sections[n].rooms)
    returns = [n for n in names if sections[n].side == "return" and sections[n].is_run]
    others = [n for n in names if not sections[n].is_run]
    what = [
        f"{counted(len(found), word)} ({named(list(found), 4)})"
        for word, found in (("room", rooms), ("return", returns), ("shared section", others))
        if found
    ]
    return (
        f"{start} breaks limits at {' and '.join(what)}, in {len(study.single_out)} of "
        f"{counted(len(study.variants.variants), 'variant')}."
    )


def _no_answer(page: Page, study: Study) -> None:
    page.set_widths((22, 18, 12, 14, 60, 16))  # a change needs more room than a list of sections
    page.heading("No size set to build")
    page.fact("Status", status_text(study), LABEL)
    page.fact("Pressure for the ducts", pressure_text(study))
    page.heading("Why")
    for conflict in study.conflicts:
        page.paragraph(f"• {conflict}")
    if not study.conflicts:
        page.paragraph("The limits can't all be kept at once.")
    page.heading("Changes that were tried, each by sizing the plan again")
    rows = tables.remedies.rows(study)
    looks = {(r, 1): replace(LABEL, fill=GOOD_FILL) for r, row in enumerate(rows) if row["holds"]}
    columns = tables.remedies.columns(study, ("kind", "holds", "distinct_sizes", "cost", "change"))
    page.listing(columns, rows, looks, nothing="No change was found worth a try.")


def _found(page: Page, findings: Sequence[Finding]) -> None:
    page.heading("Findings")
    numbers = Counter(f.severity for f in findings)
    words = ", ".join(counted(numbers[s], s.word) for s in sorted(numbers))
    page.paragraph(f"{words}. All of them: sheet Findings." if findings else "No findings.")
    for finding in findings[:FINDINGS_SHOWN]:
        page.fact(finding.severity.word.capitalize(), f"{finding.subject}: {finding.message}.")
