"""Tests of terms by two conventions, for settings that are not balanced.

References
----------
Yates, F. (1934). The analysis of multiple classifications with unequal numbers in the
different classes. *Journal of the American Statistical Association* 29, 51–66.
Nelder, J. A. (1977). A reformulation of linear models. *Journal of the Royal Statistical Society
A* 140, 48–77 (marginality).
Fox, J. (2016). *Applied Regression Analysis and Generalized Linear Models*, 3rd ed. Sage
(the two types side by side).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from doe import wording
from doe.analysis.choosing import check_least_squares
from doe.analysis.model import Fit
from doe.errors import as_choice

__all__ = ["AnovaType", "anova_by_type"]

TYPES = ("II", "III")
CHANGED = 0.02
"""Relative difference of a sum of squares from which the two types are said to differ."""


@dataclass(frozen=True, eq=False)
class AnovaType:
    """Tests of a fit's terms by one convention.

    Attributes
    ----------
    table : DataFrame
        ``source, df, sum_of_squares, mean_square, F, p, term``; the last row is the residual.
    kind : {"II", "III"}
    differing : tuple of str
        Terms (labels) whose sum of squares differs by the other convention.
    """

    table: pd.DataFrame
    kind: str
    differing: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """What is tested, and whether the convention matters here."""
        if self.kind == "II":
            text = ("Type II: each term is tested beside all others except those that contain it, "
                    "so a main effect is judged as if its interactions were absent; its test has "
                    "the most power where they are.")
        else:
            text = ("Type III: each term is tested beside all others, those that contain it "
                    "included, so a main effect is the average over the other factors' levels (at "
                    "the centre for numeric factors), interactions or not.")
        if not self.differing:
            return text + " In these runs both types agree."
        return (text + f" The types differ for {wording.join(self.differing)}: the runs are not "
                "balanced. Where an interaction is real, read it rather than its main effects.")


def anova_by_type(fit: Fit, kind: str = "II") -> AnovaType:
    """Analysis of variance by type II or type III.

    Parameters
    ----------
    fit : Fit
        `Fit.anova` has type III tests as well, with lack of fit and curvature.
    kind : {"II", "III"}

    Notes
    -----
    A term contains another if it is the other's multiple: a × b contains a, and so does a².
    (Conventions that take a² for a variable of its own differ there.) Type III depends on the
    coding, here ±1 and sum-to-zero. F ratios have the full model's residual below.
    """
    check_least_squares(fit)
    as_choice("kind", kind, TYPES)
    chosen, other = (_sums_of_squares(fit, k) for k in (kind, "II" if kind == "III" else "III"))
    ms, df_error = fit.sigma**2, fit.df_error
    rows, differing = [], []
    scale = float(np.sum((fit.shifted.model.endog - np.mean(fit.shifted.model.endog)) ** 2))
    for term, (ss, df) in chosen.items():
        f = ss / df / ms if df_error and ms > 0 else np.nan
        label = term.label(fit.region)
        rows.append({"source": label, "df": df, "sum_of_squares": ss, "mean_square": ss / df,
                     "F": f, "p": float(stats.f.sf(f, df, df_error)) if df_error else np.nan,
                     "term": str(term)})
        if abs(ss - other[term][0]) > CHANGED * max(ss, other[term][0]) + 1e-12 * scale:
            differing.append(label)
    rest = float(fit.shifted.ssr) if df_error else 0.0
    rows.append({"source": "residual", "df": df_error, "sum_of_squares": rest,
                 "mean_square": rest / df_error if df_error else np.nan, "F": np.nan, "p": np.nan,
                 "term": ""})
    return AnovaType(pd.DataFrame(rows), kind, tuple(differing))


def _sums_of_squares(fit: Fit, kind: str) -> dict:
    """Sum of squares and degrees of freedom of each term, as losses of two models."""
    x, y = fit.columns.matrix.to_numpy(), np.asarray(fit.shifted.model.endog)
    out = {}
    for term in (t for t in fit.terms if t.powers):
        above = {t for t in fit.terms if term in t.parents()} if kind == "II" else set()
        small = [j for j, t in enumerate(fit.columns.owner) if t not in above and t != term]
        own = fit.columns.places(term)
        q, _ = np.linalg.qr(x[:, small + own])
        # The last directions are the term's own, given the smaller model's.
        out[term] = float(np.sum((q[:, len(small):].T @ y) ** 2)), len(own)
    return out
