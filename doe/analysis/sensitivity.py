"""Which conclusions hang on a single run: every run left out in turn, without a refit.

References
----------
Belsley, D. A., Kuh, E. & Welsch, R. E. (1980). *Regression Diagnostics*. Wiley, ch. 2
(DFBETAS, DFFITS and the closed forms of estimates without a row).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from doe import wording
from doe.analysis.diagnostics import FULL_LEVERAGE, ROUNDING
from doe.analysis.model import Fit
from doe.analysis.sentences import WIDE_BELOW
from doe.errors import InputError

__all__ = ["Sensitivity", "sensitivity"]

LEVEL = 0.05
"""Below this p-value a term is beyond noise, as in `Fit.active`."""

INESTIMABLE = 1e-8
"""Least part, relative to the largest, of a run that is the only one to tell columns apart."""

FEW, MANY = 3, 6
"""Up to so many changes are told one by one in the sentence, and so many runs named."""

LOST, SIGN, FALLS, RISES, MOVES = ("cannot be estimated", "changes sign", "falls within noise",
                                   "rises beyond noise", "leaves its interval")


@dataclass(frozen=True, eq=False)
class Sensitivity:
    """A fit with each of its runs left out in turn, the terms kept as they are.

    Attributes
    ----------
    fit : Fit
    table : DataFrame
        One row for each run and model column (mean and blocks apart): ``run, term, label, source``;
        ``effect`` and ``effect_without`` the run, and ``shift`` from the first to the second, in
        the response's unit (ratios on a log scale); ``p`` and ``p_without`` of the
        whole term; ``dfbetas``; ``change``: "falls within noise", "rises beyond noise",
        "changes sign", "leaves its interval" (the term is beyond noise either way, but its
        effect leaves the 95 % interval it has from all runs), "cannot be estimated", or empty.
    runs : DataFrame
        One row a run: ``run, dffits, changes`` (how many conclusions).
    """

    fit: Fit
    table: pd.DataFrame
    runs: pd.DataFrame

    @property
    def changes(self) -> pd.DataFrame:
        """The rows of `table` in which a conclusion changes."""
        return self.table[self.table["change"] != ""]

    @property
    def summary(self) -> pd.DataFrame:
        """One row for each conclusion that changes: ``label, change``, ``runs`` (any one of which
        changes it, in words), ``effect, p``, and of the run that matters most ``run,
        effect_without, p_without``."""
        rows = []
        for (_, label, change), group in self.changes.groupby(["term", "label", "change"],
                                                              sort=False):
            worst = group.loc[_furthest(group, change)]
            rows.append({"label": label, "change": change, "runs": self._names(group["run"]),
                         "count": len(group), **worst[["effect", "p", "run", "effect_without",
                                                       "p_without"]]})
        out = pd.DataFrame(rows, columns=["label", "change", "runs", "count", "effect", "p", "run",
                                          "effect_without", "p_without"])
        out.attrs["units"] = {k: self._unit for k in ("effect", "effect_without") if self._unit}
        return out

    def _names(self, runs: pd.Series) -> str:
        return (wording.join(runs) if len(runs) <= MANY
                else f"{len(runs)} of the {len(self.runs)}")

    @property
    def _unit(self) -> str:
        return "ratio" if self.fit.log_scale else self.fit.response.unit

    @property
    def sentences(self) -> list[str]:
        """One for each conclusion that changes."""
        return [self._say(row) for _, row in self.summary.iterrows()]

    @property
    def sentence(self) -> str:
        """What would be concluded otherwise without one of the runs, or that nothing would."""
        fit, name = self.fit, self.fit.response.label
        if not any(t.powers for t in fit.terms):
            return f"The model of {name} has no terms whose conclusions could change."
        if not fit.df_error:
            return (f"The model of {name} passes through every run, so none can be left out: "
                    "without it some term could not be estimated.")
        said = self.sentences
        if fit.df_error == 1:
            return " ".join([f"One degree of freedom for error is too few to judge the model of "
                             f"{name} without one of its runs.", *said])
        left = fit.df_error - 1
        power = (f" Only {wording.count(left, 'degree')} of freedom for error would be left; that "
                 "alone can put a real effect within noise."
                 if left < WIDE_BELOW and FALLS in set(self.changes["change"]) else "")
        if len(said) > FEW:
            count = int((self.runs["changes"] > 0).sum())
            return (f"What is concluded about {name} leans on single runs: {count} of the "
                    f"{len(self.runs)} change some conclusion when left out.{power}")
        if said:
            return " ".join(said) + power
        return (f"No conclusion about {name} hangs on a single run: whichever of the "
                f"{len(self.runs)} is left out, every term stays on its side of noise and those "
                "beyond it stay within their 95 % intervals.")

    def _say(self, row: pd.Series) -> str:
        change, label, many = row["change"], row["label"], row["count"] > 1
        without = _without(row["runs"], row["count"])
        where = f" without run {row['run']}" if many else ""
        if change == LOST:
            return f"{without}, {label} could not be estimated."
        if change in (FALLS, RISES):
            side, reach = ("within", "up") if change == FALLS else ("beyond", "down")
            reach = f"{reach} to " if many else ""
            return (f"{without}, {label} would be {side} noise "
                    f"({reach}{wording.p_value(row['p_without'])}{where} instead of "
                    f"{wording.p_value(row['p']).removeprefix('p = ')}).")
        unit = "" if self.fit.log_scale else self.fit.response.unit
        before, after = (wording.quantity(row[k], unit) for k in ("effect", "effect_without"))
        kind = "change sign" if change == SIGN else "leave its 95 % interval"
        word = "factor" if self.fit.log_scale else "effect"
        return (f"{without}, the {word} of {label} would {kind}: {after}{where} instead of "
                f"{before}.")


def sensitivity(fit: Fit) -> Sensitivity:
    """Leave out each run in turn and see which conclusions change.

    Parameters
    ----------
    fit : Fit
        Of a linear model.

    Returns
    -------
    Sensitivity

    Raises
    ------
    InputError
        If the fit is not one of least squares.

    Notes
    -----
    With ``C = inv(X'X)``, residual e and leverage h of a run x, the coefficients without it are
    ``b − C x e / (1 − h)``, the error sum of squares is less by ``e² / (1 − h)``, and
    ``C + C x x' C / (1 − h)`` takes the place of C: exact, not an approximation. Where h = 1
    the run alone tells some columns apart; the terms of these could not be estimated without it,
    and the others would stay as they are.

    A conclusion near the limit of 5 % changes easily, which is what this is to show: it is no
    reason to leave a run out.
    """
    if not isinstance(fit, Fit):
        raise InputError("fit", type(fit).__name__, "this is no fit by least squares",
                         "Give what doe.analysis.fit returns")
    x = fit.columns.matrix.to_numpy()
    diagnostics = fit.diagnostics
    h = diagnostics["leverage"].to_numpy()
    e = diagnostics["residual"].to_numpy()
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
    frames = [_of_term(fit, places, moved, pull / np.sqrt(left)[:, None], variance, df, lost,
                       dfbetas)
              for t in fit.terms if t.powers and (places := fit.columns.places(t))]
    runs = diagnostics["run"].to_numpy()
    table = pd.concat(frames) if frames else pd.DataFrame(columns=["position", "change"])
    table = table.sort_values("position", kind="stable").reset_index(drop=True)
    position = table.pop("position").to_numpy(int)
    table.insert(0, "run", runs[position])
    unit = "ratio" if fit.log_scale else fit.response.unit
    table.attrs["units"] = dict.fromkeys(("effect", "effect_without", "shift"), unit)
    changed = np.bincount(position[(table["change"] != "").to_numpy()], minlength=len(runs))
    return Sensitivity(fit, table, pd.DataFrame({"run": runs, "dffits": dffits,
                                                 "changes": changed}))


def _of_term(fit: Fit, places: list[int], moved: np.ndarray, gain: np.ndarray,
             variance: np.ndarray, df: np.ndarray, lost: np.ndarray,
             dfbetas: np.ndarray) -> pd.DataFrame:
    """The rows of one term: runs within each of its columns."""
    n, q = len(moved), len(places)
    b = fit.coefficients[places] + moved[:, places]
    c = fit.covariance[np.ix_(places, places)] + np.einsum("ni,nj->nij", gain[:, places],
                                                            gain[:, places])
    gone = lost[:, places].any(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        f = np.einsum("ni,ni->n", b, np.linalg.solve(c, b[:, :, None])[:, :, 0]) / q / variance
    p_without = np.where(gone, np.nan, stats.f.sf(f, q, np.maximum(df, 1)))
    rows = fit.table.set_index("term").loc[[fit.columns.matrix.columns[j] for j in places]]
    term = fit.columns.owner[places[0]]
    p = fit.anova.table.set_index("term").loc[str(term), "p"]
    active, after = p < LEVEL, p_without < LEVEL
    judged = np.isfinite(p_without) & np.isfinite(p)
    frames = []
    for k, (name, row) in enumerate(rows.iterrows()):
        was, now = fit.coefficients[places[k]], np.where(gone, np.nan, b[:, k])
        change = np.full(n, "", object)
        change[judged & active & after & ((now < row["low"]) | (now > row["high"]))] = MOVES
        change[judged & (active != after)] = FALLS if active else RISES
        if q == 1:
            change[judged & active & (np.sign(now) != np.sign(was))] = SIGN
        change[gone & (fit.df_error > 0)] = LOST
        effect, without = fit.span(term) * was, fit.span(term) * now
        shift = without - effect
        if fit.log_scale:
            effect, without, shift = np.exp(effect), np.exp(without), np.exp(shift)
        frames.append(pd.DataFrame({
            "position": np.arange(n), "term": name, "label": row["label"], "source": str(term),
            "effect": effect, "effect_without": without, "shift": shift, "p": p,
            "p_without": p_without, "dfbetas": dfbetas[:, places[k]], "change": change}))
    return pd.concat(frames)


def _without(runs: str, count: int) -> str:
    if count == 1:
        return f"Without run {runs}"
    if count > MANY:
        return f"Without any one of {runs} runs"
    return f"Without {'either' if count == 2 else 'any one'} of runs {runs}"


def _furthest(group: pd.DataFrame, change: str) -> object:
    """Index of the run that changes a conclusion most."""
    if change == FALLS:
        return group["p_without"].idxmax()
    if change == RISES:
        return group["p_without"].idxmin()
    if change == LOST:
        return group.index[0]
    return (group["effect_without"] - group["effect"]).abs().idxmax()
