"""Fitted models as arrays: many settings, many responses, one matrix product."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
import pandas as pd
from scipy import stats

from doe.analysis.kinds import KindFit
from doe.errors import InputError
from doe.factors import Region
from doe.programme import setting_of, step_of, steps_of
from doe.terms import expand, exponents
from doe.wording import digits, join

__all__ = ["Stack", "Surface", "held_columns", "levels_run", "rotations", "same_region",
           "settings_text"]


@dataclass(frozen=True, eq=False)
class Surface:
    """The polynomial of one fit, in encoded columns (`Region.encode`).

    Parameters
    ----------
    region : Region
    powers : ndarray of int, shape (p, q)
    beta : ndarray, shape (p,)
        On the scale the model was fitted on.
    covariance : ndarray, shape (p, p), or None
        None if no degrees of freedom are left to estimate it.
    sigma : float
        Residual standard deviation on the same scale; NaN if not known.
    df : int
        Its degrees of freedom.
    log : bool
        True if the model is for the logarithm of the response.
    kind : KindFit or None
        A fit of another kind than least squares: it knows the way to the response's own scale
        and the law of a new run.
    """

    region: Region
    powers: np.ndarray
    beta: np.ndarray
    covariance: np.ndarray | None
    sigma: float
    df: int
    log: bool
    kind: KindFit | None = None
    spread: np.ndarray | None = None

    @classmethod
    def of(cls, fit) -> Surface:
        """The surface of a fit; block effects average to zero and are left out."""
        powers, _ = exponents(fit.region, fit.terms)
        own = [j for j, term in enumerate(fit.columns.owner) if term is not None]
        if isinstance(fit, KindFit):
            return cls(fit.region, powers, fit.coefficients[own],
                       fit.coefficient_covariance[np.ix_(own, own)], np.nan, fit.df_error, False,
                       fit)
        covariance = (fit.sigma**2 * fit.covariance[np.ix_(own, own)] if fit.df_error else None)
        return cls(fit.region, powers, fit.coefficients[own], covariance, fit.sigma,
                   fit.df_error, fit.log_scale)

    @property
    def names(self) -> set[str]:
        """Factors in the model."""
        return {f.name for f in self.region.factors
                for j, n in enumerate(self.region.encoded_names)
                if n.split("[")[0] == f.name and self.powers[:, j].any()}

    def response_scale(self, values):
        """From the model's scale to the response's (the median, if the model is of the log)."""
        if self.kind is not None:
            return self.kind.mean_at(np.asarray(values, float))
        return np.exp(values) if self.log else np.asarray(values, float)

    def columns(self, encoded: np.ndarray) -> np.ndarray:
        """Model columns of encoded settings; (n, q) gives (n, p)."""
        return expand(encoded, self.powers)

    def variance(self, columns: np.ndarray) -> np.ndarray:
        """Variance of the estimated mean, on the model's scale; (n, p) gives (n,)."""
        if self.covariance is None:
            return np.full(len(columns), np.nan)
        return ((columns @ self.covariance) * columns).sum(axis=1).clip(0)

    def between(self, columns: np.ndarray) -> np.ndarray | float:
        """Variance between the levels that were averaged over, on the model's scale; (n,)."""
        return 0.0 if self.spread is None else ((columns @ self.spread.T) ** 2).mean(axis=1)

    def averaged(self, mixes: pd.DataFrame) -> Surface:
        """The surface over the other factors, averaged on the model's scale with equal weights.

        Parameters
        ----------
        mixes : DataFrame
            A column for each factor to average over, a row for each mix of their levels.

        Returns
        -------
        Surface
            Its `between` is the variance between the mixes at a setting (divisor: their number),
            for a new run at any one of them.
        """
        region = self.region
        over = Region(tuple(f for f in region.factors if f.name in mixes))
        rest = Region(tuple(f for f in region.factors if f.name not in mixes), region.constraints)
        place = [region.encoded_names.index(n) for n in over.encoded_names]
        powers, group = np.unique(np.delete(self.powers, place, axis=1), axis=0,
                                  return_inverse=True)
        weights = expand(over.encode(mixes), self.powers[:, place])
        gather = np.zeros((len(powers), len(self.powers)))
        gather[group.ravel(), np.arange(len(self.powers))] = 1.0
        each = (weights * self.beta) @ gather.T
        mean = gather * weights.mean(axis=0)
        return replace(self, region=rest, powers=powers, beta=each.mean(axis=0),
                       covariance=None if self.covariance is None else
                       mean @ self.covariance @ mean.T, spread=each - each.mean(axis=0))

    def predicted(self, encoded: np.ndarray, level: float) -> pd.DataFrame:
        """As a fit's ``predict``: mean, its interval, and that of one new run; a row a setting."""
        columns = self.columns(encoded)
        centre, variance = columns @ self.beta, self.variance(columns)
        df = self.df if self.kind is None else self.kind.df_reference
        half = (stats.t.ppf((1 + level) / 2, df) if df > 0 else np.nan) * np.sqrt(variance)
        low, high = self.limits(centre, variance + self.between(columns), level)
        return pd.DataFrame({"mean": self.response_scale(centre),
                             "mean_low": self.response_scale(centre - half),
                             "mean_high": self.response_scale(centre + half),
                             "low": low, "high": high})

    def limits(self, centre: np.ndarray, variance: np.ndarray, level: float,
               runs: int = 1) -> tuple[np.ndarray, np.ndarray]:
        """Ends of the interval for the mean of new runs, on the response's own scale.

        Parameters
        ----------
        centre, variance : ndarray, shape (n,)
            Estimated mean and its variance, on the model's scale; that `between` levels averaged
            over is added to it by the caller.
        level : float
        runs : int
            How many new runs; on a log scale it is their geometric mean.
        """
        if self.kind is not None:
            return self.kind.limits_at(centre, np.sqrt(variance), level, runs)
        t = stats.t.ppf((1 + level) / 2, self.df) if self.df > 0 else np.nan
        half = t * np.sqrt(variance + self.sigma**2 / runs)
        return self.response_scale(centre - half), self.response_scale(centre + half)


class Stack:
    """Several surfaces over one region, evaluated together.

    Parameters
    ----------
    fits : sequence of Fit, MixedFit or KindFit
    level : float
        Of the prediction intervals.
    over : iterable of str
        Factors to average over, at the mixes of the levels run.

    Attributes
    ----------
    region : Region
        Of the factors that are not averaged over; ``every`` is that of all.
    mixes : DataFrame
        What was averaged over, see `levels_run`; without columns if nothing was.
    """

    def __init__(self, fits: Sequence, level: float = 0.95, over: Iterable[str] = ()) -> None:
        self.every = self.region = same_region(fits)
        self.surfaces = [Surface.of(f) for f in fits]
        self.mixes = levels_run(fits, over)
        if len(self.mixes.columns):
            self.surfaces = [s.averaged(self.mixes) for s in self.surfaces]
            self.region = self.surfaces[0].region
        self.responses = [f.response for f in fits]
        self.level = level
        every = np.vstack([s.powers for s in self.surfaces])
        self.powers, place = np.unique(every, axis=0, return_inverse=True)
        place = np.split(place.ravel(), np.cumsum([len(s.powers) for s in self.surfaces])[:-1])
        self.beta = np.zeros((len(self.powers), len(self.surfaces)))
        for r, (surface, rows) in enumerate(zip(self.surfaces, place, strict=True)):
            self.beta[rows, r] = surface.beta
        self._place = place

    def means(self, encoded: np.ndarray) -> np.ndarray:
        """Predicted means on the responses' own scales; (n, q) gives (n, r)."""
        return self._back(expand(encoded, self.powers) @ self.beta)

    def intervals(self, encoded: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Predicted means and the limits of the prediction interval for one new run, (n, r)."""
        columns = expand(encoded, self.powers)
        means = columns @ self.beta
        ends = [s.limits(means[:, r], s.variance(columns[:, rows]) + s.between(columns[:, rows]),
                         self.level)
                for r, (s, rows) in enumerate(zip(self.surfaces, self._place, strict=True))]
        return (self._back(means), *(np.column_stack(side) for side in zip(*ends, strict=True)))

    def _back(self, values: np.ndarray) -> np.ndarray:
        return np.column_stack([s.response_scale(values[:, r])
                                for r, s in enumerate(self.surfaces)])


def same_region(fits: Sequence) -> Region:
    """The one region of the fits.

    Raises
    ------
    InputError
        If there are no fits, two for one response, or fits over different regions.
    """
    fits = list(fits)
    if not fits:
        raise InputError("fits", [], "there are none", "Give at least one fit")
    names = [f.response.name for f in fits]
    for name in names:
        if names.count(name) > 1:
            raise InputError("fits", name, "this response is there twice", "Give one fit for each")
    for f in fits[1:]:
        if f.region != fits[0].region:
            raise InputError("fits", f.response.name, "it was fitted over another region than "
                             f"'{names[0]}'", "Fit all responses over the same region")
    return fits[0].region


def levels_run(fits: Sequence, over: Iterable[str]) -> pd.DataFrame:
    """Every mix of the levels of these factors that any of the fits has runs at.

    Raises
    ------
    InputError
        If no other factor is left.
    """
    region, over = same_region(fits), list(over)
    if over and set(over) == set(region.names):
        raise InputError("factors", over, "each of them is a nuisance factor, so there is nothing "
                         "to choose", "Mark those that a recipe can set as none")
    runs = {n: {v for f in fits for v in f.data[n]} for n in over}
    levels = [sorted(runs[n]) if region[n].is_numeric else
              [v for v in region[n].levels if v in runs[n]] for n in over]
    return pd.DataFrame(list(product(*levels)), columns=over) if over else pd.DataFrame()


def held_columns(region: Region, fixed: Mapping[str, object]) -> dict[str, float]:
    """Encoded columns of the factors that are held, and their values.

    Raises
    ------
    InputError
        If a factor is unknown or its setting is outside the region.
    """
    out: dict[str, float] = {}
    for name, value in fixed.items():
        f = region[name]
        row = Region((f,)).encode(pd.DataFrame({name: [value]}))[0]
        if f.is_numeric and abs(row[0]) > 1 + 1e-9:
            raise InputError(f"fixed, '{name}'", value, f"it is outside {f.low:g} to {f.high:g}",
                             "Hold it inside the region")
        out |= dict(zip(Region((f,)).encoded_names, row.tolist(), strict=True))
    return out


def rotations(names: Iterable[str]) -> list[tuple[str, str, str]]:
    """Rotation, revolution and rotation ratio by name, for each ratio that has a revolution.

    >>> rotations(["revolution", "rotation_ratio", "time"])
    [('rotation', 'revolution', 'rotation_ratio')]
    >>> rotations(["wetting_rotation_ratio", "revolution", "degassing_time"])
    [('wetting_rotation', 'revolution', 'wetting_rotation_ratio')]
    """
    names = list(names)
    out = {}
    for step in steps_of(names):
        pair = tuple(setting_of(names, step, q) for q in ("revolution", "rotation_ratio"))
        own = next((n for n in pair if n and step_of(n)), "")
        if None not in pair:
            out[pair] = (f"{step}_rotation" if own else "rotation", *pair)
    return list(out.values())


def settings_text(region: Region, settings: Mapping[str, object], names=None) -> str:
    """Settings in words, with units: ``"revolution 1240 rpm and time 125 s"``."""
    words = []
    for name in region.names if names is None else names:
        f, value = region[name], settings[name]
        words.append(f"{f.label} {_exact(value)} {f.unit}".rstrip() if f.is_numeric
                     else f"{f.label} {value}")
    return join(words)


def _exact(value: float) -> str:
    """All digits of a number that was set; three of one that follows from others."""
    short = f"{value:.6g}"
    exact = abs(float(short) - value) <= 1e-9 * abs(value) and "e" not in short
    return short.replace("-", "−") if exact else digits(value)
