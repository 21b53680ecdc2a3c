"""Which conclusions hang on a single run: every run left out in turn.

References
----------
Belsley, D. A., Kuh, E. & Welsch, R. E. (1980). *Regression Diagnostics*. Wiley, ch. 2
(DFBETAS, DFFITS).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe import wording
from doe.analysis.kinds import DispersionFit, KindFit
from doe.analysis.left_out import LeftOut, by_influence, by_refits, closed_form, count_of_runs
from doe.analysis.mixed import MixedFit
from doe.analysis.model import Fit
from doe.analysis.refitting import (
    AnyFit,
    check_fit,
    effect_unit,
    effect_word,
    multiplies,
    on_effect_scale,
    p_values,
    subject,
)
from doe.analysis.sentences import WIDE_BELOW
from doe.terms import Term

__all__ = ["Sensitivity", "sensitivity"]

LEVEL = 0.05
"""Below this p-value a term is beyond noise, as in `Fit.active`."""

REFITS = 100
"""Up to so many runs a fit that is no least squares is made anew without each."""

FEW, MANY = 3, 6
"""Up to so many changes are told one by one in the sentence, and so many runs named."""

LOST, SIGN, FALLS, RISES, MOVES = ("cannot be estimated", "changes sign", "falls within noise",
                                   "rises beyond noise", "leaves its interval")


@dataclass(frozen=True, eq=False)
class Sensitivity:
    """A fit with each of its runs left out in turn, the terms kept as they are.

    Attributes
    ----------
    fit : Fit, MixedFit or KindFit
    table : DataFrame
        One row for each run and model column (mean and blocks apart): ``run, term, label, source``;
        ``effect`` and ``effect_without`` the run, and ``shift`` from the first to the second, in
        the unit of the fit's table (ratios where effects multiply); ``p`` and ``p_without`` of the
        whole term; ``dfbetas``; ``change``: "falls within noise", "rises beyond noise",
        "changes sign", "leaves its interval" (the term is beyond noise either way, but its
        effect leaves the 95 % interval it has from all runs), "cannot be estimated", or empty.
    runs : DataFrame
        One row a run: ``run, dffits, changes`` (how many conclusions); ``model``: the one that
        the readings call for without the run, where it is another, and ``problem``: why no model
        can be fitted without it.
    how : str
        "closed form" and "refits" are exact, "influence" is one step without a refit.
    """

    fit: AnyFit
    table: pd.DataFrame
    runs: pd.DataFrame
    how: str = "closed form"

    @property
    def changes(self) -> pd.DataFrame:
        """The rows of `table` in which a conclusion changes."""
        return self.table[self.table["change"] != ""]

    @property
    def summary(self) -> pd.DataFrame:
        """One row for each conclusion that changes: ``label, change``, ``runs`` (any one of which
        changes it, in words), ``effect, p``, and of the run that matters most ``run,
        effect_without, p_without``."""
        rows, told = [], self.changes
        told = told[~told["run"].isin(self._failed["run"])]
        for (_, label, change), group in told.groupby(["term", "label", "change"], sort=False):
            worst = group.loc[_furthest(group, change)]
            rows.append({"label": label, "change": change, "runs": self._names(group["run"]),
                         "count": len(group), **worst[["effect", "p", "run", "effect_without",
                                                       "p_without"]]})
        out = pd.DataFrame(rows, columns=["label", "change", "runs", "count", "effect", "p", "run",
                                          "effect_without", "p_without"])
        unit = effect_unit(self.fit)
        out.attrs["units"] = {k: unit for k in ("effect", "effect_without") if unit}
        return out

    @property
    def _failed(self) -> pd.DataFrame:
        return self.runs[self.runs["problem"] != ""]

    def _names(self, runs: pd.Series) -> str:
        return (wording.join(runs) if len(runs) <= MANY
                else f"{len(runs)} of the {len(self.runs)}")

    @property
    def sentences(self) -> list[str]:
        """One for each conclusion that changes, models that would be others first."""
        said = [f"{_without(self._names(rows['run']), len(rows))}, no model could be fitted: "
                f"{problem}." for problem, rows in self._failed.groupby("problem", sort=False)]
        others = self.runs[self.runs["model"] != ""]
        said += [f"{_without(self._names(rows['run']), len(rows))}, the readings would call for "
                 f"another model ({model} instead of {self.fit.model.rstrip(',')})."
                 for model, rows in others.groupby("model", sort=False)]
        return said + [self._say(row) for _, row in self.summary.iterrows()]

    @property
    def sentence(self) -> str:
        """What would be concluded otherwise without one of the runs, or that nothing would."""
        fit, name = self.fit, subject(self.fit)
        if not any(t.powers for t in fit.terms):
            return f"The model of {name} has no terms whose conclusions could change."
        if _saturated(fit):
            return (f"The model of {name} passes through every run, so none can be left out: "
                    "without it some term could not be estimated.")
        return self._conclusions(name) + (
            "" if self.how != "influence" else " This is reckoned from the pull of each run on the "
            f"fit to all of them, since {len(self.runs)} refits would take long: near a limit it "
            "is not exact.")

    def _conclusions(self, name: str) -> str:
        said, left = self.sentences, _degrees_left(self.fit)
        if left == 0:
            return " ".join([f"One degree of freedom for error is too few to judge the model of "
                             f"{name} without one of its runs.", *said])
        power = (f" Only {wording.count(int(left), 'degree')} of freedom for error would be left; "
                 "that alone can put a real effect within noise."
                 if left < WIDE_BELOW and FALLS in set(self.changes["change"]) else "")
        if len(said) > FEW:
            count = int(((self.runs["changes"] > 0) | (self.runs["model"] != "")).sum())
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
        ratio = multiplies(self.fit)
        unit = "" if ratio else self.fit.response.unit
        before, after = (wording.quantity(row[k], unit) for k in ("effect", "effect_without"))
        kind = "leave its 95 % interval"
        if change == SIGN:
            kind = "turn to the other side of 1" if ratio else "change sign"
        return (f"{without}, the {effect_word(self.fit)} of {label} would {kind}: {after}{where} "
                f"instead of {before}.")


def sensitivity(fit: AnyFit, *, refits: int = REFITS) -> Sensitivity:
    """Leave out each run in turn and see which conclusions change.

    Parameters
    ----------
    fit : Fit, MixedFit or KindFit
    refits : int
        With more runs than this, mixed models and those of kinds are not made anew without each;
        one step from the whole fit stands in, and the sentence says so.

    Returns
    -------
    Sensitivity

    Raises
    ------
    InputError
        If this is no fit.

    Notes
    -----
    Least squares has closed forms (`doe.analysis.left_out.closed_form`). Fits of other kinds are
    made anew, the choice of the readings' law and the variance components included, as
    `fit_kind`, `fit_mixed` or `dispersion_effects` would of the other runs. A run that was
    measured several times is left out with all its measurements. The terms are kept as they are.

    A conclusion near the limit of 5 % changes easily, which is what this is to show: it is no
    reason to leave a run out.
    """
    check_fit(fit)
    if isinstance(fit, Fit):
        out, how = closed_form(fit), "closed form"
    elif isinstance(fit, DispersionFit) or count_of_runs(fit) <= refits:
        out, how = by_refits(fit), "refits"
    else:
        out, how = by_influence(fit), "influence"
    m, known = len(out.runs), p_values(fit)
    frames = [_of_term(fit, t, out, known[str(t)]) for t in fit.terms
              if t.powers and fit.columns.places(t)]
    table = pd.concat(frames) if frames else pd.DataFrame(
        columns=["position", "term", "label", "change"])
    table = table.sort_values("position", kind="stable").reset_index(drop=True)
    position = table.pop("position").to_numpy(int)
    table.insert(0, "run", out.runs[position])
    table.attrs["units"] = dict.fromkeys(("effect", "effect_without", "shift"), effect_unit(fit))
    changed = np.bincount(position[(table["change"] != "").to_numpy()], minlength=m)
    runs = pd.DataFrame({"run": out.runs, "dffits": out.dffits, "changes": changed,
                         "model": out.model, "problem": out.problem})
    return Sensitivity(fit, table, runs, how)


def _saturated(fit: AnyFit) -> bool:
    """True if the model has as many columns as there are rows; a spread has more behind each."""
    return not isinstance(fit, DispersionFit) and len(fit.data) == len(fit.columns.owner)


def _degrees_left(fit: AnyFit) -> float:
    """Degrees of freedom for error that are left without a run, where one number says it."""
    if isinstance(fit, KindFit):
        return fit.df_reference - 1
    return np.inf if isinstance(fit, MixedFit) else fit.df_error - 1


def _of_term(fit: AnyFit, term: Term, out: LeftOut, p: float) -> pd.DataFrame:
    """The rows of one term: runs within each of its columns."""
    places, m = fit.columns.places(term), len(out.runs)
    names = [fit.columns.matrix.columns[j] for j in places]
    rows = fit.table.set_index("term").loc[names]
    p_without, gone = out.p[term], out.lost[:, places].any(axis=1)
    active, after = p < LEVEL, p_without < LEVEL
    judged = np.isfinite(p_without) & np.isfinite(p)
    frames = []
    for j, (name, row) in zip(places, rows.iterrows(), strict=True):
        was, now = fit.coefficients[j], np.where(gone, np.nan, out.coefficients[:, j])
        change = np.full(m, "", object)
        change[judged & active & after & ((now < row["low"]) | (now > row["high"]))] = MOVES
        change[judged & (active != after)] = FALLS if active else RISES
        if len(places) == 1:
            change[judged & active & (np.sign(now) != np.sign(was))] = SIGN
        if not _saturated(fit):
            change[gone] = LOST
        effect, without = on_effect_scale(fit, term, was), on_effect_scale(fit, term, now)
        shift = on_effect_scale(fit, term, now - was)
        frames.append(pd.DataFrame({
            "position": np.arange(m), "term": name, "label": row["label"], "source": str(term),
            "effect": effect, "effect_without": without, "shift": shift, "p": p,
            "p_without": p_without, "dfbetas": out.dfbetas[:, j], "change": change}))
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
