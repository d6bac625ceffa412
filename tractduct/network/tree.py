"""The duct tree as arrays: parents, paths, and which runs serve which rooms."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tractduct.model.options import Built
from tractduct.model.plan import Section
from tractduct.model.words import ALL_ROOMS, key_of


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DuctTree:
    """Supply and return trees in one.

    Attributes
    ----------
    sections : n_section of them, parents before children
    parent : (n_section,) int, -1 at the air handler
    run_section : (n_path,) int
        The section that ends each path at a register or grille; paths are in the order of sections.
    path : (n_path, n_section) bool
        Sections from the air handler to that register or grille.
    """

    sections: tuple[Section, ...]
    parent: NDArray[np.intp]
    run_section: NDArray[np.intp]
    path: NDArray[np.bool_]

    @property
    def runs(self) -> tuple[Section, ...]:
        """The sections that end in a room, one a path."""
        return tuple(self.sections[i] for i in self.run_section)

    @property
    def side_of_path(self) -> NDArray[np.intp]:
        """(n_path,) 0 for supply, 1 for return."""
        return np.array([run.side == "return" for run in self.runs], dtype=np.intp)

    @property
    def is_supply(self) -> NDArray[np.bool_]:
        """(n_section,) bool"""
        return np.array([section.side != "return" for section in self.sections], dtype=bool)

    def index(self, name: str) -> int:
        """Index of a section by its name; KeyError where there is none."""
        for i, section in enumerate(self.sections):
            if section.name == name:
                return i
        raise KeyError(name)

    def children(self, section: int) -> list[int]:
        """Indices of the sections that join this one."""
        return np.flatnonzero(self.parent == section).tolist()

    def walk(self, path: int) -> list[int]:
        """Indices of a path's sections, from the air handler outwards."""
        return np.flatnonzero(self.path[path]).tolist()


def build_tree(sections: Sequence[Section]) -> DuctTree:
    """The tree of sections that stand parents before children. ValueError where they do not."""
    index = {section.name: i for i, section in enumerate(sections)}
    parent = np.array([index[s.parent] if s.parent else -1 for s in sections], dtype=np.intp)
    if np.any(parent >= np.arange(len(sections))):
        raise ValueError("a parent must stand before its children")
    above = np.zeros((len(sections), len(sections)), dtype=bool)
    for i, p in enumerate(parent):
        if p >= 0:
            above[i] = above[p]
        above[i, i] = True
    runs = np.array([i for i, s in enumerate(sections) if s.is_run], dtype=np.intp)
    return DuctTree(sections=tuple(sections), parent=parent, run_section=runs, path=above[runs])


def open_runs(tree: DuctTree, season: str, built: Built) -> NDArray[np.bool_]:
    """(n_path,) bool: the runs that are open in a season in a house with these options."""
    return np.array([run.is_open(season, built) for run in tree.runs], dtype=bool)


def run_shares(tree: DuctTree, rooms: Sequence[str], season: str, built: Built = ()) -> NDArray[np.float64]:
    """Part of each room's airflow that each run carries in a season in a house with these options.

    Returns (n_path, n_room). A room's parts add up to 1 over its open supply runs, and to 1 over its open
    returns where it has any; a run that is shut, or not there, has none.
    """
    share = np.zeros((len(tree.run_section), len(rooms)))
    index = {key_of(room): n for n, room in enumerate(rooms)}
    for p, run in enumerate(tree.runs):
        if not run.is_open(season, built):
            continue
        served = range(len(rooms)) if ALL_ROOMS in run.rooms else [index[key_of(r)] for r in run.rooms]
        share[p, list(served)] = 1.0 if run.share is None else run.share
    for side in (tree.side_of_path == 0, tree.side_of_path == 1):
        total = share[side].sum(axis=0)
        share[side] /= np.where(total > 0.0, total, 1.0)
    return share
