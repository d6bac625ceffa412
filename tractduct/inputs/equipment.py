"""The blower and the devices in its air stream."""

from __future__ import annotations

from collections.abc import Mapping

from tractduct.errors import Origin
from tractduct.inputs.cells import nearest
from tractduct.inputs.plan_file import PlanFile
from tractduct.inputs.table_reader import RowReader, TableReader
from tractduct.model.plan import Device, Equipment
from tractduct.model.words import SEASONS, by_key, key_of


def read_equipment(
    blower: TableReader, devices: TableReader, seasons: tuple[str, ...], plan_file: PlanFile, system: str = ""
) -> Equipment:
    """Blower table, devices, [blower] and [leakage] of a plan, or of one of its systems."""
    points = _points(blower, system)
    curves = {speed: tuple((cfm, inwc) for cfm, inwc, _ in of) for speed, of in points.items()}
    part = plan_file.of_system("blower", system)
    given = plan_file.part(part)
    leakage = plan_file.numbers("leakage")
    if not blower.is_given and not blower.is_unread:
        for key in [f"{s}_speed" for s in SEASONS if plan_file.text(part, f"{s}_speed")]:
            problem = "the plan names a speed and has no blower table"
            plan_file.fault(part, key, problem, "Add the blower table, or remove the key", given[key])
    return Equipment(
        curves=curves,
        places={speed: tuple(at for _, _, at in of) for speed, of in points.items()},
        speed=_speeds(curves, seasons, plan_file, part) if curves else {},
        devices=_devices(devices, system),
        system_cfm={s: plan_file.numbers(part)[f"{s}_cfm"] for s in SEASONS if f"{s}_cfm" in given},
        held_airflow=plan_file.flag(part, "held_airflow"),
        supply_leakage=leakage["supply_pct"] / 100.0,
        return_leakage=leakage["return_pct"] / 100.0,
        **{key: plan_file.optional(part, key) for key in ("capacity_tons", "least_heating_cfm", "rated_static_inwc")},
    )


def _of_system(table: TableReader, system: str) -> list[RowReader]:
    """The rows of one of several systems, or all."""
    return [row for row in table if not system or key_of(row.text("system")) == key_of(system)]


def _points(table: TableReader, system: str) -> dict[str, list[tuple[float, float, Origin]]]:
    """Airflow, static pressure and the place of each row by speed."""
    names: dict[str, str] = {}
    first: dict[str, RowReader] = {}
    points: dict[str, list[tuple[float, float, Origin]]] = {}
    for row in _of_system(table, system):
        name = row.text("speed")
        airflow, static = row.number("airflow_cfm"), row.number("external_static_inwc")
        if row.failed:
            continue
        name = names.setdefault(key_of(name), name)
        first.setdefault(name, row)
        so_far = points.setdefault(name, [])
        if so_far and airflow <= so_far[-1][0]:
            before = table.units.say(so_far[-1][0], "cfm")
            problem = f"the airflow of speed '{name}' must rise from row to row; the row before has {before}"
            row.fault("airflow_cfm", problem, "Put the rows in order and remove duplicates")
        else:
            so_far.append((airflow, static, row.origin("airflow_cfm")))
    for name, row in first.items():
        if len(points[name]) < 2:
            problem = f"speed '{name}' has one point; a curve needs at least two"
            row.fault("speed", problem, "Add rows from the equipment's data")
    return points


def _speeds(curves: Mapping[str, object], seasons: tuple[str, ...], plan_file: PlanFile, part: str) -> dict[str, str]:
    known = by_key(curves)
    found: dict[str, str] = {}
    for season in seasons:
        key = f"{season}_speed"
        named = plan_file.text(part, key)
        if named and key_of(named) in known:
            found[season] = known[key_of(named)]
        elif named:
            problem = "the blower table has no speed of this name"
            plan_file.fault(part, key, problem, nearest(named, curves), named)
        elif len(curves) == 1:
            found[season] = next(iter(curves))
        else:
            problem = f"the blower table has several speeds and the plan does not say which runs in {season}"
            plan_file.fault(part, key, problem, f'Add {key} = "..." to [blower]')
    return found


def _devices(table: TableReader, system: str) -> tuple[Device, ...]:
    found: list[Device] = []
    for row in _of_system(table, system):
        device = Device(
            name=row.own_name("device", among=system),
            **row.values("side", "loss_inwc", "at_cfm", "season"),
            loaded_inwc=row.optional("loaded_loss_inwc"),
            exponent=row.number("exponent"),
            place=row.origin("loss_inwc"),
        )
        if device.loaded_inwc is not None and device.loaded_inwc < device.loss_inwc:
            clean = table.units.say(device.loss_inwc, "inWC")
            problem = f"a loaded filter can't lose less than a clean one, {clean}"
            row.fault("loaded_loss_inwc", problem, "Swap or correct the two")
        found.append(device)
    return tuple(found)
