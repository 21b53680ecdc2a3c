"""Values that a coordinate shared by several runs is tried at, kept within what may be run."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from doe.planning.candidates import Space

__all__ = ["Levels", "fine_steps", "whole_range"]

_STEPS = np.array([0.4, 0.15, 0.05, 0.02, 0.007, 0.0025])

Levels = Callable[[np.ndarray, int], np.ndarray]
"""Takes the points that change together in s plans, (s, m, k), and a factor; returns the coded
values to try it at, (s, values)."""


def whole_range(space: Space, coarse: Sequence[np.ndarray]) -> Levels:
    """Coarse levels, wherever the points are."""
    def levels(here: np.ndarray, j: int) -> np.ndarray:
        return _within_limits(space, here, j, np.broadcast_to(
            coarse[j], (len(here), len(coarse[j]))))

    return levels


def fine_steps(space: Space, coarse: Sequence[np.ndarray]) -> Levels:
    """Small steps from where the points are, and the coarse levels."""
    def levels(here: np.ndarray, j: int) -> np.ndarray:
        if not space.is_free(j):
            every = space.levels(j, 99)
            return np.broadcast_to(every, (len(here), len(every)))
        x = here[:, 0, j, None]
        return _within_limits(space, here, j, np.clip(np.hstack(
            [x + _STEPS, x - _STEPS, np.broadcast_to(coarse[j], (len(here), len(coarse[j])))]),
            -1, 1))

    return levels


def _within_limits(space: Space, here: np.ndarray, j: int, values: np.ndarray) -> np.ndarray:
    """Values clipped to what the constraints leave of factor j in all points that change."""
    if not (space.is_free(j) and space.is_tied(j) and space.region.constraints):
        return values
    s, m, k = here.shape
    low, high = (v.reshape(s, m) for v in space.reach(here.reshape(-1, k), j))
    low, high = low.max(axis=1), high.min(axis=1)
    high = np.maximum(low, high)
    return np.column_stack([np.clip(values, low[:, None], high[:, None]), low, high])
