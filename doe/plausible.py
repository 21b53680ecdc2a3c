"""Is this reading likely, given those of the other runs? Asked before it is kept."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import stats

from doe.responses import Response
from doe.wording import count, short

__all__ = ["likely", "question"]

EFFECTS = 6.0
"""Spread between runs that effects may cause, in run-to-run standard deviations."""
WEIGHT = 4
"""How many runs that expectation weighs as much as."""
USUAL_SD = 0.1
"""Run-to-run standard deviation where none is assumed, relative to the reading."""
COUNTED = 0.3
"""Spread that effects may cause in the logarithm of a count, or of the odds of a share, where no
standard deviation is assumed."""
BY_DIFFERENCE, BY_RATIO = 1e-4, 1e-3
"""Chance below which a reading is asked about. A corner where effects add up may lie far above
the rest, so differences are judged with more patience than ratios."""
LEFT_OUT = 1e-5
"""Chance below which a reading does not count among the others."""


@dataclass(frozen=True)
class _Look:
    """A scale to look at readings on, the spread expected there, and what chance is too small."""

    to: Callable[[np.ndarray], np.ndarray]
    back: Callable[[float], float]
    spread: float
    chance: float = BY_RATIO


def question(response: Response, value: float, others: Sequence[float], *,
             qualifier: str = "") -> str:
    """What to ask about a reading that is far from those of the other runs; "" if it is likely.

    Parameters
    ----------
    response : Response
    value : float
        In the response's unit.
    others : sequence of float
        Readings of the other runs. One beyond a detection limit counts as the limit.
    qualifier : {"", "<", ">"}
        A reading below the stated detection limit is never asked about for being low.

    Notes
    -----
    The rule: a reading is asked about if it lies outside `likely`. In 600 simulated studies of
    8 to 28 runs (3 to 5 factors, sparse main effects and interactions that reach some 20
    standard deviations, run-to-run standard deviation 2, 5 or 10 %), with readings judged as
    they come in, the share that is asked about was, in %:

    ===========  ==============  =====  ====  ====  =====
    readings     as they are     ÷ 100  ÷ 10  × 10  × 100
    ===========  ==============  =====  ====  ====  =====
    log scale    0.2             94     78    78    94
    as measured  0.2             99     87    98    100
    counts       0.3             76     59    66    94
    shares       0.2             79     70    63
    grades       0.2                          92    100
    ===========  ==============  =====  ====  ====  =====

    (slips from the fourth run on; counts of about 5, 20 or 80; ``tests/plausible_cases.py``).
    In 50 studies on the simulated mixer of `doe.practice`: 0.0 % of the voids, agglomerates
    and temperature rises as they are and 0.8 % of the settling. A tenth of a reading that may
    also be 0 or negative cannot be told from a small one, and is not asked about.
    """
    spans = likely(response, others)
    if not spans or (qualifier == "<" and response.detection_limit is not None
                     and value <= response.detection_limit):
        return ""
    low, high = spans
    if low <= value <= high:
        return ""
    unit = f" {response.unit}".rstrip()
    said = f"{response.label} {qualifier}{short(value, 6)}{unit}"
    if not len(others):
        return f"{said} is far from what is wanted, {response.specification}"
    least, greatest = (short(f(others)) for f in (min, max))
    seen = least if least == greatest else f"{least} to {greatest}"
    return (f"{said} is far from the {count(len(others), 'other reading')}, {seen}{unit}")


def likely(response: Response, others: Sequence[float]) -> tuple[float, float] | None:
    """The span within which one more reading is no surprise; None where nothing is known.

    Parameters
    ----------
    response : Response
    others : sequence of float
        If there are none, the target or a limit of the specification stands for one.

    Notes
    -----
    The predictive interval of a normal sample with a scaled inverse-χ² prior on its variance
    (Gelman et al., *Bayesian Data Analysis*, 3rd ed., section 3.3): Student's t about the mean
    of the others with a variance pooled from theirs and, with the weight of `WEIGHT` runs, the
    one expected where effects spread runs by `EFFECTS` times `Response.assumed_sd`. So it works
    with a single other run, and tightens as runs come in.

    Slips that are among the others do not widen it: starting from the half nearest the median,
    readings are taken in one after the other, until one is itself out of reach (a forward
    search; Atkinson & Riani, *Robust Diagnostic Regression Analysis*, 2000).

    The scale is that of the response: as it is, or logarithms for scale "log". What cannot be
    negative is also judged by its ratio to the others, since a tenth of a reading is near it on
    any other scale. Counts are judged by ratios and shares by odds, both with their sampling
    variance added; grades as they are, with an expected spread of 1.5 grades.
    """
    known = [float(v) for v in others]
    if not known:
        known = [v for v in (response.target, response.upper, response.lower) if v is not None][:1]
    if not known:
        return None
    low, high = -math.inf, math.inf
    for look in _looks(response, np.array(known)):
        ends = [look.back(v) for v in _span(look, np.array(known))]
        low, high = max(low, ends[0]), min(high, ends[1])
    return low, high


def _looks(response: Response, known: np.ndarray) -> list[_Look]:
    middle = float(np.median(known))
    sd = response.assumed_sd
    if response.kind == "ordinal":
        return [_Look(_same, _same, max(1.5, sd or 0.0))]
    if response.kind == "count":
        relative = sd / max(middle, 1.0) if sd and response.scale == "identity" else sd
        spread = math.hypot(EFFECTS * relative if relative else COUNTED,
                            1 / math.sqrt(max(middle, 1.0)))
        return [_Look(lambda v: np.log(v + 0.5), lambda v: _exp(v) - 0.5, spread)]
    if response.kind == "proportion":
        return [_shares(response, middle)]
    least = response.possible[0]
    by_ratio = (response.scale == "log" or (least is not None and least >= 0)) and (known > 0).all()
    looks = []
    if by_ratio:
        relative = sd if response.scale == "log" else sd / middle if sd else None
        looks.append(_Look(np.log, _exp, EFFECTS * (relative or USUAL_SD)))
    if response.scale == "identity" or not by_ratio:
        own = sd if response.scale == "identity" else None
        spread = EFFECTS * (own or USUAL_SD * abs(middle))
        if spread:
            looks.append(_Look(_same, _same, spread, BY_DIFFERENCE))
    return looks


def _shares(response: Response, middle: float) -> _Look:
    whole = response.whole
    tried = response.trials if isinstance(response.trials, float) else 100.0
    edge = 0.5 / tried  # none or all of them are half a piece away from it

    def to(v):
        p = np.clip(np.asarray(v) / whole, edge, 1 - edge)
        return np.log(p / (1 - p))

    p = float(np.clip(middle / whole, edge, 1 - edge))
    own = (response.assumed_sd or 0.0) / whole / (p * (1 - p))
    spread = math.hypot(EFFECTS * own if own else COUNTED, 1 / math.sqrt(tried * p * (1 - p)))

    def back(v):
        found = whole / (1 + _exp(-v))
        # The outermost share stands for all beyond it, which no data can tell apart.
        return 0.0 if found < edge * whole else whole if found > (1 - edge) * whole else found

    return _Look(to, back, spread)


def _span(look: _Look, readings: np.ndarray) -> tuple[float, float]:
    """Predictive interval for one more reading, on the scale of the look."""
    values = look.to(readings)
    near = values[np.argsort(np.abs(values - np.median(values)), kind="stable")]
    for taken in range(len(near) // 2 + 1, len(near) + 1):
        kept = near[:taken]
        middle, df = kept.mean(), WEIGHT + taken - 1
        scale = math.sqrt((WEIGHT * look.spread**2 + ((kept - middle)**2).sum()) / df
                          * (1 + 1 / taken))
        if taken < len(near) and abs(near[taken] - middle) > _quantile(LEFT_OUT, df) * scale:
            break
    reach = _quantile(look.chance, df) * scale
    return middle - reach, middle + reach


@lru_cache(maxsize=1024)
def _quantile(chance: float, df: int) -> float:
    return float(stats.t.isf(chance / 2, df))


def _same(value):
    return value


def _exp(value: float) -> float:
    return math.exp(min(value, 700.0))
