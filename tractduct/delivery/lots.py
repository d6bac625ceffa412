"""Lots to balance: each at its own azimuth, in the flex product that it gets."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tractduct.delivery.balance import Settings, balanced_settings
from tractduct.delivery.deliver import Delivery
from tractduct.delivery.predict import Drive, installed_ducts
from tractduct.one_plan import Study
from tractduct.orientation.azimuths import plan_at
from tractduct.orientation.lots import LotResult
from tractduct.orientation.study import OrientationStudy
from tractduct.sizing.case import build_case


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LotSettings:
    """The settings that a lot is balanced by.

    ``settings`` holds the variants at the lot's azimuth among others; their faces are ``azimuth_label``s. ``flex`` is
    the product installed.
    """

    result: LotResult
    flex: str
    settings: Settings


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LotDelivery:
    """An orientation study with the settings of its lots, by lot name; a lot whose airflow is unknown has none."""

    orientation: OrientationStudy
    settings: Mapping[str, LotSettings]


def deliver_lots(orientation: OrientationStudy, delivery: Delivery | None, installed: str) -> LotDelivery:
    """How every lot of an orientation study is balanced; without a delivery, none of them.

    ``installed`` is the flex product of lots that name none.
    """
    if delivery is None:
        return LotDelivery(orientation=orientation, settings={})
    settings = settings_of_lots(orientation.study, orientation.lots, installed=installed, drive=delivery.drive)
    return LotDelivery(orientation=orientation, settings=settings)


def settings_of_lots(
    study: Study, lots: Sequence[LotResult], *, installed: str, drive: Drive | None = None
) -> dict[str, LotSettings]:
    """Damper settings of the standard size set at each lot's own azimuth, by the lot's name.

    Lots whose airflow is unknown are left out. ``installed`` is the flex product of lots that name none. Raises
    ValueError for a study without a size set; InputFaults where the blower leaves the ducts nothing at some azimuth.
    """
    size_index = study.recommended.size_index
    if size_index is None:
        raise ValueError("no size set holds, so there is nothing to balance")
    groups: dict[tuple[bool, str], list[LotResult]] = {}
    for result in lots:
        if np.isfinite(result.room_airflow_cfm).all():
            groups.setdefault((result.lot.mirrored, result.lot.flex or installed), []).append(result)
    found: dict[str, LotSettings] = {}
    for (mirrored, flex), members in groups.items():
        azimuths = list(dict.fromkeys(r.lot.azimuth_deg for r in members))
        case = build_case(plan_at(replace(study.plan, flex=(flex,)), azimuths, (mirrored,)))
        settings = balanced_settings(case, installed_ducts(case, size_index), study.size_set, drive=drive)
        found |= {r.lot.name: LotSettings(result=r, flex=flex, settings=settings) for r in members}
    return found
