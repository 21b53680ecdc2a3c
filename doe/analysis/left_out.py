"""Fits without each of their runs: in closed form, by refits, or by one step from the whole fit.

References
----------
Belsley, D. A., Kuh, E. & Welsch, R. E. (1980). *Regression Diagnostics*. Wiley, ch. 2
(DFBETAS, DFFITS and the closed forms of estimates without a row).
Pregibon, D. (1981). Logistic regression diagnostics. *Annals of Statistics* 9, 705–724 (one step
of the search for the estimate without a run).
Christensen, R., Pearson, L. M. & Johnson, W. (1992). Case-deletion diagnostics for mixed models.
*Technometrics* 34, 38–45 (the closed form where the variance components are held).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from scipy import stats

from doe.analysis.diagnostics import FULL_LEVERAGE, ROUNDING, run_names
from doe.analysis.kinds import CensoredFit, DispersionFit, KindFit
from doe.analysis.mixed import MixedFit
from doe.analysis.model import Fit
from doe.analysis.refitting import AnyFit, p_values, refit, runs_of
from doe.errors import InputError
from doe.terms import Term

__all__ = ["LeftOut", "by_influence", "by_refits", "closed_form", "count_of_runs"]

INESTIMABLE = 1e-8
"""Least part, relative to the largest, of a run that is the only one to tell columns apart."""


@dataclass(frozen=True, eq=False)
class LeftOut:
    """A fit without each of m runs.

    Attributes
    ----------
    runs : ndarray, shape (m,)
        Their names.
    coefficients : ndarray, shape (m, p)
        Of the fit's columns; missing where `lost`.
    lost : ndarray of bool, shape (m, p)
        Columns that could not be estimated.
    p : dict of Term to ndarray, shape (m,)
        Of each term's test.
    dfbetas : ndarray, shape (m, p)
    dffits : ndarray, shape (m,)
    model, problem : list of str, length m
        The model chosen without the run, if another than with it; and why there is none.
    """

    runs: np.ndarray
    coefficients: np.ndarray
    lost: np.ndarray
    p: dict[Term, np.ndarray]
    dfbetas: np.ndarray
    dffits: np.ndarray
    model: list[str]
    problem: list[str]


def _tested(fit: AnyFit) -> list[tuple[Term, list[int]]]:
    return [(t, fit.columns.places(t)) for t in fit.terms if t.powers]


def closed_form(fit: Fit) -> LeftOut:
    """Least squares without each run, exactly.

    With ``C = inv(X'X)``, residual e and leverage h of a run x, the coefficients without it are
    ``b − C x e / (1 − h)``, the error sum of squares is less by ``e² / (1 − h)``, and
    ``C + C x x' C / (1 − h)`` takes the place of C. Where h = 1 the run alone tells some columns
    apart; the others stay as they are.
    """
    x = fit.columns.matrix.to_numpy()
    diagnostics = fit.diagnostics
    h, e = (diagnostics[k].to_numpy() for k in ("leverage", "residual"))
    pinned = h >= FULL_LEVERAGE
    left = np.where(pinned, np.inf, 1 - h)
    pull = x @ fit.covariance  # (n, p): C x of each run
    moved = -pull * (e / left)[:, None]
    y = np.asarray(fit.shifted.model.endog)
    exact = fit.shifted.ssr <= ROUNDING * float(y @ y)
    df = fit.df_error - (~pinned).astype(int)
    ss = np.maximum(fit.shifted.ssr - e**2 / left, 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        variance = np.where((df > 0) & (not exact), ss / df, np.nan)
        dfbetas = -moved / (np.sqrt(variance)[:, None] * np.sqrt(np.diag(fit.covariance)))
        dffits = diagnostics["studentised"].to_numpy() * np.sqrt(h / left)
    lost = pinned[:, None] & (np.abs(pull) > INESTIMABLE * np.abs(pull).max(axis=1, keepdims=True))
    dfbetas[pinned] = np.nan
    b, p = fit.coefficients + moved, {}
    gain = pull / np.sqrt(left)[:, None]
    for term, places in _tested(fit):
        with np.errstate(divide="ignore", invalid="ignore"):
            f = _wald(b, fit.covariance, gain[:, None], places) / len(places) / variance
        gone = lost[:, places].any(axis=1)
        p[term] = np.where(gone, np.nan, stats.f.sf(f, len(places), np.maximum(df, 1)))
    none = [""] * len(x)
    return LeftOut(diagnostics["run"].to_numpy(), np.where(lost, np.nan, b), lost, p, dfbetas,
                   dffits, none, none)


def _wald(b: np.ndarray, c: np.ndarray, gain: np.ndarray, places: list[int]) -> np.ndarray:
    """``b' inv(C + g'g) b`` of some coefficients, a value for each run; `gain` is (m, k, p)."""
    part = gain[:, :, places]
    whole = c[np.ix_(places, places)] + np.einsum("mki,mkj->mij", part, part)
    b = b[:, places]
    return np.einsum("mi,mi->m", b, np.linalg.solve(whole, b[:, :, None])[:, :, 0])


# -- refits ----------------------------------------------------------------------------


def _parts(fit: AnyFit) -> Iterator[tuple[object, np.ndarray]]:
    """Each run's name and which rows are its own; measurements of one run go together."""
    data = runs_of(fit)
    names = run_names(data)
    keys = [k for k in ("run", "attempt") if k in data]
    if isinstance(fit, MixedFit) and fit.row != "run" and "run" in keys:
        for _, rows in data.groupby(keys, sort=False).indices.items():
            yield names[rows[0]], np.isin(np.arange(len(data)), rows)
    else:
        for i, name in enumerate(names):
            yield name, np.arange(len(data)) == i


def count_of_runs(fit: AnyFit) -> int:
    """How many runs there are to leave out."""
    return sum(1 for _ in _parts(fit))


def by_refits(fit: KindFit | MixedFit) -> LeftOut:
    """The whole analysis repeated without each run: exact, whatever the kind.

    DFBETAS are the change of a coefficient by its standard error, and DFFITS that of the linear
    predictor at the run by its own; the dispersion, or the residual standard deviation, in these is
    that without the run.
    """
    names, own = zip(*_parts(fit), strict=True)
    terms, m, p = _tested(fit), len(names), len(fit.columns.owner)
    b, lost, rel = np.full((m, p), np.nan), np.zeros((m, p), bool), np.ones(m)
    tests = {t: np.full(m, np.nan) for t, _ in terms}
    model, problem = [""] * m, [""] * m
    for i, rows in enumerate(own):
        try:
            again = _without(fit, rows)
        except InputError as error:
            lost[i], problem[i] = True, error.problem
            continue
        lost[i] = _inestimable(fit, again, rows)
        found = dict(zip(again.columns.matrix.columns, again.coefficients, strict=True))
        b[i] = [found.get(name, np.nan) for name in fit.columns.matrix.columns]
        b[i, lost[i]] = np.nan
        known = p_values(again)
        for term, places in terms:
            if not lost[i, places].any():
                tests[term][i] = known.get(str(term), np.nan)
        rel[i] = _noise(again) / _noise(fit) if isinstance(fit, KindFit) else 1.0
        model[i] = _other_model(fit, again)
    return LeftOut(np.array(names), b, lost, tests,
                   *_moves(fit, fit.coefficients - b, [np.flatnonzero(r)[0] for r in own], rel),
                   model, problem)


def _without(fit: AnyFit, rows: np.ndarray) -> AnyFit:
    """The fit without some rows; a method that cannot be used on the others gives way to "auto"."""
    try:
        return refit(fit, keep=~rows)
    except InputError as error:
        if error.field != "method" or fit.method == "auto" or isinstance(fit, MixedFit):
            raise
        return refit(replace(fit, method="auto"), keep=~rows)


def _inestimable(fit: AnyFit, again: AnyFit, rows: np.ndarray) -> np.ndarray:
    """Columns that the other rows cannot tell apart; boolean, shape (p,)."""
    x = (fit.design_rows(again.data) if isinstance(fit, DispersionFit)
         else fit.columns.matrix.to_numpy()[~rows])
    _, size, axes = np.linalg.svd(x, full_matrices=True)
    size = np.r_[size, np.zeros(x.shape[1] - len(size))]
    return (np.abs(axes[size <= INESTIMABLE * size.max()]) > INESTIMABLE).any(axis=0)


def _noise(fit: AnyFit) -> float:
    """What standard errors are in proportion to."""
    return fit.sigma if isinstance(fit, (Fit, CensoredFit)) else float(np.sqrt(fit.dispersion))


def _other_model(fit: AnyFit, again: AnyFit) -> str:
    if isinstance(again, Fit):
        return "linear"
    if isinstance(fit, MixedFit) or again.model == fit.model:
        return ""
    return again.model.rstrip(",")


def standard_errors(fit: KindFit | MixedFit) -> np.ndarray:
    """Of the coefficients; shape (p,)."""
    return fit.standard_errors if isinstance(fit, MixedFit) else np.sqrt(
        np.diag(fit.coefficient_covariance))


def _moves(fit: KindFit | MixedFit, change: np.ndarray, at: list[int],
           rel: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """DFBETAS and DFFITS from the changes of the coefficients, (m, p), that leaving out the runs
    at these rows makes; `rel` is the noise without each relative to that with it."""
    c = fit.fixed.covariance if isinstance(fit, MixedFit) else fit.coefficient_covariance
    x = (fit.design_rows(runs_of(fit)) if isinstance(fit, DispersionFit)
         else fit.columns.matrix.to_numpy())[at]
    spread = np.sqrt(np.einsum("mi,ij,mj->m", x, c, x))
    return (change / (standard_errors(fit) * rel[:, None]),
            np.einsum("mi,mi->m", x, change) / (spread * rel))


# -- one step --------------------------------------------------------------------------


def by_influence(fit: KindFit | MixedFit) -> LeftOut:
    """One step from the whole fit towards that without each run, without a refit.

    The weights of the other runs (or the variance components) are held. Each term's statistic is
    changed in the proportion in which its Wald statistic changes, so that a run without any
    pull leaves it as it is.
    """
    names, own = zip(*_parts(fit), strict=True)
    step = _step_mixed if isinstance(fit, MixedFit) else _step_kind
    c, moved, gain, rel = step(fit, own)
    b = fit.coefficients - moved
    lost = np.array([_inestimable(fit, fit, rows) for rows in own])
    table = (fit.anova.table if isinstance(fit, MixedFit) else fit.tests).set_index("term")
    tests = {}
    for term, places in _tested(fit):
        row, q = table.loc[str(term)], len(places)
        before = fit.coefficients[places] @ np.linalg.solve(c[np.ix_(places, places)],
                                                            fit.coefficients[places])
        share = _wald(np.nan_to_num(b), c, np.nan_to_num(gain), places) / max(before, 1e-300)
        if isinstance(fit, MixedFit):
            p = stats.f.sf(row["F"] * share, q, row["error_df"])
        elif np.isinf(fit.df_reference):
            p = stats.chi2.sf(row["statistic"] * share, q)
        else:
            p = stats.f.sf(row["statistic"] * share / rel**2, q, max(fit.df_reference - 1, 1))
        tests[term] = np.where(lost[:, places].any(axis=1), np.nan, p)
    none = [""] * len(names)
    return LeftOut(np.array(names), np.where(lost, np.nan, b), lost, tests,
                   *_moves(fit, moved, [np.flatnonzero(r)[0] for r in own], rel), none, none)


def _step_kind(fit: KindFit, own: tuple[np.ndarray, ...]) -> tuple[np.ndarray, ...]:
    pull = fit.influence
    c = np.linalg.inv(pull.root.T @ pull.root)
    step = pull.matrix @ c
    moved = step * (pull.slope / pull.left)[:, None]
    gain = step * np.sqrt(pull.weight / pull.left)[:, None]
    return c, moved, gain[:, None], np.sqrt(pull.dispersion_without(fit.df_reference))


def _step_mixed(fit: MixedFit, own: tuple[np.ndarray, ...]) -> tuple[np.ndarray, ...]:
    fixed = fit.fixed
    hat = fixed.inverse @ fit.columns.matrix.to_numpy() @ fixed.plain
    weighted = fixed.projector @ fit.reml.likelihood.y
    most = max(int(r.sum()) for r in own)
    moved = np.empty((len(own), hat.shape[1]))
    gain = np.zeros((len(own), most, hat.shape[1]))
    for i, rows in enumerate(own):
        block = fixed.projector[np.ix_(rows, rows)]
        values, vectors = np.linalg.eigh(block)
        free = values > INESTIMABLE * np.trace(fixed.inverse[np.ix_(rows, rows)])
        turned = (vectors[:, free] / np.sqrt(values[free])).T
        gain[i, :free.sum()] = turned @ hat[rows]
        moved[i] = gain[i, :free.sum()].T @ (turned @ weighted[rows])
    return fixed.plain, moved, gain, np.ones(len(own))
