"""The search for damper marks on a board: all within their limits, and then with fewer dampers.

Settings are chosen by a model around the airflow that is known (``mark_model``); what is taken is what the simulation
confirms, for each mark of its own, since marks do not touch each other.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tractduct.arrays import BoolArray, FloatArray, IntArray
from tractduct.delivery.mark_board import Board, Position
from tractduct.delivery.mark_model import Manner, MarkModel, Tried

_ROUNDS = 4
_GAIN = 0.25  # tolerances, under which another round is not worth it
_QUICK = Manner(margin=0.05, damper=0.003, worth=0.01, kept=2)
_CAREFUL = Manner(margin=0.02, damper=0.0, worth=0.0005, kept=6)  # for the fewest dampers
_PRICES = (0.1, 0.05, 0.02)  # of a damper, tried there
_FALLING = (0.2, 0.1, 0.05, 0.02, 0.02, 0.01)  # the same from settings that keep no limits, one after another
_MENDED = 3  # rounds in which the others may make up for a damper less
_HOPELESS = 3.0  # tolerances beyond the limits, from which they will not


def improved(board: Board, at: Position) -> Position:
    """Dampers set anew for as long as the rooms come nearer their limits."""
    for _ in range(_ROUNDS):
        if not at.over.any():
            break
        better = board.best(at, *_anew(board, at, _QUICK, board.wide_open))
        if better is None:
            break
        gain = at.over.sum() - better.over.sum()
        at = better
        if gain < _GAIN:
            break
    return at


def fewer(board: Board, at: Position, least: IntArray, enough: int) -> Position:
    """The same limits with fewer dampers, as far as ``enough``; none further open than ``least`` settings."""
    for start in (at, board.place(board.wide_open)) if at.dampers > enough else ():
        for price in _PRICES:
            for settings, flow in zip(*_anew(board, start, replace(_CAREFUL, damper=price), least), strict=True):
                if np.any(settings > 0, axis=0).sum() < at.dampers:
                    at = _mended(board, board.place(settings, flow[None]), least) or at
    if at.dampers > enough:
        grown = board.place(least)
        for price in _FALLING:
            grown = _changed(board, grown, grown.settings, least, board.may, price)
            if not grown.over.any():
                break
        if grown.dampers < at.dampers:
            at = _mended(board, grown, least) or at
    # One less, for as long as that can be.
    needed = np.any(least > 0, axis=0)
    while at.dampers > enough:
        models = MarkModel.around(board, at, _CAREFUL)
        used = at.has_damper
        spare = np.flatnonzero(used & ~needed)
        opened = np.repeat(at.settings[None], len(spare), axis=0)
        opened[np.arange(len(spare)), :, spare] = 0
        value = sum(m.tried(opened[:, k], m.plenum_inwc[None]).value for k, m in enumerate(models))
        for run in spare[np.argsort(value, kind="stable")]:
            new = without(board, at, run, used, least)
            if new is not None:
                at = new
                break
            needed[run] = True  # nor later, with fewer others
        else:
            break
    return at


def without(board: Board, at: Position, run: int, runs: BoolArray, least: IntArray) -> Position | None:
    """A position with one run wide open, made up for by dampers of other ``runs`` (n_path,); None where none is."""
    settings, allowed = at.settings.copy(), runs.copy()
    settings[:, run], allowed[run] = 0, False
    return _mended(board, _changed(board, at, settings, least, allowed), least, allowed)


def _anew(board: Board, at: Position, manner: Manner, least: IntArray) -> tuple[IntArray, FloatArray]:
    """The best few settings (n, n_mark, n_path) by the model around a position, and airflow near by.

    Marks within their limits stay as they are, unless all are.
    """
    models = MarkModel.around(board, at, manner)
    found = [
        model.best(row, board.may, low) if over > 0.0 or not at.over.any() else None
        for model, row, low, over in zip(models, at.settings, least, at.over, strict=True)
    ]
    return _together(board, at, found)


def _mended(board: Board, at: Position, least: IntArray, allowed: BoolArray | None = None) -> Position | None:
    """Dampers of a position moved, of ``allowed`` runs or those that have one, until the limits are kept; or None."""
    allowed = at.has_damper if allowed is None else allowed
    for _ in range(_MENDED):
        if not at.over.any() or at.over.sum() > _HOPELESS:
            break
        at = _changed(board, at, at.settings, least, allowed)
    return None if at.over.any() else at


def _changed(
    board: Board, at: Position, settings: IntArray, least: IntArray, allowed: BoolArray, price: float = 0.0
) -> Position:
    """Settings changed by the model around a position, where that is ``allowed`` (n_path,), and what they deliver."""
    models = MarkModel.around(board, at, replace(_CAREFUL, damper=price))
    found: list[Tried | None] = [
        model.changed(model.tried(row[None], model.plenum_inwc[None]), allowed & model.may, low)
        for model, row, low in zip(models, settings, least, strict=True)
    ]
    rows, start = _together(board, at, found)
    return board.place(rows[0], start)


def _together(board: Board, at: Position, tried: list[Tried | None]) -> tuple[IntArray, FloatArray]:
    """Settings (n, n_mark, n_path) of what was tried for each mark, and the airflow (n, n_class, n_section) near by."""
    tree, supply = board.classes.case.tree, board.classes.case.tree.is_supply
    rows = np.arange(max(len(one.value) for one in tried if one is not None))
    settings = np.repeat(at.settings[None], len(rows), axis=0)
    flow = np.repeat(at.airflow.section_cfm, len(rows), axis=0)
    for m, one in enumerate(tried):
        if one is not None:
            pick = np.minimum(rows, len(one.value) - 1)
            settings[:, m] = one.settings[pick]
            near = one.run_cfm[pick] @ tree.path.astype(float)
            flow[np.ix_(rows, board.mark_of == m, supply)] = near[..., supply]
    return settings, flow
