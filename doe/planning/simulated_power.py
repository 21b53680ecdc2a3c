"""Power by simulation: for counts, shares and grouped runs, where no exact formula holds.

Studies are drawn with the effects asked about as the truth, each is analysed as it would be, and
the share of studies in which a term is found is its power. Terms without an effect are tested as
well: how often they are found is the rate of false alarms, which a sound test keeps to its level.

References
----------
Morris, T. P., White, I. R. & Crowther, M. J. (2019). Using simulation studies to evaluate
statistical methods. *Statistics in Medicine* 38, 2074–2102 (Monte Carlo standard errors).
McCullagh, P. & Nelder, J. A. (1989). *Generalized Linear Models*, 2nd ed. Chapman & Hall.
Wilson, E. B. (1927). *Journal of the American Statistical Association* 22, 209–212 (interval).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from doe.errors import InputError, as_choice, as_number
from doe.planning.aliases import column_labels
from doe.planning.chunks import each, seeded_chunks
from doe.planning.plan import Plan
from doe.planning.power import power_of
from doe.planning.settle import rank
from doe.planning.simulated_studies import (
    Analyse,
    Simulation,
    by_least_squares,
    by_likelihood_ratio,
)
from doe.planning.strata import error_strata, fixed_blocks, variance_ratios
from doe.planning.structure import as_count, as_seed
from doe.terms import INTERCEPT, Term, exponents, formula, model_matrix, parse, read_terms
from doe.wording import count, digits, interval, join, percent

__all__ = ["PowerResult", "simulated_power"]

KINDS = ("continuous", "count", "proportion")
_CHUNK = 250
_LEVEL = 0.95


@dataclass(frozen=True, eq=False)
class PowerResult:
    """How often each term was found.

    Parameters
    ----------
    table : DataFrame
        One row a model column but the mean's: ``term``, ``label``, ``effect_is``, ``effect`` (as
        given; none where it is 0, or 1 for a ratio), ``power`` (share of studies in which it was
        found; of false alarms where there is no effect), ``mc_error`` (Monte Carlo standard error
        of that), ``low`` and ``high`` (95 % interval, Wilson 1927) and ``by_formula``: power by
        noncentral t for continuous responses, exact for the standard analysis, for others of
        grouped runs with degrees of freedom by containment; by the normal distribution for
        counts and shares, good where they are large.
    kind : str
    draws, failed : int
        Studies simulated; those that could not be analysed, which count as not found.
    alpha : float
    seed : int
    sentences : tuple of str
    """

    table: pd.DataFrame
    kind: str
    draws: int
    failed: int
    alpha: float
    seed: int
    sentences: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """All sentences in one text."""
        return " ".join(self.sentences)


def simulated_power(plan: Plan, effects: Mapping[str | Term, float], kind: str = "continuous", *,
                    terms: Sequence[Term] | str | None = None, baseline: float | None = None,
                    sd: float = 1.0, exposure: float | Sequence[float] = 1.0,
                    trials: int | Sequence[int] | None = None, extra: float = 0.0,
                    ratios: Mapping[str, float] | None = None, alpha: float = 0.05,
                    draws: int = 2000, seed: int | None = None, n_jobs: int | None = None,
                    analyse: Analyse | None = None) -> PowerResult:
    """How often the plan's analysis would find effects, by simulated studies.

    Parameters
    ----------
    plan : Plan
    effects : mapping
        True effect of a term (``"time"``, ``"time:speed"``, ``"I(time ** 2)"``, ``"cup[wide]"``,
        or a `Term`): the change from low to high, for squares from the centre to an end, for one
        of several levels against their mean. A difference for continuous responses, a ratio of
        means for counts, a ratio of odds for proportions. Terms not named have none.
    kind : {"continuous", "count", "proportion"}
    terms : sequence of Term or str, optional
        The model that is fitted; the plan's own if not given.
    baseline : float, optional
        Mean count for one unit of exposure, or share (0 to 1), at the centre of the region.
        Needed for counts and proportions.
    sd : float
        Standard deviation between runs (of one group), for continuous responses.
    exposure, trials : number, or one a run in run order
        What was inspected for counts; how many were tried for proportions.
    extra : float
        Scatter beyond the distribution's own. Counts: the variance is ``mean + extra mean²``
        (negative binomial). Proportions: correlation between the trials of a run
        (beta-binomial). 0 for none.
    ratios : mapping, optional
        Variance between groups over that between runs, such as ``{"whole_plot": 1.0}``;
        continuous responses only. Those the plan states if not given.
    alpha : float
        Level of the tests.
    draws : int
        Simulated studies.
    seed : int, optional
        Drawn afresh if left out; recorded either way.
    n_jobs : int, optional
        Processes, or what ``joblib.parallel_config`` says, which may be a cluster. The result is
        the same for any number of them.
    analyse : callable, optional
        Takes a `Simulation` and responses (m, n), returns p-values (m, p). If left out:
        `by_least_squares` for continuous responses, `by_likelihood_ratio` for others. See
        `doe.power_study` for the fits of `doe.analysis`.

    Raises
    ------
    InputError
        If a term is unknown or cannot be estimated, a number is out of its range, or runs are
        grouped and it is not said how much the groups differ.

    Examples
    --------
    >>> from doe import Factor, Region
    >>> from doe.planning import full_factorial
    >>> region = Region([Factor("time", 30, 90, unit="s"), Factor("speed", 500, 1500, unit="rpm")])
    >>> plan = full_factorial(region, replicates=3, seed=1)
    >>> power = simulated_power(plan, {"time": 0.5}, "count", baseline=8, draws=1000, seed=1)
    >>> round(float(power.table["power"][0]), 2), round(float(power.table["mc_error"][0]), 3)
    (0.93, 0.008)
    """
    as_choice("kind", kind, KINDS)
    alpha = as_number("alpha", alpha, above=0, at_most=0.5)
    draws, seed = as_count("draws", draws, at_least=1), as_seed(seed)
    terms = read_terms(plan.region, terms, plan.terms)
    what, table = _prepare(plan, effects, kind, terms, baseline, as_number("sd", sd, above=0),
                           exposure, trials, extra, ratios)
    standard = by_least_squares if kind == "continuous" else by_likelihood_ratio
    table["by_formula"] = _by_formula(what, table["_coefficient"].to_numpy(), alpha,
                                      ratios_known=analyse is None)
    found, failed = np.zeros(len(what.names)), 0
    chunks = [(what, analyse or standard, alpha, number, child)
              for number, child in seeded_chunks(draws, _CHUNK, seed)]
    for hits, lost in each(_chunk, chunks, n_jobs):
        found, failed = found + hits, failed + lost
    table = _rates(table, found, draws)
    keep = table["term"] != str(INTERCEPT)
    table = table[keep].drop(columns="_coefficient").reset_index(drop=True)
    table = table[["term", "label", "effect_is", "effect", "power", "mc_error", "low", "high",
                   "by_formula"]]
    return PowerResult(table, kind, draws, failed, alpha, seed,
                       _sentences(what, table, draws, failed, alpha, seed, analyse is None))


def _chunk(what: Simulation, analyse: Analyse, alpha: float, number: int,
           child: np.random.SeedSequence) -> tuple[np.ndarray, int]:
    y = what.draw(number, np.random.default_rng(child))
    p = np.asarray(analyse(what, y), float)
    if p.shape != (number, what.X.shape[1]):
        raise InputError("analyse", f"shape {p.shape}", "it must return one p-value for each of "
                         f"{number} studies and {what.X.shape[1]} columns",
                         "Return an array of that shape")
    with np.errstate(invalid="ignore"):
        return (p < alpha).sum(axis=0), int(np.isnan(p).all(axis=1).sum())


# ---- the truth ---------------------------------------------------------------------------

def _prepare(plan: Plan, effects: Mapping, kind: str, terms: tuple[Term, ...],
             baseline: float | None, sd: float, exposure, trials, extra: float,
             ratios: Mapping[str, float] | None) -> tuple[Simulation, pd.DataFrame]:
    X = model_matrix(plan.region, plan.settings, terms)
    ratios = variance_ratios(plan, ratios)
    if kind != "continuous" and ratios:
        raise InputError("ratios", ratios, f"groups that differ are not simulated for a {kind}",
                         "Leave them out (ratios={}); extra says how much runs scatter")
    if kind == "continuous" and "whole_plot" in plan.runs and "whole_plot" not in ratios:
        raise InputError("ratios", ratios, "runs are grouped, and it is not said how much the "
                         "groups differ", "Give ratios={'whole_plot': 1.0}, or 0 if they do not")
    blocks = fixed_blocks(plan, ratios)
    full = np.hstack([X.to_numpy(), blocks])
    if rank(full) < full.shape[1]:
        raise InputError("plan, terms", formula(terms), "the runs cannot separate all of these "
                         "terms", "Leave terms out; the appraisal says which")
    extra = as_number("extra", extra, at_least=0)
    n, start = len(plan), 0.0
    base = np.ones(n)
    if kind == "count":
        start = np.log(_needed("baseline", baseline, "the mean count at the centre", above=0))
        base = _each_run("exposure", exposure, n)
    elif kind == "proportion":
        share = _needed("baseline", baseline, "the share at the centre, between 0 and 1", above=0)
        if share >= 1 or extra >= 1:
            raise InputError("baseline" if share >= 1 else "extra", max(share, extra),
                             "it must be below 1", "Give a share such as 0.2")
        start = np.log(share / (1 - share))
        if trials is None:
            raise InputError("trials", None, "it is missing", "Give how many are tried in a run")
        base = _each_run("trials", trials, n)
        if (base != np.round(base)).any():
            raise InputError("trials", trials, "these are no whole numbers", "Give whole numbers")
    table = _truth(plan, terms, list(X.columns), effects, kind)
    beta = table["_coefficient"].to_numpy()
    return Simulation(plan, terms, tuple(X.columns), X.to_numpy(), blocks, kind,
                      start + X.to_numpy() @ beta, base, sd, extra, ratios), table


def _needed(field: str, value: float | None, what: str, **limits: float) -> float:
    if value is None:
        raise InputError(field, None, "it is missing", f"Give {what}")
    return as_number(field, value, **limits)


def _each_run(field: str, value, n: int) -> np.ndarray:
    values = np.broadcast_to(np.asarray(value, float), n) if np.ndim(value) == 0 else \
        np.asarray(value, float)
    if values.shape != (n,) or not (values > 0).all() or not np.isfinite(values).all():
        raise InputError(field, value, f"it must be one positive number, or one for each of {n} "
                         "runs", "Give a positive number")
    return values


def _truth(plan: Plan, terms: tuple[Term, ...], names: list[str], effects: Mapping,
           kind: str) -> pd.DataFrame:
    """Model columns with their true effects and coefficients."""
    ratio = kind != "continuous"
    nothing = 1.0 if ratio else 0.0
    given: dict[str, float] = {}
    for key, value in effects.items():
        given[_column(plan, names, key)] = as_number(
            f"effect of {key}", value, **({"above": 0} if ratio else {}))
    labels, rows = column_labels(plan.region, terms), []
    for term in terms:
        several = any(not plan.region[n].is_numeric and len(plan.region[n].levels) > 2
                      for n in term.names)
        even = any(power % 2 == 0 for _, power in term.powers)
        is_, scale = (("overall mean", 1.0) if term == INTERCEPT else
                      ("level against the mean of levels", 1.0) if several else
                      ("centre to an end of the range", 1.0) if even else ("low to high", 2.0))
        for name in exponents(plan.region, [term])[1]:
            value = given.get(name, nothing)
            rows.append({"term": name, "label": labels[name], "effect_is": is_, "effect": value,
                         "_coefficient": (np.log(value) if ratio else value) / scale})
    return pd.DataFrame(rows)


def _column(plan: Plan, names: list[str], key: str | Term) -> str:
    name = str(key)
    if name in names and name != str(INTERCEPT):
        return name
    if isinstance(key, str) and "[" not in key:
        parsed = [t for t in parse(key, plan.region) if t != INTERCEPT]
        columns = exponents(plan.region, parsed)[1] if len(parsed) == 1 else []
        if len(columns) == 1 and columns[0] in names:
            return columns[0]
    raise InputError("effects", name, "the model has no such column",
                     "Use: " + ", ".join(n for n in names if n != str(INTERCEPT)))


# ---- what is made of it ------------------------------------------------------------------

def _by_formula(what: Simulation, beta: np.ndarray, alpha: float,
                ratios_known: bool) -> np.ndarray:
    F, p = what.full, len(beta)
    df = np.full(p, np.inf)
    if what.kind == "continuous":
        covariance = np.linalg.inv(F.T @ what.precision @ F) * what.sd**2
        df[:] = left = len(F) - F.shape[1]
        if what.ratios and not ratios_known:
            df = error_strata(what.plan, what.X, what.ratios, left)[1]
    else:
        own = replace(what, extra=0.0).variance
        bread = np.linalg.inv((F.T * own) @ F)
        covariance = bread @ (F.T * what.variance) @ F @ bread
    return np.array([power_of(b / s, d, alpha) for b, s, d in
                     zip(beta, np.sqrt(np.diag(covariance)[:p]), df, strict=True)])


def _rates(table: pd.DataFrame, found: np.ndarray, draws: int) -> pd.DataFrame:
    low, high = _wilson(found, draws, _LEVEL)
    power = found / draws
    return table.assign(power=power, mc_error=np.sqrt(power * (1 - power) / draws), low=low,
                        high=high)


def _wilson(found, draws: int, level: float):
    from statsmodels.stats.proportion import proportion_confint

    return proportion_confint(found, draws, alpha=1 - level, method="wilson")


def _sentences(what: Simulation, table: pd.DataFrame, draws: int, failed: int, alpha: float,
               seed: int, standard: bool) -> tuple[str, ...]:
    nothing = 0.0 if what.kind == "continuous" else 1.0
    real, idle = table[table["effect"] != nothing], table[table["effect"] == nothing]
    out = []
    if failed == draws:
        return (f"None of {draws} simulated studies could be analysed"
                + (": there are as many runs as coefficients, so nothing is left to estimate error "
                   "from. Add runs, or leave terms out." if len(what.full) <= what.full.shape[1]
                   else "."),)
    if len(real):
        said = [f"{row.label} in {_rate(row)}" for row in real.itertuples()]
        out.append(f"Of {draws} simulated studies (seed {seed}), the tests at "
                   f"{100 * alpha:g} % found {join(said)}.")
    if len(idle):
        worst = idle.loc[idle["power"].idxmax()]
        # The worst of several is judged by an interval for all of them together.
        low = _wilson(worst["power"] * draws, draws, 1 - (1 - _LEVEL) / len(idle))[0]
        if low > alpha:
            out.append(f"The tests do not keep their level: {worst['label']}, which has no effect, "
                       f"was found in {_rate(worst)} instead of {100 * alpha:g} %.")
        else:
            least, most = (percent(v) for v in (idle["power"].min(), idle["power"].max()))
            cautious = (idle["high"] < alpha).all()
            out.append(f"Terms without effect were found in {least}"
                       + ("" if least == most else f" to {most}")
                       + f" of studies: the tests keep their level of {100 * alpha:g} %"
                       + (", and are cautious." if cautious else "."))
    if failed:
        out.append(f"{count(failed, 'study', 'studies')} could not be analysed and count as not "
                   "found.")
    if standard and what.ratios:
        out.append("How much groups vary was taken as known. Who must estimate it from few groups "
                   "finds effects between groups much less often: simulate with "
                   "analyse=doe.power_study.by_mixed_model.")
    return tuple(out)


def _rate(row) -> str:
    if not 0 < row.power < 1:
        return f"{percent(row.power)} (95 % interval {interval(100 * row.low, 100 * row.high)} %)"
    return f"{percent(row.power)} (± {digits(100 * 1.96 * row.mc_error, 2)} %)"
