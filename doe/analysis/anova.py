"""Analysis of variance of a linear model: partial tests, lack of fit, curvature.

References
----------
NIST/SEMATECH e-Handbook of Statistical Methods, 4.4.4.6 (lack of fit against pure
error), 5.3.3.9 (centre points).
Montgomery, D. C. *Design and Analysis of Experiments* (single-degree-of-freedom contrast
for curvature; partial sums of squares).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from doe import wording

__all__ = ["Anova", "Curvature", "LackOfFit", "analyse_variance", "groups_of_replicates"]

SAME_SETTING = 0.02
"""Settings within this many half-ranges (1 % of the range) count as the same."""


@dataclass(frozen=True)
class LackOfFit:
    """What replicates say about the model's form.

    Attributes
    ----------
    f, p : float
        F ratio of lack of fit to pure error and its p-value.
    df, df_pure : int
    pure_sd : float
        Standard deviation between runs at the same setting, on the model's scale.
    """

    f: float
    p: float
    df: int
    df_pure: int
    pure_sd: float


@dataclass(frozen=True)
class Curvature:
    """Centre points against what the model expects there.

    Attributes
    ----------
    size : float
        Mean of the centre points less the model's value there, on the model's scale.
    low, high : float
        95 % confidence interval.
    f, p : float
    against : str
        The error it is tested against: "pure error" or "residual".
    """

    size: float
    low: float
    high: float
    f: float
    p: float
    against: str


@dataclass(frozen=True, eq=False)
class Anova:
    """Analysis of variance.

    Attributes
    ----------
    table : DataFrame
        ``source, df, sum_of_squares, mean_square, F, p`` and ``term`` (formula name of a
        term's row, else empty).
    lack_of_fit : LackOfFit or None
        None where no setting was repeated or no degree of freedom is left for it.
    curvature : Curvature or None
        None unless a two-level plan had centre points.
    """

    table: pd.DataFrame
    lack_of_fit: LackOfFit | None
    curvature: Curvature | None

    @property
    def sentence(self) -> str:
        """What the rows mean and what the tests say."""
        model = self.table.set_index("source").loc["model"]
        parts = []
        if np.isfinite(model["p"]):
            verdict = ("explains more than noise would" if model["p"] < 0.05
                       else "is not clearly more than noise")
            parts.append(f"The model {verdict} (F = {wording.digits(model['F'])} on "
                         f"{int(model['df'])} and {self.residual_df} degrees of freedom, "
                         f"{wording.p_value(model['p'])}).")
        else:
            parts.append("No degrees of freedom are left to judge the model against noise.")
        parts.append("Each term's row is what the fit would lose if that term alone were left out, "
                     "all others kept; with settings that are not orthogonal these rows do not add "
                     "up to the model's.")
        return " ".join(parts)

    @property
    def residual_df(self) -> int:
        """Degrees of freedom for error."""
        return int(self.table.set_index("source").loc["residual", "df"])


def groups_of_replicates(encoded: np.ndarray, blocks: pd.Series | None = None,
                         tolerance: float = SAME_SETTING) -> np.ndarray:
    """Number the settings: rows with the same number are replicates; shape (n,).

    Rows are replicates if they stand in the same block and every coded column agrees
    within `tolerance`, so that the scatter of achieved settings does not hide them.
    """
    columns = [np.zeros(len(encoded), int)]
    for values in encoded.T:
        order = np.argsort(values, kind="stable")
        level, first, out = 0, values[order[0]], np.empty(len(values), int)
        for i in order:
            if values[i] - first > tolerance + 1e-9:
                level, first = level + 1, values[i]
            out[i] = level
        columns.append(out)
    if blocks is not None:
        columns.append(pd.factorize(blocks)[0])
    return np.unique(np.column_stack(columns), axis=0, return_inverse=True)[1].ravel()


def analyse_variance(y: np.ndarray, matrix: np.ndarray, coefficients: np.ndarray,
                     covariance: np.ndarray, terms: Sequence[tuple[str, str, Sequence[int]]],
                     block_places: Sequence[int], groups: np.ndarray,
                     centre: np.ndarray | None = None) -> Anova:
    """Analysis of variance of a fitted model.

    Parameters
    ----------
    y : ndarray, shape (n,)
        The response on the model's scale.
    matrix : ndarray, shape (n, p)
        Model columns, intercept first.
    coefficients : ndarray, shape (p,)
    covariance : ndarray, shape (p, p)
        ``inv(X'X)``.
    terms : sequence of (source, term, places)
        Heading, formula name and columns of every term but the intercept.
    block_places : sequence of int
    groups : ndarray of int, shape (n,)
        From `groups_of_replicates`.
    centre : ndarray of bool, shape (n,), optional
        The centre points, where the plan has two levels otherwise.

    Notes
    -----
    The sum of squares of a term, ``b' inv(C) b`` with ``C`` its part of ``inv(X'X)``, is
    what the residual would gain without it (partial, "type III" in the coded,
    sum-to-zero columns used here). Pure error is taken from the residuals within groups
    of replicates: the same as from the responses where settings repeat exactly, and free
    of the model's own slope where they repeat nearly.
    """
    n, p = matrix.shape
    residual = y - matrix @ coefficients
    df_residual = n - p
    ss_residual = float(residual @ residual) if df_residual else 0.0
    ss_total = float(np.sum((y - y.mean()) ** 2))
    ms_residual = ss_residual / df_residual if df_residual else np.nan

    def partial(places: Sequence[int]) -> float:
        b = coefficients[list(places)]
        return float(b @ np.linalg.solve(covariance[np.ix_(places, places)], b))

    rows: list[dict] = []

    def row(source: str, df: int, ss: float, against: tuple[float, int] | None = None,
            term: str = "") -> dict:
        f = p_value = np.nan
        if against and df and against[1] and against[0] > 0:
            f = ss / df / against[0]
            p_value = float(stats.f.sf(f, df, against[1]))
        rows.append({"source": source, "df": df, "sum_of_squares": ss,
                     "mean_square": ss / df if df else np.nan, "F": f, "p": p_value, "term": term})
        return rows[-1]

    error = (ms_residual, df_residual)
    model_places = [j for _, _, places in terms for j in places]
    if len(block_places):
        row("blocks", len(block_places), partial(block_places), error)
    if model_places:
        row("model", len(model_places),
            partial(model_places) if len(block_places) else ss_total - ss_residual, error)
    else:
        row("model", 0, 0.0)
    for source, term, places in terms:
        row(source, len(places), partial(places), error, term)
    row("residual", df_residual, ss_residual)

    sizes = np.bincount(groups)
    means = np.bincount(groups, residual) / sizes
    df_pure = n - len(sizes)
    ss_pure = float(np.sum((residual - means[groups]) ** 2)) if df_pure else 0.0
    pure = (ss_pure / df_pure, df_pure) if df_pure else None
    curvature = None
    ss_curvature = df_curvature = 0
    if centre is not None and df_residual and centre.any() and not centre.all():
        curvature, ss_curvature = _curvature(residual, matrix, covariance, centre,
                                             (ss_residual, df_residual), pure)
        if curvature is not None:
            df_curvature = 1
    lack = None
    df_lack = df_residual - df_pure - df_curvature
    if curvature is not None:
        rows.append({"source": "curvature", "df": 1, "sum_of_squares": ss_curvature,
                     "mean_square": ss_curvature, "F": curvature.f, "p": curvature.p, "term": ""})
    if df_pure and df_lack > 0:
        found = row("lack of fit", df_lack, max(0.0, ss_residual - ss_pure - ss_curvature), pure)
        lack = LackOfFit(found["F"], found["p"], df_lack, df_pure, float(np.sqrt(pure[0])))
    if df_pure:
        row("pure error", df_pure, ss_pure)
    row("total", n - 1, ss_total)
    return Anova(pd.DataFrame(rows), lack, curvature)


def _curvature(residual: np.ndarray, matrix: np.ndarray, covariance: np.ndarray,
               centre: np.ndarray, whole: tuple[float, int],
               pure: tuple[float, int] | None) -> tuple[Curvature | None, float]:
    """Test of one column more: 1 at the centre points. For an orthogonal plan this is the
    textbook contrast of the centre's mean with the factorial points' mean."""
    z = centre.astype(float)
    own = z - matrix @ (covariance @ (matrix.T @ z))
    length = float(own @ own)
    if length < 1e-9 * z.sum():
        return None, 0.0
    size = float(own @ residual) / length
    ss = size**2 * length
    if pure is not None:
        (mean_square, df), against = pure, "pure error"
    else:
        df, against = whole[1] - 1, "residual"
        mean_square = max(0.0, whole[0] - ss) / df if df else np.nan
    f = ss / mean_square if df and mean_square > 0 else np.nan
    half = stats.t.ppf(0.975, df) * np.sqrt(mean_square / length) if df else np.nan
    p = float(stats.f.sf(f, 1, df)) if df else np.nan
    return Curvature(size, size - half, size + half, f, p, against), ss


