"""What to look at and what it rests on: Findings, Basis."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from tractduct.model.plan import Duct, Plan, told_once
from tractduct.model.words import SIDES
from tractduct.one_plan import Study
from tractduct.physics.friction import COMPRESSION_DECAY_PER_IN, COMPRESSION_TESTED_IN, COMPRESSION_TESTED_TO_PCT
from tractduct.physics.solar import LEFT_OUT, MODELS, SCREENING
from tractduct.report import Report
from tractduct.sizing.assumed import Effect
from tractduct.sizing.practice import CAUTIONS, FRICTION_RATE_WINDOW, MOST_WYES_IN_A_ROW, large_flex_words
from tractduct.units import NOMINAL
from tractduct.version import VERSION
from tractduct.writers import tables
from tractduct.writers.book.layout import Book
from tractduct.writers.book.looks import CLOSE_FILL, LABEL, PER_CENT, TEXT, TIGHT_FILL, Column, Look, Value
from tractduct.writers.book.pressure import equipment_tables, from_blower, whose_pressure


def findings_sheet(book: Book, report: Report) -> None:
    """What to look at before building."""
    page = book.sheet(
        "Findings",
        tables.findings.columns(report),
        "Findings",
        "Warning: likely wrong or unsafe as drawn; settle it before building. Caution: close to a limit or outside "
        "common practice; look at it. Note: good to know.",
    )
    body = page.show(tables.findings, report, freeze=0, nothing="No findings.")
    for word, fill in (("warning", TIGHT_FILL), ("caution", CLOSE_FILL)):
        page.mark(body, "severity", f'{{}}="{word}"', fill, bold=False)


SPLIT = (
    "Between its points the blower's table is a monotone cubic that does not overshoot them. A filter counts as "
    "clean. A set holds where the worst supply run and the worst return "
    "run together lose no more than what is left: so the losses themselves decide how it is split."
)


Words = tuple[tuple[str, str], ...]  # what they are about, and the words


def method(plan: Plan) -> Words:
    """How the numbers come about."""
    number, say = plan.units.number, plan.units.say
    low, high = FRICTION_RATE_WINDOW
    by_sun = plan.surface_loads is not None and plan.surface_loads.sun is not None
    glass = (("Glass by the sun", f"{SCREENING}. {LEFT_OUT}. Models: {MODELS}."),) if by_sun else ()
    return (
        *_air_words(plan),
        *_sizing_words(plan),
        *_friction_words(plan),
        ("Cost", _cost_words(plan)),
        *glass,
        (
            "Common practice",
            f"Friction rates outside {number(low, 'inWC/100 ft', '.2g')} to {say(high, 'inWC/100 ft', '.2g')} are "
            f"pointed out (ANSI/ACCA 1, from memory), as are more than {MOST_WYES_IN_A_ROW} wyes in a row (common "
            "practice, no source); see Findings.",
        ),
    )


def _air_words(plan: Plan) -> Words:
    units = plan.units
    return (
        (
            "Variants",
            "A variant is one way the front faces, as drawn or mirrored, one season, one flex product"
            f"{', the options that are built' if plan.options else ''}. A section's airflow in a variant is the sum of "
            "the runs beyond it in that variant: never a sum of peaks of different seasons or fronts.",
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
    )


def _sizing_words(plan: Plan) -> Words:
    # A friction rate is for 100 ft of length, or for 1 m.
    times, over = ("", "") if plan.units.is_si else ("100 x ", " / 100")
    return (
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
    )


def _friction_words(plan: Plan) -> Words:
    units = plan.units
    *tested, last = (units.number(d, "in", ".0f") for d in COMPRESSION_TESTED_IN)
    decay = COMPRESSION_DECAY_PER_IN / units.shown(1.0, "in")
    diameters = "mm" if units.is_si else "inches"
    return (
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
    )


def _cost_words(plan: Plan) -> str:
    """What the cost is the cost of."""
    flex = "approved flex products"
    if any(section.product for section in plan.sections):
        flex += ", or of the product that is fixed for a section"
    if not plan.prices:
        return "The area of the duct wall, since the plan has no prices. Fittings and labor are not in it."
    if not plan.fitting_prices:
        return f"Length x price, the mean over the {flex}. Fittings and labor are not in it."
    return (
        f"Length x price, the mean over the {flex}, and the fittings that have a price, a reducer only "
        "where a section's size differs from that of the one it joins. Labor is not in it."
    )


# What is told of a duct product, and its cells.
PRODUCT_COLUMNS = (
    Column("Roughness", Look("0.0000"), unit="roughness"),
    Column("Derate of airflow, %", PER_CENT),
    Column("Compression, %", PER_CENT),
    Column("Source", TEXT),
)


def product_cells(duct: Duct) -> list[Value]:
    """The cells of ``PRODUCT_COLUMNS``."""
    return [duct.roughness_ft, duct.airflow_derate_pct, duct.compression_pct, duct.source]


def made_of(duct: Duct) -> str:
    """Kind of a product, and whether a published friction table stands over its roughness and derate."""
    return duct.kind if duct.correction is None else f"{duct.kind}, by its friction table"


# Limits of one default: what they are called together, and how their keys begin and end.
VELOCITY_GROUPS = (
    ("supply, rigid", ("trunk_rigid_fpm", "branch_rigid_fpm")),
    ("supply, flex", ("trunk_flex_fpm", "branch_flex_fpm")),
    (
        "return",
        ("return_trunk_rigid_fpm", "return_trunk_flex_fpm", "return_branch_rigid_fpm", "return_branch_flex_fpm"),
    ),
)
DEFAULT = "the program's default"
SOURCES = {"limits": " (ANSI/ACCA 1, from memory)"}

Setting = tuple[str, str, float, str, str]  # label, unit, value, how it is shown, who says so


def _settings(study: Study) -> Iterator[Setting]:
    """What the plan sets, or the program where it does not."""
    plan = study.plan

    def said(table: str, key: str) -> str:
        return "set in the plan" if (table, key) in plan.typed else DEFAULT + SOURCES.get(table, "")

    yield "Elevation", "ft", plan.elevation_ft, "#,##0", said("site", "elevation_ft")
    yield "Air at the air handler", "F", plan.air_temperature_f, "0", said("site", "air_temperature_f")
    yield "Air density", "lb/ft3", float(plan.air.density_lb_per_ft3), "0.0000", ""
    yield "Density over standard air", "", plan.density_ratio, "0.000", ""
    for season, degrees in plan.supply_air_f.items():
        yield f"Supply air, {season}", "F", degrees, "0", ""
    for label, unit, key in (
        ("Fewer sizes to stock may cost", "%", "standardize_within_pct"),
        ("Most distinct sizes (0: no cap)", "", "max_distinct_sizes"),
        ("Most sizes above the own size (99: no cap)", "", "most_steps_over_own"),
    ):
        yield label, unit, float(getattr(plan, key)), "0.###", said("objective", key)
    if plan.budget_given:
        for side in SIDES:
            available = plan.available_inwc(side)
            yield f"Available, {side} ducts", "inWC", available, "0.000", whose_pressure(plan, side)
    factor = plan.least_factor_12_in
    yield "Large compressed flex, at least", "", factor, '0.0" times"', said("compression", "least_factor_12_in")
    limits = plan.velocity_limits_fpm
    for name, keys in VELOCITY_GROUPS:
        if len({(limits[key], said("limits", key)) for key in keys}) == 1:
            yield f"Velocity limit, {name}", "fpm", limits[keys[0]], "#,##0", said("limits", keys[0])
        else:
            for key in keys:
                words = key.removesuffix("_fpm").replace("_", " ")
                yield f"Velocity limit, {words}", "fpm", limits[key], "#,##0", said("limits", key)


def _does(study: Study, effect: Effect) -> str:
    """What it would do to the result if an assumed value were worse."""
    if not effect.holds:
        return "no size set would hold any more"
    if effect.extra_cost < 0.005:
        return "would cost nothing more"
    return f"would add {study.plan.units.say(effect.extra_cost, study.cost_unit, ',.2f')} per lot to the least cost"


def basis_sheet(book: Book, study: Study) -> None:
    """Inputs, method, sources and cautions."""
    plan, units = study.plan, study.plan.units
    about = "Basis: inputs, method, sources, cautions"
    page = book.sheet("Basis", (38, 14, 15, 15, 16, 62), about, f"Worked out by tractduct {VERSION}.")
    page.heading("Site, pressure and choice")
    for label, unit, value, shown, words in _settings(study):
        page.stated(label, value, Look(shown), unit, words)
    for shape in ("round", "rectangular"):
        offered = [size.label for size in plan.sizes if size.shape == shape]
        if offered:
            page.fact(f"Sizes on offer, {shape}, {units.unit(NOMINAL)}", ", ".join(offered))
    if not plan.budget_given:
        page.fact("Pressure for the ducts", f"{from_blower(plan)} {SPLIT}")
    for words, untyped in (
        ("Assumed, as the plan does not say", plan.assumed),
        ("Worked out from what is typed", plan.derived),
    ):
        if untyped:
            page.heading(words)
            for what, places in told_once(untyped):
                page.fact(what, places)
            for effect in study.assumed if untyped is plan.assumed else ():
                page.fact(f"{effect.assumed.where}, {effect.change}", _does(study, effect))
    page.heading("Method")
    for label, text in method(plan):
        page.fact(label, text)
    equipment_tables(page, study)
    page.heading("Ducts (fittings: data/fittings.csv)")
    rough, *others = PRODUCT_COLUMNS
    page.table(
        [Column("Duct", LABEL), Column("Kind"), replace(rough, look=Look("0.0000#")), *others],
        [[duct.name, made_of(duct), *product_cells(duct)] for duct in plan.ducts.values()],
    )
    page.heading("Cautions")
    for caution in CAUTIONS:
        page.paragraph(caution)
