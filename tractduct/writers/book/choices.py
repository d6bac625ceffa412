"""What the choices cost: Flex products, Price of each front, Sizes and cost."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from itertools import groupby

from openpyxl.chart import Reference, ScatterChart, Series
from openpyxl.chart.legend import Legend
from openpyxl.chart.shapes import GraphicalProperties
from openpyxl.drawing.line import LineProperties
from openpyxl.worksheet.worksheet import Worksheet

from tractduct.model.words import FLEX
from tractduct.writers import tables
from tractduct.writers.book.facts import Facts, counted, frame_rows
from tractduct.writers.book.layout import Book, Page
from tractduct.writers.book.looks import (
    CHOSEN,
    GOOD_FILL,
    LABEL,
    LARGER,
    LEAD,
    MONEY,
    PER_CENT,
    SIZE,
    SMALLER,
    TEXT,
    WHOLE,
    Column,
    Look,
    Value,
    plain,
    size_value,
)


def flex_sheet(book: Book, facts: Facts) -> None:
    """What each approved flex product would need."""
    study, plan = facts.study, facts.study.plan
    flex = [f for f in plan.flex if f]
    if not flex:
        return
    width = max(7, 4 + len(flex))
    page = book.sheet("Flex products", [16, 34] + [13] * (width - 2))
    page.title(
        "Flex products compared",
        "What each approved flex product would need, and what it costs that one set covers them all.",
        width,
    )
    page.row += 1
    page.heading("The products", width)
    page.table(
        [
            Column("Product", LABEL),
            Column("Source", TEXT),
            Column("Roughness", Look("0.0000"), unit="roughness"),
            Column("Derate of airflow, %", PER_CENT),
            Column("Compression, %", PER_CENT),
        ],
        [
            [
                f, plan.ducts[f].source, plan.ducts[f].roughness_ft, plan.ducts[f].airflow_derate_pct,
                plan.ducts[f].compression_pct,
            ]
            for f in flex
        ],
    )  # fmt: skip
    if len(flex) > 1 and facts.has_set:
        page.heading("What covering each product costs", width)
        _covering(page, facts, "flex", width)
    page.heading("Size that each product alone would get by the friction-rate method", width)
    page.paragraph(
        "The largest over fronts, mirrors and seasons, for flex sections; empty where no size does. "
        "▲ larger and ▼ smaller than the installed size.",
        width,
        LEAD,
    )
    labels = study.size_set
    diameter = {size.label: size.diameter_in for size in study.table.sizes}
    rows: list[list[Value]] = []
    looks: dict[tuple[int, int], Look] = {}
    for i, section in enumerate(study.tree.sections):
        if section.duct != FLEX:
            continue
        own = [tables.own_size_label(study, i, study.variants.where(flex=f)) for f in flex]
        chosen = labels.get(section.name, "")
        for f, label in enumerate(own):
            if label and chosen and abs(diameter[label] - diameter[chosen]) > 1e-9:
                looks[len(rows), 3 + f] = LARGER if diameter[label] > diameter[chosen] else SMALLER
        flow = float(study.variants.airflow_cfm[:, i].max())
        rows.append([section.name, facts.room(section), plain(flow), *map(size_value, own)])
        if facts.has_set:
            rows[-1].append(size_value(chosen))
    page.table(
        [
            Column("Section", LABEL),
            Column("Room", TEXT),
            Column("Most air", WHOLE, unit="cfm"),
            *(Column(f"With {f}", SIZE, unit="size") for f in flex),
            *([Column("Install", CHOSEN, unit="size")] if facts.has_set else []),
        ],
        rows,
        looks,
        nothing="No section is made of flex.",
    )


def fronts_sheet(book: Book, facts: Facts) -> None:
    """What it costs that one set covers every front."""
    if len(facts.study.plan.fronts) < 2:
        return
    page = book.sheet("Price of each front", (16, 34, 14, 12, 14, 14, 14))
    page.title("What covering each front costs", COVERING_WORDS, 7)
    page.row += 1
    _covering(page, facts, "orientation", 7, freeze=1)


COVERING_WORDS = (
    "Each row sizes the plan again for some of the variants only. Against it stands the least-cost set for "
    "all variants, at the same prices; the difference is what covering the rest costs."
)


def _covering(page: Page, facts: Facts, kind: str, width: int, freeze: int | None = None) -> None:
    """What covering each orientation or flex product costs."""
    frame, unit = tables.standardizing(facts.study), facts.study.cost_unit
    if freeze is None:
        page.paragraph(COVERING_WORDS, width, LEAD)
    page.table(
        [
            Column("Covers", LABEL),
            Column("Leaves out"),
            Column("Least cost", MONEY, unit=unit),
            Column("Distinct sizes", WHOLE),
            Column("Set for all", MONEY, unit=unit),
            Column("Covering the rest", Look("#,##0.0", bold=True), unit=unit),
            Column("Covering the rest, %", PER_CENT),
        ],
        frame_rows(
            frame[frame["kind"] == kind],
            ["covers", "left_out", "least_cost", "distinct_sizes", "standard_cost", "saving", "saving_pct"],
        ),
        freeze=freeze,
    )


def sizes_and_cost_sheet(book: Book, facts: Facts) -> None:
    """What a shorter stock list costs, with a chart."""
    study = facts.study
    unit, within = study.cost_unit, study.plan.standardize_within_pct
    page = book.sheet("Sizes and cost", (12, 14, 16, 14, 18, 18), portrait=True)
    page.title(
        "What a shorter stock list costs",
        f"The least cost that holds in every variant, by the number of distinct sizes. The plan asks for the "
        f"fewest sizes within {within:g} % of the least cost.",
        6,
    )
    page.row += 1
    frame = tables.trade_off(study)
    ceiling = study.least_cost.cost * (1.0 + within / 100.0)
    rows: list[list[Value]] = [
        [
            int(number),
            plain(cost),
            plain(over),
            "proven" if proven else "best found",
            plain(cost) if chosen else None,
            plain(ceiling),
        ]
        for number, cost, over, proven, chosen in zip(
            *(frame[c].tolist() for c in ("distinct_sizes", "cost", "over_least_pct", "proven", "recommended")),
            strict=True,
        )
    ]
    looks = {
        (r, c): replace(MONEY if c else WHOLE, bold=True, fill=GOOD_FILL)
        for r, row in enumerate(rows)
        for c in (0, 1, 4)
        if row[4] is not None
    }
    header = page.row
    body = page.table(
        [
            Column("Distinct sizes", WHOLE),
            Column("Least cost", MONEY, unit=unit),
            Column("Over the least, %", PER_CENT),
            Column("Status"),
            Column("This set", MONEY, unit=unit),
            Column(f"Within {within:g} %", MONEY, unit=unit),
        ],
        rows,
        looks,
        freeze=0,
        nothing="Time ran out before the trade-off was worked out.",
    )
    for words in _not_closed(facts):
        page.paragraph(words, 6)
    if len(rows) > 1:
        fewest, most = int(frame["distinct_sizes"].min()), int(frame["distinct_sizes"].max())
        page.sheet.add_chart(
            _cost_chart(
                page.sheet,
                header,
                body,
                book.units.unit(unit),
                fewest,
                most,
                book.units.shown(study.least_cost.cost, unit),
            ),
            f"A{page.row}",
        )


def _not_closed(facts: Facts) -> Iterator[str]:
    """What time ran out on: costs not proven, and numbers of sizes without a set."""
    for entry in facts.study.trade_off:
        if entry.status != "optimal":
            yield f"{counted(entry.distinct_sizes, 'size')}: no set {tables.costs_less(facts.study, entry)}."
    for least, group in groupby(facts.study.open_numbers, key=lambda number: number[1]):
        numbers = [number for number, _ in group]
        many = counted(numbers[0], "size") if len(numbers) == 1 else f"{numbers[0]} to {numbers[-1]} sizes"
        yield f"{many}: time ran out before a set was found; none costs less than {facts.money(math.floor(least))}."


def _cost_chart(
    sheet: Worksheet, header: int, body: range, unit: str, fewest: int, most: int, least_cost: float
) -> ScatterChart:
    """Cost by number of sizes, the set chosen, and how much more the plan allows; the cost in the unit shown."""
    chart = ScatterChart()
    chart.style = 2
    chart.height, chart.width = 10, 17  # cm
    chart.x_axis.title = "Distinct sizes to stock"
    chart.y_axis.title = f"Least cost, {unit}"
    chart.x_axis.number_format, chart.y_axis.number_format = "0", "#,##0"
    chart.x_axis.majorGridlines = None
    chart.x_axis.delete = chart.y_axis.delete = False
    chart.x_axis.scaling.min, chart.x_axis.scaling.max = fewest - 1.0, most + 1.0
    # An axis of costs that starts at 0 would show a flat line.
    step = 10.0 ** math.floor(math.log10(max(least_cost, 1.0)))
    chart.y_axis.scaling.min = math.floor(0.9 * least_cost / step * 2.0) * step / 2.0
    chart.legend = Legend()
    chart.legend.position = "b"
    numbers = Reference(sheet, min_col=1, min_row=body[0], max_row=body[-1])
    for column, line, marker in ((2, "0072B2", "circle"), (6, "52606D", "none"), (5, "", "diamond")):
        values = Reference(sheet, min_col=column, min_row=header, max_row=body[-1])
        series = Series(values, numbers, title_from_data=True)
        series.smooth = False
        series.marker.symbol = marker
        if not line:
            series.marker.size = 13
            series.marker.graphicalProperties = GraphicalProperties(solidFill="D55E00")
            series.graphicalProperties = GraphicalProperties(ln=LineProperties(noFill=True))
        else:
            series.marker.size = 7
            series.marker.graphicalProperties = GraphicalProperties(solidFill=line)
            series.graphicalProperties = GraphicalProperties(
                ln=LineProperties(solidFill=line, prstDash="dash" if marker == "none" else "solid", w=22_000)
            )
        chart.series.append(series)
    return chart
