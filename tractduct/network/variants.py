"""The variants of a plan: what each section carries in each of them."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tractduct.model.options import Built, built_text
from tractduct.model.plan import Plan
from tractduct.network.tree import DuctTree, open_runs, run_shares


@dataclass(frozen=True, slots=True, order=True)
class Variant:
    """One front face, mirrored or not, one season, one flex product ('' where the plan has no flex), some options."""

    front: str
    mirrored: bool
    season: str
    flex: str
    options: Built = ()

    def __str__(self) -> str:
        words = [f"front {self.front}", "mirrored" if self.mirrored else "", self.season, self.flex]
        words.append(built_text(self.options))
        return ", ".join(word for word in words if word)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class VariantSet:
    """All variants, in the order face, mirrored, season, flex, options.

    Attributes
    ----------
    airflow_cfm : (n_variant, n_section)
        A section's airflow: the sum of the runs beyond it in that variant.
    run_airflow_cfm : (n_variant, n_path)
    room_airflow_cfm : (n_variant, n_room)
    open_run : (n_variant, n_path) bool
        False where the run is shut in that season, or not built.
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
        options: Built | None = None,
    ) -> NDArray[np.bool_]:
        """(n_variant,) bool: the variants that match all that is given."""
        return np.array(
            [
                (front is None or v.front == front)
                and (mirrored is None or v.mirrored == mirrored)
                and (season is None or v.season == season)
                and (flex is None or v.flex == flex)
                and (options is None or v.options == options)
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


def variants_of(plan: Plan) -> tuple[Variant, ...]:
    """Every combination of the plan's faces, mirrors, seasons, flex products and houses."""
    options = [house.options for house in plan.every_house]
    every = product(plan.fronts, plan.mirrored, plan.seasons, plan.flex, options)
    return tuple(Variant(*one) for one in every)


def expand_variants(plan: Plan, tree: DuctTree) -> VariantSet:
    """Every combination of the plan's faces, mirrors, seasons, flex products and houses, with its airflow.

    A section's airflow is summed within a variant: never a sum of peaks of different seasons or faces. With
    leakage, a return carries what the blower draws through it.
    """
    houses = plan.every_house
    need = np.stack([house.airflow_cfm for house in houses], axis=3)
    share = np.stack(
        [[run_shares(tree, plan.rooms, season, house.options) for house in houses] for season in plan.seasons]
    )
    opened = np.stack([[open_runs(tree, season, house.options) for house in houses] for season in plan.seasons])
    # f face, m mirror, s season, h house, r room, p path, x section
    run = np.einsum("fmshr,shpr->fmshp", need, share)
    run[..., tree.side_of_path == 1] *= plan.equipment.return_over_supply
    section = np.einsum("fmshp,px->fmshx", run, tree.path.astype(float))
    variants = variants_of(plan)

    def spread(values: NDArray[Any]) -> NDArray[Any]:
        return np.repeat(values[:, :, :, None], len(plan.flex), axis=3).reshape(len(variants), -1)

    return VariantSet(
        variants=variants,
        airflow_cfm=spread(section),
        run_airflow_cfm=spread(run),
        room_airflow_cfm=spread(need),
        open_run=spread(np.broadcast_to(opened, run.shape)),
    )
