"""The settings that can be made, as a place to search in."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from itertools import combinations, product

import numpy as np
import pandas as pd
from scipy.stats import qmc

from doe.decision.surface import held_columns, rotations
from doe.errors import InputError
from doe.factors import Factor, Region
from doe.mixer import Mixer
from doe.programme import quantity_of

__all__ = ["Space"]

SAMPLE = 1024
GREATEST_SAMPLE = 40_000
ALL_DIAGONALS = 5
LAST_STRIDE = 4
GREATEST_MIXES = 4096
"""Combinations of levels of categorical factors: each is searched by itself."""


class Space:
    """The settable settings of a region, as a place to search in.

    Parameters
    ----------
    region : Region
    mixer : Mixer, optional
        Its increments are kept too, rotation in whole increments included.
    fixed : mapping, optional
        Factors held at one setting.

    Raises
    ------
    InputError
        If a factor is held where it cannot be set, or the categorical factors have more than
        `GREATEST_MIXES` combinations of levels.
    """

    def __init__(self, region: Region, mixer: Mixer | None = None,
                 fixed: Mapping[str, object] | None = None) -> None:
        self.region, self.mixer, self.fixed = region, mixer, dict(fixed or {})
        held_columns(region, self.fixed)
        self.free = [f for f in region.numeric if f.name not in self.fixed]
        self._settable = region.replace([self._stepped(f) for f in region.factors])
        self.steps = np.array([self._settable[f.name].increment or 0.0 for f in self.free])
        self._coupled = [self._carrier(f.name) for f in self.free]
        levels = [[f.levels.index(self.fixed[f.name])] if f.name in self.fixed
                  else range(len(f.levels)) for f in region.factors if not f.is_numeric]
        if math.prod(map(len, levels)) > GREATEST_MIXES:
            raise InputError("region, categorical factors", math.prod(map(len, levels)),
                             "that many combinations of their levels cannot be searched for the "
                             f"best setting; it looks through up to {GREATEST_MIXES:,}",
                             "Go on with the factors that matter, or hold some at one level")
        self.mixes = list(product(*levels))
        self._check_fixed()

    def _stepped(self, f: Factor) -> Factor:
        """A free continuous factor without an increment gets a round one, at most 1/200 range.

        The rotation ratio of a mixer is left to the mixer's own rotation increment.
        """
        if (f.kind != "continuous" or f.increment is not None or f.name in self.fixed
                or (self.mixer and self._carrier(f.name))):
            return f
        step = 10.0 ** math.floor(math.log10((f.high - f.low) / 200))
        return replace(f, increment=step)

    def _carrier(self, name: str) -> str | None:
        """The revolution that a rotation ratio belongs to, if the mixer couples them."""
        if self.mixer is None:
            return None
        return next((revolution for _, revolution, ratio in rotations(self.region.names)
                     if ratio == name), None)

    def _check_fixed(self) -> None:
        for name, value in self.fixed.items():
            f = self.region[name]
            if not f.is_numeric or self._carrier(name):
                continue
            alone = pd.DataFrame({name: [float(value)]})
            near = f.snap([value]) if self.mixer is None else (
                self.mixer.snap(alone, Region((f,)))[name].to_numpy())
            if abs(near[0] - value) > 1e-9 * max(1.0, abs(value)):
                raise InputError(f"fixed, '{name}'", value, "it cannot be set",
                                 f"The nearest setting is {near[0]:g} {f.unit}".strip())

    def frame(self, values: np.ndarray, mixes: np.ndarray) -> pd.DataFrame:
        """Settings of free numeric values (n, k) and category mixes (n,), before snapping."""
        out, free, place = {}, {f.name: j for j, f in enumerate(self.free)}, 0
        levels = np.asarray(self.mixes, int).reshape(len(self.mixes), -1)[mixes]
        for f in self.region.factors:
            if not f.is_numeric:
                out[f.name] = np.asarray(f.levels, object)[levels[:, place]]
                place += 1
            elif f.name in free:
                out[f.name] = values[:, free[f.name]]
            else:
                out[f.name] = np.full(len(values), float(self.fixed[f.name]))
        return pd.DataFrame(out)

    def snap(self, settings: pd.DataFrame) -> pd.DataFrame:
        """The nearest settings that can be made."""
        if self.mixer is None:
            return self._settable.snap(settings)
        return self.mixer.snap(settings, self._settable)

    def settle(self, values: np.ndarray, mixes: np.ndarray
               ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Snapped free values, their encoded columns, and which of them may be run."""
        settings = self.snap(self.frame(values, mixes))
        snapped = np.array(settings[[f.name for f in self.free]], float).reshape(len(values), -1)
        return snapped, self.region.encode(settings), self.region.contains(settings)

    def moves(self) -> np.ndarray:
        """Directions to all neighbours, entries −1, 0, 1; all diagonals if there are few."""
        k = len(self.free)
        if not k:
            return np.empty((0, 0))
        if k <= ALL_DIAGONALS:
            every = np.array(list(product((-1, 0, 1), repeat=k)), float)
            return every[np.abs(every).any(axis=1)]
        rows = [s * np.eye(k)[j] for j in range(k) for s in (-1, 1)]
        rows += [s * np.eye(k)[i] + t * np.eye(k)[j] for i, j in combinations(range(k), 2)
                 for s, t in product((-1, 1), repeat=2)]
        return np.array(rows)

    def strides(self) -> np.ndarray:
        """Directions that change one or two factors by up to `LAST_STRIDE` increments each."""
        k = len(self.free)
        sizes = [s for s in range(-LAST_STRIDE, LAST_STRIDE + 1) if s]
        rows = [s * np.eye(k)[j] for j in range(k) for s in sizes]
        rows += [s * np.eye(k)[i] + t * np.eye(k)[j] for i, j in combinations(range(k), 2)
                 for s, t in product(sizes, repeat=2)]
        return np.array(rows) if rows else np.empty((0, 0))

    def neighbours(self, values: np.ndarray, moves: np.ndarray, scale: int) -> np.ndarray:
        """Free values `scale` increments away from each point; (n, k), (m, k) give (n, m, k)."""
        out = np.empty((len(values), len(moves), len(self.free)))
        for j, f in enumerate(self.free):
            here = values[:, j, None]
            if f.kind == "ordinal":
                levels = np.asarray(f.levels)
                place = np.abs(here[..., None] - levels).argmin(axis=-1) + moves[:, j]
                out[..., j] = levels[np.clip(place, 0, len(levels) - 1).astype(int)]
                continue
            step = self.steps[j]
            if self._coupled[j]:
                carrier = self._coupled[j]
                names = [g.name for g in self.free]
                speed = (values[:, names.index(carrier), None] if carrier in names
                         else float(self.fixed[carrier]))
                step = np.maximum(step, self.mixer.rotation_increment / np.maximum(speed, 1e-9))
            elif self.mixer is not None:
                step = max(step, _mixer_step(self.mixer, f.name))
            out[..., j] = np.clip(here + scale * step * moves[:, j], f.low, f.high)
        return out

    def sample(self, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Settable values that fill the region, corners first: values, mixes, encoded.

        Raises
        ------
        InputError
            If none of them may be run.
        """
        k = len(self.free)
        low = np.array([f.low for f in self.free])
        high = np.array([f.high for f in self.free])
        share = [np.full((1, k), 0.5)]
        if k:
            size = min(SAMPLE, 2 ** int(math.log2(max(64, GREATEST_SAMPLE / len(self.mixes)))))
            if k <= 7:
                share.append(np.array(list(product((0.0, 1.0), repeat=k))))
            share.append(qmc.Sobol(k, seed=np.random.default_rng(seed)).random(size))
        values = low + np.vstack(share) * (high - low)
        mixes = np.repeat(np.arange(len(self.mixes)), len(values))
        values, encoded, inside = self.settle(np.tile(values, (len(self.mixes), 1)), mixes)
        if not inside.any():
            raise InputError("region", [str(c) for c in self.region.constraints],
                             "no setting that can be made was found inside it",
                             "Widen a factor, loosen a constraint or hold other settings")
        return values[inside], mixes[inside], encoded[inside]


def _mixer_step(mixer: Mixer, name: str) -> float:
    """Least step of a setting on this mixer; 0 if it is none of the mixer's."""
    return getattr(mixer, f"{quantity_of(name)}_increment", 0.0)
