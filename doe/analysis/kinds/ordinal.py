"""Ordered grades: the proportional-odds model and the check of its assumption.

References
----------
McCullagh, P. (1980). Regression models for ordinal data. *Journal of the Royal Statistical
Society B* 42, 109–142.
Peterson, B. & Harrell, F. E. (1990). Partial proportional odds models for ordinal response
variables. *Applied Statistics* 39, 205–217 (thresholds with effects of their own).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd
from scipy import special, stats

from doe import wording
from doe.analysis.kinds import words
from doe.analysis.kinds.cumulative import ProportionalOdds, cell_probabilities, design
from doe.analysis.kinds.face import KindFit
from doe.analysis.kinds.firth import Firth
from doe.analysis.kinds.likelihood import maximise
from doe.analysis.kinds.residuals import normal_score
from doe.analysis.kinds.rows import Rows
from doe.analysis.kinds.separation import Separation, find_separation
from doe.errors import InputError, as_choice

__all__ = ["GRADE_METHODS", "GradeFit", "fit_grades"]

GRADE_METHODS = ("auto", "likelihood", "Firth")

FEW_PER_COLUMN = 10
"""Runs outside the commonest grade for each model column below which a warning is due (common
practice, no source)."""


@dataclass(frozen=True, eq=False)
class GradeFit(KindFit):
    """A model of ordered grades; effects are odds ratios of a higher grade.

    Attributes
    ----------
    grade : ndarray of int, shape (n,)
        Place of each run's grade among `seen`.
    seen : tuple of int
        The grades that occur; others have no threshold that could be estimated.
    separation : Separation or None
        Settings that foretell the grade's side of a threshold without exception.

    Notes
    -----
    ``logit P(grade ≥ g) = level of g + effects``, with the same effects for every g.
    """

    grade: np.ndarray = None
    seen: tuple[int, ...] = ()
    separation: Separation | None = None

    effect_name = "odds ratio"

    # -- parameters: levels first, then the coefficients; the intercept's place is empty

    @property
    def steps(self) -> int:
        """Number of thresholds."""
        return len(self.seen) - 1

    @property
    def places(self) -> np.ndarray:
        """Where the coefficients stand among the parameters; the first threshold's level stands
        where other models have their intercept."""
        return np.r_[0, np.arange(self.steps, self.steps + len(self.columns.owner) - 1)]

    @cached_property
    def levels(self) -> np.ndarray:
        """Log odds of each grade but the lowest or a higher one, factors at mid-range."""
        return self.estimate.theta[:self.steps]

    def _threshold_rows(self, intervals: str, level: float, name: str) -> list[dict]:
        """Rows for the levels beyond the first, which has the intercept's."""
        se = np.sqrt(np.diag(np.linalg.inv(self.estimate.information)))
        rows = []
        for k in range(1, self.steps):
            b, half = self.levels[k], self._quantile(level) * se[k]
            rows.append({"term": self._names[k], "label": self._labels[k], "coefficient": b,
                         "standard_error": se[k], name: b / se[k],
                         "p": float(2 * stats.norm.sf(abs(b / se[k]))), "low": b - half,
                         "high": b + half, "effect": np.exp(b), "effect_low": np.exp(b - half),
                         "effect_high": np.exp(b + half), "source": "1"})
        return rows

    @property
    def _names(self) -> list[str]:
        return [f"at least {g}" for g in self.seen[1:]]

    @property
    def _labels(self) -> list[str]:
        return [f"at least {self.grade_name(g)}" for g in self.seen[1:]]

    def coefficient_table(self, intervals: str = "profile", level: float = 0.95) -> pd.DataFrame:
        """As `KindFit.coefficient_table`; the thresholds' log odds, with intervals by standard
        errors, stand where other models have their mean."""
        table = super().coefficient_table(intervals, level)
        attrs = table.attrs
        first = table["term"] == "1"
        table.loc[first, ["term", "label"]] = [self._names[0], self._labels[0]]
        order = [self._names.index(t) if t in self._names else self.steps for t in table["term"]]
        table = table.iloc[np.argsort(order, kind="stable")].reset_index(drop=True)
        table.attrs = attrs
        return table

    # -- the assumption

    @cached_property
    def parallel(self) -> pd.DataFrame:
        """Test of proportional odds: does a term's effect differ between thresholds?

        ``source, term, df, likelihood_ratio, p``, a row for each term and one for all
        ("model"); by the likelihood gained when the term's coefficients are free at every
        threshold. Missing where that model has no proper maximum. Empty with two grades.
        """
        groups = [(t.label(self.region), str(t), self.columns.places(t))
                  for t in self.terms if t.powers]
        if len(groups) > 1:
            groups.insert(0, ("model", "", [j for *_, places in groups for j in places]))
        rows = []
        for source, term, places in groups if self.steps > 1 else []:
            df = len(places) * (self.steps - 1)
            ratio = self._gain(places, df)
            rows.append((source, term, df, ratio, float(stats.chi2.sf(ratio, df))))
        return pd.DataFrame(rows, columns=["source", "term", "df", "likelihood_ratio", "p"])

    def _gain(self, places: list[int], df: int) -> float:
        if isinstance(self.likelihood, Firth):  # a penalty would count as likelihood gained
            return np.nan
        freed = self.likelihood.freed(places)
        best = maximise(freed, np.r_[self.estimate.theta, np.zeros(df)])
        proper = best.converged and (freed.probabilities(best.theta) > -1e-9).all()
        return max(0.0, 2 * (best.value - self.estimate.value)) if proper else np.nan

    # -- predictions

    def grade_name(self, number: int) -> str:
        """A grade's name, by its number from 1."""
        grades = self.response.grades
        return f"'{grades[number - 1]}'" if grades else f"grade {number}"

    def predict_grades(self, settings: pd.DataFrame, level: float = 0.95) -> pd.DataFrame:
        """Probability of each grade, and of at least each grade with its confidence interval.

        Returns
        -------
        DataFrame
            A row for each setting and grade: ``setting`` (the settings' index), ``grade``,
            ``name, probability, at_least, at_least_low, at_least_high``.
        """
        eta, se = self._thresholds(self.design_rows(settings))
        half = self._quantile(level) * se
        cells, number = cell_probabilities(eta), len(self.response.grades) or max(self.seen)
        parts = []
        for g in range(1, number + 1):
            k = sum(s < g for s in self.seen)  # thresholds at or below the grade
            inside = 0 < k < len(self.seen)
            bounds = (special.expit([eta[:, k - 1], eta[:, k - 1] - half[:, k - 1],
                                     eta[:, k - 1] + half[:, k - 1]]) if inside
                      else np.full((3, len(eta)), 1.0 if k == 0 else 0.0))
            own = cells[:, self.seen.index(g)] if g in self.seen else np.zeros(len(eta))
            parts.append(pd.DataFrame({
                "setting": settings.index, "grade": g,
                "name": self.response.grades[g - 1] if self.response.grades else str(g),
                "probability": own, "at_least": bounds[0], "at_least_low": bounds[1],
                "at_least_high": bounds[2]}))
        out = pd.concat(parts, ignore_index=True)
        order = np.arange(len(out)).reshape(number, -1).T.ravel()
        return out.iloc[order].reset_index(drop=True)

    def _thresholds(self, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Logits of P(≥ g) and their standard errors; both of shape (n, K − 1)."""
        z = design(rows, self.steps)
        covariance = np.linalg.inv(self.estimate.information)
        variance = np.einsum("nkq,qr,nkr->nk", z, covariance, z)
        return z @ self.estimate.theta, np.sqrt(np.maximum(variance, 0))

    def predict(self, settings: pd.DataFrame, level: float = 0.95) -> pd.DataFrame:
        """Mean grade with its confidence interval, and the grades a new run should fall between.

        As `KindFit.predict`, in grade numbers; ``low`` and ``high`` are grades, so that
        their coverage is at least `level` (with the parameters as estimated). See
        `predict_grades` for probabilities.
        """
        centre, own_se = self.linear(settings, level)
        rows = self.design_rows(settings)
        eta, _ = self._thresholds(rows)
        values, cells = np.array(self.seen, float), cell_probabilities(eta)
        mean = cells @ values
        # Slope of the mean in the parameters, for its standard error.
        weight = special.expit(eta) * special.expit(-eta) * np.diff(values)
        slope = np.einsum("nk,nkq->nq", weight, design(rows, self.steps))
        covariance = np.linalg.inv(self.estimate.information)
        se = np.sqrt(np.einsum("nq,qr,nr->n", slope, covariance, slope))
        # On the logit of the mean's place between the ends, so that limits stay between them.
        place = np.clip((mean - values[0]) / (values[-1] - values[0]), 1e-9, 1 - 1e-9)
        half = self._quantile(level) * se / (values[-1] - values[0]) / (place * (1 - place))
        limits = [values[0] + (values[-1] - values[0]) * special.expit(special.logit(place) + s)
                  for s in (-half, half)]
        low, high = self.limits_at(centre, own_se, level)
        out = pd.DataFrame({"mean": mean, "mean_low": limits[0], "mean_high": limits[1],
                            "low": low, "high": high})
        return self._finish(out, settings, unit="", statistic="mean grade")

    def _cells_at(self, centre: np.ndarray) -> np.ndarray:
        """Probabilities of the grades seen; (n,) gives (n, K)."""
        return cell_probabilities(np.asarray(centre)[:, None] + self.levels - self.levels[0])

    def mean_at(self, centre: np.ndarray) -> np.ndarray:
        return self._cells_at(centre) @ np.array(self.seen, float)

    def limits_at(self, centre: np.ndarray, se: np.ndarray, level: float,
                  runs: int = 1) -> tuple[np.ndarray, np.ndarray]:
        """As `KindFit.limits_at`, with the parameters as estimated."""
        one = np.zeros((len(centre), self.seen[-1] - self.seen[0] + 1))
        one[:, np.array(self.seen) - self.seen[0]] = self._cells_at(centre)
        total = one
        for _ in range(runs - 1):
            total = np.array([np.convolve(a, b) for a, b in zip(total, one, strict=True)])
        below, tail = np.cumsum(total, axis=1), (1 - level) / 2
        return (self.seen[0] + np.argmax(below > tail, axis=1) / runs,
                self.seen[0] + np.argmax(below >= 1 - tail - 1e-12, axis=1) / runs)

    # -- the runs

    @property
    def fitted_title(self) -> str:
        return f"mean grade of {self.response.label}"

    def _seen(self) -> tuple[np.ndarray, np.ndarray]:
        eta, _ = self._thresholds(self.rows.matrix)
        values = np.array(self.seen, float)
        return values[self.grade], cell_probabilities(eta) @ values

    def _stretches(self, change: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        eta, _ = self._thresholds(self.rows.matrix)
        ends = np.pad(eta, ((0, 0), (1, 1)), constant_values=(np.inf, -np.inf))
        ends[:, 0], ends[:, -1] = np.inf, -np.inf
        at_least, more = (ends[np.arange(len(ends)), self.grade + k] for k in (0, 1))
        return tuple(normal_score(special.expit(-v), special.expit(v)) for v in (at_least, more))

    # -- the words

    def summary(self) -> str:
        terms = sum(1 for t in self.terms if t.powers)
        found = np.bincount(self.grade, minlength=len(self.seen))
        counts = wording.join(f"{n} {self.grade_name(g)}"
                              for g, n in zip(self.seen, found, strict=True))
        return (f"{wording.capitalise(self.response.label)}: "
                f"{wording.count(len(self.grade), 'run')} ({counts}), "
                f"{wording.count(terms, 'term')}; {self.model} model.")

    def what_changes(self) -> str:
        return f"the odds of a higher {self.response.label}"

    def ends(self) -> list[str]:
        wanted = self._wanted()
        k = self.seen.index(wanted) - 1
        return words.ends_of(
            self, f"Chance of {self.grade_name(wanted)}"
            + (" or higher" if wanted < self.seen[-1] else ""),
            lambda v: wording.percent(special.expit(v + self.levels[k] - self.levels[0])))

    def _wanted(self) -> int:
        """The grade to speak of: the specification's, else the highest."""
        low = self.response.lower
        if low is None and self.response.upper is not None:
            low = self.response.upper + 1
        above = [g for g in self.seen[1:] if low is not None and g >= low]
        return above[0] if above else self.seen[-1]

    def warnings(self) -> list[str]:
        out = [*self._parallel_words()]
        never = [g for g in range(1, len(self.response.grades) + 1) if g not in self.seen]
        if never:
            out.append(f"No run was graded {wording.join(map(self.grade_name, never), 'or')}; the "
                       "model cannot foresee it.")
        if self.separation is not None:
            names = words.running_away(self.rows, self.separation.signs)
            out.append(f"Some settings foretell without exception on which side of a threshold the "
                       f"grade falls ({names}), so that an effect of any size fits (separation). "
                       "The estimates are kept finite by a penalty (Firth, Jeffreys' prior).")
        rare = len(self.grade) - np.bincount(self.grade).max()
        columns = len(self.columns.owner)
        if rare < FEW_PER_COLUMN * columns:
            out.append(f"Only {rare} runs are outside the commonest grade, for {columns} "
                       "coefficients: intervals are wide, and p-values rough.")
        return out

    def _parallel_words(self) -> list[str]:
        table = self.parallel
        if not len(table):
            return []
        if table["p"].isna().all():
            return ["Whether effects are the same at every threshold (proportional odds) could "
                    "not be checked with so few runs; it is taken on trust."]
        whole = table.iloc[0]
        bad = table[(table["term"] != "") & (table["p"] < 0.05)]
        if np.isnan(whole["p"]) and not len(bad):
            return ["No single term's effect clearly differs between thresholds (proportional "
                    "odds); all at once could not be checked with so few runs."]
        if whole["p"] >= 0.05 and not len(bad):
            return ["Nothing speaks against effects that are the same at every threshold "
                    f"(proportional odds, {wording.p_value(whole['p'])})."]
        if not len(bad):
            return ["Effects seem to differ between thresholds (proportional odds, "
                    f"{wording.p_value(whole['p'])}), though no single term's clearly does: read "
                    "the odds ratios as averages."]
        names = wording.join(f"{r.source} ({wording.p_value(r.p)})" for r in bad.itertuples())
        return [f"The effect of {names} differs between thresholds, against the model's "
                "assumption (proportional odds): its odds ratio is an average over them."]


def fit_grades(rows: Rows, values: np.ndarray, method: str = "auto") -> GradeFit:
    """Fit ordered grades by proportional odds.

    Parameters
    ----------
    rows : Rows
    values : ndarray, shape (n,)
        Grade numbers, 1 for the lowest.
    method : {"auto", "likelihood", "Firth"}
        "auto" is maximum likelihood, penalised by Jeffreys' prior if the runs are separated.

    Raises
    ------
    InputError
        If a grade is unknown, all are alike, or the method cannot be used.
    """
    as_choice("method", method, GRADE_METHODS)
    where, most = f"data, column '{rows.response.name}'", len(rows.response.grades)
    bad = values[(values != np.round(values)) | (values < 1)
                 | (values > (most or np.inf))]
    if len(bad):
        raise InputError(where, bad[0], "there is no such grade", "Give the grade's number, from 1 "
                         f"to {most}" if most else "Give whole numbers, 1 for the lowest grade")
    seen, grade = np.unique(values.astype(int), return_inverse=True)
    if len(seen) < 2:
        raise InputError(where, int(seen[0]), "every run has this grade, so there is nothing to "
                         "compare", "Do more runs")
    steps, p = len(seen) - 1, rows.matrix.shape[1]
    plain = ProportionalOdds(rows.matrix, grade, steps)
    separation = _separation(plain)
    if separation is not None and method == "likelihood":
        raise InputError("method", method, "the runs are separated, so that there is no finite "
                         "estimate for " + words.running_away(rows, separation.signs),
                         "Use 'Firth', or leave terms out")
    penalised = separation is not None or method == "Firth"
    likelihood = Firth(plain) if penalised else plain
    share = np.cumsum(np.bincount(grade)[::-1])[::-1][1:] / len(grade)
    start = np.r_[special.logit(share), np.zeros(p - 1)]
    fit = GradeFit(rows, likelihood, maximise(likelihood, start), "proportional-odds", grade=grade,
                   seen=tuple(int(g) for g in seen), separation=separation)
    return replace(fit, model="penalised proportional-odds") if penalised else fit


def _separation(plain: ProportionalOdds) -> Separation | None:
    """Separation by any threshold, with signs for the model's columns (intercept first)."""
    lower, upper = plain.rising()
    found = find_separation(np.vstack([lower, upper]), np.empty((0, lower.shape[1])))
    if found is None:
        return None
    runs = np.zeros(len(plain.grade), bool)
    runs[plain.grade > 0] |= found.runs[:len(lower)]
    runs[plain.grade < plain.steps] |= found.runs[len(lower):]
    own = np.r_[0, plain.steps:len(found.signs)]
    return Separation(runs, found.signs[own], found.direction[own])
