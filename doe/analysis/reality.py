"""How far a choice of terms can be trusted: the whole search repeated, on data like these.

References
----------
Stone, M. (1974). Cross-validatory choice and assessment of statistical predictions. *Journal of
the Royal Statistical Society B* 36, 111–147.
Freedman, D. A. (1983). A note on screening regression equations. *The American Statistician*
37, 152–155 (what a search finds in pure noise).
Sauerbrei, W. & Schumacher, M. (1992). A bootstrap resampling procedure for model building.
*Statistics in Medicine* 11, 2093–2109 (selection frequencies).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe import wording
from doe.analysis.choosing import check_least_squares, choose
from doe.analysis.gram import Reduced
from doe.analysis.model import Fit
from doe.analysis.resampling import COUNT, SEED, as_count, as_seed, resamples
from doe.analysis.search import Search, search
from doe.errors import InputError
from doe.terms import INTERCEPT

__all__ = ["CrossValidation", "RealityCheck", "cross_validate", "reality_check"]

LEAST_FREE = 4
"""Degrees of freedom that all candidates together must leave to resample around them."""

MANY_RUNS, FOLDS = 60, 10
"""Up to so many runs each is left out alone; more are split into so many parts."""


@dataclass(frozen=True, eq=False)
class CrossValidation:
    """Runs predicted by models that were chosen and fitted without them.

    Attributes
    ----------
    table : DataFrame
        ``run, fold, observed, predicted, error`` on the model's scale, in the data's order.
    r2 : float
        One minus the sum of squared errors over that about the mean.
    folds : int
    seed : int or None
        Of the split; None if each run was left out alone.
    repeated : bool
        True if the choice of terms was repeated in each fold.
    """

    table: pd.DataFrame
    r2: float
    folds: int
    seed: int | None
    repeated: bool

    @property
    def sentence(self) -> str:
        """How well left-out runs are foretold."""
        how = ("each run left out in turn" if self.seed is None else
               f"{self.folds} parts left out in turn, seed {self.seed}")
        again = ", the terms chosen anew each time" if self.repeated else ""
        return (f"Runs left out are foretold with R² {wording.fixed(self.r2, 2)} ({how}{again}).")


def cross_validate(subject: Search | Fit, *, folds: int | None = None,
                   seed: int = SEED) -> CrossValidation:
    """Predict each run from models that did not see it.

    Parameters
    ----------
    subject : Search or Fit
        A search is repeated in each fold; a fit keeps its terms.
    folds : int, optional
        Parts into which the runs are split at random; by default each of up to 60 runs is left out
        alone, which needs no split.
    seed : int

    Raises
    ------
    InputError
        If there are more folds than runs, or the terms of a fit were chosen from the data (its
        search must then be given, or every fold would use terms chosen with its runs).
    """
    start = subject.start if isinstance(subject, Search) else subject
    check_least_squares(start)
    if start is subject and start.selection:
        raise InputError("subject", start.selection, "the terms of this fit were chosen from the "
                         "runs to be left out", "Give the search, or the fit before it")
    n, seed = len(start.data), as_seed(seed)
    alone = (folds is None and n <= MANY_RUNS) or folds == n
    folds = n if alone else (FOLDS if folds is None else folds)
    if isinstance(folds, bool) or not isinstance(folds, int) or not 2 <= folds <= n:
        raise InputError("folds", folds, f"it must be a whole number from 2 to {n}, the runs",
                         "Leave it out to leave out each run alone")
    fold = (np.arange(n) if alone
            else np.random.default_rng(seed).permutation(np.arange(n) % folds))
    y = np.asarray(start.shifted.model.endog)
    predicted = np.empty(n)
    if isinstance(subject, Search):
        _predict_chosen(subject, y, fold, predicted)
    else:
        for k in range(folds):
            predicted[fold == k] = _predict(start.columns.matrix.to_numpy(), y, fold != k)
    error = y - predicted
    table = pd.DataFrame({
        "run": start.diagnostics["run"].to_numpy(), "fold": fold + 1,
        "observed": y + start.shift, "predicted": predicted + start.shift, "error": error})
    r2 = 1 - float(error @ error) / float(np.sum((y - y.mean()) ** 2))
    return CrossValidation(table, r2, folds, None if alone else seed, isinstance(subject, Search))


def _predict(matrix: np.ndarray, y: np.ndarray, train: np.ndarray) -> np.ndarray:
    b, *_ = np.linalg.lstsq(matrix[train], y[train], rcond=None)
    return matrix[~train] @ b


def _predict_chosen(found: Search, y: np.ndarray, fold: np.ndarray, predicted: np.ndarray) -> None:
    """Choose and fit without each fold; folds of one size are searched side by side."""
    sizes = np.bincount(fold)
    for size in np.unique(sizes):
        parts = np.flatnonzero(sizes == size)
        rows = np.array([np.flatnonzero(fold != k) for k in parts])
        data = Reduced.of(found.candidates.base, found.candidates.columns, y, rows)
        for k, member in zip(parts, choose(found.candidates, found.rule, data), strict=True):
            predicted[fold == k] = _predict(found.candidates.matrix(member), y, fold != k)


@dataclass(frozen=True, eq=False)
class RealityCheck:
    """A search repeated on resamples, on left-out runs and on shuffled responses.

    Attributes
    ----------
    search : Search
    table : DataFrame
        ``term, label, chosen`` (in the best model), ``share`` of resamples that choose the term,
        ``share_by_chance``: the same for shuffled responses.
    models : DataFrame
        ``label, share``: the models chosen most often, and how often.
    same : float
        Share of resamples that choose the very same model.
    cross_validation : CrossValidation
    chance_terms : float
        Terms chosen from a shuffled response, on average.
    count, seed : int
        Resamples (and shuffles), and the seed.
    kind : str
    around_chosen : bool
        True if the resamples scatter about the chosen model for want of degrees of freedom
        beside all candidates.
    """

    search: Search
    table: pd.DataFrame
    models: pd.DataFrame
    same: float
    cross_validation: CrossValidation
    chance_terms: float
    count: int
    seed: int
    kind: str
    around_chosen: bool

    @property
    def sentence(self) -> str:
        """How often terms and model are chosen again, and what left-out runs say."""
        rows = self.table[self.table["chosen"]]
        text = f"The same search on {self.count:,} resamples (seed {self.seed}) chose "
        shares = [f"{r.label} in {_share(r.share)}" for r in rows.itertuples()]
        text += wording.join(shares) + ", and " if shares else ""
        text += f"the very same model in {_share(self.same)} of them."
        others = self.table[~self.table["chosen"] & (self.table["share"] >= 0.5)]
        if len(others):
            named = wording.join(f"{r.label} ({_share(r.share)})" for r in others.itertuples())
            text += f" Not in the best model, but chosen by half of them or more: {named}."
        if self.around_chosen:
            text += (" The resamples scatter about the chosen model, since all candidates together "
                     "leave too few degrees of freedom: that flatters it.")
        text += " " + self.cross_validation.sentence
        own = self.search.fit.r2_predicted
        if np.isfinite(own):
            text += (f" The chosen model's own predicted R², {wording.fixed(own, 2)}, does not "
                     "count that the terms were chosen with those runs in view.")
        return text + (" From shuffled responses, where nothing is real, it still chooses "
                       f"{wording.fixed(self.chance_terms, 1)} terms on average.")


def reality_check(subject: Search | Fit, *, count: int = COUNT, seed: int = SEED,
                  kind: str = "residual", folds: int | None = None) -> RealityCheck:
    """Repeat a search where the answer can be checked.

    Parameters
    ----------
    subject : Search or Fit
        A fit stands for the exhaustive search by AICc among its terms.
    count, seed : int
        Resamples, and as many shuffles; the seed.
    kind : {"residual", "parametric", "case"}
        How to resample, as in `doe.analysis.resampling.bootstrap`. The first two scatter about the
        fit of all candidates, so that nothing chosen is taken for granted; its estimates are noisy
        themselves, which makes the choice look a little less stable than it is. With fewer than
        four degrees of freedom left by all candidates, they scatter about the chosen model.
    folds : int, optional
        As in `cross_validate`.

    Raises
    ------
    InputError
        If the terms of a fit were chosen from its data, or an option cannot be used.
    """
    if not isinstance(subject, Search):
        check_least_squares(subject)
        if subject.selection:
            raise InputError("subject", subject.selection, "how its terms were chosen cannot be "
                             "repeated from the fit alone", "Give the search, or the fit before it")
        subject = search(subject)
    count, seed, pool = as_count(count), as_seed(seed), subject.candidates
    everything = subject.start.refit([INTERCEPT, *pool.always, *pool.terms])
    around_chosen = everything.df_error < LEAST_FREE and kind != "case"
    around = subject.fit if around_chosen else everything
    drawn = resamples(around, count, seed=seed, kind=kind)
    y = np.asarray(subject.start.shifted.model.endog)
    data = (Reduced.of(pool.base, pool.columns, y, drawn) if kind == "case" else
            Reduced.of(pool.base, pool.columns, drawn.T - subject.start.shift))
    chosen = choose(pool, subject.rule, data)
    by_chance = choose(pool, subject.rule, _shuffled(subject, y, count, seed))
    best = np.array([t in subject.best for t in pool.terms])
    table = pd.DataFrame({
        "term": [str(t) for t in pool.terms],
        "label": [t.label(subject.start.region) for t in pool.terms],
        "chosen": best, "share": chosen.mean(axis=0), "share_by_chance": by_chance.mean(axis=0),
    }).sort_values(["share", "chosen"], ascending=False, kind="stable", ignore_index=True)
    models, times = np.unique(chosen, axis=0, return_counts=True)
    order = np.argsort(-times, kind="stable")[:10]
    most = pd.DataFrame({
        "label": [wording.join([t.label(subject.start.region) for t, there in
                                zip(pool.terms, models[i], strict=True) if there] or ["mean"])
                  for i in order],
        "share": times[order] / count})
    return RealityCheck(subject, table, most, float(np.mean((chosen == best).all(axis=1))),
                        cross_validate(subject, folds=folds, seed=seed),
                        float(by_chance.sum(axis=1).mean()), count, seed, kind, around_chosen)


def _shuffled(found: Search, y: np.ndarray, count: int, seed: int) -> Reduced:
    """Responses without any effect of the candidates: what the common columns leave of the
    response, shuffled over the runs."""
    pool = found.candidates
    q, _ = np.linalg.qr(pool.base)
    left = y - q @ (q.T @ y)
    rng = np.random.default_rng(seed + 1)
    return Reduced.of(pool.base, pool.columns, rng.permuted(np.tile(left, (count, 1)), axis=1).T)


def _share(value: float) -> str:
    return f"{100 * value:.0f} %"
