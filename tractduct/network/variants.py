"""The variants of a plan: what each section carries in each of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tractduct.model.plan import Plan
from tractduct.network.tree import DuctTree, run_shares


@dataclass(frozen=True, slots=True, order=True)
class Variant:
    """One front face, mirrored or not, one season, one flex product ('' where the plan has no flex)."""

    front: str
    mirrored: bool
    season: str
    flex: str

    def __str__(self) -> str:
        words = [f"front {self.front}", "mirrored" if self.mirrored else "", self.season, self.flex]
        return ", ".join(word for word in words if word)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class VariantSet:
    """All variants, in the order face, mirrored, season, flex.

    Attributes
    ----------
    airflow_cfm : (n_variant, n_section)
        A section's airflow: the sum of the runs beyond it in that variant.
    run_airflow_cfm : (n_variant, n_path)
    room_airflow_cfm : (n_variant, n_room)
    open_run : (n_variant, n_path) bool
        False where the run is shut in that season.
    """

    variants: tuple[Variant, ...]
    airflow_cfm: NDArray[np.float64]
    run_airflow_cfm: NDArray[np.float64]
    room_airflow_cfm: NDArray[np.float64]
    open_run: NDArray[np.bool_]

    def where(
        self,
        *,
        front: str | None = None,
        mirrored: bool | None = None,
        season: str | None = None,
        flex: str | None = None,
    ) -> NDArray[np.bool_]:
        """(n_variant,) bool: the variants that match all that is given."""
        return np.array(
            [
                (front is None or v.front == front)
                and (mirrored is None or v.mirrored == mirrored)
                and (season is None or v.season == season)
                and (flex is None or v.flex == flex)
                for v in self.variants
            ],
            dtype=bool,
        )

    def rows(self, rows: NDArray[np.intp]) -> VariantSet:
        """The variants of these rows, which may repeat."""
        return VariantSet(
            variants=tuple(self.variants[row] for row in rows),
            airflow_cfm=self.airflow_cfm[rows],
            run_airflow_cfm=self.run_airflow_cfm[rows],
            room_airflow_cfm=self.room_airflow_cfm[rows],
            open_run=self.open_run[rows],
        )


def expand_variants(plan: Plan, tree: DuctTree) -> VariantSet:
    """Every combination of the plan's faces, mirrors, seasons and flex products, with its airflow.

    A section's airflow is summed within a variant: never a sum of peaks of different seasons or faces. With
    leakage, a return carries what the blower draws through it.
    """
    n_face, n_mirror, n_season, _ = plan.airflow_cfm.shape
    n_flex = len(plan.flex)
    share = np.stack([run_shares(tree, plan.rooms, season) for season in plan.seasons])
    is_open = np.array([[run.season in ("", season) for run in tree.runs] for season in plan.seasons])
    # f face, m mirror, s season, r room, p path, x section
    run = np.einsum("fmsr,spr->fmsp", plan.airflow_cfm, share)
    is_return = np.array([run.side == "return" for run in tree.runs], dtype=bool)
    run[..., is_return] *= plan.equipment.return_over_supply
    section = np.einsum("fmsp,px->fmsx", run, tree.path.astype(float))

    def spread(values: NDArray[np.float64]) -> NDArray[np.float64]:
        by_flex = np.repeat(values[:, :, :, None, :], n_flex, axis=3)
        return by_flex.reshape(n_face * n_mirror * n_season * n_flex, -1)

    opened = np.broadcast_to(is_open[None, None, :, None, :], (n_face, n_mirror, n_season, n_flex, is_open.shape[1]))
    return VariantSet(
        variants=tuple(
            Variant(face, mirrored, season, flex)
            for face in plan.fronts
            for mirrored in plan.mirrored
            for season in plan.seasons
            for flex in plan.flex
        ),
        airflow_cfm=spread(section),
        run_airflow_cfm=spread(run),
        room_airflow_cfm=spread(plan.airflow_cfm),
        open_run=opened.reshape(-1, is_open.shape[1]).copy(),
    )
