"""Main effects first, then second-order effects, for plans of mirrored pairs of runs.

In definitive screening, and in any plan where each run has its mirror image about the centre, the
differences within pairs hold the main effects and nothing of second order, and the sums hold
the second-order effects and nothing of the main effects. What the main effects leave of the
differences (the fake factors of a plan with more pairs than factors) and repeated settings
measure noise alone, whatever the second-order effects are.

References
----------
Jones, B. & Nachtsheim, C. J. (2017). Effective design-based model selection for definitive
screening designs. *Technometrics* 59, 319–329.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from math import comb

import numpy as np
import pandas as pd
from scipy import stats

from doe import terms as model_terms
from doe import wording
from doe.analysis.anova import SAME_SETTING
from doe.analysis.choosing import Candidates, check_least_squares
from doe.analysis.gram import (
    GREATEST_COUNT,
    GREATEST_TERMS,
    Reduced,
    residual_sums,
    residual_sums_of,
    subsets,
)
from doe.analysis.lenth import LEAST_EFFECTS, judge_effects
from doe.analysis.model import Fit
from doe.errors import InputError, as_choice
from doe.terms import INTERCEPT, Term, standard_terms

__all__ = ["TwoStage", "mirrored_pairs", "two_stage"]

HEREDITIES = ("strong", "weak")

SECOND_STAGE_ALPHA = 0.20
"""Level of the test whether second-order effects are still to be found (Jones & Nachtsheim 2017,
from memory): high, since stopping early leaves real effects in the noise."""

_NO_STEPS = pd.DataFrame({"terms": [], "label": [], "F": [], "df": [], "p": []})


@dataclass(frozen=True, eq=False)
class TwoStage:
    """Terms chosen in two stages.

    Attributes
    ----------
    start : Fit
        The fit whose runs were used.
    table : DataFrame
        The effects judged: ``stage`` (1: main effects, 2: second order), ``term, label,
        coefficient, standard_error, p, kept``. Stage 2 lists what was taken up only.
    steps : DataFrame
        Second stage: ``terms`` (number), ``label, F, df, p`` of the test whether the sums hold more
        than these terms and noise.
    best : tuple of Term
        The terms chosen, intercept first.
    sigma, df : float, int
        Standard deviation of the noise and its degrees of freedom as used in the second stage.
    df_clear : int
        Degrees of freedom that no effect of first or second order touches.
    alpha : float
        Level of the tests of main effects.
    leak : float
        Largest correlation of a main effect with a second-order effect; 0 if settings are exact.
    """

    start: Fit
    table: pd.DataFrame
    steps: pd.DataFrame
    best: tuple[Term, ...]
    sigma: float
    df: int
    df_clear: int
    alpha: float
    leak: float

    @cached_property
    def fit(self) -> Fit:
        """The chosen terms, all fitted together, marked as chosen from the data."""
        return self.start.refit(self.best, selection="two stages: main effects, then second order "
                                                     "under heredity")

    @property
    def sentence(self) -> str:
        """What each stage found, and by what measure of noise."""
        start, table = self.start, self.table
        one = table[table["stage"] == 1]
        kept = list(one.loc[one["kept"], "label"])
        text = "First stage: "
        if self.df_clear:
            text += (f"noise is measured by {wording.count(self.df_clear, 'degree')} of freedom "
                     "that no main or second-order effect touches; ")
        else:
            text += ("no degrees of freedom are free of all effects, so main effects were judged "
                     "by their own spread (Lenth), which misses them if more than half are real; ")
        text += (f"{wording.join(kept)} {'is' if len(kept) == 1 else 'are'} beyond noise"
                 if kept else "no main effect is beyond noise")
        text += f" (at {100 * self.alpha:g} %)." if self.df_clear else "."
        second = list(table.loc[table["stage"] == 2, "label"])
        if not kept:
            return text + " So no second-order effect was looked for."
        if not self.df:
            return text + (" With no noise estimate left, second-order effects were not looked "
                           "for.")
        text += " Second stage: "
        last = self.steps.iloc[-1]
        if second:
            text += f"of the second-order effects, {wording.join(second)} "
            text += f"{'was' if len(second) == 1 else 'were'} taken up"
        else:
            text += "no second-order effect is called for"
        if np.isfinite(last["p"]):
            text += (f"; what is left {'exceeds' if last['p'] < SECOND_STAGE_ALPHA else 'fits'} "
                     f"noise ({wording.p_value(last['p'])})")
        text += "."
        if np.isfinite(last["p"]) and last["p"] < SECOND_STAGE_ALPHA:
            text += (" There are more second-order effects than these runs can name; add runs "
                     "before trusting them.")
        if self.leak > 0.1:
            text += (" Achieved settings are no exact mirror images: main and second-order effects "
                     f"correlate by up to {wording.fixed(self.leak, 2)}, so the stages are not "
                     "quite apart.")
        if start.log_scale:
            text += " All of this is on the logarithmic scale."
        return text


def mirrored_pairs(coded: np.ndarray, blocks: np.ndarray | None = None,
                   tolerance: float = 0.1) -> tuple[np.ndarray, np.ndarray]:
    """Match runs with their mirror images about the centre.

    Parameters
    ----------
    coded : ndarray, shape (n, q)
    blocks : ndarray, optional
        Pairs are sought within blocks.
    tolerance : float
        Greatest departure from the mirror image, in half-ranges.

    Returns
    -------
    pairs : ndarray of int, shape (c, 2)
    single : ndarray of int
        Runs without a partner; centre points are their own mirror images and stay single.
    """
    n, codes = len(coded), np.zeros(len(coded)) if blocks is None else blocks
    centre = np.abs(coded).max(axis=1) <= tolerance
    apart = np.abs(coded[:, None] + coded[None]).max(axis=2)
    apart[codes[:, None] != codes[None]] = np.inf
    apart[centre] = apart[:, centre] = np.inf
    np.fill_diagonal(apart, np.inf)
    pairs, used = [], np.zeros(n, bool)
    for flat in np.argsort(apart, axis=None, kind="stable"):
        i, j = divmod(int(flat), n)
        if apart[i, j] > tolerance:
            break
        if not used[i] and not used[j]:
            pairs.append((min(i, j), max(i, j)))
            used[[i, j]] = True
    return np.array(sorted(pairs), int).reshape(-1, 2), np.flatnonzero(~used)


def two_stage(fit: Fit, *, alpha: float | None = None, heredity: str = "strong") -> TwoStage:
    """Choose main effects, then second-order effects that obey heredity.

    Parameters
    ----------
    fit : Fit
        Its runs, response and blocks are used, whatever its terms.
    alpha : float, optional
        Level of the tests of main effects. By default 0.05; with two clear degrees of freedom 0.10,
        with one 0.20, since stricter tests would hardly find anything (after Jones & Nachtsheim
        2017, from memory).
    heredity : {"strong", "weak"}
        An interaction needs both its main effects, or one; a square needs its main effect.

    Returns
    -------
    TwoStage

    Notes
    -----
    First stage: differences within mirrored pairs are regressed on the main effects. Noise is
    estimated from what is left of them and from repeated settings in the sums; main effects within
    noise are then pooled with it. Second stage: among the sums, the best set of one, two, ...
    second-order effects is taken, until an F-test at 20 % finds no more than noise in what is
    left, or half of the sums' degrees of freedom are used up.

    Raises
    ------
    InputError
        If the runs are not mirrored pairs, or cannot estimate the main effects.
    """
    check_least_squares(fit)
    as_choice("heredity", heredity, HEREDITIES)
    if alpha is not None and not 0 < alpha < 1:
        raise InputError("alpha", alpha, "it must lie between 0 and 1", "Use 0.05")
    region, data = fit.region, fit.data
    coded = region.encode(data)
    wide = [f.label for f in region.factors if not f.is_numeric and len(f.levels) > 2]
    codes = None if fit.blocks is None else pd.factorize(fit.blocks)[0]
    pairs, single = mirrored_pairs(coded, codes)
    mains = [Term(n) for n in region.names]
    if wide or len(pairs) < len(mains) or len(single) > len(pairs):
        raise InputError("fit", wide or len(pairs), "these runs are not mirrored pairs about the "
                         "centre, which this analysis needs", "Use search instead")
    y = np.asarray(fit.shifted.model.endog)
    differences, sums = _halves(y[:, None], pairs, single)
    x_odd, x_even = _halves(coded, pairs, single)
    if np.linalg.matrix_rank(x_odd, tol=1e-6 * np.sqrt(len(x_odd))) < len(mains):
        raise InputError("fit", len(pairs), "the pairs cannot tell the main effects apart",
                         "Use search instead")
    b, rest = _least_squares(x_odd, differences[:, 0])
    sums = sums[:, 0] - x_even @ b
    pure = _pure_error(sums, coded, pairs, single, codes)
    df_clear = len(pairs) - len(mains) + pure[1]
    spread = np.sqrt(np.diag(np.linalg.inv(x_odd.T @ x_odd)))
    noise = float(np.sqrt((rest + pure[0]) / df_clear)) if df_clear else np.nan
    p, keep, alpha = _judge(fit, b, spread, noise, df_clear, alpha)
    # Main effects within noise measure noise themselves.
    _, rest = _least_squares(x_odd[:, keep], differences[:, 0])
    df = len(pairs) - int(keep.sum()) + pure[1]
    sigma = float(np.sqrt((rest + pure[0]) / df)) if df else np.nan
    rows = [{"stage": 1, "term": str(t), "label": t.label(region), "coefficient": b[j],
             "standard_error": noise * spread[j], "p": p[j], "kept": bool(keep[j])}
            for j, t in enumerate(mains)]
    active = [t for t, there in zip(mains, keep, strict=True) if there]
    second, steps = [], _NO_STEPS
    if active and df:
        found, steps = _second_stage(fit, sums, pairs, single, active, heredity, pure, sigma, df)
        second = [t for t, *_ in found]
        rows += [{"stage": 2, "term": str(t), "label": t.label(region), "coefficient": value,
                  "standard_error": error, "p": chance, "kept": True}
                 for t, value, error, chance in found]
    return TwoStage(fit, pd.DataFrame(rows), steps, (INTERCEPT, *active, *second), sigma, df,
                    df_clear, alpha, _leak(fit, mains))


def _least_squares(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, float]:
    """Coefficients, and the residual sum of squares (none without degrees of freedom)."""
    if not x.shape[1]:
        return np.zeros(0), float(y @ y)
    b, *_ = np.linalg.lstsq(x, y, rcond=None)
    return b, float(np.sum((y - x @ b) ** 2)) if len(y) > x.shape[1] else 0.0


def _halves(rows: np.ndarray, pairs: np.ndarray, single: np.ndarray
            ) -> tuple[np.ndarray, np.ndarray]:
    """Differences and sums of pairs over √2, single runs after the sums: a rotation, so that
    noise stays as it is."""
    one, other = rows[pairs[:, 0]], rows[pairs[:, 1]]
    return ((one - other) / np.sqrt(2),
            np.vstack([(one + other) / np.sqrt(2), rows[single]]))


def _pure_error(sums: np.ndarray, coded: np.ndarray, pairs: np.ndarray, single: np.ndarray,
                codes: np.ndarray | None) -> tuple[float, int]:
    """Sum of squares and degrees of freedom between sums at the same setting and block."""
    keys: dict[object, list[float]] = {}
    half = coded[pairs[:, 0]]
    lead = np.argmax(np.abs(half) > 0.5, axis=1)
    lead = half[np.arange(len(half)), lead]
    half = half * np.where(lead < 0, -1.0, 1.0)[:, None]  # a pair reads the same either way round
    kind = np.r_[np.zeros(len(pairs), int), np.ones(len(single), int)]
    place = np.vstack([half, coded[single]])
    block = (np.zeros(len(sums), int) if codes is None
             else np.r_[codes[pairs[:, 0]], codes[single]])
    groups: list[tuple[np.ndarray, int, int]] = []
    for i in range(len(sums)):
        for k, (at, what, where) in enumerate(groups):
            if (what == kind[i] and where == block[i]
                    and np.abs(at - place[i]).max() <= SAME_SETTING):
                keys[k].append(float(sums[i]))
                break
        else:
            keys[len(groups)] = [float(sums[i])]
            groups.append((place[i], int(kind[i]), int(block[i])))
    ss = sum(float(np.sum((np.array(v) - np.mean(v)) ** 2)) for v in keys.values())
    return ss, len(sums) - len(keys)


def _judge(fit: Fit, b: np.ndarray, spread: np.ndarray, noise: float, df: int,
           alpha: float | None) -> tuple[np.ndarray, np.ndarray, float]:
    """p-values of main effects, which are kept, and the level used."""
    if df:
        level = alpha if alpha is not None else {1: 0.20, 2: 0.10}.get(df, 0.05)
        with np.errstate(divide="ignore", invalid="ignore"):
            p = 2 * stats.t.sf(np.abs(b) / (noise * spread), df)
        return p, p < level, level
    if len(b) < LEAST_EFFECTS:
        raise InputError("fit", fit.response.name, "nothing measures noise in these runs",
                         "Repeat the centre point, or add pairs of runs")
    level, names = alpha or 0.05, [str(j) for j in range(len(b))]
    lenth = judge_effects(b, terms=names, scales=spread, alpha=level)
    beyond = lenth.table.set_index("term")["active"]
    return np.full(len(b), np.nan), beyond[names].to_numpy(), level


def _second_stage(fit: Fit, sums: np.ndarray, pairs: np.ndarray, single: np.ndarray,
                  active: list[Term], heredity: str, pure: tuple[float, int], sigma: float,
                  df: int) -> tuple[list[tuple[Term, float, float, float]], pd.DataFrame]:
    """Guided subset selection among the second-order effects that heredity allows."""
    names = {t.names[0] for t in active}
    wanted = [t for t in standard_terms(fit.region, "quadratic") if t.order == 2 and (
        set(t.names) <= names if heredity == "strong" else set(t.names) & names)]
    if not wanted:
        return [], _NO_STEPS
    pool = Candidates.of(fit, wanted)
    _, base = _halves(pool.base, pairs, single)
    _, columns = _halves(pool.columns, pairs, single)
    room = len(sums) - int(np.linalg.matrix_rank(base)) - pure[1]
    members, rows = np.zeros(len(wanted), bool), []
    leaders = _leaders(Reduced.of(base, columns, sums), min(max(room, 0) // 2, len(wanted)))
    for size, (leader, rest) in enumerate(leaders):
        members, left = leader, room - size
        f = max(rest - pure[0], 0.0) / left / sigma**2 if left else np.nan
        p = float(stats.f.sf(f, left, df)) if left else np.nan
        rows.append({"terms": size, "F": f, "df": left, "p": p,
                     "label": wording.join(t.label(fit.region) for t, there in
                                           zip(pool.terms, leader, strict=True) if there)})
        if not p < SECOND_STAGE_ALPHA:
            break
    matrix, count = np.hstack([base, columns[:, members]]), int(members.sum())
    b, *_ = np.linalg.lstsq(matrix, sums, rcond=None)
    spread = np.sqrt(np.diag(np.linalg.pinv(matrix.T @ matrix)))
    b, spread = b[len(b) - count:], spread[len(spread) - count:]
    chance = 2 * stats.t.sf(np.abs(b) / (sigma * spread), df)
    chosen = [t for t, there in zip(pool.terms, members, strict=True) if there]
    return (list(zip(chosen, b, sigma * spread, chance, strict=True)),
            pd.DataFrame(rows)[list(_NO_STEPS)])


def _leaders(data: Reduced, most: int) -> Iterator[tuple[np.ndarray, float]]:
    """The best set of each size from none to `most`, and its residual sum of squares: of all
    sets, or, where these are too many, one effect more than the last."""
    m = len(data.columns)
    if m <= GREATEST_TERMS and sum(comb(m, k) for k in range(most + 1)) <= GREATEST_COUNT:
        sets = subsets(((),) * m, (1,) * m, need_all=True, most_columns=most)
        value = residual_sums(data, sets)[:, 0]
        for size in range(most + 1):
            places = np.flatnonzero((sets.columns == size) & np.isfinite(value))
            if not len(places):
                return
            best = places[np.argmin(value[places])]
            yield sets.members(np.array([best]))[0], float(value[best])
        return
    member, rest = np.zeros(m, bool), float(data.total[0])
    for _ in range(most + 1):
        yield member, rest
        trials = (member | np.eye(m, dtype=bool))[~member]
        value = residual_sums_of(data, trials.T[..., None])[:, 0]
        if not np.isfinite(value).any():
            return
        best = int(np.nanargmin(value))
        member, rest = trials[best], float(value[best])


def _leak(fit: Fit, mains: list[Term]) -> float:
    """Largest correlation of a main effect with a second-order effect."""
    second = [t for t in standard_terms(fit.region, "quadratic") if t.order == 2]
    encoded = fit.region.encode(fit.data)
    one, two = (model_terms.expand(encoded, model_terms.exponents(fit.region, terms)[0])
                for terms in (mains, second))
    one, two = one - one.mean(axis=0), two - two.mean(axis=0)
    length = np.outer(np.linalg.norm(one, axis=0), np.linalg.norm(two, axis=0))
    return float(np.abs(np.divide(one.T @ two, length, where=length > 1e-9,
                                  out=np.zeros_like(length))).max(initial=0.0))
