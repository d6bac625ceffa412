"""Whether damper marks hold where they were not made for: houses not built quite as drawn, and between the fronts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tractduct.arrays import BoolArray, FloatArray, IntArray
from tractduct.delivery.classes import build_classes
from tractduct.delivery.marks import Orientation, RoomOutside, Setting, farthest_outside
from tractduct.delivery.predict import Drive, installed_ducts, predict
from tractduct.delivery.robust import SEED
from tractduct.findings import Finding, caution
from tractduct.model.plan import TIE, is_outside
from tractduct.network.variants import Variant
from tractduct.orientation.azimuths import airflow_at, azimuth_label, every_step, nearest_front
from tractduct.sizing.case import Case

LENGTH_SPREAD = 0.15  # straight lengths, plus or minus this part
MOST_COMPRESSION_PCT = 10.0  # flex, from fully stretched to this
BUILDS = 20


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AsBuilt:
    """Rooms outside tolerance in houses that are not built quite as drawn.

    ``mean_rooms_outside`` of a lot: in any season, over orientations, flex products and builds. ``lots_right_pct``:
    lots with no room outside.
    """

    mean_rooms_outside: float
    lots_right_pct: float
    builds: int


def rooms_outside_as_built(
    case: Case, size_index: IntArray, setting: Setting, *, builds: int = BUILDS, drive: Drive | None = None
) -> AsBuilt:
    """Lengths of every section within 15 %, compression of every flex 0 to 10 %, filter clean to loaded.

    Each drawn evenly between its ends, independently, with a fixed seed; a house is the same in all seasons. The
    dampers stay as marked.
    """
    random = np.random.default_rng(SEED)
    plan, variants, n_section = case.plan, case.variants.variants, len(case.tree.sections)
    length = random.uniform(1.0 - LENGTH_SPREAD, 1.0 + LENGTH_SPREAD, (builds, n_section))
    compression = random.uniform(0.0, MOST_COMPRESSION_PCT, (builds, n_section))
    loaded = random.uniform(0.0, 1.0, builds)
    classes = build_classes(case, drive)
    allowed = classes.tolerance_cfm * (1.0 + TIE)
    outside = np.zeros((builds, len(variants), len(plan.rooms)), dtype=bool)
    for table in setting.tables:
        mine = np.flatnonzero(table.serves(variants))
        used, first = np.unique(classes.of_variant[mine], return_index=True)
        many, n = classes.case.rows(np.tile(used, builds)), len(used)
        squeezed, factor = np.repeat(compression, n, axis=0), np.repeat(length, n, axis=0)
        marked = np.tile(setting.coefficient[mine[first]], (builds, 1))
        ducts = installed_ducts(many, size_index, compression_pct=squeezed, length_factor=factor, dampers=marked)
        got = predict(many, ducts, drive=drive, loaded=np.repeat(loaded, n), strict=False)
        room = got.room_cfm.reshape(builds, n, -1)[:, np.searchsorted(used, classes.of_variant[mine])]
        off = np.abs(room * classes.scale[mine, None] - classes.design_cfm[mine])
        outside[:, mine] = ~(off <= allowed[mine])
    lot_outside = np.stack([outside[:, mine].any(axis=1) for mine in _by_lot(variants)], axis=1)
    return AsBuilt(
        mean_rooms_outside=float(lot_outside.sum(axis=2).mean()),
        lots_right_pct=float(100.0 * (~lot_outside.any(axis=2)).mean()),
        builds=builds,
    )


def _by_lot(variants: Sequence[Variant]) -> list[BoolArray]:
    """Of each lot, whatever its season, (n_variant,) bool which variants are its."""
    lots = [replace(v, season="") for v in variants]
    return [np.array([lot == other for other in lots]) for lot in dict.fromkeys(lots)]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MarkedDegrees:
    """Marks at every step of azimuth between the plan's fronts, by the table that leaves the fewest rooms outside.

    ``azimuth_deg``, ``worst_tolerances`` (n_azimuth,); ``outside``: rooms outside somewhere, each where it is farthest
    off; ``n_variant`` azimuths x mirrors x seasons x flex x houses.
    """

    azimuth_deg: FloatArray
    worst_tolerances: FloatArray
    n_variant: int
    outside: tuple[RoomOutside, ...]

    @property
    def holds(self) -> bool:
        return not self.outside

    @property
    def directions_outside(self) -> int:
        return int(np.count_nonzero(is_outside(self.worst_tolerances)))

    def findings(self, setting: Setting) -> Iterator[Finding]:
        """Rooms that the marks leave outside between the fronts alone."""
        told = {room.room for room in setting.outside}
        rooms = [room for room in self.outside if room.room not in told]
        if rooms:
            worst = max(rooms, key=lambda room: room.tolerances)
            message = (
                f"with any one table {', '.join(room.room for room in rooms)} would be outside tolerance where "
                f"a house faces between the fronts, at {self.directions_outside} of "
                f"{len(self.azimuth_deg)} degrees; {worst.room} is {worst.tolerances:.2f} tolerances off "
                f"({worst.variant})"
            )
            own = "" if told else ": it has marks of its own there"
            advice = (
                f"Set a lot that faces so by its page{own}. Put that direction among the plan's fronts if many lots do"
            )
            yield caution("marks between the fronts", "damper marks", message, advice, air_cfm=abs(worst.off_cfm))


def check_marks_every_degree(case: Case, setting: Setting, *, step_deg: float = 1.0) -> MarkedDegrees:
    """Marks at every step between the plan's neighbouring fronts, mirrored as the plan has it.

    A house has the table of the nearest front, or another that leaves fewer rooms outside. What arrives does not depend
    on the front: by a table it is what the nearest of its fronts gets, in proportion to the total where the airflow is
    held. Shares drift with the total by far less than what counts (``classes.TOTALS_ALIKE``); where a friction table
    corrects a product, the correction is that of this front.
    """
    plan, got = case.plan, setting.delivered
    azimuth = every_step(plan.fronts, step_deg)
    variants = [v for v in case.variants.variants if v.front == plan.fronts[0]]
    want = np.zeros((len(azimuth), len(variants), len(plan.rooms)))
    # Of each table, that of the nearest front first, the variant whose air it is there.
    rows = np.zeros((len(setting.tables), *want.shape[:2]), dtype=np.intp)
    design = {h.options: airflow_at(plan.of_house(h.options), azimuth, plan.mirrored) for h in plan.every_house}
    for j, v in enumerate(variants):
        want[:, j] = design[v.options][:, plan.mirrored.index(v.mirrored), plan.seasons.index(v.season)]
    of_orientation: dict[Orientation, list[int]] = {}
    for place, v in enumerate(case.variants.variants):
        of_orientation.setdefault((v.front, v.mirrored), []).append(place)
    for mirrored in plan.mirrored:
        alike = np.flatnonzero([v.mirrored == mirrored for v in variants])
        for k, degrees in enumerate(azimuth.tolist()):
            for nth, n in enumerate(setting.nearest_first(nearest_front(plan.fronts, degrees), mirrored)):
                rows[nth, k, alike] = of_orientation[setting.tables[n].nearest(degrees, mirrored)]
    room = got.room_cfm[rows]
    if got.drive is Drive.AIRFLOW:
        listed = got.room_design_cfm[rows].sum(axis=-1)
        room *= np.divide(want.sum(axis=-1), listed, out=np.ones(rows.shape), where=listed > 0.0)[..., None]
    off = np.nan_to_num(np.round(np.abs(room - want) / plan.tolerance.of_room_cfm(want), 9), nan=np.inf)
    for mine in _by_lot(variants):  # a lot has one table in all its seasons
        best = np.argmin(is_outside(off[:, :, mine].max(axis=2)).sum(axis=-1), axis=0)
        for of in (off, room):
            of[0, :, mine] = of[best, np.arange(len(azimuth))][:, mine].swapaxes(0, 1)

    def named(row: int) -> str:
        face = azimuth_label(float(azimuth[row // len(variants)]))
        return str(replace(variants[row % len(variants)], front=face))

    each = (len(azimuth) * len(variants), len(plan.rooms))
    return MarkedDegrees(
        azimuth_deg=azimuth,
        worst_tolerances=off[0].max(axis=(1, 2)),
        n_variant=each[0],
        outside=farthest_outside(plan.rooms, off[0].reshape(each), room[0].reshape(each), want.reshape(each), named),
    )
