"""What a value that nobody typed does to the least cost, against the same plan with the worse value typed."""

from __future__ import annotations

from dataclasses import replace

import pytest
from plan_folder import PlanTables, small_plan, study_of, with_prices

from tractduct.model.plan import Untyped
from tractduct.sizing.assumed import effects
from tractduct.sizing.case import Case
from tractduct.sizing.solve import least_cost


def case_of(plan: PlanTables) -> Case:
    return study_of(plan).case


def untyped(what: str, where: str) -> Untyped:
    return Untyped(what=what, where=where, value="", rule="")


def test_each_worse_value_against_that_value_typed() -> None:
    """Invented plan: a fifth less pressure, a fitting half as long again, a duct twice as rough."""
    plan = with_prices(small_plan(pressure={"supply_inwc": 0.08}))
    case = case_of(plan)
    least = least_cost(case.problem())
    assumed = (
        untyped("pressure", "the supply ducts"),
        untyped("fitting", "boot_floor"),
        untyped("roughness", "granite"),
    )
    found = effects(replace(case.plan, assumed=(*assumed, untyped("sizes", "[sizes]"))), least)
    assert [one.assumed for one in found] == list(assumed)

    pressed, longer, rougher = plan.copy(), plan.copy(), plan.copy()
    pressed.config["pressure"]["supply_inwc"] *= 0.8
    longer.row("fittings", "boot_floor")["equivalent_length_ft"] *= 1.5
    rougher.row("ducts", "granite")["roughness_ft"] *= 2
    for one, worse in zip(found, (pressed, longer, rougher), strict=True):
        wanted = least_cost(case_of(worse).problem())
        assert one.holds
        assert one.extra_cost == pytest.approx(wanted.cost - least.cost, abs=1e-9)
    assert max(one.extra_cost for one in found) > 0


def test_what_leaves_no_set_is_told() -> None:
    """The least pressure in steps of 0.001 with which a set holds: a fifth less leaves none."""
    for pressure in range(1, 200):
        plan = small_plan(pressure={"supply_inwc": pressure / 1000})
        case = case_of(plan)
        least = least_cost(case.problem())
        if least.size_index is not None:
            break
    (one,) = effects(replace(case.plan, assumed=(untyped("pressure", "the supply ducts"),)), least)
    assert not one.holds
