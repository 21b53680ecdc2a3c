"""Time of a fit of counts, proportions, grades and censored readings, as a ratio to statsmodels, or
to SciPy's optimiser for censored readings, which that lacks, in the same run.

Run: python benchmarks/kinds.py
"""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import statsmodels.api as sm
from scipy import optimize, stats
from statsmodels.miscmodels.ordinal_model import OrderedModel
from stopwatch import seconds

from doe import Factor, Region, Response
from doe.analysis.kinds import fit_kind
from doe.analysis.kinds.likelihood import maximise

REPEATS = 15
TERMS = "(a + b + c)**2"
LIMIT = 1.5


def milliseconds(call) -> float:
    return 1000 * seconds(call, REPEATS)


def study() -> tuple[pd.DataFrame, Region, np.ndarray]:
    """A factorial of three factors, four times over, with a reading of every kind; and its model
    columns."""
    data = pd.DataFrame(list(product((-1.0, 1.0), repeat=3)) * 4, columns=list("abc"))
    rng, n = np.random.default_rng(1), len(data)
    eta = 1.5 + 0.5 * data["a"] - 0.3 * data["b"] + 0.2 * data["a"] * data["b"]
    data["specks"] = rng.poisson(np.exp(eta)).astype(float)
    data["passed"] = rng.binomial(20, stats.logistic.cdf(eta - 1.5)) / 20
    data["grade"] = np.digitize(2 * eta - 3 + rng.logistic(size=n), [-1.0, 1.0]) + 1.0
    data["voids"] = np.maximum(np.exp(eta / 2 + rng.normal(0, 0.3, n)), LIMIT)
    x = np.column_stack([np.ones(n), *(data[c] for c in "abc"),
                         *(data[p] * data[q] for p, q in ("ab", "ac", "bc"))])
    return data, Region([Factor(n, -1, 1) for n in "abc"]), x


def profile_by_loop(y: np.ndarray, x: np.ndarray, family) -> np.ndarray:
    """Profile-likelihood limits of every coefficient by refits of statsmodels' GLM, (p, 2)."""
    whole = sm.GLM(y, x, family=family).fit()
    out = np.empty((x.shape[1], 2))
    for j in range(x.shape[1]):
        others = np.delete(x, j, axis=1)

        def above(at: float, j: int = j, others: np.ndarray = others) -> float:
            held = sm.GLM(y, others, family=family, offset=at * x[:, j]).fit()
            return held.deviance - whole.deviance - stats.chi2.ppf(0.95, 1)

        b, step = whole.params[j], 3 * whole.bse[j]
        out[j] = (optimize.brentq(above, b - step, b), optimize.brentq(above, b, b + step))
    return out


def censored_by_optimiser(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Coefficients of the censored normal model by SciPy's general optimiser."""
    y, below = np.log(y), y <= LIMIT

    def lost(theta: np.ndarray) -> float:
        z, sd = y - x @ theta[:-1], np.exp(theta[-1])
        return -float(stats.norm.logcdf(z[below] / sd).sum()
                      + stats.norm.logpdf(z[~below], scale=sd).sum())

    start = np.r_[np.linalg.lstsq(x, y, rcond=None)[0], np.log(y.std())]
    return optimize.minimize(lost, start, method="BFGS").x[:-1]


def start_of(model) -> np.ndarray:
    """A plain start for the search, in the likelihood's own parameters."""
    if model.model == "censored normal":
        return np.r_[np.zeros(len(model.coefficients)), 1.0]
    start = np.zeros(len(model.estimate.theta))
    if model.model == "proportional-odds":
        start[:model.steps] = np.linspace(1, -1, model.steps)
    return start


def main() -> None:
    """Print milliseconds, ratios and the largest difference of any coefficient."""
    data, region, x = study()
    shares = np.column_stack([data["passed"] * 20, 20 - data["passed"] * 20])
    grade = data["grade"].astype(int)
    poisson, binomial = sm.families.Poisson(), sm.families.Binomial()
    ordered = OrderedModel(grade, x[:, 1:], distr="logit")
    cases = {
        "counts": (Response("specks", kind="count"), "Poisson", "GLM",
                   lambda: sm.GLM(data["specks"].to_numpy(), x, family=poisson).fit().params),
        "proportions": (Response("passed", kind="proportion", trials=20), "binomial", "GLM",
                        lambda: sm.GLM(shares, x, family=binomial).fit().params),
        "grades": (Response("grade", kind="ordinal", grades=("poor", "fair", "good")), "likelihood",
                   "OrderedModel", lambda: ordered.fit(method="bfgs", disp=False).params),
        "censored": (Response("voids", unit="%", kind="censored", detection_limit=LIMIT,
                              scale="log"), "auto", "SciPy's BFGS",
                     lambda: censored_by_optimiser(x, data["voids"].to_numpy())),
    }
    print(f"{len(data)} runs, {x.shape[1]} coefficients; ratio: time of the peer's bare fit over "
          "ours")
    for kind, (response, method, name, peer) in cases.items():
        def ours(response=response, method=method):
            return fit_kind(data, response, region, TERMS, method=method)

        model, theirs = ours(), np.asarray(peer())
        own = [j for j in range(x.shape[1]) if kind != "grades" or j]
        error = np.abs(model.coefficients[own] - theirs[:len(own)]).max()
        bare = milliseconds(peer)
        rows = {"fit": ours, "and its runs' diagnostics": lambda ours=ours: ours().diagnostics,
                "and its table, by profiles": lambda ours=ours: ours().table,
                "all sentences": lambda ours=ours: ours().sentences}
        print(f"{kind} ({model.model}): {name} {bare:.1f} ms, coefficients differ by {error:.0e}")
        core = milliseconds(lambda model=model: maximise(model.likelihood, start_of(model)))
        print(f"  {'likelihood alone':28s} {core:7.1f} ms  ratio {bare / core:6.2f}")
        for what, call in rows.items():
            took = milliseconds(call)
            print(f"  {what:28s} {took:7.1f} ms  ratio {bare / took:6.2f}")
        if name == "GLM":
            y = shares if kind == "proportions" else data["specks"].to_numpy()
            family = binomial if kind == "proportions" else poisson
            limits = profile_by_loop(y, x, family)
            error = np.abs(model.table[["low", "high"]].to_numpy() - limits).max()
            loop = milliseconds(lambda y=y, family=family: profile_by_loop(y, x, family))
            took = milliseconds(rows["and its table, by profiles"])
            print(f"  profile limits by a loop over GLM {loop:.0f} ms, ratio {loop / took:.1f}; "
                  f"limits differ by {error:.0e}")


if __name__ == "__main__":
    main()
