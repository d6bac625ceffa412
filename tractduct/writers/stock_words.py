"""The stock list as JSON and in a few lines for people."""

from __future__ import annotations

import json

from tractduct.portfolio.stock import StockList

SHOWN_WITHIN_PCT = 2.0  # the shortest list that costs at most so much more is told size by size


def stock_text(stock: StockList) -> str:
    """As JSON; the same plans give the same bytes."""
    entries = [
        {
            "sizes": [str(size) for size in entry.sizes],
            "cost": round(entry.cost, 6),
            "bound": round(entry.bound, 6),
            "proven": entry.proven,
            "gap_pct": round(entry.gap_pct, 6),
            "worst_plan": entry.worst_plan,
            "worst_pct": round(entry.worst_pct, 6),
        }
        for entry in stock.entries
    ]
    content = {
        "plans": stock.plans,
        "cost_unit": stock.cost_unit,
        "least_cost": round(stock.least_cost, 6),
        "why_empty": stock.why_empty,
        "entries": entries,
    }
    return json.dumps(content, indent=1, ensure_ascii=False) + "\n"


def stock_lines(stock: StockList) -> list[str]:
    """A few lines for people."""
    if not stock.entries:
        return [f"No stock list: {stock.why_empty}."]
    lines = [f"Stock for all {stock.plans} plans, total of all lots in {stock.cost_unit}:"]
    for entry in stock.entries:
        over = 100.0 * (entry.cost / stock.least_cost - 1.0) if stock.least_cost else 0.0
        lines.append(
            f"  {len(entry.sizes):>3} sizes {entry.cost:>14,.0f}  +{over:.2f} %  {entry.said}; most for "
            f"{entry.worst_plan}, +{entry.worst_pct:.1f} %"
        )
    within = [e for e in stock.entries if e.cost <= stock.least_cost * (1.0 + SHOWN_WITHIN_PCT / 100.0)]
    if within:
        few = min(within, key=lambda e: len(e.sizes))
        sizes = ", ".join(str(size) for size in sorted(few.sizes, key=lambda size: size.order))
        lines.append(f"The {len(few.sizes)} that cost at most {SHOWN_WITHIN_PCT:g} % over the least: {sizes}.")
    return lines
