"""How airflow answers where one section of a settled system loses more or less: another size, another damper.

The rest of the system is taken as straight lines around its airflow, which is one Newton step; the section itself by
its true loss. So every change of one section is known from one small linear system a class.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tractduct.arrays import BoolArray, FloatArray, IntArray, each
from tractduct.delivery.classes import ClassAirflow, Classes
from tractduct.delivery.flow import BlowerCurve, HeldAirflow, Losses

_LEAST_CFM = 1e-6
_STEPS = 3  # Newton steps for the airflow of the changed section
_LEAST_PART = 0.02  # of an airflow: a straight line has no floor


@dataclass(frozen=True, slots=True, eq=False)
class Answers:
    """Around one settled airflow.

    Attributes
    ----------
    losses : (n_section, n_size, n_class) arrays, without dampers
    size_index : (n_section,)
    flow_cfm, loss_inwc, slope : (n_class, n_section) with the dampers that are there; slope in inWC/cfm
    own : (n_class, n_section) airflow of a section for each inWC that it loses more
    room : (n_class, n_section, n_room) likewise of the rooms, plenum : (n_class, n_section) of the supply plenum
    """

    losses: Losses
    size_index: IntArray
    flow_cfm: FloatArray
    loss_inwc: FloatArray
    slope: FloatArray
    own: FloatArray
    room: FloatArray
    plenum: FloatArray

    def of(
        self, damper_inwc_per_cfm2: FloatArray, room_cfm: FloatArray, *, runs: IntArray | None = None
    ) -> tuple[FloatArray, FloatArray]:
        """What each section changed alone does.

        Parameters
        ----------
        damper_inwc_per_cfm2 : (n_class, n_section, n), in it, for each size; or of some ``runs`` (n_some,) alone, in
            their own sizes, (n_class, n_some, n) for as many settings
        room_cfm : (n_class, n_room) as it is

        Returns
        -------
        (n_class, n_section or n_some, n, n_room) rooms' airflow over what it is, and (n_class, ..., n) the change of
        the supply plenum's pressure
        """
        losses, shape, some = self.losses, damper_inwc_per_cfm2.shape, slice(None) if runs is None else runs
        if runs is not None:
            losses = each(losses, lambda values: values[runs, self.size_index[runs]][:, None])
        new = each(losses, lambda values: np.broadcast_to(values.transpose(2, 0, 1), shape))
        q0, own = self.flow_cfm[:, some, None], self.own[:, some, None]
        loss0, slope0 = self.loss_inwc[:, some, None], self.slope[:, some, None]
        q = np.broadcast_to(q0, shape)
        more = np.zeros(shape)
        for _ in range(_STEPS):
            loss, slope = new.at(q)
            loss, slope = loss + damper_inwc_per_cfm2 * q**2, slope + 2.0 * damper_inwc_per_cfm2 * q
            # q = q0 + own x what the section loses beyond its straight line there
            more = loss - loss0 - slope0 * (q - q0)
            q = q - (q - q0 - own * more) / (1.0 - own * (slope - slope0))
            q = np.maximum(q, _LEAST_PART * q0)
        more = np.where(own != 0.0, (q - q0) / np.where(own != 0.0, own, 1.0), more)
        room = self.room[:, some, None, :]
        times = 1.0 + room * more[..., None] / np.maximum(room_cfm, _LEAST_CFM)[:, None, None, :]
        return np.maximum(times, _LEAST_PART), self.plenum[:, some, None] * more


@dataclass(frozen=True, slots=True, eq=False)
class Response:
    """What does not change with sizes and dampers: paths, rooms, and how the air is driven."""

    classes: Classes
    path: FloatArray  # (n_path, n_section)
    is_open: BoolArray  # (n_class, n_path)
    side: FloatArray  # (2, n_path), 1 for a run of the supply, of the return

    @staticmethod
    def of(classes: Classes) -> Response:
        tree = classes.case.tree
        return Response(
            classes,
            tree.path.astype(float),
            classes.is_open[:, tree.run_section],
            (tree.side_of_path == np.arange(2)[:, None]).astype(float),
        )

    def around(self, size_index: IntArray, damper_inwc_per_cfm2: FloatArray, got: ClassAirflow) -> Answers:
        """The answers around a settled airflow of one candidate, its dampers (n_class, n_path)."""
        classes, path, tree = self.classes, self.path, self.classes.case.tree
        n_class, n_path = self.is_open.shape
        q = np.maximum(np.nan_to_num(got.section_cfm[0]), _LEAST_CFM)
        at = np.arange(len(size_index)), size_index
        loss, slope = each(classes.losses, lambda values: values[at].T).at(q)
        run, damper = tree.run_section, damper_inwc_per_cfm2
        loss[:, run] += damper * q[:, run] ** 2
        slope[:, run] += 2.0 * damper * q[:, run]
        # Unknown: the runs' airflow, the pressures of both plenums, the blower's airflow.
        a = np.zeros((n_class, n_path + 3, n_path + 3))
        opened = self.is_open.astype(float)
        a[:, :n_path, :n_path] = (path * slope[:, None, :]) @ path.T * opened[:, :, None] * opened[:, None, :]
        a[:, np.arange(n_path), np.arange(n_path)] += 1.0 - opened + 1e-12
        for k in range(2):
            a[:, :n_path, n_path + k] = -self.side[k] * opened
        self._closed(a, got)
        right = np.zeros((n_class, n_path + 3, path.shape[1]))
        right[:, :n_path] = -path * opened[:, :, None]
        found = np.linalg.solve(a, right)
        runs = found[:, :n_path]
        own, room = np.einsum("ps,cps->cs", path, runs), np.einsum("rp,cps->csr", classes.serves, runs)
        return Answers(classes.losses, size_index, q, loss, slope, own, room, found[:, n_path])

    def _closed(self, a: FloatArray, got: ClassAirflow) -> None:
        """The last three rows: how the blower and the plenums give way."""
        classes, n_path = self.classes, self.is_open.shape[1]
        source = classes.source
        supply, back, blower = n_path, n_path + 1, n_path + 2
        if isinstance(source, HeldAirflow | BlowerCurve):
            # Each side carries its part of what the blower moves; a side without runs has no pressure.
            for k, part in ((0, 1.0 - classes.leakage.supply), (1, 1.0 - classes.leakage.return_)):
                opened = self.is_open * self.side[k]
                a[:, n_path + k, :n_path] = opened
                none = ~opened.any(axis=1)
                a[:, n_path + k, blower] = np.where(none, 0.0, -part)
                a[none, n_path + k, n_path + k] = 1.0
            a[:, blower, blower] = 1.0
            if isinstance(source, BlowerCurve):
                moved = np.nan_to_num(got.run_cfm[0] * self.side[0]).sum(axis=1) / (1.0 - classes.leakage.supply)
                fall = (
                    _slope(source, moved) - 2.0 * source.devices.square * moved - source.devices.powers_from(moved)[1]
                )
                a[:, blower, [supply, back]] = 1.0
                a[:, blower, blower] = -fall
        else:
            a[:, [supply, back, blower], [supply, back, blower]] = 1.0


def _slope(curve: BlowerCurve, airflow_cfm: FloatArray) -> FloatArray:
    """(n_class,) inWC/cfm of the straight piece that an airflow lies on; 0 outside the table."""
    q = curve.airflow_cfm
    at = np.clip(np.searchsorted(q, airflow_cfm, side="right") - 1, 0, len(q) - 2)
    rows = np.arange(len(airflow_cfm))
    found = (curve.static_inwc[rows, at + 1] - curve.static_inwc[rows, at]) / (q[at + 1] - q[at])
    return np.nan_to_num(found)
