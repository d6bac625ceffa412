"""Pictures of a study as PNG files: the duct tree, the orientations, the price of a shorter stock list.

The same study gives the same bytes. Nothing is told by colour alone.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator, StrMethodFormatter
from numpy.typing import NDArray

from tractduct.delivery.deliver import Delivery
from tractduct.model.plan import Section
from tractduct.one_plan import Study
from tractduct.writers import tables

# Okabe and Ito's palette: told apart by all eyes.
BLUE, VERMILION, ORANGE, GREY, INK = "#0072B2", "#D55E00", "#E69F00", "#6B7780", "#1F2933"
DOTS_PER_INCH = 110
LETTER_IN = 0.078  # width of a letter of the labels
HEADLINE_LETTER_IN = 0.105
LINE_IN = 0.30  # from one end of the tree to the next
MOST_ROOM_LETTERS = 34
MOST_HEIGHT_IN = 60.0
MOST_WIDTH_IN = 150.0  # no house comes near; in a wider tree labels run into each other
WIDEST_POINTS, THINNEST_POINTS = 9.0, 1.5


def draw_pictures(study: Study, folder: Path, delivery: Delivery | None = None) -> dict[str, Path]:
    """Draw what the study allows and return name -> PNG file.

    ``duct_tree`` and ``orientation`` always; ``trade_off`` where the least cost by number of sizes is known;
    ``delivered`` where what the house delivers is given.
    """
    figures = {"duct_tree": duct_tree(study), "orientation": orientation(study)}
    if len(study.trade_off) > 1:
        figures["trade_off"] = trade_off(study)
    if delivery is not None:
        figures["delivered"] = delivered(delivery)
    found = {}
    for name, figure in figures.items():
        found[name] = folder / f"{name}.png"
        save_figure(figure, found[name])
    return found


@contextmanager
def any_letter() -> Iterator[None]:
    """Draw letters that the font does not have as boxes, without a warning for programmers."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        yield


def save_figure(figure: Figure, path: Path) -> None:
    """Write a figure as a file of the kind that the path's ending says."""
    with any_letter():
        # Without the program's version and the date the same picture is the same file.
        if path.suffix == ".svg":
            figure.savefig(path, metadata={"Date": None, "Creator": None})
        else:
            figure.savefig(path, dpi=DOTS_PER_INCH, metadata={"Software": None})


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
    for i, section in enumerate(sections):
        x, y = float(left[depth[i]]), level[i]
        colour, style = (VERMILION, (0, (2.2, 0.7))) if section.kind == "flex" else (BLUE, "solid")
        axes.plot(
            [x, float(left[depth[i] + 1])], [y, y], color=colour, lw=points[i], ls=style,
            solid_capstyle="butt", dash_capstyle="butt", zorder=2,
        )  # fmt: skip
        axes.text(
            x + 0.06, y - 0.13 - points[i] / 72.0 / LINE_IN * 0.5, labels[i], fontsize=8, va="bottom",
            color=INK, zorder=3,
        )  # fmt: skip
        if ends[i]:
            axes.text(float(left[depth[i] + 1]) + 0.1, y, literal(ends[i]), fontsize=8.5, va="center", color=INK)
        children = study.tree.children(i)
        if children:
            _joint(axes, float(left[depth[i] + 1]), [level[c] for c in children] + [y])
    for side in ("supply", "return"):
        roots = [level[i] for i, s in enumerate(sections) if s.side == side and parent[i] < 0]
        if roots:
            _joint(axes, 0.0, roots)
            axes.text(
                -0.12, float(np.mean([min(roots), max(roots)])), f"air handler\n{side}", fontsize=9,
                ha="right", va="center", weight="bold", color=INK,
            )  # fmt: skip
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
        if tree.sections[i].is_run and children:
            # A run that feeds others too keeps a line of its own for its room.
            level[i], line = line, line + 1.0
        elif children:
            # Half a line off its children's, so that its label stays clear of theirs.
            level[i] = float(np.mean([min(level[c] for c in children), max(level[c] for c in children)]))
        else:
            level[i], line = line, line + 1.0

    for side in ("supply", "return"):
        roots = [i for i, s in enumerate(tree.sections) if tree.parent[i] < 0 and s.side == side]
        for root in roots:
            place(root)
        if side == "supply" and any(s.side == "return" for s in tree.sections):
            line += 1.0
    return level, line


def _joint(axes: Axes, x: float, levels: Sequence[float]) -> None:
    axes.plot([x, x], [min(levels), max(levels)], color=GREY, lw=1.6, zorder=1, solid_capstyle="projecting")


def _line_points(study: Study) -> NDArray[np.float64]:
    """Line width of each section by the diameter of its size; one width for all without a set."""
    if study.sized is None:
        return np.full(len(study.tree.sections), 3.0)
    diameter = study.case.diameter_in[study.sized.size_index]
    return np.asarray(np.maximum(diameter / diameter.max() * WIDEST_POINTS, THINNEST_POINTS))


def _tree_key(axes: Axes, study: Study, title: str) -> None:
    kinds = {s.kind for s in study.tree.sections}
    handles = [
        Line2D([], [], color=colour, lw=4, ls=style, label=label)
        for kind, colour, style, label in (
            ("rigid", BLUE, "solid", "rigid duct (solid)"),
            ("flex", VERMILION, (0, (2.2, 0.7)), "flex (broken line)"),
        )
        if kind in kinds
    ]
    words = f"line width by size; {study.plan.units.unit('cfm')}: largest over all variants"
    axes.legend(
        handles=handles, loc="lower left", ncols=len(handles), frameon=False, fontsize=8.5, title=words,
        title_fontsize=8.5, alignment="left",
    )  # fmt: skip
    axes.text(
        axes.get_xlim()[0] + 0.15, -1.25, literal(title),
        fontsize=12, weight="bold", va="center", color=INK,
    )  # fmt: skip


# -- orientation -----------------------------------------------------------------------------------------


def orientation(study: Study) -> Figure:
    """Airflow of each room by front against its mean; with one front only, heating against cooling."""
    return _by_front(study) if len(study.plan.fronts) > 1 else _by_season(study)


def _by_front(study: Study) -> Figure:
    plan = study.plan
    frame = tables.rooms_by_face(study)
    rooms = list(dict.fromkeys(frame["room"].tolist()))
    faces = list(plan.fronts)
    names = [literal(shortened(room, 26)) for room in rooms]
    label_in = max(len(n) for n in names) * LETTER_IN + 0.35
    panel_in = max(0.52 * len(faces), 2.0)
    panels = len(plan.seasons)
    headline = "Room airflow by front, % above or below the room's mean over all fronts"
    width = max(label_in + panels * (panel_in + 0.25) + 1.0, len(headline) * HEADLINE_LETTER_IN)
    body_in = min(0.27 * len(rooms), MOST_HEIGHT_IN - 2.0)
    height = body_in + 1.25
    figure = new_figure(width, height)
    values = {
        season: _against_mean(
            frame[frame["season"] == season].set_index("room").loc[rooms, faces].to_numpy(dtype=float)
        )
        for season in plan.seasons
    }
    most = max(max(float(np.nanmax(np.abs(v), initial=0.0)) for v in values.values()), 1.0)
    image = None
    for k, season in enumerate(plan.seasons):
        place = (
            (label_in + k * (panel_in + 0.25)) / width,
            0.55 / height,
            panel_in / width,
            body_in / height,
        )
        axes = figure.add_axes(place)
        # Purple to orange keeps its order for every eye and in grey; the number says the sign.
        image = axes.imshow(values[season], cmap="PuOr_r", vmin=-most, vmax=most, aspect="auto")
        for r, row in enumerate(values[season]):
            for c, value in enumerate(row):
                if np.isfinite(value):
                    dark = value < -0.5 * most or value > 0.7 * most  # purple is darker than orange
                    axes.text(
                        c,
                        r,
                        signed(value),
                        ha="center",
                        va="center",
                        fontsize=8,
                        color="white" if dark else INK,
                    )
        axes.set_xticks(range(len(faces)), faces, fontsize=8.5)
        axes.set_yticks(range(len(rooms)), names if k == 0 else [""] * len(rooms), fontsize=8.5)
        axes.tick_params(length=0)
        axes.set_title(season, fontsize=10, color=INK)
        axes.set_xlabel("front faces", fontsize=9)
        for edge in axes.spines.values():
            edge.set_visible(False)
    assert image is not None
    bar = figure.add_axes(((width - 0.85) / width, 0.55 / height, 0.14 / width, body_in / height))
    figure.colorbar(image, cax=bar)
    bar.tick_params(labelsize=8)
    bar.set_ylabel("%", fontsize=9, rotation=0, labelpad=2)
    _headline(figure, height, headline)
    return figure


def _against_mean(flow: NDArray[np.float64]) -> NDArray[np.float64]:
    """(n_room, n_face) airflow to per cent above its row's mean; NaN where a room has none."""
    mean = flow.mean(axis=1, keepdims=True)
    part = np.divide(flow, mean, out=np.full(flow.shape, np.nan), where=mean > 0.0)
    return np.asarray(100.0 * (part - 1.0))


def signed(value: float) -> str:
    """A whole number with its sign; no sign where it rounds to nothing."""
    whole = round(value)
    return f"{whole:+d}".replace("-", "−") if whole else "0"


def _by_season(study: Study) -> Figure:
    plan = study.plan
    flow = plan.units.shown(plan.airflow_cfm.max(axis=(0, 1)), "cfm")  # (n_season, n_room)
    order = np.argsort(-flow.max(axis=0), kind="stable")
    names = [literal(shortened(plan.rooms[n], 26)) for n in order]
    label_in = max(len(n) for n in names) * LETTER_IN + 0.35
    body_in = min(0.27 * len(names), MOST_HEIGHT_IN - 2.0)
    width, height = label_in + 5.6, body_in + 1.6
    figure = new_figure(width, height)
    axes = figure.add_axes((label_in / width, 0.6 / height, 5.2 / width, body_in / height))
    lines = np.arange(len(names))
    axes.hlines(lines, flow[:, order].min(axis=0), flow[:, order].max(axis=0), color=GREY, lw=1.2, zorder=1)
    for season, colour, marker in (("heating", VERMILION, "s"), ("cooling", BLUE, "o")):
        if season in plan.seasons:
            axes.plot(
                flow[plan.seasons.index(season), order],
                lines,
                marker,
                color=colour,
                ms=6,
                label=season,
                zorder=2,
            )
    axes.set_yticks(lines, names, fontsize=8.5)
    axes.set_ylim(len(names) - 0.5, -0.5)
    axes.set_xlim(left=0.0)
    axes.set_xlabel(f"airflow, {plan.units.unit('cfm')}", fontsize=9)
    axes.tick_params(axis="x", labelsize=8.5)
    axes.grid(axis="x", color="#D5DBE0", lw=0.6)
    axes.legend(fontsize=8.5, frameon=False, loc="lower right")
    _headline(figure, height, f"Room airflow, front {plan.fronts[0]} (the plan's only front)")
    return figure


def _headline(figure: Figure, height_in: float, text: str) -> None:
    figure.text(0.01, 1.0 - 0.22 / height_in, text, fontsize=11, weight="bold", va="center", color=INK)


# -- trade-off -------------------------------------------------------------------------------------------


def trade_off(study: Study) -> Figure:
    """Least cost by number of distinct sizes, the chosen set, and how much more the plan allows."""
    frame = tables.trade_off(study)
    numbers = frame["distinct_sizes"].to_numpy(dtype=float)
    cost = frame["cost"].to_numpy(dtype=float)
    proven = frame["proven"].to_numpy(dtype=bool)
    units, within = study.plan.units, study.plan.standardize_within_pct
    unit, priced = units.unit(study.cost_unit), study.cost_unit == "USD"
    cost = units.shown(cost, study.cost_unit)
    least, chosen = (units.shown(s.cost, study.cost_unit) for s in (study.least_cost, study.recommended))
    width, height = 7.2, 4.2
    figure = new_figure(width, height)
    axes = figure.add_axes((0.115, 0.13, 0.86, 0.74))
    axes.plot(numbers, cost, color=BLUE, lw=1.2, zorder=2)
    axes.plot(numbers[proven], cost[proven], "o", color=BLUE, ms=6, zorder=3, label="least cost, proven")
    if not proven.all():
        axes.plot(
            numbers[~proven], cost[~proven], "o", mfc="white", mec=BLUE, ms=6, zorder=3,
            label="best found, not proven",
        )  # fmt: skip
    ceiling = least * (1.0 + within / 100.0)
    axes.axhline(ceiling, color=GREY, lw=1.2, ls="--", zorder=1, label=f"{within:g} % over the least cost")
    best = study.recommended
    axes.plot(
        best.distinct_sizes, chosen, "D", color=VERMILION, ms=11, mec=INK, zorder=4,
        label=f"this set: {best.distinct_sizes} sizes, {chosen:,.0f} {unit}",
    )  # fmt: skip
    span = max(float(cost.max() - cost.min()), 1e-9)
    for number, amount in zip(numbers, cost, strict=True):
        axes.annotate(
            f"{amount:,.0f}", (number, amount), (0.0, 9.0), textcoords="offset points", fontsize=8,
            ha="center",
            color=INK, zorder=5, bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8},
        )  # fmt: skip
    axes.set_ylim(cost.min() - 0.12 * span, cost.max() + 0.14 * span)
    axes.set_xlim(numbers.min() - 0.6, numbers.max() + 0.6)
    axes.xaxis.set_major_locator(MaxNLocator(integer=True))
    axes.yaxis.set_major_formatter(StrMethodFormatter("{x:,.0f}"))
    axes.set_xlabel("distinct sizes to stock", fontsize=9.5)
    axes.set_ylabel(f"{'cost' if priced else 'duct wall'}, {unit}", fontsize=9.5)
    axes.tick_params(labelsize=8.5)
    for edge in ("top", "right"):
        axes.spines[edge].set_visible(False)
    axes.legend(fontsize=8.5, frameon=False, loc="upper right")
    _headline(figure, height, "What a shorter stock list costs")
    return figure


# -- delivered -------------------------------------------------------------------------------------------

MOST_DELIVERED_PCT = 300.0  # of the axis: what lies beyond is said in words
DELIVERED_LOOKS = (("heating", VERMILION, "s", -0.17), ("cooling", BLUE, "o", 0.17))


def delivered(delivery: Delivery) -> Figure:
    """What each room gets before balancing, in per cent of design: a dot a variant, over its tolerance."""
    study, got = delivery.study, delivery.open_dampers
    plan, part = study.plan, 100.0 + got.room_off_pct
    shown = [n for n in range(len(plan.rooms)) if np.isfinite(part[:, n]).any()]
    order = sorted(shown, key=lambda n: float(np.nanmin(part[:, n])))
    names = [literal(shortened(plan.rooms[n], 26)) for n in order]
    label_in = max((len(n) for n in names), default=1) * LETTER_IN + 0.35
    body_in = min(0.36 * max(len(names), 2), MOST_HEIGHT_IN - 2.0)
    width, height = label_in + 6.6, body_in + 1.75
    figure = new_figure(width, height)
    axes = figure.add_axes((label_in / width, 1.0 / height, 6.4 / width, body_in / height))
    with np.errstate(divide="ignore", invalid="ignore"):
        allowed = 100.0 * plan.tolerance.of_room_cfm(got.room_design_cfm) / got.room_design_cfm
    within = got.room_within(plan.tolerance)
    for season, colour, marker, shift in DELIVERED_LOOKS:
        if season not in plan.seasons:
            continue
        mine = study.variants.where(season=season)
        for line, n in enumerate(order):
            live = mine & np.isfinite(part[:, n])
            if not live.any():
                continue
            # The least tolerance of the season's variants: a dot inside its own may lie outside this one.
            band = float(allowed[live, n].min())
            axes.broken_barh([(100.0 - band, 2.0 * band)], (line + shift - 0.14, 0.28), color="#DDE3E8", zorder=1)
            for good, face in ((True, "white"), (False, colour)):
                dots = live & (within[:, n] == good) & (part[:, n] <= MOST_DELIVERED_PCT)
                axes.plot(
                    part[dots, n], np.full(int(dots.sum()), line + shift), marker, ms=4.2, mfc=face, mec=colour,
                    mew=0.8, ls="", zorder=3,
                )  # fmt: skip
            beyond = part[live & (part[:, n] > MOST_DELIVERED_PCT), n]
            if beyond.size:
                axes.text(
                    MOST_DELIVERED_PCT, line + shift, f"{season} up to {beyond.max():.0f} % ►", fontsize=7.5,
                    ha="right", va="center", color=colour, zorder=4,
                )  # fmt: skip
    axes.axvline(100.0, color=GREY, lw=1.0, zorder=2)
    axes.set_yticks(range(len(names)), names, fontsize=8.5)
    axes.set_ylim(len(names) - 0.5, -0.5)
    values = part[np.isfinite(part)]
    low, high = (float(values.min()), float(values.max())) if values.size else (50.0, 150.0)
    axes.set_xlim(max(min(low - 8.0, 65.0), -5.0), min(max(high + 8.0, 135.0), MOST_DELIVERED_PCT))
    axes.set_xlabel("delivered, % of design airflow", fontsize=9)
    axes.tick_params(axis="x", labelsize=8.5)
    axes.tick_params(axis="y", length=0)
    axes.grid(axis="x", color="#E3E8EC", lw=0.6, zorder=0)
    for edge in ("top", "right", "left"):
        axes.spines[edge].set_visible(False)
    handles = [
        Line2D([], [], marker=marker, color=colour, mfc=face, ls="", ms=5, label=f"{season}, {words}")
        for season, colour, marker, _ in DELIVERED_LOOKS
        if season in plan.seasons
        for face, words in (("white", "within"), (colour, "outside (filled)"))
    ]
    handles.append(Line2D([], [], color="#DDE3E8", lw=6, label="least tolerance"))
    figure.legend(handles=handles, loc="lower left", ncols=3, fontsize=8.5, frameon=False)
    _headline(figure, height, "What each room gets, all dampers open, in every variant")
    return figure
