"""Refits of resampled data, thousands at once; and runs predicted from the others.

References
----------
Davison, A. C. & Hinkley, D. V. (1997). *Bootstrap Methods and their Application*. Cambridge
University Press. Sections 6.2 and 6.3 (modified residuals, cases, studentised intervals,
prediction).
Efron, B. & Tibshirani, R. J. (1993). *An Introduction to the Bootstrap*. Chapman & Hall.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe import wording
from doe.analysis.choosing import check_least_squares
from doe.analysis.diagnostics import FULL_LEVERAGE
from doe.analysis.model import Fit
from doe.analysis.settings_side import check_level
from doe.errors import InputError, as_choice

__all__ = ["KINDS", "Bootstrap", "as_count", "as_seed", "bootstrap", "modified_residuals",
           "refits", "resamples"]

KINDS = ("residual", "parametric", "case")

SEED = 1
COUNT = 2000

LEAST_PIVOT = 1e-9

CHUNK = 128
"""Resamples summed at a time: threads and fresh memory would cost more than they bring."""

_WAYS = {"residual": "resampled residuals", "parametric": "simulated normal noise",
         "case": "resampled runs"}


@dataclass(frozen=True, eq=False)
class Bootstrap:
    """Refits of one model to resampled data.

    Attributes
    ----------
    fit : Fit
    kind : {"residual", "parametric", "case"}
    count, seed : int
        Resamples asked for, and the seed.
    lost : int
        Resamples in which the model cannot be estimated; they are left out.
    level : float
        Coverage of the intervals in `table`.
    coefficients : ndarray, shape (count − lost, p)
        Of the model's columns, on the model's scale.
    sigma : ndarray
        Residual standard deviation of each refit; shape (count − lost,).
    table : DataFrame
        ``term, label, coefficient``; ``bias`` (mean of the refits less the coefficient),
        ``standard_error`` (their standard deviation), ``low, high``; ``effect, effect_low,
        effect_high`` as in `Fit.table`; ``same_sign``: share of the refits in which the coefficient
        has the same sign.
    """

    fit: Fit
    kind: str
    count: int
    seed: int
    lost: int
    level: float
    coefficients: np.ndarray
    sigma: np.ndarray
    table: pd.DataFrame

    @property
    def sentence(self) -> str:
        """Which terms hold their sign, and how the intervals compare with the usual ones."""
        kept = self.count - self.lost
        rows = self.table[self.table["term"] != "1"]
        clear = (rows["low"] > 0) | (rows["high"] < 0)
        text = f"{kept:,} refits with {_WAYS[self.kind]} (seed {self.seed})"
        if self.lost:
            text += f", {self.lost:,} more that cannot estimate the model left out"
        text += ": "
        level = wording.percent(self.level)
        if clear.any():
            text += f"the {level} intervals of {wording.join(rows.loc[clear, 'label'])} "
            text += "exclude zero"
            if not clear.all():
                text += f", not those of {wording.join(rows.loc[~clear, 'label'])}"
        else:
            text += f"every term's {level} interval includes zero"
        usual = self.fit.table.set_index("term").loc[self.table["term"]]
        ratio = ((self.table["high"] - self.table["low"]).to_numpy()
                 / (usual["high"] - usual["low"]).to_numpy())
        if abs(self.level - 0.95) < 1e-12 and np.isfinite(ratio).all():
            text += (f". Intervals are {wording.digits(float(np.median(ratio)), 2)} times as wide "
                     "as those from the t-distribution, by the median")
        text += "."
        if self.fit.selection:
            text += (" Every refit keeps the terms, though the data chose them: the intervals are "
                     "still after selection.")
        return text

    def predict(self, settings: pd.DataFrame, level: float = 0.95) -> pd.DataFrame:
        """``mean, mean_low, mean_high, low, high, extrapolated`` as of `Fit.predict`, the intervals
        from the refits. Noise of one new run is drawn from the modified residuals; for
        "parametric" it is normal."""
        check_level(level)
        fit, rng = self.fit, np.random.default_rng(self.seed + 1)
        rows = fit.design_rows(settings)
        mean = rows @ fit.coefficients
        refits = self.coefficients @ rows.T
        shape = refits.shape
        noise = (rng.normal(0, fit.sigma, shape) if self.kind == "parametric"
                 else rng.choice(modified_residuals(fit), shape))
        apart, ahead = refits - mean, refits - mean - noise
        if self.kind == "case":
            low, high = (mean - q for q in _tails(-apart, level)[::-1])
            least, most = (mean - q for q in _tails(ahead, level)[::-1])
        else:
            scale = (self.sigma / fit.sigma)[:, None]
            low, high = (mean - q for q in _tails(apart / scale, level)[::-1])
            least, most = (mean - q for q in _tails(ahead / scale, level)[::-1])
        return fit.laid_out(settings, mean, (low, high), (least, most))


def bootstrap(fit: Fit, *, count: int = COUNT, seed: int = SEED, kind: str = "residual",
              level: float = 0.95) -> Bootstrap:
    """Refit the model to resampled data.

    Parameters
    ----------
    fit : Fit
    count : int
        Number of resamples.
    seed : int
    kind : {"residual", "parametric", "case"}
        "residual": the fit plus modified residuals, e / √(1 − leverage), drawn with replacement:
        settings stay as planned, noise need not be normal. "parametric": the fit plus normal noise.
        "case": whole runs drawn with replacement within blocks; noise may differ from run to
        run, but small plans lose their balance and often cannot be refitted.
    level : float
        Coverage of the intervals: studentised for the first two, percentiles for "case" (which
        are too narrow in small plans).

    Raises
    ------
    InputError
        If the model leaves no degrees of freedom for error, or hardly any resample of runs
        can estimate it.
    """
    check_least_squares(fit)
    count, seed = as_count(count), as_seed(seed)
    check_level(level)
    moved, rest = refits(fit, resamples(fit, count, seed=seed, kind=kind), kind)
    usable = np.isfinite(rest)
    if usable.sum() < max(100, count / 2):
        raise InputError("kind", kind, f"the model can be estimated in only {usable.sum():,} of "
                         f"{count:,} resamples of these {len(fit.data)} runs",
                         "Use kind='residual'")
    if not usable.all():
        moved, rest = moved[usable], rest[usable]
    # Refits without residual, when all draws coincide, have no studentised value.
    sigma = np.maximum(np.sqrt(np.maximum(rest, 0) / fit.df_error), 1e-6 * fit.sigma)
    return Bootstrap(fit, kind, count, seed, int((~usable).sum()), level, fit.coefficients + moved,
                     sigma, _table(fit, moved, sigma, kind, level))


def refits(fit: Fit, drawn: np.ndarray, kind: str) -> tuple[np.ndarray, np.ndarray]:
    """Refit the model to what `resamples` drew.

    Returns
    -------
    moved : ndarray, shape (count, p)
        Coefficients of the model's columns less those of the fit.
    rest : ndarray, shape (count,)
        Residual sums of squares; missing where the model cannot be estimated.
    """
    q, r = np.linalg.qr(fit.columns.matrix.to_numpy())
    if kind == "case":
        moved, rest = _refit_cases(q, np.asarray(fit.shifted.resid), drawn)
    else:
        noise = drawn - fit.shift - np.asarray(fit.shifted.fittedvalues)
        moved = q.T @ noise.T
        rest = np.einsum("dn,dn->d", noise, noise) - np.einsum("pd,pd->d", moved, moved)
    return (np.linalg.inv(r) @ moved).T, rest


def _table(fit: Fit, moved: np.ndarray, sigma: np.ndarray, kind: str,
           level: float) -> pd.DataFrame:
    places = [j for j, t in enumerate(fit.columns.owner) if t is not None]
    moved, b = moved[:, places], fit.coefficients[places]
    if kind == "case":
        low, high = b + _tails(moved, level)
    else:
        low, high = b - _tails(moved * (fit.sigma / sigma)[:, None], level)[::-1]
    owners = [fit.columns.owner[j] for j in places]
    span = np.array([fit.span(t) for t in owners])
    effects = {"effect": span * b, "effect_low": span * low, "effect_high": span * high}
    if fit.log_scale:
        effects = {k: np.exp(v) for k, v in effects.items()}
    table = pd.DataFrame({
        "term": fit.table["term"].to_numpy(), "label": fit.table["label"].to_numpy(),
        "coefficient": b, "bias": moved.mean(axis=0), "standard_error": moved.std(axis=0, ddof=1),
        "low": low, "high": high, **effects,
        "same_sign": np.mean((moved > -b) == (b > 0), axis=0),
    })
    table.attrs["units"] = dict.fromkeys(("effect", "effect_low", "effect_high"),
                                         "ratio" if fit.log_scale else fit.response.unit)
    return table


def resamples(fit: Fit, count: int, *, seed: int, kind: str) -> np.ndarray:
    """The resampled data themselves.

    Returns
    -------
    ndarray, shape (count, n)
        For "residual" and "parametric" responses on the model's scale; for "case" places of
        the runs.

    Raises
    ------
    InputError
        If the model leaves no degrees of freedom for error.
    """
    as_choice("kind", kind, KINDS)
    if not fit.df_error or not fit.sigma > 0:
        raise InputError("fit", fit.response.name, "the model passes through every run, so there "
                         "is no noise to resample", "Repeat some runs, or use a smaller model")
    rng, n = np.random.default_rng(seed), len(fit.data)
    if kind == "case":
        if fit.blocks is None:
            return rng.integers(0, n, (count, n))
        out, codes = np.empty((count, n), int), pd.factorize(fit.blocks)[0]
        for code in np.unique(codes):
            places = np.flatnonzero(codes == code)
            out[:, places] = places[rng.integers(0, len(places), (count, len(places)))]
        return out
    noise = (rng.normal(0.0, fit.sigma, (count, n)) if kind == "parametric"
             else modified_residuals(fit)[rng.integers(0, _pool(fit).sum(), (count, n))])
    return np.asarray(fit.shifted.fittedvalues) + fit.shift + noise


def _pool(fit: Fit) -> np.ndarray:
    return fit.diagnostics["leverage"].to_numpy() < FULL_LEVERAGE


def modified_residuals(fit: Fit) -> np.ndarray:
    """Residuals with the spread of noise, ``e / √(1 − leverage)`` about their mean; runs that
    the fit must pass through are left out."""
    runs = fit.diagnostics[_pool(fit)]
    scaled = (runs["residual"] / np.sqrt(1 - runs["leverage"])).to_numpy()
    return scaled - scaled.mean()


def _refit_cases(q: np.ndarray, residual: np.ndarray,
                 rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """How the coefficients of orthonormal columns move when runs count as often as drawn, and the
    residual sums of squares: (p, D) and (D,), missing where singular.

    Normal equations of weighted orthonormal columns stay well conditioned; their upper triangle
    is eliminated for all resamples side by side.
    """
    (n, p), count = q.shape, len(rows)
    columns = np.column_stack([q, residual])
    a, b = np.triu_indices(p + 1)
    products = np.ascontiguousarray((columns[:, a] * columns[:, b]).T)
    sums = np.empty((len(products), count))
    for start in range(0, count, CHUNK):
        some = rows[start:start + CHUNK]
        places = some + n * np.arange(len(some))[:, None]
        weight = np.bincount(places.ravel(), minlength=n * len(some)).reshape(len(some), n)
        np.matmul(products, weight.T.astype(float), out=sums[:, start:start + CHUNK])
    triangle = np.split(sums, np.flatnonzero(np.diff(a)) + 1)
    share, product = np.empty((2, p, count))  # fresh memory would cost more than the products
    for j in range(p):
        row = triangle[j]
        part = np.divide(row[1:], np.where(row[0] > LEAST_PIVOT, row[0], np.nan),
                         out=share[:p - j])
        for i in range(j + 1, p + 1):
            triangle[i] -= np.multiply(part[i - j - 1], row[i - j:], out=product[:p + 1 - i])
        row[1:] = part
    moved = product
    for j in range(p - 1, -1, -1):
        known = np.multiply(triangle[j][1:-1], moved[j + 1:], out=share[j + 1:])
        np.subtract(triangle[j][-1], known.sum(axis=0), out=moved[j])
    return moved, triangle[p][0]


def _tails(values: np.ndarray, level: float) -> np.ndarray:
    """Lower and upper quantile of each column; shape (2, columns)."""
    return np.quantile(values, [(1 - level) / 2, (1 + level) / 2], axis=0)


def as_count(count: object) -> int:
    """The number of resamples, or `InputError`."""
    if isinstance(count, bool) or not isinstance(count, (int, np.integer)) or count < 100:
        raise InputError("count", count, "at least 100 resamples are needed", "Use 2000")
    return int(count)


def as_seed(seed: object) -> int:
    """The seed as a whole number from 0, or `InputError`."""
    if isinstance(seed, bool) or not isinstance(seed, (int, np.integer)) or seed < 0:
        raise InputError("seed", seed, "this is not a whole number from 0 up", "Use 1")
    return int(seed)
