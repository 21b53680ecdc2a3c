"""Judging the effects of unreplicated plans by their own spread.

References
----------
Lenth, R. V. (1989). Quick and easy analysis of unreplicated factorials. *Technometrics*
31, 469–473.
Ye, K. Q. & Hamada, M. (2000). Critical values of the Lenth method for unreplicated
factorial designs. *Journal of Quality Technology* 32, 57–66.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd

from doe import wording
from doe.errors import InputError

__all__ = ["Lenth", "critical_values", "judge_effects", "pseudo_standard_error"]

LEAST_EFFECTS = 3
SEED = 1989
DRAWS = 200_000


@dataclass(frozen=True, eq=False)
class Lenth:
    """Effects against margins from their own spread.

    Attributes
    ----------
    table : DataFrame
        ``term, label, effect, pse, margin, simultaneous_margin, active, surely_active``, greatest
        effect first. `active`: beyond the margin, which noise alone would pass once
        in 20 effects; `surely_active`: beyond the simultaneous margin, which noise alone
        would pass in one study out of 20.
    pse : float
        Pseudo standard error of an effect (of the median one, where they differ).
    critical, critical_simultaneous : float
        Multiples of the pseudo standard error, by simulation.
    alpha : float
    draws, seed : int
        Of the simulation.
    equal_precision : bool
        False if the effects are not orthogonal with equal variance; the margins are then
        approximate.
    """

    table: pd.DataFrame
    pse: float
    critical: float
    critical_simultaneous: float
    alpha: float
    draws: int
    seed: int
    equal_precision: bool = True

    @property
    def sentence(self) -> str:
        """Which effects stand out, and by what measure."""
        table, unit = self.table, self.table.attrs.get("unit", "")
        active = list(table.loc[table["active"], "label"])
        who = (f"{wording.capitalise(wording.join(active))} "
               f"{'stands' if len(active) == 1 else 'stand'} out" if active
               else "No effect stands out")
        text = (f"{who} from the spread of the {len(table)} effects (pseudo standard error "
                f"{wording.quantity(self.pse, unit)}, margin "
                f"{wording.quantity(self.pse * self.critical, unit)}).")
        if not self.equal_precision:
            text += " The effects differ in precision or are correlated, so the margin is rough."
        return text


def pseudo_standard_error(effects: Sequence[float]) -> float:
    """Lenth's pseudo standard error: 1.5 times the median size of the smaller effects.

    Effects beyond 2.5 times a first estimate are left out as real. The median of all
    effects decides whether the method works: at most about half of them may be real.
    """
    return float(_pse(np.abs(np.asarray(effects, float))[None, :])[0])


def _pse(sizes: np.ndarray) -> np.ndarray:
    """Row-wise pseudo standard error of absolute effects; (k, m) gives (k,)."""
    ordered = np.sort(sizes, axis=1)
    first = 1.5 * _median(ordered, np.full(len(ordered), ordered.shape[1]))
    kept = (ordered < 2.5 * first[:, None]).sum(axis=1)
    # All zero: nothing lies below 2.5 × 0, and the standard error is 0.
    return 1.5 * _median(ordered, np.maximum(kept, 1))


def _median(ordered: np.ndarray, kept: np.ndarray) -> np.ndarray:
    rows = np.arange(len(ordered))
    return (ordered[rows, (kept - 1) // 2] + ordered[rows, kept // 2]) / 2


@lru_cache(maxsize=64)
def critical_values(m: int, alpha: float = 0.05, draws: int = DRAWS,
                    seed: int = SEED) -> tuple[float, float]:
    """Multiples of the pseudo standard error that noise alone passes with chance `alpha`.

    Parameters
    ----------
    m : int
        Number of effects.
    alpha : float
        Chance for any one effect (first value) and for at least one of them (second).
    draws, seed : int
        Simulated studies and the seed.

    Notes
    -----
    Lenth's own values, Student's t on m/3 degrees of freedom, are too large for one
    effect (Ye & Hamada 2000); simulation is exact up to its own noise, below 1 % with
    the default number of draws.
    """
    if m < LEAST_EFFECTS:
        raise InputError("effects", m, f"at least {LEAST_EFFECTS} effects are needed to judge them "
                         "by their spread", "Repeat some runs instead")
    rng = np.random.default_rng(seed)
    ratios, greatest = [], []
    for size in _portions(draws, max(1, 1_000_000 // m)):
        sizes = np.abs(rng.standard_normal((size, m)))
        scaled = sizes / _pse(sizes)[:, None]
        greatest.append(scaled.max(axis=1))
        ratios.append(scaled.ravel())
    return (float(np.quantile(np.concatenate(ratios), 1 - alpha)),
            float(np.quantile(np.concatenate(greatest), 1 - alpha)))


def _portions(total: int, portion: int) -> list[int]:
    return [min(portion, total - start) for start in range(0, total, portion)]


def judge_effects(effects: Sequence[float], labels: Sequence[str] | None = None,
                  terms: Sequence[str] | None = None, *, scales: Sequence[float] | None = None,
                  correlated: bool = False, alpha: float = 0.05, draws: int = DRAWS,
                  seed: int = SEED, unit: str = "") -> Lenth:
    """Lenth's method on a set of effects.

    Parameters
    ----------
    effects : sequence of float
    labels, terms : sequence of str, optional
        How people and formulas call them.
    scales : sequence of float, optional
        Standard errors relative to each other where they are not equal.
    correlated : bool
        True if the effects are not orthogonal, so that margins are approximate.
    alpha, draws, seed
        As in `critical_values`.
    unit : str
        For the sentence.

    Raises
    ------
    InputError
        If there are fewer than three effects.
    """
    effects = np.asarray(effects, float)
    scales = np.ones(len(effects)) if scales is None else np.asarray(scales, float)
    critical, simultaneous = critical_values(len(effects), alpha, draws, seed)
    pse = pseudo_standard_error(effects / scales) * scales
    labels = list(labels) if labels is not None else [f"effect {i + 1}"
                                                      for i in range(len(effects))]
    table = pd.DataFrame({
        "term": list(terms) if terms is not None else labels, "label": labels, "effect": effects,
        "pse": pse, "margin": critical * pse, "simultaneous_margin": simultaneous * pse,
    })
    table["active"] = np.abs(effects) > table["margin"]
    table["surely_active"] = np.abs(effects) > table["simultaneous_margin"]
    table = table.sort_values("effect", key=np.abs, ascending=False, ignore_index=True)
    table.attrs["unit"] = unit
    equal = bool(np.allclose(scales, scales[0], rtol=0.05)) and not correlated
    return Lenth(table, float(np.median(pse)), critical, simultaneous, alpha, draws, seed, equal)
