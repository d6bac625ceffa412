"""Where damper marks should be: a program over the airflow of the runs, around an airflow that is known.

Around an airflow a path's loss is linear, and a mark that gives a run more air in one class gives it more in all, in a
ratio that hardly changes. So the airflow of each run in one class, the lead of its mark, says what it gets in all, and
its damper takes what its path leaves of the plenum's pressure. What the dampers must be follows exactly; what the
program leaves out is mended by solving it again around the airflow that they give.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import Bounds, LinearConstraint
from scipy.sparse import csr_array

from tractduct.delivery.flow import FloatArray
from tractduct.delivery.mark_board import Board, BoolArray, IntArray
from tractduct.delivery.predict import Drive
from tractduct.sizing.highs import integer_program

# How far from the known airflow a run may be put, times by and under, in one round after another.
_TRUST = (3.0, 1.6, 1.25, 1.15)
_SCALES = 0.5  # likewise the whole of another season at a held airflow
_LEFT_OUT = 1e3  # cfm that a room outside may be off
_NODES, _GAP = 20, 0.2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Proposal:
    """What the program says.

    ``coefficient`` (n_class, n_path) inWC/cfm2 of dampers that may be set to anything; ``settings`` (n_mark, n_path)
    the nearest settings; ``worst`` in tolerances; ``outside`` (n_room,) rooms given up.
    """

    coefficient: FloatArray
    settings: IntArray
    worst: float
    outside: BoolArray


def least_worst(board: Board, rounds: int = 3) -> Proposal | None:
    """The marks of the least worst distance over all rooms, from wide open dampers; None where there are none.

    The best of some rounds by the worst distance that they really give.
    """
    best, best_worst = None, np.inf
    coefficient = np.zeros(board.takes.shape[:2])
    for trust in _TRUST[:rounds]:
        program = Program(board, coefficient, trust)
        found = program.solve("worst")
        if found is None:
            break
        coefficient = found.coefficient
        got = board.simulate(coefficient[None])
        worst = float(board.off(got)[0].max())
        if worst < best_worst:
            best, best_worst = found, worst
    return best


class Program:
    """The program around the airflow that some dampers (n_class, n_path) give.

    Unknowns, in this order: each run's airflow in the lead class of its mark; each class's share of that, beside its
    own ratio; each plenum's pressure; what each damper takes in its lead class; the worst distance; whether a run has a
    damper; whether a room is given up.
    """

    def __init__(self, board: Board, coefficient: FloatArray, trust: float) -> None:
        self.board = board
        (n_mark, n_path), (n_class, n_room) = board.shape, board.windows.most_cfm.shape
        sizes = {
            "run": n_mark * n_path,
            "scale": n_class,
            "plenum": n_class,
            "damper": n_mark * n_path,
            "worst": 1,
            "built": n_path,
            "outside": n_room,
        }
        ends = np.cumsum(list(sizes.values()))
        self.at = {name: np.arange(end - size, end) for (name, size), end in zip(sizes.items(), ends, strict=True)}
        self.n = int(ends[-1])
        self.low, self.high = np.zeros(self.n), np.full(self.n, np.inf)
        self.rows: list[tuple[FloatArray, FloatArray, FloatArray]] = []
        self.got = board.simulate(coefficient[None])
        self.around = board.around(self.got)
        self._airflow(trust)
        self._pressure()

    def _airflow(self, trust: float) -> None:
        """``flow`` (n_class, n_path, n): a run's airflow over the unknowns; its bounds, and totals that are held."""
        board, at = self.board, self.at
        (n_mark, n_path), n_class = board.shape, len(board.mark_of)
        self.now = self.around.flow_cfm
        total = self.now.sum(axis=1)
        self.lead = np.full((n_mark, n_path), -1, dtype=np.intp)
        held = board.classes.drive is Drive.AIRFLOW
        scale = np.full(n_class, _SCALES if held else 0.0)
        for m in range(n_mark):
            mine = np.flatnonzero(board.mark_of == m)
            mine = mine[np.argsort(-total[mine], kind="stable")]
            if mine.size:
                scale[mine[0]] = 0.0
            for c in mine[::-1]:
                self.lead[m, board.is_open[c]] = c
        self.low[at["scale"]], self.high[at["scale"]] = -scale, scale
        lead_now = np.where(self.lead >= 0, self.now[np.maximum(self.lead, 0), np.arange(n_path)], 0.0)
        self.low[at["run"]] = (lead_now / trust).ravel()
        self.high[at["run"]] = np.where(self.lead >= 0, lead_now * trust + 2.0, 0.0).ravel()
        self.flow = np.zeros((n_class, n_path, self.n))
        paths = np.arange(n_path)
        for c, m in enumerate(board.mark_of):
            ratio = self.now[c] / np.maximum(lead_now[m], 1e-6)
            self.flow[c, paths, at["run"].reshape(n_mark, n_path)[m]] = np.where(board.is_open[c], ratio, 0.0)
            self.flow[c, paths, at["scale"][c]] = self.now[c]
        if held:
            self._add(self.flow.sum(axis=1), total, total)

    def _pressure(self) -> None:
        """A path and its damper take what the plenum has, in the lead class of the run."""
        board, at, around, classes = self.board, self.at, self.around, self.board.classes
        n_mark, n_path = board.shape
        plenum = around.plenum_inwc
        if classes.drive is Drive.AIRFLOW:
            there = np.minimum(classes.supply_limit_inwc, classes.ducts_limit_inwc - self.got.return_inwc[0])
            self.high[at["plenum"]] = np.maximum(there, 0.0)
        elif classes.drive is Drive.BLOWER:
            given = np.zeros((len(plenum), self.n))
            given[np.arange(len(plenum)), at["plenum"]] = 1.0
            given -= around.fall[:, None] * self.flow.sum(axis=1)
            side = plenum - around.fall * self.now.sum(axis=1)
            self._add(given, side, side)
        else:
            self.low[at["plenum"]] = self.high[at["plenum"]] = plenum
        rows, sides = [], []
        for m in range(n_mark):
            for p in range(n_path):
                c, damper = self.lead[m, p], at["damper"][m * n_path + p]
                if c < 0:
                    self.high[damper] = 0.0
                    continue
                row = around.shared[c, p] @ self.flow[c]
                row[damper] += 1.0
                row[at["plenum"][c]] -= 1.0
                rows.append(row)
                sides.append(around.shared[c, p] @ self.now[c] - around.path_inwc[c, p])
        self._add(np.array(rows), np.array(sides), np.array(sides))
        self.high[at["damper"]] = np.where(np.tile(board.may, n_mark), self.high[at["damper"]], 0.0)

    def _add(self, rows: FloatArray, low: FloatArray, high: FloatArray) -> None:
        self.rows.append((rows, np.broadcast_to(low, len(rows)), np.broadcast_to(high, len(rows))))

    def solve(
        self,
        aim: str,
        *,
        limit: FloatArray | None = None,
        least: IntArray | None = None,
        allowed: BoolArray | None = None,
        outside: BoolArray | None = None,
    ) -> Proposal | None:
        """``aim``: the least ``worst`` distance, the fewest ``rooms`` outside, or the fewest ``dampers``.

        ``limit`` (n_room,) tolerances to keep, unless the worst is what is sought; rooms ``outside`` are then worth the
        worst distance alone. ``least`` settings mark runs that must have a damper; ``allowed`` those that may.
        None where nothing keeps the limits.
        """
        board, at = self.board, self.at
        n_mark, n_path = board.shape
        w = board.windows
        low, high, rows = self.low.copy(), self.high.copy(), list(self.rows)
        cost, whole = np.zeros(self.n), np.zeros(self.n)
        free = np.ones(len(board.limit), dtype=bool) if limit is None else np.zeros(len(board.limit), dtype=bool)
        free = free if outside is None else free | outside
        kept = np.where(free, 0.0, 0.0 if limit is None else limit)
        serves = board.classes.serves
        room = np.einsum("rp,cpv->crv", serves, self.flow)
        served = (board.is_open @ serves.T > 0.0) & np.isfinite(w.most_cfm)
        classes, rooms = np.nonzero(served)
        n = np.arange(len(rooms))
        for sign, wanted, off in ((1.0, w.most_cfm, w.most_tolerance_cfm), (-1.0, w.least_cfm, w.least_tolerance_cfm)):
            row = sign * room[classes, rooms]
            row[n, at["worst"][0]] = np.where(free[rooms], off[classes, rooms], 0.0)
            row[n, at["outside"][rooms]] = _LEFT_OUT
            at_least = sign * wanted[classes, rooms] - kept[rooms] * off[classes, rooms]
            rows.append((row, at_least, np.full(len(rooms), np.inf)))
        cost[at["damper"]] = 0.01
        cost[at["worst"]] = 1.0
        high[at["built"]], high[at["outside"]] = 0.0, 0.0
        if allowed is not None:
            high[at["damper"]] = np.where(np.tile(allowed, n_mark), high[at["damper"]], 0.0)
        if aim == "dampers":
            some = np.flatnonzero(high[at["damper"]] > 0.0)
            row = np.zeros((len(some), self.n))
            row[np.arange(len(some)), at["damper"][some]] = 1.0
            plenum = np.minimum(high[at["plenum"]], 1.5 * self.around.plenum_inwc + 0.01)
            most = plenum[self.lead.ravel()[some]]
            row[np.arange(len(some)), at["built"][some % n_path]] = -most
            rows.append((row, np.full(len(some), -np.inf), np.zeros(len(some))))
            high[at["built"]] = whole[at["built"]] = cost[at["built"]] = 1.0
            if least is not None:
                low[at["built"]] = np.any(least > 0, axis=0)
        elif aim == "rooms":
            high[at["outside"]] = whole[at["outside"]] = cost[at["outside"]] = 1.0
        found = integer_program(
            cost,
            constraints=LinearConstraint(
                csr_array(np.vstack([r for r, _, _ in rows])),
                np.concatenate([lo for _, lo, _ in rows]),
                np.concatenate([hi for _, _, hi in rows]),
            ),
            bounds=Bounds(low, high),
            integrality=whole,
            options={"node_limit": _NODES, "mip_rel_gap": _GAP},
        )
        return None if found.x is None else self._proposal(found.x)

    def _proposal(self, x: FloatArray) -> Proposal:
        board, at = self.board, self.at
        n_mark, n_path = board.shape
        flow = self.flow @ x
        path = board.classes.case.tree.path.astype(float)
        lost = board.losses.at(np.maximum(flow @ path, 1e-6))[0] @ path.T
        used = x[at["damper"]].reshape(n_mark, n_path) > 1e-6
        lead, paths = np.maximum(self.lead, 0), np.arange(n_path)
        spare = np.maximum(x[at["plenum"]][lead] - lost[lead, paths], 0.0)
        wanted = np.where(used, spare / np.maximum(flow[lead, paths], 1.0) ** 2, 0.0)
        takes = board.takes[lead, paths]  # (n_mark, n_path, n_setting)
        middle = np.sqrt(takes[..., 1:] * takes[..., :-1])
        middle[..., 0] = 0.5 * takes[..., 1]
        settings = (wanted[..., None] > middle).sum(axis=2)
        of_class = wanted[board.mark_of]
        # The same blade takes more in denser air.
        denser = board.takes[..., 1] / np.maximum(takes[board.mark_of][..., 1], 1e-30)
        return Proposal(
            coefficient=of_class * denser,
            settings=settings,
            worst=float(x[at["worst"][0]]),
            outside=x[at["outside"]] > 0.5,
        )
