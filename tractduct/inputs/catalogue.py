"""What may be bought: fittings, duct products and their prices."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product

from tractduct.inputs.cells import CellProblem, nearest
from tractduct.inputs.plan_file import PlanFile
from tractduct.inputs.spelling import plain_word
from tractduct.inputs.table_reader import TableReader
from tractduct.model.plan import Duct, Fitting, is_reducer
from tractduct.model.sizes import Size
from tractduct.model.words import AT_PARENT, FLEX, by_key, key_of

_FALLS_SHOWN = 4  # of one product

Prices = dict[tuple[str, str], float | None]  # by (name, size label); None where it is not offered


def read_fittings(table: TableReader) -> dict[str, Fitting]:
    found: dict[str, Fitting] = {}
    for row in table:
        cells = row.values("fitting", "equivalent_length_ft", "loss_coefficient", "bought", "source")
        fitting = Fitting(name=cells.pop("fitting"), **cells)
        if not row.has("equivalent_length_ft") and not row.has("loss_coefficient"):
            problem = "the fitting has neither an equivalent length nor a loss coefficient"
            row.fault("equivalent_length_ft", problem, "Enter one of them, 0 where it loses nothing")
        if any(c in fitting.name for c in "+*"):
            row.fault("fitting", "a fitting's name can't hold + or *", "Rename it")
        elif fitting.bought == AT_PARENT and is_reducer(fitting.name):
            problem = (
                "a reducer belongs to the one section that names it, and is bought where its parent has another size"
            )
            row.fault("bought", problem, "Leave the cell empty, or rename the fitting where it joins several sections")
        elif row.own_name("fitting"):
            found[fitting.name] = fitting
    return found


def read_ducts(table: TableReader) -> dict[str, Duct]:
    found: dict[str, Duct] = {}
    for row in table:
        cells = row.values("duct", "kind", "roughness_ft", "airflow_derate_pct", "compression_pct", "source")
        duct = Duct(name=cells.pop("duct"), **cells)
        if key_of(duct.name) == FLEX:
            problem = f"'{FLEX}' stands for whichever flex is delivered"
            row.fault("duct", problem, "Give the product a name of its own")
        elif duct.kind == "rigid" and duct.compression_pct > 0.0:
            row.fault("compression_pct", "a rigid duct can't be compressed", "Leave the cell empty")
        elif row.own_name("duct"):
            found[duct.name] = duct
    return found


@dataclass(frozen=True, slots=True)
class DuctPrices:
    """What the prices table says, all by (duct, size label): price a foot, feet in a package, insulation level."""

    per_ft: Prices
    package_ft: dict[tuple[str, str], float]
    insulation: dict[tuple[str, str], str]


def read_prices(
    table: TableReader, ducts: Mapping[str, Duct], sizes: Sequence[Size], plan_file: PlanFile
) -> DuctPrices:
    """Prices of ducts. Those of another insulation level than the plan's are left out; ``sizes`` are the standard."""
    found = DuctPrices({}, {}, {})
    rows, names = table.first_rows["size_in"], by_key(ducts)
    level = plan_file.text("purchase", "insulation")
    for row in table:
        name = row.named("duct", names, "there is no duct of this name")
        size = row.size()
        price, package = row.price("price_per_ft"), row.optional("package_ft")
        insulation = row.text("insulation")
        if size is None or not name or (level and insulation and key_of(insulation) != key_of(level)):
            continue
        key = name, size.label
        other = found.insulation.get(key, "")
        if key in rows and key_of(insulation) != key_of(other):
            problem = f"this duct and size are in row {rows[key]} at another insulation level, '{other}'"
            remedy = 'Say which counts with insulation = "..." in [purchase] of plan.toml'
            row.fault("insulation", problem, remedy)
        else:
            row.once("size_in", key, "this duct and size are")
        found.per_ft[key] = price
        if package is not None:
            found.package_ft[key] = package
        if insulation:
            found.insulation[key] = insulation
    _caution_of_falls(table, "USD/ft", found.per_ft, sizes)
    return found


def read_fitting_prices(table: TableReader, fittings: Mapping[str, Fitting], sizes: Sequence[Size]) -> Prices:
    """Price of one by (fitting, size label of ``Piece.section``)."""
    found: Prices = {}
    names = by_key(fittings)
    for row in table:
        name = row.named("fitting", names, "there is no fitting of this name")
        size, price = row.size(), row.price("price")
        if size is not None and name:
            row.once("size_in", (name, size.label), "this fitting and size are")
            found[name, size.label] = price
    _caution_of_falls(table, "USD", found, sizes)
    return found


def _caution_of_falls(table: TableReader, unit: str, prices: Prices, sizes: Sequence[Size]) -> None:
    """A caution for each duct or fitting of which a larger size costs less than the next smaller of its shape."""
    what, units, rows = next(iter(table.fields)), table.units, table.first_rows["size_in"]
    for name in dict.fromkeys(name for name, _ in prices):
        price = {s: cost for s in sizes if (cost := prices.get((name, s.label))) is not None}
        falls = [
            (low, high)
            for low, high in product(price, price)
            if price[low] > price[high] and _is_larger(high, low)
            if not any(_is_larger(other, low) and _is_larger(high, other) for other in price)
        ]
        words = [
            f"{units.size(low.label)} (row {rows[name, low.label]}) costs {units.number(price[low], unit, '.2f')} "
            f"and {units.size(high.label)} (row {rows[name, high.label]}) {units.say(price[high], unit, '.2f')}"
            for low, high in falls
        ]
        if words:
            more = f", and {len(words) - _FALLS_SHOWN} more" if len(words) > _FALLS_SHOWN else ""
            advice = "Check these rows: two may be exchanged, or a decimal point may have slipped"
            message = "; ".join(words[:_FALLS_SHOWN]) + more
            table.log.caution("price falls with size", f"{table.label}, {what} {name}", message, advice)


def _is_larger(size: Size, than: Size) -> bool:
    """Whether no side of a size, turned as it may be, is shorter than another's of its shape, and one is longer."""
    sides, others = (sorted(map(float, one.label.split("x"))) for one in (size, than))
    return size.shape == than.shape and sides != others and all(a >= b for a, b in zip(sides, others, strict=True))


def approved_flex(ducts: Mapping[str, Duct], plan_file: PlanFile) -> tuple[str, ...]:
    """The approved flex products, in the order given; one nameless product where the plan has no flex."""
    held = by_key(d.name for d in ducts.values() if d.kind == "flex")

    def named(given: object) -> str | None:
        word = plain_word(given) if isinstance(given, str) else str(given)
        if ducts and key_of(word) not in held:
            raise CellProblem("the ducts table holds no flex product of this name", nearest(word, held.values()))
        return held.get(key_of(word))

    chosen = plan_file.each("variants", "flex", named)
    return (tuple(held.values()) or ("",)) if chosen is None else tuple(chosen)
