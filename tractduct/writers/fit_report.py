"""The fit of a friction table: a few lines of text, a ducts row, and data against fit."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from tractduct.physics.air import Air
from tractduct.physics.friction import friction_rate_inwc_per_100ft
from tractduct.products.fit import Fit, FrictionTable
from tractduct.writers.harmless import harmless
from tractduct.writers.pictures import literal, save_figure, shortened

_MARKERS = "osD^vP*X<>"
_COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9", "#000000")  # safe for the colour-blind


def fit_text(name: str, table: FrictionTable, fit: Fit, row_numbers: list[int]) -> str:
    """What the fit says, for people."""
    low, high = fit.roughness_interval_ft
    lines = [
        f"{name}: {len(table.size_in)} rows, sizes " + ", ".join(f"{s:g}" for s in np.unique(table.size_in)) + " in",
        f"  roughness       {fit.roughness_ft:.3g} ft   (95 %: {low:.3g} to {high:.3g})",
    ]
    if fit.derate_given:
        lines.append(f"  airflow derate  {100.0 * fit.derate:.1f} %   (as given)")
    else:
        low, high = (100.0 * d for d in fit.derate_interval)
        lines.append(f"  airflow derate  {100.0 * fit.derate:.1f} %   (95 %: {low:.1f} to {high:.1f})")
    lines.append(
        f"  error of the friction rate: typically {fit.typical_error_pct:.1f} %, at most {fit.largest_error_pct:.1f} %"
    )
    lines.append("  by size: " + ", ".join(f"{size:g} in {error:+.1f} %" for size, error in fit.by_size.items()))
    if fit.bad_rows:
        worst = sorted(fit.bad_rows, key=lambda i: -abs(fit.error_pct[i]))[:10]
        shown = ", ".join(f"{row_numbers[i]} ({fit.error_pct[i]:+.1f} %)" for i in worst)
        lines.append(f"  rows that fit badly: {shown}. Check them against the data sheet.")
    if not fit.one_roughness_serves:
        lines.append("  One roughness does not serve all sizes: give the table itself to the plan as friction_tables.")
    lines.append("  A fit repeats what the table says. How the product is hung and stretched decides what it does.")
    return "\n".join(lines)


def duct_row(name: str, fit: Fit, source: str) -> str:
    """A ducts table of one row, as CSV text."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["duct", "kind", "roughness_ft", "airflow_derate_pct", "compression_pct", "source"])
    derate = f"{100.0 * fit.derate:.3g}"
    writer.writerow([harmless(name), "flex", f"{fit.roughness_ft:.4g}", derate, 0, f"fitted to {source}"])
    return text.getvalue()


def draw_fit(name: str, table: FrictionTable, fit: Fit, path: Path) -> None:
    """Published points and fitted lines, log-log, one marker a size."""
    figure = Figure(figsize=(7.5, 5.5), dpi=110, layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    for k, size in enumerate(np.unique(table.size_in)):
        mine = table.size_in == size
        colour = _COLOURS[k % len(_COLOURS)]
        flow = np.geomspace(table.airflow_cfm[mine].min(), table.airflow_cfm[mine].max(), 60)
        rate = friction_rate_inwc_per_100ft(flow, size, fit.roughness_ft, Air(), fit.derate)
        axes.plot(flow, rate, color=colour, linewidth=1.2)
        axes.plot(
            table.airflow_cfm[mine],
            table.friction_rate_inwc_per_100ft[mine],
            linestyle="none",
            marker=_MARKERS[k % len(_MARKERS)],
            color=colour,
            markersize=5,
            label=f"{size:g} in",
        )
    axes.set(
        xscale="log",
        yscale="log",
        xlabel="airflow, cfm",
        ylabel="friction rate, inWC/100 ft",
        title=literal(f"{shortened(name, 60)}: points are the table, lines the fit"),
    )
    axes.grid(True, which="both", linewidth=0.3, color="#BBBBBB")
    axes.legend(title="size", fontsize=8, ncols=2)
    save_figure(figure, path)
