"""Mixed models against statsmodels' MixedLM on the same rows, in one run.

    python benchmarks/mixed.py

Both estimate by restricted maximum likelihood; MixedLM has neither Kenward & Roger's nor
Satterthwaite's tests, which are in our time. Crossed groups are variance components of one
group of all rows there.
"""

from __future__ import annotations

import time
import warnings

import numpy as np
import pandas as pd
import statsmodels.api as sm

from doe.analysis.kenward_roger import FixedEffects
from doe.analysis.likelihood import Likelihood, indicator
from doe.analysis.reml import fit_reml

SEED = 1971


def split_plot(plots: int, runs: int):
    rng = np.random.default_rng(SEED)
    plot = np.repeat(np.arange(plots), runs)
    x = np.column_stack([np.ones(len(plot)), np.where(plot % 2, 1.0, -1.0),
                         rng.choice([-1.0, 1.0], (len(plot), 2))])
    return x @ [5, 1, -1, 0.3] + rng.normal(size=plots)[plot] + rng.normal(size=len(plot)), x, [
        plot]


def crossed(days: int, people: int, times: int):
    rng = np.random.default_rng(SEED)
    day, person, _ = np.indices((days, people, times)).reshape(3, -1)
    keep = rng.permutation(len(day))[: int(0.9 * len(day))]
    day, person = day[keep], person[keep]
    x = np.column_stack([np.ones(len(day)), rng.normal(size=len(day))])
    return (x @ [5, 1] + rng.normal(size=days)[day] + rng.normal(size=people)[person]
            + rng.normal(size=len(day)), x, [day, person])


def ours(y, x, groups):
    found = fit_reml(Likelihood(y, x, groups))
    effects = FixedEffects(found)
    effects.test(np.eye(x.shape[1])[1:])
    return found.variances


def theirs(y, x, groups):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        if len(groups) == 1:
            result = sm.MixedLM(y, x, groups=groups[0]).fit(reml=True)
            return np.append(np.diag(result.cov_re), result.scale)
        parts = [indicator(g) for g in groups]
        names = [str(j) for j in range(len(parts))]
        columns = [[f"{n}[{i}]" for i in range(p.shape[1])] for n, p in zip(names, parts,
                                                                           strict=True)]
        vc = sm.regression.mixed_linear_model.VCSpec(names, [[c] for c in columns],
                                                     [[p] for p in parts])
        result = sm.MixedLM(y, x, groups=np.zeros(len(y)), exog_vc=vc,
                            exog_re=None).fit(reml=True)
        return np.append(result.vcomp, result.scale)


def seconds(function, *arguments, repeats: int) -> float:
    taken = []
    for _ in range(repeats):
        start = time.perf_counter()
        function(*arguments)
        taken.append(time.perf_counter() - start)
    return float(np.median(taken))


def main() -> None:
    rows = []
    for name, case in {"split plot, 36 runs": split_plot(9, 4),
                       "split plot, 300 runs": split_plot(60, 5),
                       "crossed, 108 readings": crossed(10, 4, 3)}.items():
        a, b = ours(*case), theirs(*case)
        one, other = seconds(ours, *case, repeats=20), seconds(theirs, *case, repeats=5)
        rows.append((name, one * 1e3, other * 1e3, other / one, np.abs(a / b - 1).max()))
    print(pd.DataFrame(rows, columns=["case", "ours_ms", "theirs_ms", "ratio",
                                      "greatest_difference"]).round(5).to_string(index=False))


if __name__ == "__main__":
    main()
