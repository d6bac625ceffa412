"""What to look at and what it rests on: Findings, Basis."""

from __future__ import annotations

from collections import Counter

from tractduct.model.plan import Duct, Plan
from tractduct.physics.friction import COMPRESSION_DECAY_PER_IN, COMPRESSION_TESTED_IN, COMPRESSION_TESTED_TO_PCT
from tractduct.physics.solar import LEFT_OUT, MODELS, SCREENING
from tractduct.sizing.margins import PRESSURE, SIZE, VELOCITY
from tractduct.sizing.practice import CAUTIONS, FRICTION_RATE_WINDOW, MOST_WYES_IN_A_ROW, large_flex_words
from tractduct.sizing.program import HOLDS_TOLERANCE
from tractduct.units import NOMINAL
from tractduct.version import VERSION
from tractduct.writers.book.facts import Facts
from tractduct.writers.book.layout import Book, Page
from tractduct.writers.book.looks import (
    CLOSE_FILL,
    GREY_INK,
    HUNDREDTHS,
    LABEL,
    PER_CENT,
    SHORT,
    TENTHS,
    TEXT,
    TIGHT_FILL,
    WHOLE,
    Column,
    Look,
    Value,
)
from tractduct.writers.book.pressure import equipment_tables, from_blower, whose_pressure


def findings_sheet(book: Book, facts: Facts) -> None:
    """What to look at before building."""
    columns = [
        Column("Severity", LABEL, 11),
        Column("About", TEXT, 20),
        Column("Where", TEXT, 22),
        Column("What", TEXT, 56),
        Column("What to do", TEXT, 44),
    ]
    page = book.sheet("Findings", [c.width for c in columns])
    page.title(
        "Findings",
        "Warning: likely wrong or unsafe as drawn, settle it before building. Caution: close to a limit or "
        "outside common practice, look at it. Note: good to know.",
        len(columns),
    )
    rows: list[list[Value]] = [[f.severity.word, f.rule, f.subject, f.message, f.advice] for f in facts.report.findings]
    body = page.table(columns, rows, freeze=0, nothing="Nothing found to point at.")
    if rows:
        area = f"A{body[0]}:A{body[-1]}"
        for word, fill in (("warning", TIGHT_FILL), ("caution", CLOSE_FILL)):
            page.mark(area, f'$A{body[0]}="{word}"', fill)


SPLIT = (
    "Between its points the blower's table is a monotone cubic that does not overshoot them. A filter counts as "
    "clean. A set holds where the worst supply run and the worst return "
    "run together lose no more than what is left: so the losses themselves decide how it is split."
)


def method(plan: Plan) -> tuple[tuple[str, str], ...]:
    """How the numbers come about: what it is about, and the words."""
    units = plan.units
    number, say = units.number, units.say
    *tested, last = (number(d, "in", ".0f") for d in COMPRESSION_TESTED_IN)
    # A friction rate is for 100 ft of length, or for 1 m.
    times, over = ("", "") if units.is_si else ("100 x ", " / 100")
    decay = COMPRESSION_DECAY_PER_IN / units.shown(1.0, "in")
    diameters = "mm" if units.is_si else "inches"
    low, high = FRICTION_RATE_WINDOW
    by_sun = plan.breakdown is not None and plan.breakdown.sun is not None
    glass = (("Glass by the sun", f"{SCREENING}. {LEFT_OUT}. Models: {MODELS}."),) if by_sun else ()
    return (
        (
            "Variants",
            "A variant is one way the front faces, as drawn or mirrored, one season, one flex product. A "
            "section's airflow in a variant is the sum of the runs beyond it in that variant: never a sum of "
            "peaks of different seasons or fronts.",
        ),
        (
            "Airflow",
            f"Actual {units.unit('cfm')} at the air handler, and the same number from there to the register or grille: "
            "that warm supply air fills more room than it did on the return side is not counted. A hood that shows "
            "standard airflow reads the actual one times the density of the air in it over that of standard air.",
        ),
        (
            "Altitude",
            "The blower's table and the devices' losses are for standard air. At the same airflow pressure is in "
            "proportion to density (common fan law), so they count times the density over standard air stated above. "
            "What the plan sets as available for the ducts holds at the site as it is; the program's default counts "
            "times the same ratio.",
        ),
        (
            "Total effective length",
            "Straight lengths as installed plus the equivalent lengths of the fittings, from the air handler to "
            "the register or grille. Loss coefficients and the compression of flex are not in it: they count in "
            "the pressure check.",
        ),
        (
            "Friction rate",
            f"{times}available static pressure / total effective length; for a section that several runs share, "
            "the lowest of the runs that are open then. It gives the size that each variant alone would get.",
        ),
        (
            "Pressure check",
            "Loss of a section = friction rate in its size x (straight length x compression factor + equivalent "
            f"lengths){over} + loss coefficients x velocity pressure. The losses of a run are added up from the "
            "air handler to the room and may not exceed what its side has available (with a blower table: together "
            "with the worst run of the other side, what the blower leaves), in any variant. A run that is shut in a "
            "season has no limit then.",
        ),
        (
            "Velocity",
            "At most the limit of the section's side, role and kind, in every variant; by the real area of a "
            "rectangular duct.",
        ),
        ("Step-downs", "No section is larger (by equivalent diameter) than the one it joins."),
        (
            "Largest size",
            "At most so many standard sizes of its shape, counted by equivalent diameter, above the largest that the "
            "friction-rate method gives the section in any variant of the plan (with a blower table: at the pressure "
            "split by total effective length). A section for which the method finds no size in some variant has no "
            "such limit, nor has a given size; from min_in on the smallest size is always left.",
        ),
        (
            "Which set",
            "Of all sets that hold in every variant, the fewest distinct sizes within the plan's per cent over "
            "the least cost, and the cheapest of those. Distinct sizes are counted for each kind and shape of "
            "duct.",
        ),
        (
            "Friction",
            "Darcy-Weisbach with Colebrook's friction factor, 64/Re below Re 2300 (Cengel and Cimbala, Fluid "
            "Mechanics, ch. 8), in the site's air at its temperature in the ducts. A rectangular duct "
            "counts as the round duct of 1.30 (a b)^0.625 / (a + b)^0.25 (after Huebscher).",
        ),
        (
            "Friction table",
            "A product with a published friction table has the friction of that table at its own airflow and size: "
            "friction by roughness and derate, times what the table says over it.",
        ),
        (
            "Flex derate",
            "A product with a derate carries that many per cent less air at any friction rate than its roughness "
            "alone would give.",
        ),
        (
            "Flex compression",
            f"Multiplies the friction of the straight length by 1 + 0.58 K exp(-{decay:.3g} D), K in per cent, D in "
            f"{diameters} (from memory, after Abushakra, Walker and Sherman, LBNL, who tested "
            f"{', '.join(tested)} and {last} {units.unit('in')} up to {COMPRESSION_TESTED_TO_PCT:g} %). "
            f"{large_flex_words(plan)}: the abstract of a later thesis has over four times there. Nominal sizes count.",
        ),
        ("Cost", _cost_words(plan)),
        *glass,
        (
            "Common practice",
            f"Friction rates outside {number(low, 'inWC/100 ft', '.2g')} to {say(high, 'inWC/100 ft', '.2g')} are "
            f"pointed out (ANSI/ACCA 1, from memory), as are more than {MOST_WYES_IN_A_ROW} wyes in a row (common "
            "practice, no source); see Findings.",
        ),
    )


def _cost_words(plan: Plan) -> str:
    """What the cost is the cost of."""
    if not plan.prices:
        return "The area of the duct wall, since the plan has no prices. Fittings and labor are not in it."
    if not plan.fitting_prices:
        return "Length x price, the mean over the approved flex products. Fittings and labor are not in it."
    return (
        "Length x price, the mean over the approved flex products, and the fittings that have a price, a reducer only "
        "where a section's size differs from that of the one it joins. Labor is not in it."
    )


def made_of(duct: Duct) -> str:
    """Kind of a product, and whether a published friction table stands over its roughness and derate."""
    return duct.kind if duct.correction is None else f"{duct.kind}, by its friction table"


def _margins(page: Page, facts: Facts, width: int) -> None:
    """How close the limits are: the tightest of each sort."""
    if facts.study.sized is None:
        return
    found = facts.study.sized.margins
    page.heading("How close the limits are", width)
    page.paragraph(
        "The limit of each sort that has the smallest part of itself left, in the standard size set. All limits were "
        "worked out again apart from the search. A pressure or a velocity counts as met exactly where it differs from "
        f"its limit by less than one part in {1.0 / HOLDS_TOLERANCE:,.0f}, which is rounding; {found.exact or 'none'} "
        f"of {sum(m.limits for m in found.tightest if m.limit != SIZE):,} do, each variant counted. A section may be "
        "as large as the one it joins.",
        width,
    )
    units = facts.study.plan.units
    labels = {PRESSURE: "{} pressure", VELOCITY: "{}", SIZE: "size of the one it joins"}
    shown = {"inWC": Look("0.0000"), "fpm": WHOLE, "in": TENTHS}
    page.table(
        [
            Column("Limit", LABEL),
            Column("Tightest at", SHORT),
            Column("It has"),
            Column("Allowed"),
            Column("Left of it, %", HUNDREDTHS),
            Column("In the variant", TEXT),
        ],
        [
            [
                f"{labels[m.limit].format(m.of)}, {units.unit(m.unit)}", m.place, units.shown(m.amount, m.unit),
                units.shown(m.allowed, m.unit), round(max(m.left_pct, 0.0), 9),
                str(m.variant) if m.variant else "all",
            ]
            for m in found.tightest
        ],
        {(r, c): shown[m.unit].in_units(units, m.unit) for r, m in enumerate(found.tightest) for c in (2, 3)},
    )  # fmt: skip


def basis_sheet(book: Book, facts: Facts) -> None:
    """Inputs, method, sources and cautions."""
    study, plan, units = facts.study, facts.study.plan, facts.units
    width = 6
    page = book.sheet("Basis", (30, 16, 15, 15, 16, 46))
    page.title("Basis: inputs, method, sources, cautions", f"Worked out by tractduct {VERSION}.", width)
    page.row += 1
    page.heading("Site, pressure and choice", width)
    sources = {"limits": " (ANSI/ACCA 1, from memory)", "pressure": " (common practice, no source)"}
    settings: list[tuple[str, str, float, str, str, str]] = [
        ("Elevation", "ft", plan.elevation_ft, "site", "elevation_ft", "#,##0"),
        ("Air at the air handler", "F", plan.air_temperature_f, "site", "air_temperature_f", "0"),
        ("Air density", "lb/ft3", float(plan.air.density_lb_per_ft3), "", "", "0.0000"),
        ("Density over standard air", "", plan.density_ratio, "", "", "0.000"),
        *((f"Supply air, {season}", "F", f, "", "", "0") for season, f in plan.supply_air_f.items()),
        (
            "Shorter stock list may cost",
            "%",
            plan.standardize_within_pct,
            "objective",
            "standardize_within_pct",
            "General",
        ),
        (
            "Most distinct sizes (0: no cap)",
            "",
            float(plan.max_distinct_sizes),
            "objective",
            "max_distinct_sizes",
            "0",
        ),
        (
            "Most sizes above the friction-rate method's (99: no cap)",
            "",
            float(plan.most_steps_over_own),
            "objective",
            "most_steps_over_own",
            "0",
        ),
    ]
    if not facts.from_blower:
        settings.append(("Available, supply ducts", "inWC", plan.supply_inwc, "pressure", "supply_inwc", "0.000"))
        settings.append(("Available, return ducts", "inWC", plan.return_inwc, "pressure", "return_inwc", "0.000"))
    settings.append(
        (
            "Large compressed flex, at least",
            "",
            plan.least_factor_12_in,
            "compression",
            "least_factor_12_in",
            '0.0" times"',
        )
    )
    settings += [
        (f"Limit, {key.removesuffix('_fpm').replace('_', ' ')}", "fpm", value, "limits", key, "#,##0")
        for key, value in plan.velocity_limits_fpm.items()
    ]
    for label, unit, value, table, key, shown in settings:
        page.put(page.row, 1, f"{label}, {units.unit(unit)}" if unit else label)
        page.put(page.row, 2, round(value, 6), Look(shown), unit)
        if table == "pressure":
            page.put(page.row, 3, whose_pressure(plan, key.partition("_")[0]), Look(ink=GREY_INK))
        elif key:
            words = (
                "set in the plan" if (table, key) in plan.typed else "the program's default" + sources.get(table, "")
            )
            page.put(page.row, 3, words, Look(ink=GREY_INK))
        page.row += 1
    for shape in ("round", "rectangular"):
        offered = [size.label for size in plan.sizes if size.shape == shape]
        if offered:
            page.fact(f"Sizes on offer, {shape}, {units.unit(NOMINAL)}", ", ".join(offered), width)
    if facts.from_blower:
        page.fact("Pressure for the ducts", f"{from_blower(plan)} {SPLIT}", width)
    page.row += 1
    _margins(page, facts, width)
    page.heading("Method", width)
    for label, text in method(plan):
        page.fact(label, text, width)
    page.row += 1
    equipment_tables(page, facts, width)
    page.heading("Ducts", width)
    page.table(
        [
            Column("Duct", LABEL),
            Column("Kind"),
            Column("Roughness", Look("0.0000#"), unit="roughness"),
            Column("Derate of airflow, %", PER_CENT),
            Column("Compression, %", PER_CENT),
            Column("Source", TEXT),
        ],
        [
            [d.name, made_of(d), d.roughness_ft, d.airflow_derate_pct, d.compression_pct, d.source]
            for d in plan.ducts.values()
        ],
    )
    page.heading("Fittings", width)
    used: Counter[str] = Counter()
    for section in study.tree.sections:
        for name, count in section.fittings:
            used[name] += count
    page.table(
        [
            Column("Fitting", LABEL),
            Column("Used, pieces", WHOLE),
            Column("Equivalent length", TENTHS, unit="ft"),
            Column("Loss coefficient", HUNDREDTHS),
            Column("In the plan"),
            Column("Source", TEXT),
        ],
        [
            [
                f.name, used[f.name], f.equivalent_length_ft, f.loss_coefficient,
                "used" if used[f.name] else "not used", f.source,
            ]
            for f in plan.fittings.values()
        ],
        nothing="The plan uses no fittings.",
    )  # fmt: skip
    page.heading("Cautions", width)
    for caution in CAUTIONS:
        page.paragraph(caution, width)
