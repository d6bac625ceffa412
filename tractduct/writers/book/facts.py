"""What several sheets need of a report, and the words they share."""

from __future__ import annotations

from functools import cached_property

from tractduct.network.airstream import Airstream, airstream
from tractduct.report import Report
from tractduct.units import UnitSystem
from tractduct.writers import delivery_tables, tables
from tractduct.writers.listing import Rows
from tractduct.writers.words import counted


class Facts:
    """A report, and what several sheets need of it."""

    def __init__(self, report: Report) -> None:
        self.report = report
        self.study = report.study
        self.delivery = report.delivery
        self.sections = {s.name: s for s in report.study.tree.sections}

    @property
    def from_blower(self) -> bool:
        """True where the pressure for the ducts is what the blower leaves after the devices."""
        return not self.study.plan.budget_given

    @cached_property
    def airstream(self) -> Airstream:
        variants = self.study.variants
        return airstream(self.study.plan, variants.variants, variants.room_airflow_cfm.sum(axis=1))

    @property
    def units(self) -> UnitSystem:
        return self.study.plan.units

    def money(self, amount: float) -> str:
        """A cost of the study with its unit; without prices, of duct wall."""
        unit = self.study.cost_unit
        return self.units.say(amount, unit, ",.0f") + ("" if unit == "USD" else " of duct wall")

    @cached_property
    def arrived_flex(self) -> Rows:
        """The list of flex products that are not approved, those that arrived on a lot."""
        return [row for row in delivery_tables.other_flex.rows(self.report) if row["lots"]]

    def houses_text(self) -> str:
        """What the cheapest and the dearest house cost in the set; empty without options or a set."""
        costs = self.study.house_costs
        if not costs:
            return ""
        low, high = tables.house_range(self.study, self.money)
        return (
            f"The cost of the set counts the sections of every option once. A house costs {low} to {high} per lot, of "
            f"the {counted(len(costs), 'house')} that the set is for."
        )

    def over_least_pct(self) -> float:
        """How much more the set costs than the least possible."""
        best, least = self.study.recommended.cost, self.study.least_cost.cost
        return 100.0 * (best / least - 1.0) if least > 0.0 else 0.0
