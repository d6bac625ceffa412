"""Where the pressure for the ducts comes from: given by the plan, or what the blower leaves after its devices."""

from __future__ import annotations

from operator import itemgetter

from tractduct.model.plan import DEFAULT_PRESSURE_INWC, Device, Plan
from tractduct.model.words import SIDES
from tractduct.one_plan import Study
from tractduct.writers import tables
from tractduct.writers.book.layout import Page
from tractduct.writers.book.looks import HUNDREDTHS, LABEL, TEXT, THOUSANDTHS, WHOLE, Column, Look


def actual_airflow(plan: Plan) -> str:
    """Which airflow the numbers are, and what the density does to the pressures of tables where it shows."""
    words = f"Airflow is actual {plan.units.unit('cfm')} at the air handler."
    ratio, equipment = plan.density_ratio, plan.equipment
    if f"{ratio:.3f}" == "1.000" or not (equipment.curves or equipment.devices):
        return words
    return (
        f"{words} The blower's table and the devices' losses are for standard air and count times {ratio:.3f} here, "
        "the density of the air at the air handler over that of standard air."
    )


def from_blower(plan: Plan) -> str:
    """Where the pressure comes from in a plan with a blower's table."""
    return (
        "What the blower makes at design airflow, less what the devices take, is left for supply and return ducts "
        f"together, season by season. {actual_airflow(plan)}"
    )


def whose_pressure(plan: Plan, side: str) -> str:
    """Who says what a side's ducts may lose."""
    if side not in plan.default_pressure:
        return "set in the plan, for the site's air"
    default = DEFAULT_PRESSURE_INWC[side]
    ratio = f"{plan.density_ratio:.3f}"
    times = "" if ratio == "1.000" else f", {plan.units.number(default, 'inWC', '.2f')} x {ratio} for the density here"
    return f"the program's default{times}"


def pressure_text(study: Study) -> str:
    """Where the pressure comes from and how much there is, in a few sentences."""
    plan, number, say = study.plan, study.plan.units.number, study.plan.units.say
    if study.plan.budget_given:
        supply, back = (
            f"{say(plan.available_inwc(side), 'inWC', '.3f')} for the {side} ducts"
            + (f" ({whose_pressure(plan, side)})" if plan.default_pressure else "")
            for side in SIDES
        )
        given = "Assumed" if plan.default_pressure else "Given by the plan"
        return f"{given}: {supply} and {back}. {actual_airflow(plan)}"
    every, parts = tables.pressure.rows(study), []
    for season in plan.seasons:
        least = min((row for row in every if row["season"] == season), key=itemgetter("left_inwc"))
        parts.append(
            f"{season}, speed {plan.equipment.speed[season]}: {say(least['made_inwc'], 'inWC', '.2f')} at "
            f"{say(least['airflow_cfm'], 'cfm', ',.0f')}, devices take {number(least['devices_inwc'], 'inWC', '.2f')}, "
            f"which leaves {number(least['left_inwc'], 'inWC', '.2f')}"
        )
    return f"{from_blower(plan)} In {'; in '.join(parts)} {plan.units.unit('inWC')}. All variants: data/pressure.csv."


def equipment_tables(page: Page, study: Study) -> None:
    """Blower, devices, leakage and tonnage on the sheet Basis."""
    plan = study.plan
    equipment = plan.equipment
    if equipment.curves:
        page.heading("Blower, in standard air")
        used = {speed: [s for s in plan.seasons if equipment.speed.get(s) == speed] for speed in equipment.curves}
        page.table(
            [
                Column("Speed", LABEL),
                Column("Used in"),
                Column("Airflow", WHOLE, unit="cfm"),
                Column("External static", HUNDREDTHS, unit="inWC"),
            ],
            [
                [speed, " and ".join(used[speed]) or "not used", airflow, static]
                for speed, points in equipment.curves.items()
                for airflow, static in points
            ],
        )
    if equipment.devices:
        page.heading("Devices in the air stream, in standard air")
        flow = tables.design_airstream(study).design_cfm
        design = {s: float(flow[study.variants.where(season=s)].max()) for s in plan.seasons}
        page.paragraph(
            "A loss grows with the square of airflow, or with the power of it that is stated; at design airflow (the "
            "largest: "
            + ", ".join(f"{s} {study.plan.units.say(cfm, 'cfm', ',.0f')}" for s, cfm in design.items())
            + f") it is that of the air here, {plan.density_ratio:.3f} of standard air's density."
        )
        page.table(
            [
                Column("Device", LABEL),
                Column("Side, season", TEXT),
                Column("Stated loss", THOUSANDTHS, unit="inWC"),
                Column("Stated at", WHOLE, unit="cfm"),
                Column("Loss when due for change", THOUSANDTHS, unit="inWC"),
                Column("Loss at design airflow", TEXT, unit="inWC"),
            ],
            [
                [
                    d.name,
                    d.side
                    + (f", {d.season} only" if d.season else "")
                    + (f", power {d.exponent:g}" if d.exponent != 2.0 else ""),
                    d.loss_inwc,
                    d.at_cfm,
                    d.loaded_inwc,
                    "; ".join(
                        f"{s} {study.plan.units.number(plan.density_ratio * device_loss(d, cfm), 'inWC', '.3f')}"
                        for s, cfm in design.items()
                        if d.season in ("", s)
                    ),
                ]
                for d in equipment.devices
            ],
        )
    if equipment.curves or equipment.devices or equipment.supply_leakage or equipment.return_leakage:
        page.heading("Leakage, capacity")
        for label, value, unit, words in (
            ("Lost from supply ducts", 100.0 * equipment.supply_leakage, "%", "of what the blower moves"),
            ("Gained in return ducts", 100.0 * equipment.return_leakage, "%", "of what the blower moves"),
            ("Rated capacity", equipment.capacity_tons, "tons", ""),
            ("Least airflow in heating", equipment.least_heating_cfm, "cfm", "of standard air"),
            ("Rated external static", equipment.rated_static_inwc, "inWC", "in standard air"),
        ):
            page.stated(label, value, Look("0.0#", align="right"), unit, words)
        if equipment.held_airflow:
            page.put(page.row, 1, "The blower holds its airflow, whatever the ducts take.")
            page.row += 1
        page.row += 1


def device_loss(device: Device, airflow_cfm: float) -> float:
    """A device's loss in standard air at an airflow, in inWC."""
    return device.loss_inwc * float((airflow_cfm / device.at_cfm) ** device.exponent)
