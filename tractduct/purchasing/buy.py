"""All that purchasing asks of a studied plan: products compared, what to drop first, what to order."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

from tractduct.delivery.predict import Drive
from tractduct.findings import Finding, caution, note, warning
from tractduct.model.plan import Plan
from tractduct.model.words import STICK_FT
from tractduct.one_plan import Progress, Study
from tractduct.purchasing.compare import Dropped, FlexComparison, compare_flex, without_each_size
from tractduct.purchasing.order import Order, make_order


@dataclass(frozen=True, slots=True, kw_only=True)
class PurchaseList:
    """An order and what it is for: ``one lot``, ``all lots`` that the plan lists, or ``several lots``."""

    name: str
    order: Order

    @property
    def lots(self) -> int:
        return sum(self.order.lots.values())


@dataclass(frozen=True, slots=True, kw_only=True)
class Buying:
    """What purchasing asks of a plan.

    Attributes
    ----------
    comparison : the flex products against each other; None for a plan without flex
    dropped : the sizes of the standard set, the one to drop first at the head; empty without a set
    by_flex : the order of one lot by the flex product delivered; empty without a set
    lists : one lot, the plan's lots that do not stand yet where it lists them, a number of lots where asked for; empty
        without a set
    findings : what to look at
    """

    study: Study
    comparison: FlexComparison | None
    dropped: tuple[Dropped, ...]
    by_flex: Mapping[str, Order]
    lists: tuple[PurchaseList, ...]
    findings: tuple[Finding, ...]


def buy(
    study: Study,
    *,
    drive: Drive | None = None,
    lots: int | None = None,
    installed: str | None = None,
    dampers: Sequence[str] = (),
    progress: Progress = lambda what, done, total: None,
) -> Buying:
    """Compare the flex products of a studied plan and make its purchase lists.

    Parameters
    ----------
    drive : what moves the air in the prediction; the plan's blower, or the design airflow where it has none
    lots : a number of lots to buy for besides; None: as the plan says, where it lists no lots
    installed : the flex product of lots for which none is named; the first approved if None
    dampers : the runs that have a balancing damper, as the damper marks want them
    """
    plan = study.plan
    flex = plan.flex[0] if installed is None else installed
    comparison = compare_flex(study.case, drive=drive, on_step=partial(progress, "flex products"))
    dropped: tuple[Dropped, ...] = ()
    lists: tuple[PurchaseList, ...] = ()
    if study.sized is not None:
        progress("stock", 0, 1)
        dropped = without_each_size(study.case, study.sized.size_index)
        lists = _lists(study, lots, flex, dampers)
    return Buying(
        study=study,
        comparison=comparison,
        dropped=dropped,
        by_flex={f: make_order(study, {f: 1}, dampers) for f in plan.flex if f and lists},
        lists=lists,
        findings=(*_of_products(comparison), *_of_lists(plan, lists)),
    )


def _lists(study: Study, lots: int | None, flex: str, dampers: Sequence[str]) -> tuple[PurchaseList, ...]:
    plan = study.plan
    found = [PurchaseList(name="one lot", order=make_order(study, {flex: 1}, dampers))]
    left = [lot for lot in plan.lots if not lot.built]
    if left:
        delivered = [lot.flex or flex for lot in left]
        counts = {f: delivered.count(f) for f in (*plan.flex, *plan.other_flex) if f in delivered}
        houses = Counter(zip(delivered, (lot.options for lot in left), strict=True))
        found.append(PurchaseList(name="all lots", order=make_order(study, counts, dampers, houses)))
    several = lots if lots is not None else 0 if plan.lots else plan.purchase.lots
    if several > 1:
        found.append(PurchaseList(name="several lots", order=make_order(study, {flex: several}, dampers)))
    return tuple(found)


def sticks_guessed(plan: Plan, order: Order) -> tuple[str, ...]:
    """The rigid ducts of an order of which no stick's length is given in some size."""
    known = plan.purchase.package_ft
    guessed = (x.duct for x in order.ducts if plan.ducts[x.duct].kind == "rigid" and (x.duct, x.size) not in known)
    return tuple(dict.fromkeys(guessed))


def _of_products(comparison: FlexComparison | None) -> Iterator[Finding]:
    if comparison is None:
        return
    for one in comparison.alone:
        if one.recommended.size_index is None:
            message = "no size set holds with this product alone"
            advice = "Take it off the approved products, or offer larger sizes in it"
            yield warning("flex product", f"flex {one.flex}", message, advice, cause="none")
        elif not one.balanced_within:
            message = "in its own best sizes some room stays out of tolerance even when balanced"
            advice = "See what the blower makes against what the ducts take"
            yield caution("flex product", f"flex {one.flex}", message, advice, cause="balanced")
    without_set = [one.flex for one in comparison.alone if one.recommended.size_index is None]
    for pair in comparison.break_even:
        if math.isnan(pair.price_pct) and pair.product not in without_set and pair.against not in without_set:
            message = f"no price makes it cost as much as {pair.against}: what is not flex costs more already"
            advice = f"Price alone can't decide for {pair.product}; compare sizes and delivered airflow"
            yield note("break-even price", f"flex {pair.product}", message, advice)


def _of_lists(plan: Plan, lists: tuple[PurchaseList, ...]) -> Iterator[Finding]:
    if not lists:
        return
    guessed = sticks_guessed(plan, lists[0].order)
    if guessed:
        message = f"the length of a stick is not given and taken as {plan.units.say(STICK_FT, 'ft')}"
        advice = f"Ask the supplier, and enter it as {plan.units.name_of('package_ft', 'ft')} in the prices table"
        yield caution("sticks", ", ".join(guessed), message, advice)
    if not plan.prices:
        message = "the plan has no prices, so the lists have no costs"
        advice = "Add a prices table"
        yield note("prices", "purchase list", message, advice)
    elif not plan.fitting_prices:
        message = "fittings have no prices, so totals are of duct alone"
        advice = "Add a fitting_prices table"
        yield note("fitting prices", "purchase list", message, advice)
    else:
        for line in lists[0].order.fittings:
            if line.fitting in {name for name, _ in plan.fitting_prices} and math.isnan(line.price):
                message = "it is needed and has no price, so it is not in the totals"
                advice = "Find a supplier for it, or fix one of the two sizes so that it is not needed"
                subject = f"{line.fitting}, {plan.units.size(line.size)}"
                yield caution("fitting prices", subject, message, advice, cause="no price")
