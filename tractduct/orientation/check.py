"""Loads by surface against the airflow table of the same plan."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from tractduct.arrays import FloatArray
from tractduct.findings import Finding, warning
from tractduct.model.loads import turn
from tractduct.model.options import built_text
from tractduct.model.plan import Plan
from tractduct.network.variants import Variant
from tractduct.orientation.azimuths import face_azimuth_deg


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LoadsCheck:
    """The airflow table, which is used, and what the loads by surface give for the same variants.

    ``table_cfm`` and ``by_surface_cfm`` are (n_house, n_face, n_mirrored, n_season, n_room); the second shares out the
    table's own total of each variant. ``limit_pct`` is from where on a room is a finding.
    """

    table_cfm: FloatArray
    by_surface_cfm: FloatArray
    limit_pct: float

    @property
    def off_pct(self) -> FloatArray:
        """Loads by surface over the table, less 100; infinite where only the table has none, 0 where both have none."""
        none = np.where(self.by_surface_cfm > 0.0, np.inf, 0.0)
        ratio = np.divide(self.by_surface_cfm, self.table_cfm, out=none + 1.0, where=self.table_cfm > 0.0)
        return np.asarray(100.0 * (ratio - 1.0))

    @property
    def largest_pct(self) -> float:
        """The largest difference, either way."""
        return float(np.abs(self.off_pct).max())


def check_loads(plan: Plan) -> LoadsCheck | None:
    """The check; None unless the plan has both."""
    if plan.surface_loads is None or plan.turned:
        return None
    azimuth = [face_azimuth_deg(f) for f in plan.fronts]
    table = np.stack([house.airflow_cfm for house in plan.every_house])
    share = [
        turn(house.surface_loads or plan.surface_loads, azimuth, plan.mirrored, dict.fromkeys(plan.seasons, 1.0))
        for house in plan.every_house
    ]
    return LoadsCheck(
        table_cfm=table,
        by_surface_cfm=np.stack(share) * table.sum(axis=4, keepdims=True),
        limit_pct=plan.breakdown_check_pct,
    )


def check_findings(plan: Plan, check: LoadsCheck | None) -> Iterator[Finding]:
    """Rooms in which loads by surface and table differ by more than the limit, each at its worst variant."""
    if check is None:
        return
    off = check.off_pct
    for n, room in enumerate(plan.rooms):
        h, i, j, k = (int(a) for a in np.unravel_index(int(np.argmax(np.abs(off[..., n]))), off.shape[:4]))
        if abs(off[h, i, j, k, n]) > check.limit_pct:
            there = Variant(plan.fronts[i], plan.mirrored[j], plan.seasons[k], "")
            built = f", {built_text(plan.houses[h].options) or 'without options'}" if plan.houses else ""
            given = plan.units.say(check.by_surface_cfm[h, i, j, k, n], "cfm", ".1f")
            table = plan.units.number(check.table_cfm[h, i, j, k, n], "cfm", ".1f")
            message = (
                f"the loads by surface give {given} and the airflow table {table} "
                f"({there}{built}); they differ by more than {check.limit_pct:g} % somewhere"
            )
            advice = "The table is used. Find out which of the two is right"
            both, most = f"{given} and {table}", float(np.abs(check.by_surface_cfm - check.table_cfm)[..., n].max())
            yield warning(
                "loads by surface", f"room {room}", message, advice, room=room, cause="off", amount=both, air_cfm=most
            )
