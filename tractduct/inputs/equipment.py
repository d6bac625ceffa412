"""The blower and the devices in its air stream."""

from __future__ import annotations

from tractduct.inputs import schema
from tractduct.inputs.cells import nearest
from tractduct.inputs.fault_log import FaultLog
from tractduct.inputs.plan_file import PlanFile
from tractduct.inputs.tables import RawTable
from tractduct.model import words
from tractduct.model.plan import Device, Equipment
from tractduct.model.words import key_of


def read_equipment(
    blower: RawTable | None,
    devices: RawTable | None,
    seasons: tuple[str, ...],
    plan_file: PlanFile,
    log: FaultLog,
) -> Equipment:
    """Blower table, devices, [blower] and [leakage] of a plan."""
    curves = _curves(blower, log)
    numbers = plan_file.keys("blower")
    given = plan_file.part("blower")
    leakage = plan_file.keys("leakage")
    if blower is None and schema.BLOWER.name not in log.unread:
        for key in [f"{s}_speed" for s in words.SEASONS if plan_file.text("blower", f"{s}_speed")]:
            log.fault(
                plan_file.name,
                "the plan names a speed and has no blower table",
                "Add the blower table, or remove the key",
                column=f"[blower] {key}",
                value=str(given[key]),
            )
    return Equipment(
        curves=curves,
        speed=_speeds(curves, seasons, plan_file, log) if curves else {},
        devices=_devices(devices, log),
        system_cfm={s: numbers[f"{s}_cfm"] for s in words.SEASONS if f"{s}_cfm" in given},
        held_airflow=plan_file.flag("blower", "held_airflow"),
        supply_leakage=leakage["supply_pct"] / 100.0,
        return_leakage=leakage["return_pct"] / 100.0,
        capacity_tons=numbers["capacity_tons"] if "capacity_tons" in given else None,
        least_heating_cfm=numbers["least_heating_cfm"] if "least_heating_cfm" in given else None,
        rated_static_inwc=numbers["rated_static_inwc"] if "rated_static_inwc" in given else None,
    )


def _curves(table: RawTable | None, log: FaultLog) -> dict[str, tuple[tuple[float, float], ...]]:
    spec = schema.BLOWER
    names: dict[str, str] = {}
    points: dict[str, list[tuple[float, float]]] = {}
    for row in table.rows if table else ():
        assert table is not None
        name = log.text(table, row, spec.field("speed"))
        airflow = log.number(table, row, spec.field("airflow_cfm"))
        static = log.number(table, row, spec.field("external_static_inwc"))
        if not name or airflow is None or static is None:
            continue
        so_far = points.setdefault(names.setdefault(key_of(name), name), [])
        if so_far and airflow <= so_far[-1][0]:
            log.cell_fault(
                table,
                row,
                "airflow_cfm",
                f"the airflow of speed '{name}' must rise from row to row; the row before has "
                f"{table.units.say(so_far[-1][0], 'cfm')}",
                "Put the rows in order and remove doubles",
            )
        else:
            so_far.append((airflow, static))
    for name, curve in points.items():
        if len(curve) < 2 and table is not None:
            log.fault(
                table.label,
                f"speed '{name}' has one point; a curve needs at least two",
                "Add rows from the equipment's data",
                column=table.spelling("speed"),
                value=name,
            )
    return {name: tuple(curve) for name, curve in points.items()}


def _speeds(
    curves: dict[str, tuple[tuple[float, float], ...]],
    seasons: tuple[str, ...],
    plan_file: PlanFile,
    log: FaultLog,
) -> dict[str, str]:
    known = {key_of(name): name for name in curves}
    found: dict[str, str] = {}
    for season in seasons:
        key = f"{season}_speed"
        named = plan_file.text("blower", key)
        if named and key_of(named) in known:
            found[season] = known[key_of(named)]
        elif named:
            log.fault(
                plan_file.name,
                "the blower table has no speed of this name",
                nearest(named, curves),
                column=f"[blower] {key}",
                value=named,
            )
        elif len(curves) == 1:
            found[season] = next(iter(curves))
        else:
            log.fault(
                plan_file.name,
                f"the blower table has several speeds and the plan does not say which runs in {season}",
                f'Add {key} = "..." to [blower]',
                column=f"[blower] {key}",
            )
    return found


def _devices(table: RawTable | None, log: FaultLog) -> tuple[Device, ...]:
    spec = schema.DEVICES
    found: list[Device] = []
    seen: dict[str, int] = {}
    for row in table.rows if table else ():
        assert table is not None
        name = log.text(table, row, spec.field("device"))
        side = log.choice(table, row, spec.field("side"))
        loss = log.number(table, row, spec.field("loss_inwc"))
        at = log.number(table, row, spec.field("at_cfm"))
        season = log.choice(table, row, spec.field("season"))
        loaded = log.number(table, row, spec.field("loaded_loss_inwc"))
        exponent = log.number(table, row, spec.field("exponent"))
        if not name or not log.once(seen, table, row, "device", name) or loss is None or at is None or exponent is None:
            continue
        if loaded is not None and loaded < loss:
            log.cell_fault(
                table,
                row,
                "loaded_loss_inwc",
                f"a loaded filter can't lose less than a clean one, {table.units.say(loss, 'inWC')}",
                "Swap or correct the two",
            )
            continue
        found.append(
            Device(
                name=name,
                side=side,
                loss_inwc=loss,
                at_cfm=at,
                season=season,
                loaded_inwc=loaded,
                exponent=exponent,
            )
        )
    return tuple(found)
