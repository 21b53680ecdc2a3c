"""How well a plan predicts, over the whole region and at a point, before any run.

References
----------
Zahran, A., Anderson-Cook, C. M. & Myers, R. H. (2003). Fraction of design space to assess
prediction capability of response surface designs. *Journal of Quality Technology* 35, 377–386.
Box, G. E. P. & Hunter, J. S. (1957). Multi-factor experimental designs for exploring response
surfaces. *Annals of Mathematical Statistics* 28, 195–241.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe.errors import InputError, as_number
from doe.planning.ascent import forms, greatest_sensitivity
from doe.planning.candidates import Space
from doe.planning.plan import Plan
from doe.planning.settle import information, rank, sample
from doe.planning.strata import error_strata, fixed_blocks, precision, variance_ratios
from doe.planning.structure import as_count
from doe.terms import Term, formula, model_matrix, read_terms
from doe.wording import digits, percent

__all__ = ["FractionOfRegion", "fraction_of_region", "half_width", "information_of"]

_SHARES = np.linspace(0, 1, 101)


@dataclass(frozen=True, eq=False)
class FractionOfRegion:
    """How large the variance of a predicted mean is over which share of the region.

    Parameters
    ----------
    table : DataFrame
        ``share`` of the region (0 to 1) where the variance of a predicted mean is at most
        ``variance`` (in units of the variance of a run), its root ``standard_error`` (in
        standard deviations of a run), and ``scaled_variance``, the variance times the number of
        runs, which compares plans of different size run by run.
    variances : ndarray
        The variance at every sampled point, ascending.
    greatest : float
        The greatest variance found, by local ascent too; the table's last row.
    mean : float
        Mean variance over the sample.
    runs, seed : int
        Runs of the plan; seed of the sample.
    """

    table: pd.DataFrame
    variances: np.ndarray
    greatest: float
    mean: float
    runs: int
    seed: int

    def share_within(self, standard_error: float) -> float:
        """Share of the region where a predicted mean has at most this standard error, in
        standard deviations of a run."""
        limit = as_number("standard_error", standard_error, at_least=0) ** 2 * (1 + 1e-12)
        return float(np.searchsorted(self.variances, limit, side="right") / len(self.variances))

    @property
    def sentence(self) -> str:
        """The curve in one sentence."""
        half, most = (float(np.sqrt(np.quantile(self.variances, q))) for q in (0.5, 0.9))
        return (f"Over half of the region a predicted mean has a standard error of at most "
                f"{digits(half, 2)} standard deviations of a run, over {percent(0.9)} of it at "
                f"most {digits(most, 2)}; the greatest found is "
                f"{digits(np.sqrt(self.greatest), 2)}.")


def fraction_of_region(plan: Plan, *, terms: Sequence[Term] | str | None = None,
                       ratios: Mapping[str, float] | None = None, count: int = 8192,
                       seed: int = 1) -> FractionOfRegion:
    """The curve of prediction variance over the fraction of the region (Zahran et al. 2003).

    Parameters
    ----------
    plan : Plan
    terms : sequence of Term or str, optional
        The model to be fitted; the plan's own if not given.
    ratios : mapping, optional
        Variance between groups over that between runs, as in `doe.planning.appraise`.
    count : int
        Points sampled evenly over what may be run: uniform over the ranges of continuous
        factors and the levels of others, constraints kept.
    seed : int

    Raises
    ------
    InputError
        If the runs cannot separate the model's terms, so that predictions are not determined.

    Examples
    --------
    >>> from doe import Factor, Region
    >>> from doe.planning import full_factorial
    >>> square = full_factorial(Region([Factor("a", 0, 9), Factor("b", 0, 9)]), seed=1)
    >>> curve = fraction_of_region(square, terms="a + b")
    >>> round(curve.mean, 3), round(curve.greatest, 3)      # (1 + a² + b²) / 4 in coded units
    (0.417, 0.75)
    """
    count = as_count("count", count, at_least=100)
    terms = read_terms(plan.region, terms, plan.terms)
    inverse = _inverse(plan, terms, ratios)
    space = Space(plan.region, terms)
    points = space.points(sample(plan.region, count, seed))
    variances = np.sort(forms(space.rows(points), inverse))
    there = forms(space.rows(space.points(plan.settings[plan.region.contains(plan.settings)])),
                  inverse)
    greatest = max(greatest_sensitivity(space, inverse, seed), variances[-1],
                   there.max(initial=0.0))
    table = pd.DataFrame({"share": _SHARES, "variance": np.quantile(variances, _SHARES)})
    table.loc[len(table) - 1, "variance"] = greatest
    table["standard_error"] = np.sqrt(table["variance"])
    table["scaled_variance"] = len(plan) * table["variance"]
    table.attrs["units"] = {"variance": "sd²", "standard_error": "sd", "scaled_variance": "sd²"}
    return FractionOfRegion(table, variances, float(greatest), float(variances.mean()), len(plan),
                            seed)


def half_width(plan: Plan, settings: pd.DataFrame | Mapping[str, object], sd: float = 1.0,
               level: float = 0.95, *, new_run: bool = False, sd_known: bool = False,
               terms: Sequence[Term] | str | None = None,
               ratios: Mapping[str, float] | None = None) -> np.ndarray:
    """Half the width that an interval round a prediction is to be expected to have; shape (n,).

    ``t · sd · √(f'M⁻¹f)`` for the mean, ``t · sd · √(1 + f'M⁻¹f)`` for one further run (with
    groups of its own where there are any), t with the degrees of freedom left for error. Block
    effects are averaged over.

    Parameters
    ----------
    plan : Plan
    settings : DataFrame, or one setting as a mapping
        Natural units.
    sd : float
        Standard deviation between runs, in the response's unit.
    level : float
        Coverage of the interval.
    new_run : bool
        For one further run rather than the mean.
    sd_known : bool
        Use the normal distribution in the place of t.
    terms, ratios
        As in `fraction_of_region`. With groups, the fewest degrees of freedom of any term
        count, which errs on the wide side.

    Raises
    ------
    InputError
        If a number is out of its range or the runs cannot separate the model's terms. Where
        nothing is left to estimate error from, the result is not a number.
    """
    from scipy import stats

    if isinstance(settings, Mapping):
        settings = pd.DataFrame([dict(settings)])
    sd = as_number("sd", sd, above=0)
    if not 0 < as_number("level", level) < 1:
        raise InputError("level", level, "it must lie between 0 and 1", "Give 0.95 for 95 %")
    terms = read_terms(plan.region, terms, plan.terms)
    X = model_matrix(plan.region, settings, terms).to_numpy()
    variance = forms(X, _inverse(plan, terms, ratios))
    ratios = variance_ratios(plan, ratios)
    if new_run:
        variance = variance + 1 + sum(ratios.values())
    df = np.inf if sd_known else _error_df(plan, terms, ratios)
    t = stats.t.isf((1 - level) / 2, df) if df > 0 else np.nan
    return t * sd * np.sqrt(variance)


def information_of(plan: Plan, terms: Sequence[Term],
                   ratios: Mapping[str, float] | None = None) -> np.ndarray:
    """X'V⁻¹X in coded units, block effects taken out; shape (p, p)."""
    ratios = variance_ratios(plan, ratios)
    X = model_matrix(plan.region, plan.settings, terms).to_numpy()
    blocks = fixed_blocks(plan, ratios)
    if not ratios:
        return information(X, blocks)
    root = np.linalg.cholesky(precision([plan.runs[c] for c in ratios], list(ratios.values()))).T
    return information(root @ X, root @ blocks)


def _inverse(plan: Plan, terms: tuple[Term, ...],
             ratios: Mapping[str, float] | None) -> np.ndarray:
    M = information_of(plan, terms, ratios)
    if not len(M) or np.linalg.matrix_rank(M, tol=1e-9 * max(1.0, np.trace(M)),
                                           hermitian=True) < len(M):
        raise InputError("plan, terms", formula(terms), "the runs cannot separate all of these "
                         "terms, so predictions are not determined",
                         "Leave terms out, or add runs; the appraisal says which")
    return np.linalg.inv(M)


def _error_df(plan: Plan, terms: tuple[Term, ...], ratios: Mapping[str, float]) -> int:
    X = model_matrix(plan.region, plan.settings, terms).to_numpy()
    left = len(plan) - rank(np.hstack([X, fixed_blocks(plan, ratios)]))
    return int(error_strata(plan, X, ratios, left)[1].min())
