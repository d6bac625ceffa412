"""Pictures of a report as PNG files: the duct tree, and one for each comparison.

The same study gives the same bytes. Nothing is told by colour alone.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Literal

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator, StrMethodFormatter
from numpy.typing import NDArray

from tractduct.delivery.damper_search import DamperEntry
from tractduct.delivery.deliver import Delivery
from tractduct.delivery.predict import Delivered
from tractduct.model.plan import Plan, Section
from tractduct.model.words import FACES
from tractduct.one_plan import Study
from tractduct.orientation.between import DegreeCheck
from tractduct.physics.turning import POINT_DEG, TURN_DEG
from tractduct.report import Report
from tractduct.writers import delivery_tables, tables

# Okabe and Ito's palette: told apart by all eyes.
BLUE, VERMILION, GREY, INK = "#0072B2", "#D55E00", "#6B7780", "#1F2933"
BAND, GRID = "#D5DBE0", "#E3E8EC"
DOTS_PER_INCH = 110
COMPRESS_LEVEL = 2  # of 9: a tenth larger than the default's 6, in a third of the time
LETTER_IN = 0.078  # width of a letter of the labels
HEADLINE_LETTER_IN = 0.105
LINE_IN = 0.30  # from one end of the tree to the next
MOST_ROOM_LETTERS = 34
MOST_HEIGHT_IN = 60.0
MOST_WIDTH_IN = 150.0  # no house comes near; in a wider tree labels run into each other
WIDEST_POINTS, THINNEST_POINTS = 9.0, 1.5


def draw_pictures(report: Report, folder: Path) -> dict[str, Path]:
    """Draw what the report allows and return name -> PNG file.

    ``duct_tree`` always; ``rooms_by_front`` where there are several; ``cost`` where costs by number of sizes or dampers
    are known; with a delivery ``delivered``, ``marks`` where there is a damper and ``substitution`` where there is more
    than one flex product; ``every_degree`` where directions between the fronts were checked.
    """
    study, delivery, turned = report.study, report.delivery, report.orientation
    figures = {"duct_tree": duct_tree(study)}
    if len(study.plan.fronts) > 1:
        figures["rooms_by_front"] = rooms_by_front(study)
    if len(study.trade_off) > 1 or (delivery is not None and _entries(delivery)):
        figures["cost"] = cost(study, delivery)
    if delivery is not None:
        figures["delivered"] = delivered(delivery)
        if delivery.marks.chosen.runs:
            figures["marks"] = marks(delivery)
        if delivery.substitutions:
            figures["substitution"] = substitution(delivery)
    if turned is not None and turned.degrees is not None and turned.degrees.between:
        figures["every_degree"] = every_degree(turned.degrees, delivery)
    found = {name: folder / f"{name}.png" for name in figures}
    for name, path in found.items():
        save_figure(figures[name], path)
    return found


@contextmanager
def any_letter() -> Iterator[None]:
    """Draw letters that the font does not have as boxes, without a warning for programmers."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        yield


def save_figure(figure: Figure, path: Path) -> None:
    """Write a figure as a PNG file."""
    # Letters that are not moved to whole dots take half the time to draw, and look as well.
    with any_letter(), matplotlib.rc_context({"text.hinting": "none"}):
        # Without the program's version the same picture is the same file.
        figure.savefig(
            path, dpi=DOTS_PER_INCH, metadata={"Software": None}, pil_kwargs={"compress_level": COMPRESS_LEVEL}
        )


def new_figure(width_in: float, height_in: float) -> Figure:
    """A figure that knows nothing of windows or of figures drawn before it."""
    figure = Figure(figsize=(width_in, height_in), facecolor="white")
    FigureCanvasAgg(figure)
    return figure


def literal(text: str) -> str:
    """Text from the plan as it stands: a dollar sign would begin a formula."""
    return "".join(c if c.isprintable() else " " for c in text).replace("$", r"\$")


def shortened(text: str, letters: int) -> str:
    return text if len(text) <= letters else text[: letters - 1].rstrip() + "…"


# -- duct tree -------------------------------------------------------------------------------------------

KINDS: dict[str, tuple[str, Any, str]] = {  # of duct: colour, line, words
    "rigid": (BLUE, "solid", "rigid duct (solid)"),
    "flex": (VERMILION, (0, (2.2, 0.7)), "flex (broken line)"),
}


def duct_tree(study: Study) -> Figure:
    """The runs from the air handler on the left to the rooms on the right, supply above return."""
    sections, parent = study.tree.sections, study.tree.parent
    depth = np.zeros(len(sections), dtype=int)
    for i, above in enumerate(parent):
        depth[i] = depth[above] + 1 if above >= 0 else 0
    labels = [section_label(study, i) for i in range(len(sections))]
    ends = [shortened(_end_text(s), MOST_ROOM_LETTERS) for s in sections]
    level, lines = _levels(study)
    # A column is as wide as its longest label, so that no text runs into the next one.
    widths = [
        max(len(labels[i]) for i in np.flatnonzero(depth == d)) * LETTER_IN + 0.25 for d in range(int(depth.max()) + 1)
    ]
    left = np.concatenate([[0.0], np.cumsum(widths)])
    start_in = 1.15
    reach = (float(left[d + 1]) + len(end) * LETTER_IN for d, end in zip(depth, ends, strict=True))
    title = f"{shortened(study.plan.name, 60)}: duct tree"
    width = max(start_in + max(reach) + 0.3, len(title) * HEADLINE_LETTER_IN + 0.5, 4.0)
    height = min(lines * LINE_IN + 1.0, MOST_HEIGHT_IN)
    figure = new_figure(min(width, MOST_WIDTH_IN), height)
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(-start_in, width - start_in)
    axes.set_ylim(lines + 1.6, -1.7)
    axes.axis("off")
    points = _line_points(study)
    for kind, (colour, style, _) in KINDS.items():
        mine = [i for i, section in enumerate(sections) if section.kind == kind]
        axes.hlines(
            [level[i] for i in mine], left[depth[mine]], left[depth[mine] + 1], colors=colour, linestyles=style,
            linewidths=points[mine], capstyle="butt", zorder=2,
        )  # fmt: skip
    for i in range(len(sections)):
        start, end, y = float(left[depth[i]]), float(left[depth[i] + 1]), level[i]
        above = 0.13 + points[i] / 72.0 / LINE_IN * 0.5
        axes.text(start + 0.06, y - above, labels[i], fontsize=8, va="bottom", color=INK, zorder=3)
        if ends[i]:
            axes.text(end + 0.1, y, literal(ends[i]), fontsize=8.5, va="center", color=INK)
        children = study.tree.children(i)
        if children:
            _joint(axes, end, [level[c] for c in children] + [y])
    for side in ("supply", "return"):
        roots = [level[i] for i, s in enumerate(sections) if s.side == side and parent[i] < 0]
        if roots:
            _joint(axes, 0.0, roots)
            words, middle = f"air handler\n{side}", _middle(roots)
            axes.text(-0.12, middle, words, fontsize=9, ha="right", va="center", weight="bold", color=INK)
    _tree_key(axes, study, title)
    return figure


def section_label(study: Study, i: int) -> str:
    """Name, size and the largest airflow over the variants."""
    section, units = study.tree.sections[i], study.plan.units
    size = study.size_set.get(section.name, "")
    size = f"{units.size(size.replace('x', ' x '))}   " if size else ""
    flow = units.say(study.variants.airflow_cfm[:, i].max(), "cfm", ".0f")
    return literal(f"{shortened(section.name, 24)}   {size}{flow}")


def _end_text(section: Section) -> str:
    if not section.is_run:
        return ""
    only = f" ({section.season})" if section.season else ""
    return tables.room_text(section) + only


def _levels(study: Study) -> tuple[list[float], float]:
    """A height for each section, in lines: ends one after another, others midway between their children."""
    tree = study.tree
    level = [0.0] * len(tree.sections)
    line = 0.0

    def place(i: int) -> None:
        nonlocal line
        children = tree.children(i)
        for child in children:
            place(child)
        if children and not tree.sections[i].is_run:
            # Half a line off its children's, so that its label stays clear of theirs.
            level[i] = _middle([level[c] for c in children])
        else:  # a run that feeds others too keeps a line of its own for its room
            level[i], line = line, line + 1.0

    for side in ("supply", "return"):
        for i, section in enumerate(tree.sections):
            if tree.parent[i] < 0 and section.side == side:
                place(i)
        if side == "supply" and any(s.side == "return" for s in tree.sections):
            line += 1.0
    return level, line


def _middle(levels: Sequence[float]) -> float:
    return float(np.mean([min(levels), max(levels)]))


def _joint(axes: Axes, x: float, levels: Sequence[float]) -> None:
    axes.plot([x, x], [min(levels), max(levels)], color=GREY, lw=1.6, zorder=1, solid_capstyle="projecting")


def _line_points(study: Study) -> NDArray[np.float64]:
    """Line width of each section by the diameter of its size; one width for all without a set."""
    if study.sized is None:
        return np.full(len(study.tree.sections), 3.0)
    diameter = study.case.diameter_in[study.sized.size_index]
    return np.asarray(np.maximum(diameter / diameter.max() * WIDEST_POINTS, THINNEST_POINTS))


def _tree_key(axes: Axes, study: Study, title: str) -> None:
    there = {s.kind for s in study.tree.sections}
    handles = [
        Line2D([], [], color=colour, lw=4, ls=style, label=label)
        for kind, (colour, style, label) in KINDS.items()
        if kind in there
    ]
    words = f"line width by size; {study.plan.units.unit('cfm')}: largest over all variants"
    axes.legend(
        handles=handles, loc="lower left", ncols=len(handles), frameon=False, fontsize=8.5, title=words,
        title_fontsize=8.5, alignment="left",
    )  # fmt: skip
    left = axes.get_xlim()[0] + 0.15
    axes.text(left, -1.25, literal(title), fontsize=12, weight="bold", va="center", color=INK)


# -- rows of names with panels beside them ---------------------------------------------------------------

SEASONS = (("heating", VERMILION, "s", -0.17), ("cooling", BLUE, "o", 0.17))  # colour, marker, off the row's middle


def _row_panels(
    headline: str, names: Sequence[str], titles: Sequence[str], each_in: float, line_in: float, right_in: float = 0.2
) -> tuple[Figure, list[Axes]]:
    """A figure of named rows, with a panel for each title; the key stands below."""
    label_in = max((len(n) for n in names), default=1) * LETTER_IN + 0.35
    body_in = min(line_in * max(len(names), 3), MOST_HEIGHT_IN - 2.0)
    width = max(label_in + len(titles) * each_in + right_in, len(headline) * HEADLINE_LETTER_IN, 6.4)
    height = body_in + 1.75
    figure, panels = new_figure(width, height), []
    for n, title in enumerate(titles):
        place = ((label_in + n * each_in) / width, 0.95 / height, (each_in - 0.25) / width, body_in / height)
        axes = figure.add_axes(place)
        axes.set_ylim(len(names) - 0.5, -0.5)
        axes.set_yticks(range(len(names)) if n == 0 else [], [literal(name) for name in names] if n == 0 else [])
        axes.set_title(title, fontsize=9.5, color=INK)
        _plain_axes(axes, grid="x")
        panels.append(axes)
    _headline(figure, height, headline)
    return figure, panels


def _season_key(
    figure: Figure, plan: Plan, more: Sequence[Line2D] = (), faces: Mapping[str, str] | None = None
) -> None:
    """What the markers are; ``faces``: words -> none, white or full."""
    handles = [
        Line2D([], [], marker=marker, color=colour, mfc=colour if face == "full" else face, ls="", ms=5,
               label=f"{season}{words}")
        for season, colour, marker, _ in SEASONS
        if season in plan.seasons
        for words, face in (faces or {"": "none"}).items()
    ]  # fmt: skip
    figure.legend(handles=[*handles, *more], loc="lower left", ncols=3, fontsize=8.5, frameon=False)


def _headline(figure: Figure, height_in: float, text: str) -> None:
    figure.text(0.01, 1.0 - 0.22 / height_in, text, fontsize=11, weight="bold", va="center", color=INK)


def signed(value: float) -> str:
    """A whole number with its sign; no sign where it rounds to nothing."""
    whole = round(value)
    return f"{whole:+d}".replace("-", "−") if whole else "0"


def rooms_by_front(study: Study) -> Figure:
    """Airflow of each room by front, per cent above or below its mean: a panel a season."""
    plan = study.plan
    rows, fronts = tables.rooms_by_front.rows(study), list(plan.fronts)
    rooms = list(dict.fromkeys(row["room"] for row in rows if row["largest_cfm"] > 0.0))
    where = ", in the house that needs most" if plan.options else ""
    figure, panels = _row_panels(
        f"Room airflow by front, % above or below the room's mean over all fronts{where}",
        [shortened(room, 26) for room in rooms], plan.seasons, max(0.52 * len(fronts), 2.0) + 0.25, 0.27,
    )  # fmt: skip
    by_season = {}
    for season in plan.seasons:
        by_room = {row["room"]: row for row in rows if row["season"] == season}
        flow = np.array([[by_room[room][front] for front in fronts] for room in rooms])
        mean = flow.mean(axis=1, keepdims=True)
        by_season[season] = 100.0 * (np.divide(flow, mean, out=np.full(flow.shape, np.nan), where=mean > 0.0) - 1.0)
    most = max(1.0, *(float(np.nanmax(np.abs(v), initial=0.0)) for v in by_season.values()))
    for axes, values in zip(panels, by_season.values(), strict=True):
        # Purple to orange keeps its order for every eye and in grey; the number says the sign.
        axes.imshow(values, cmap="PuOr_r", vmin=-most, vmax=most, aspect="auto")
        for (r, c), value in np.ndenumerate(values):
            if np.isfinite(value):
                dark = value < -0.5 * most or value > 0.7 * most  # purple is darker than orange
                words = signed(float(value))
                axes.text(c, r, words, ha="center", va="center", fontsize=8, color="white" if dark else INK)
        axes.set_xticks(range(len(fronts)), fronts)
        axes.set_xlabel("the front faces", fontsize=9)
        axes.grid(visible=False)
    return figure


# -- delivered -------------------------------------------------------------------------------------------

MOST_DELIVERED_PCT = 250.0  # of the axis: what lies beyond is said in words


def delivered(delivery: Delivery) -> Figure:
    """What each room gets over all variants, in per cent of design: all dampers open, and with the marks."""
    plan, got = delivery.study.plan, delivery.open_dampers
    part = got.room_off_pct
    shown = [n for n in range(len(plan.rooms)) if np.isfinite(part[:, n]).any()]
    order = sorted(shown, key=lambda n: float(np.nanmin(part[:, n])))
    cases = {"all dampers open": got}
    if delivery.marks.chosen.runs:
        cases["with the damper marks"] = delivery.marks.chosen.delivered
    figure, panels = _row_panels(
        "What each room gets, from the least to the most of all variants",
        [shortened(plan.rooms[n], 26) for n in order], list(cases), 4.3, 0.36,
    )  # fmt: skip
    values = np.concatenate([100.0 + of.room_off_pct[:, order].ravel() for of in cases.values()])
    low, high = (float(end) for end in (np.nanmin(values, initial=100.0), np.nanmax(values, initial=100.0)))
    for axes, of in zip(panels, cases.values(), strict=True):
        _ranges(axes, delivery, of, order)
        axes.set_xlim(max(min(low - 8.0, 65.0), -5.0), min(max(high + 8.0, 135.0), MOST_DELIVERED_PCT))
        axes.set_xlabel("delivered, % of design airflow", fontsize=9)
    band = Line2D([], [], color=BAND, lw=6, label="least tolerance")
    _season_key(figure, plan, [band], {", within": "white", ", outside (filled)": "full"})
    return figure


def _ranges(axes: Axes, delivery: Delivery, got: Delivered, order: Sequence[int]) -> None:
    """A line from the least to the most of each room and season; its ends are filled where outside tolerance."""
    plan = delivery.study.plan
    part, within = 100.0 + got.room_off_pct, got.room_within(plan.tolerance)
    with np.errstate(divide="ignore", invalid="ignore"):
        allowed = 100.0 * plan.tolerance.of_room_cfm(got.room_design_cfm) / got.room_design_cfm
    for season, colour, marker, shift in SEASONS:
        mine = np.flatnonzero(delivery.study.variants.where(season=season))
        rows = [(line + shift, n) for line, n in enumerate(order) if np.isfinite(part[mine, n]).any()]
        if not rows:
            continue
        y, rooms = np.array([line for line, _ in rows]), [n for _, n in rows]
        of, good = part[mine][:, rooms], within[mine][:, rooms]
        # The least tolerance of the season's variants: an end inside its own may lie outside this one.
        band = np.nanmin(np.where(np.isfinite(of), allowed[mine][:, rooms], np.nan), axis=0)
        axes.hlines(y, 100.0 - band, 100.0 + band, color=BAND, lw=6.0, zorder=1)
        ends = np.nanmin(of, axis=0), np.nanmax(of, axis=0)
        axes.hlines(y, ends[0], np.minimum(ends[1], MOST_DELIVERED_PCT), color=colour, lw=1.4, zorder=2)
        for x in ends:
            is_good = np.where(np.isclose(of, x), good, True).all(axis=0)
            for fill, on in (("white", is_good), (colour, ~is_good)):
                at = on & (x <= MOST_DELIVERED_PCT)
                axes.plot(x[at], y[at], marker, ms=4.6, mfc=fill, mec=colour, mew=0.9, ls="", zorder=3)
        for line, most in zip(y, ends[1], strict=True):
            if most > MOST_DELIVERED_PCT:
                axes.text(
                    MOST_DELIVERED_PCT - 3.0, line, f"{season} up to {most:.0f} % ►", fontsize=7.5, ha="right",
                    va="center", color=colour, zorder=4, bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.2},
                )  # fmt: skip
    axes.axvline(100.0, color=GREY, lw=1.0, zorder=1.5)


# -- marks -----------------------------------------------------------------------------------------------


def marks(delivery: Delivery) -> Figure:
    """How far each damper is closed: a panel a table of marks, a point a season."""
    found = delivery.marks.chosen.tables
    runs = [run for run in delivery.study.tree.runs if any(run.name in table.runs for table in found)]
    titles = ["every lot"] if len(found) == 1 else [f"table {n + 1}" for n in range(len(found))]
    names = [shortened(f"{run.name} {tables.room_text(run)}", 30) for run in runs]
    figure, panels = _row_panels("Damper marks: how far each blade is closed", names, titles, 3.4, 0.26)
    rows, line = delivery_tables.marks.rows(delivery), {run.name: n for n, run in enumerate(runs)}
    for n, axes in enumerate(panels, start=1):
        mine = [row for row in rows if row["table"] == n]
        angles: dict[str, list[float]] = {}
        for row in mine:
            angles.setdefault(row["run"], []).append(row["mark_deg"])
        lowest, highest = ([end(of_run) for of_run in angles.values()] for end in (min, max))
        axes.hlines([line[run] for run in angles], lowest, highest, color=GREY, lw=1.2, zorder=1)
        for season, colour, marker, _ in SEASONS:
            part = [row for row in mine if row["season"] == season]
            ms = 8.0 if season == "cooling" else 4.0  # two at one angle both show
            x, y = [row["mark_deg"] for row in part], [line[row["run"]] for row in part]
            axes.plot(x, y, marker, ms=ms, mfc="none", mec=colour, mew=1.3, ls="", zorder=3)
        axes.set_xlim(-4.0, 94.0)
        axes.set_xticks([0, 30, 60, 90], ["0° open", "30°", "60°", "90°"])
        axes.hlines(range(len(names)), -4.0, 94.0, color=GRID, lw=0.6, zorder=0)
    _season_key(figure, delivery.study.plan)
    return figure


# -- substituted flex ------------------------------------------------------------------------------------


def substitution(delivery: Delivery) -> Figure:
    """What another flex than the one designed for does: a row a pair, a point a room and season at its worst front."""
    pairs = delivery.substitutions
    figure, (axes,) = _row_panels(
        "Designed for one flex → another one installed in the same sizes",
        [f"{shortened(p.designed, 16)} → {shortened(p.installed, 16)}" for p in pairs], [""], 4.85, 0.42, 2.9,
    )  # fmt: skip
    lowest = 0.0
    for line, (pair, told) in enumerate(zip(pairs, delivery_tables.substitution_pairs.rows(delivery), strict=True)):
        change = delivery_tables.change_pct(pair)
        for season, colour, marker, shift in SEASONS:
            mine = change[pair.delivered.variants.where(season=season)]
            worst = np.nanmin(mine[:, np.isfinite(mine).any(axis=0)], axis=0, initial=np.inf)
            x = worst[np.isfinite(worst)]
            lowest = float(np.min(x, initial=lowest))
            axes.plot(x, np.full(x.size, line + shift), marker, ms=4.6, mfc="none", mec=colour, mew=1.0, ls="")
        if told["room"]:
            words = f"{literal(shortened(told['room'], 20))} {signed(told['worst_change_pct'])} %"
            place = axes.get_yaxis_transform()
            axes.text(1.03, line, words, fontsize=8.5, va="center", color=INK, transform=place)
    axes.axvline(0.0, color=GREY, lw=1.0, zorder=1)
    axes.set_xlim(min(1.12 * lowest, -5.0), max(2.0, axes.get_xlim()[1]))
    axes.set_xlabel("change of a room's airflow at its worst front, %", fontsize=9)
    axes.text(1.03, -0.62, "room that loses most", fontsize=8.5, color=INK, transform=axes.get_yaxis_transform())
    _season_key(figure, delivery.study.plan)
    return figure


# -- cost ------------------------------------------------------------------------------------------------


def _entries(delivery: Delivery) -> tuple[DamperEntry, ...]:
    return delivery.by_dampers.entries if delivery.by_dampers else ()


def cost(study: Study, delivery: Delivery | None) -> Figure:
    """Cost per lot against the sizes to stock and against the dampers to set, each where it is known."""
    entries = _entries(delivery) if delivery else ()
    panels = [draw for draw, there in ((_by_sizes, len(study.trade_off) > 1), (_by_dampers, bool(entries))) if there]
    each, height = 5.2, 4.0
    width = max(each * len(panels), 6.2)
    figure = new_figure(width, height)
    for n, draw in enumerate(panels):
        axes = figure.add_axes(((n * each + 0.75) / width, 0.31, (each - 0.95) / width, 0.55))
        draw(axes, study, entries)
        axes.yaxis.set_major_formatter(StrMethodFormatter("{x:,.0f}"))
        axes.xaxis.set_major_locator(MaxNLocator(nbins=8, integer=True))
        axes.set_ylabel(f"{_cost_word(study)} per lot, {study.plan.units.unit(study.cost_unit)}", fontsize=9)
        _plain_axes(axes)
        axes.legend(fontsize=8, frameon=False, loc="upper left", bbox_to_anchor=(-0.12, -0.2), borderaxespad=0.0)
    _headline(figure, height, "What fewer sizes and fewer dampers cost")
    return figure


def _cost_word(study: Study) -> str:
    return "cost" if study.cost_unit == "USD" else "duct wall"


def _by_sizes(axes: Axes, study: Study, _: Sequence[DamperEntry]) -> None:
    units, within, best = study.plan.units, study.plan.standardize_within_pct, study.recommended
    unit = study.cost_unit
    numbers = np.array([e.distinct_sizes for e in study.trade_off], dtype=float)
    amounts = np.asarray(units.shown(np.array([e.cost for e in study.trade_off]), unit))
    proven = np.array([e.status == "optimal" for e in study.trade_off])
    axes.plot(numbers, amounts, color=BLUE, lw=1.2, zorder=2)
    axes.plot(numbers[proven], amounts[proven], "o", color=BLUE, ms=6, zorder=3, label="least cost, proven")
    if not proven.all():
        label = "best found, not proven"
        axes.plot(numbers[~proven], amounts[~proven], "o", mfc="white", mec=BLUE, ms=6, zorder=3, label=label)
    ceiling = units.shown(study.least_cost.cost, unit) * (1.0 + within / 100.0)
    axes.axhline(ceiling, color=GREY, lw=1.2, ls="--", zorder=1, label=f"{within:g} % over the least cost")
    chosen = units.shown(best.cost, unit)
    words = f"this set: {best.distinct_sizes} sizes, {units.say(best.cost, unit, ',.0f')}"
    axes.plot(best.distinct_sizes, chosen, "D", color=VERMILION, ms=9, mec=INK, zorder=4, label=words)
    _values(axes, numbers, amounts, [f"{a:,.0f}" for a in amounts], [*amounts, ceiling, chosen])
    axes.set_xlabel("distinct sizes to stock", fontsize=9)


def _by_dampers(axes: Axes, study: Study, entries: Sequence[DamperEntry]) -> None:
    shown = study.plan.units.shown
    numbers = np.array([e.dampers for e in entries], dtype=float)
    whole = np.asarray(shown(np.array([e.cost for e in entries]), study.cost_unit))
    ducts = np.asarray(shown(np.array([e.duct_cost for e in entries]), study.cost_unit))
    axes.plot(numbers, whole, "-s", color=VERMILION, lw=1.2, ms=6, zorder=3, label="ducts and dampers, best found")
    axes.plot(numbers, ducts, "--", color=BLUE, lw=1.2, zorder=2, label="ducts alone")
    _values(axes, numbers, whole, [str(e.rooms_outside) for e in entries], [*whole, *ducts])
    axes.plot([], [], " ", label="number: rooms outside tolerance")
    axes.set_xlabel("dampers to set", fontsize=9)


def _values(
    axes: Axes, x: NDArray[np.float64], y: NDArray[np.float64], words: Sequence[str], every: Sequence[float]
) -> None:
    """Words above points, no closer to each other than they can be read; and room for them."""
    low, high = min(every), max(every)
    span = max(high - low, 1e-9)
    axes.set_ylim(low - 0.1 * span, high + 0.2 * span)
    left, right = float(x.min()) - 0.6, float(x.max()) + 0.6
    axes.set_xlim(left, right)
    taken = -np.inf
    for at, amount, word in zip(x, y, words, strict=True):
        place = (at - left) / (right - left) * 4.25  # inches along the axis
        if place - taken < LETTER_IN * (len(word) + 1):
            continue
        taken = place
        axes.annotate(
            word, (at, amount), (0.0, 8.0), textcoords="offset points", fontsize=8, ha="center", color=INK, zorder=5,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6},
        )  # fmt: skip


# -- every degree ----------------------------------------------------------------------------------------


def every_degree(check: DegreeCheck, delivery: Delivery | None) -> Figure:
    """How close the sizes and the marks come to their limits between the fronts."""
    width, height = 8.6, 3.6
    figure = new_figure(width, height)
    axes = figure.add_axes((0.08, 0.27, 0.9, 0.58))
    x, use = _with_gaps(check.azimuth_deg, 100.0 * check.use, check.step_deg)
    axes.plot(x, use, color=BLUE, lw=1.6, label="sizes: the most used limit")
    bad = ~check.holds_at
    if bad.any():
        axes.plot(check.azimuth_deg[bad], 100.0 * check.use[bad], "x", color=INK, ms=5, label="does not hold")
    marked = delivery.mark_degrees if delivery else None
    tops = [float(np.max(100.0 * check.use)), 100.0]
    if marked is not None and len(marked.azimuth_deg):
        x, off = _with_gaps(marked.azimuth_deg, 100.0 * marked.worst_tolerances, check.step_deg)
        axes.plot(x, off, color=VERMILION, lw=1.6, ls="--", label="marks: the worst room's distance from its target")
        tops.append(float(np.nanmax(np.where(np.isfinite(off), off, np.nan))))
    axes.axhline(100.0, color=GREY, lw=1.2)
    axes.set_xlim(0.0, TURN_DEG)
    axes.set_ylim(0.0, min(1.12 * max(tops), 400.0))
    axes.set_xticks(np.arange(len(FACES) + 1) * POINT_DEG, [*FACES, FACES[0]], fontsize=8.5)
    axes.set_xlabel("the front faces", fontsize=9)
    axes.set_ylabel("% of what is allowed", fontsize=9)
    _plain_axes(axes, grid="both")
    axes.legend(
        fontsize=8.5, frameon=False, loc="upper left", ncols=3, bbox_to_anchor=(-0.02, -0.24), borderaxespad=0.0
    )
    _headline(figure, height, f"Between the fronts: {check.every}")
    return figure


def _with_gaps(
    azimuth: NDArray[np.float64], value: NDArray[np.float64], step: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """A curve that is broken where directions were left out."""
    gaps = np.flatnonzero(np.diff(azimuth) > 1.5 * step) + 1
    return np.insert(azimuth, gaps, np.nan), np.insert(np.asarray(value, dtype=float), gaps, np.nan)


def _plain_axes(axes: Axes, grid: Literal["x", "y", "both"] = "y") -> None:
    """The look that all charts share."""
    axes.tick_params(labelsize=8.5, length=0)
    axes.grid(axis=grid, color=GRID, lw=0.6, zorder=0)
    axes.set_axisbelow(True)
    for edge in ("top", "right", "left"):
        axes.spines[edge].set_visible(False)
