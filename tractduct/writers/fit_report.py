"""The fit of a friction table: a few lines of text, a ducts row, and data against fit."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from tractduct.physics.air import Air
from tractduct.physics.friction import friction_rate_inwc_per_100ft
from tractduct.products.fit import Fit, FrictionTable
from tractduct.units import UnitSystem
from tractduct.writers.csv_text import csv_text
from tractduct.writers.pictures import literal, save_figure, shortened

_MARKERS = "osD^vP*X<>"
_COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9", "#000000")  # safe for the colour-blind


def fit_text(name: str, table: FrictionTable, fit: Fit, row_numbers: list[int], units: UnitSystem) -> str:
    """What the fit says, for people."""

    def rough(value_ft: float) -> str:
        return units.number(value_ft, "roughness", ".3g")

    low, high = fit.roughness_interval_ft
    lines = [
        f"{name}: {len(table.size_in)} rows, sizes "
        + ", ".join(units.number(s, "in", "g") for s in np.unique(table.size_in))
        + f" {units.unit('in')}",
        f"  roughness       {units.say(fit.roughness_ft, 'roughness', '.3g')}   (95 %: {rough(low)} to {rough(high)})",
    ]
    if fit.derate_given:
        lines.append(f"  airflow derate  {100.0 * fit.derate:.1f} %   (as given)")
    else:
        low, high = (100.0 * d for d in fit.derate_interval)
        lines.append(f"  airflow derate  {100.0 * fit.derate:.1f} %   (95 %: {low:.1f} to {high:.1f})")
    lines.append(
        f"  error of the friction rate: typically {fit.typical_error_pct:.1f} %, at most {fit.largest_error_pct:.1f} %"
    )
    lines.append(
        "  by size: " + ", ".join(f"{units.say(size, 'in')} {error:+.1f} %" for size, error in fit.by_size.items())
    )
    if fit.bad_rows:
        worst = sorted(fit.bad_rows, key=lambda i: -abs(fit.error_pct[i]))[:10]
        shown = ", ".join(f"{row_numbers[i]} ({fit.error_pct[i]:+.1f} %)" for i in worst)
        lines.append(f"  rows that fit badly: {shown}. Check them against the data sheet.")
    if not fit.one_roughness_serves:
        lines.append("  One roughness does not serve all sizes: give the table itself to the plan as friction_tables.")
    lines.append("  A fit repeats what the table says. How the product is hung and stretched decides what it does.")
    return "\n".join(lines)


def duct_row(name: str, fit: Fit, source: str, units: UnitSystem) -> str:
    """A ducts table of one row, as CSV text."""
    row = {
        "duct": name,
        "kind": "flex",
        units.name_of("roughness_ft", "roughness"): units.number(fit.roughness_ft, "roughness", ".4g"),
        "airflow_derate_pct": f"{100.0 * fit.derate:.3g}",
        "compression_pct": 0,
        "source": f"fitted to {source}",
    }
    return csv_text([row.keys(), row.values()])


def draw_fit(name: str, table: FrictionTable, fit: Fit, path: Path, units: UnitSystem) -> None:
    """Published points and fitted lines, log-log, one marker a size."""
    figure = Figure(figsize=(7.5, 5.5), dpi=110, layout="constrained")
    FigureCanvasAgg(figure)
    axes, shown = figure.add_subplot(), units.shown
    for k, size in enumerate(np.unique(table.size_in)):
        mine = table.size_in == size
        colour = _COLOURS[k % len(_COLOURS)]
        flow = np.geomspace(table.airflow_cfm[mine].min(), table.airflow_cfm[mine].max(), 60)
        rate = friction_rate_inwc_per_100ft(flow, size, fit.roughness_ft, Air(), fit.derate)
        axes.plot(shown(flow, "cfm"), shown(rate, "inWC/100 ft"), color=colour, linewidth=1.2)
        axes.plot(
            shown(table.airflow_cfm[mine], "cfm"),
            shown(table.friction_rate_inwc_per_100ft[mine], "inWC/100 ft"),
            linestyle="none",
            marker=_MARKERS[k % len(_MARKERS)],
            color=colour,
            markersize=5,
            label=units.say(size, "in"),
        )
    axes.set(
        xscale="log",
        yscale="log",
        xlabel=f"airflow, {units.unit('cfm')}",
        ylabel=f"friction rate, {units.unit('inWC/100 ft')}",
        title=literal(f"{shortened(name, 60)}: points are the table, lines the fit"),
    )
    axes.grid(True, which="both", linewidth=0.3, color="#BBBBBB")
    axes.legend(title="size", fontsize=8, ncols=2)
    save_figure(figure, path)
