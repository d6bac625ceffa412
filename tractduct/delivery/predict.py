"""What each room gets with the sizes fixed, in every variant, against its design airflow."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np

from tractduct.arrays import BoolArray, FloatArray, IntArray
from tractduct.delivery.flow import (
    AirflowSolution,
    BlowerCurve,
    HeldAirflow,
    HeldPressure,
    Leakage,
    SizedDucts,
    Source,
    solve_airflow,
)
from tractduct.errors import Fault, InputFaults
from tractduct.model.plan import TIE, Plan, Tolerance
from tractduct.model.words import key_of
from tractduct.network.airstream import Airstream, airstream
from tractduct.network.tree import DuctTree
from tractduct.network.variants import VariantSet
from tractduct.physics.friction import compression_factor
from tractduct.sizing.candidates import at_sizes
from tractduct.sizing.case import Case

# Over the cooling coil: California Energy Code, section 150.0(m)13, mandatory field test.
LEAST_CFM_A_TON = 350.0


class Drive(Enum):
    """What drives the air in a prediction."""

    BLOWER = "blower"  # the plan's blower table
    AIRFLOW = "airflow"  # a blower that holds the design airflow whatever it takes
    PRESSURE = "pressure"  # plenums held at the pressure that the plan makes available


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Delivered:
    """The delivered airflow.

    Attributes
    ----------
    run_cfm, run_design_cfm : (n_variant, n_path), at the register or grille; NaN where the run is shut
    room_cfm, room_design_cfm : (n_variant, n_room), over the room's supply runs
    solution : the settled airflow of every section
    airstream : blower and devices
    drive : what drove it
    """

    tree: DuctTree
    variants: VariantSet
    run_cfm: FloatArray
    run_design_cfm: FloatArray
    room_cfm: FloatArray
    room_design_cfm: FloatArray
    solution: AirflowSolution
    airstream: Airstream
    drive: Drive

    @property
    def total_cfm(self) -> FloatArray:
        """(n_variant,) what the blower moves; of held plenums, what the supply ducts carry."""
        if self.drive is not Drive.PRESSURE:
            return self.solution.blower_cfm
        return np.asarray(np.nansum(self.run_cfm[:, self.tree.side_of_path == 0], axis=1))

    @property
    def external_static_inwc(self) -> FloatArray:
        """(n_variant,) supply, return and devices together; of held plenums, the two plenums."""
        if self.drive is not Drive.PRESSURE:
            return self.solution.external_static_inwc
        return self.solution.supply_inwc + self.solution.return_inwc

    @property
    def room_off_pct(self) -> FloatArray:
        """(n_variant, n_room) delivered over design, less 100 %; NaN where nothing is designed."""
        with np.errstate(divide="ignore", invalid="ignore"):
            off = 100.0 * (self.room_cfm / self.room_design_cfm - 1.0)
        return np.where(self.room_design_cfm > 0.0, off, np.nan)

    def room_within(self, tolerance: Tolerance) -> BoolArray:
        """(n_variant, n_room) bool: off by no more than the greater of the two tolerances."""
        off = np.abs(self.room_cfm - self.room_design_cfm)
        return np.asarray(off <= tolerance.of_room_cfm(self.room_design_cfm) * (1.0 + TIE))

    def system_within(self, tolerance: Tolerance) -> BoolArray:
        """(n_variant,) bool: the blower moves its design airflow within tolerance."""
        design = self.airstream.design_cfm
        return np.asarray(np.abs(self.total_cfm - design) <= tolerance.of_system_cfm(design) * (1.0 + TIE))


def open_sections(tree: DuctTree, variants: VariantSet) -> BoolArray:
    """(n_variant, n_section) bool: False where a run is shut in that season."""
    is_open = np.ones((len(variants.variants), len(tree.sections)), dtype=bool)
    is_open[:, tree.run_section] = variants.open_run
    return is_open


def installed_ducts(
    case: Case,
    size_index: IntArray,
    *,
    compression_pct: float | FloatArray | None = None,
    length_factor: float | FloatArray = 1.0,
    dampers: FloatArray | None = None,
    rows: IntArray | None = None,
) -> SizedDucts:
    """The chosen sizes as installed.

    Parameters
    ----------
    compression_pct : of every flex section instead of the products' own; broadcastable to
        (n_variant, n_section)
    length_factor : on straight lengths; broadcastable likewise
    dampers : inWC/cfm2, broadcastable likewise; all wide open if None
    rows : of the variants, which may repeat; what is broadcast is of these then. All if None
    """
    data, product = case.table.sections, case.table.ducts
    mine = slice(None) if rows is None else rows
    diameter = at_sizes(product.diameter_in, size_index)[mine]
    compression = product.compression_pct[mine]
    if compression_pct is not None:
        is_flex = np.array([s.kind == "flex" for s in case.tree.sections])
        compression = np.where(is_flex, compression_pct, compression)
    squeeze = compression_factor(compression, diameter, case.table.least_compression_factor[size_index])
    fittings = data.effective_length_ft - data.length_ft
    return SizedDucts(
        diameter_in=diameter,
        area_ft2=at_sizes(product.area_ft2, size_index)[mine],
        roughness_ft=product.roughness_ft[mine],
        derate=product.derate[mine],
        friction_length_ft=at_sizes(product.correction, size_index)[mine]
        * (data.length_ft * length_factor * squeeze + fittings),
        loss_coefficient=data.loss_coefficient,
        damper_inwc_per_cfm2=np.zeros(1) if dampers is None else dampers,
        is_open=open_sections(case.tree, case.variants)[mine],
    )


def default_drive(plan: Plan) -> Drive:
    """The blower's table where the plan has one; else the design airflow is held."""
    return Drive.BLOWER if plan.equipment.curves and not plan.equipment.held_airflow else Drive.AIRFLOW


def source_of(plan: Plan, stream: Airstream, drive: Drive) -> Source:
    """What drives the air. ValueError for a blower drive without a blower table."""
    if drive is Drive.BLOWER:
        if not stream.airflow_cfm.size:
            raise ValueError("the plan has no blower table")
        return BlowerCurve(airflow_cfm=stream.airflow_cfm, static_inwc=stream.static_inwc, devices=stream.devices)
    if drive is Drive.AIRFLOW:
        return HeldAirflow(blower_cfm=stream.design_cfm, devices=stream.devices)
    ones = np.ones_like(stream.design_cfm)
    return HeldPressure(supply_inwc=plan.supply_inwc * ones, return_inwc=plan.return_inwc * ones)


def predict(
    case: Case,
    ducts: SizedDucts,
    *,
    drive: Drive | None = None,
    loaded: bool | FloatArray = False,
    strict: bool = True,
    rows: IntArray | None = None,
) -> Delivered:
    """Delivered airflow of every run and room.

    Parameters
    ----------
    drive : what drives the air; the plan's blower, or the design airflow where it has none
    loaded : filters due for change; see ``airstream``
    strict : raise where the blower's curve never meets the system's; else such variants are NaN
    rows : of the variants, which may repeat, in the order of the ducts'; all if None

    Raises InputFaults for a section that both ends in a room and feeds others, and, if strict, where the
    blower's curve never meets the system's.
    """
    plan, tree, variants, air = case.plan, case.tree, case.variants, case.air
    if rows is not None:
        variants, air = variants.rows(rows), air[rows]
    refuse_unpredictable(case, ducts)
    drive = drive or default_drive(plan)
    stream = airstream(plan, variants.variants, variants.room_airflow_cfm.sum(axis=1), loaded=loaded)
    source = source_of(plan, stream, drive)
    lost = Leakage(supply=plan.equipment.supply_leakage, return_=plan.equipment.return_leakage)
    solution = solve_airflow(tree, ducts, source, air, variants.airflow_cfm, lost)
    if strict and not solution.settled.all():
        raise InputFaults([_never_meets(plan, variants, stream, solution)])
    solution = solution.with_unsettled_blank()
    run = np.where(variants.open_run, solution.airflow_cfm[:, tree.run_section], np.nan)
    room = np.nan_to_num(run) @ supply_runs_of_rooms(plan, tree).T
    room[np.isnan(run).all(axis=1)] = np.nan  # nothing is known of any run: it did not settle
    return Delivered(
        tree=tree,
        variants=variants,
        run_cfm=run,
        run_design_cfm=np.where(variants.open_run, variants.run_airflow_cfm, np.nan),
        room_cfm=room,
        room_design_cfm=variants.room_airflow_cfm,
        solution=solution,
        airstream=stream,
        drive=drive,
    )


def supply_runs_of_rooms(plan: Plan, tree: DuctTree) -> FloatArray:
    """(n_room, n_path) 1 for a room's supply runs, else 0."""
    serves = np.zeros((len(plan.rooms), len(tree.runs)))
    index = {key_of(room): n for n, room in enumerate(plan.rooms)}
    for p, run in enumerate(tree.runs):
        if run.side != "return":
            serves[index[key_of(run.rooms[0])], p] = 1.0
    return serves


def refuse_unpredictable(case: Case, ducts: SizedDucts) -> None:
    """InputFaults for a section that ends in a room and feeds others, or a run that loses nothing at any airflow."""
    for i, section in enumerate(case.tree.sections):
        if section.is_run and case.tree.children(i):
            problem = f"section '{section.name}' ends in a room and feeds others, so its airflow can't be predicted"
            remedy = "Let it feed others only, and add a section of its own for the register"
            raise InputFaults([case.plan.place("sections", "room", section.name).fault(problem, remedy)])
    loses = np.logical_or(ducts.friction_length_ft > 0.0, ducts.loss_coefficient > 0.0)
    can_lose = np.all(np.atleast_2d(loses), axis=0).tolist()
    for i, run in zip(case.tree.run_section, case.tree.runs, strict=True):
        if not can_lose[i]:
            problem = f"run '{run.name}' has no length and no fitting that loses pressure, so its airflow"
            at = case.plan.place("sections", "length_ft", run.name)
            raise InputFaults([at.fault(f"{problem} can't be predicted", "Enter its length or its fittings")])


def _never_meets(plan: Plan, variants: VariantSet, stream: Airstream, solution: AirflowSolution) -> Fault:
    v = int(np.argmin(solution.settled))
    variant = variants.variants[v]
    speed = plan.equipment.speed.get(variant.season, "")
    curve = np.array(plan.equipment.curves.get(speed, ((0.0, 0.0),)))
    beyond = solution.blower_cfm[v] >= curve[-1, 0] * (1.0 - 1e-9)
    at_most, made, say = curve[-1, 0], plan.density_ratio * curve[-1, 1], plan.units.say
    if beyond:
        problem = (
            f"speed '{speed}' still makes {say(made, 'inWC', '.4g')} at its last row, {say(at_most, 'cfm')}, "
            f"more than the system takes there ({variant}): the two would meet beyond its high-airflow end"
        )
        remedy = "Add rows of more airflow from the equipment's data, or choose a lower speed"
    else:
        problem = (
            f"speed '{speed}' makes less pressure than the system takes at every airflow of its table "
            f"({variant}): the two would meet below its low-airflow end, if at all"
        )
        remedy = "Add rows of less airflow, choose a higher speed, or reduce the losses"
    return plan.equipment.place(speed, -1 if beyond else 0).fault(problem, remedy)
