"""Confirmation: do new runs at the recipe come out as the models said?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe.decision.recipe import Recipe
from doe.decision.surface import Stack, Surface, same_region
from doe.errors import InputError, as_number
from doe.wording import capitalise, count, digits, interval, join, percent, quantity

__all__ = ["Confirmation", "confirmation"]

OFF = 0.05
"""Distance from the recipe, in half-ranges, from which a run is said to have been elsewhere."""


@dataclass(frozen=True, eq=False)
class Confirmation:
    """Means of confirmation runs against what the models predict for them.

    Attributes
    ----------
    table : DataFrame
        One row a response: ``response, label, unit, runs, observed`` (their mean; geometric
        mean on a log scale), ``predicted, low, high`` (prediction interval for the mean of
        that many new runs), ``confirmed`` (None where it cannot be judged),
        ``specification, runs_inside`` (how many single runs meet it), ``mean_inside``.
    confirmed : bool or None
        True if every response that was measured is confirmed; None if none can be judged.
    meets_all : bool
        Whether every run met every specification, all responses measured.
    sentences : list of str
    level : float
    """

    table: pd.DataFrame
    confirmed: bool | None
    meets_all: bool
    sentences: list[str]
    level: float

    @property
    def sentence(self) -> str:
        """The verdict in words."""
        return " ".join(self.sentences)


def confirmation(recipe: Recipe, fits: Sequence, observed: pd.DataFrame,
                 level: float = 0.95) -> Confirmation:
    """Compare confirmation runs with the prediction interval for their mean.

    The interval for the mean of m new runs takes in the uncertainty of the model and, divided
    by m, the run-to-run variance (e.g. Montgomery, *Design and Analysis of Experiments*,
    on confirmation experiments).

    Parameters
    ----------
    recipe : Recipe
    fits : sequence of Fit, MixedFit or KindFit
    observed : DataFrame
        One row a run, with a column for each response; those not measured may be missing.
        If it has all factors' columns, they are the achieved settings, and the prediction
        is for these.
    level : float
        Of each response's interval by itself.

    Raises
    ------
    InputError
        If no response was measured, or a measurement cannot be used.
    """
    if not 0 < as_number("level", level) < 1:
        raise InputError("level", level, "it must lie between 0 and 1", "Use 0.95")
    every = same_region(fits)
    # Runs whose lot or position is on record are compared with the prediction for these.
    over = [n for n in every.nuisances if n not in recipe.settings and n not in observed]
    stack = Stack(fits, level, over)
    region = stack.region
    known = [n for n in region.names if n in recipe.settings]
    planned = pd.DataFrame([{n: recipe.settings[n] for n in known}] * len(observed),
                           index=observed.index)
    achieved = all(n in observed for n in region.names)
    planned = planned.join(observed[[n for n in region.names if n not in known]])
    if not any(np.isfinite(_measured(observed, f.response)).any() for f in fits):
        raise InputError("observed", list(observed.columns), "no response of the fits was measured",
                         "Give a column for: " + ", ".join(f.response.name for f in fits))
    rows = []
    for f, surface in zip(fits, stack.surfaces, strict=True):
        values = _measured(observed, f.response)
        present = np.isfinite(values)
        at = observed[region.names] if achieved else planned
        at = at.loc[present] if present.any() else at.head(1)
        rows.append(_compare(f, surface, values[present], region.encode(at), level))
    table = pd.DataFrame(rows)
    judged = [c for c in table["confirmed"] if c is not None]
    meets_all = bool((table["runs"] > 0).all() and (table["runs_inside"] == table["runs"]).all())
    sentences = [_sentence(row, f.response) for row, f in zip(rows, fits, strict=True)]
    sentences += _verdict(table, judged, meets_all, level)
    if achieved:
        off = np.abs(region.encode(observed[region.names]) - region.encode(planned)).max()
        if off > OFF:
            sentences.append("Some runs were made away from the recipe (up to "
                             f"{percent(off / 2)} of a factor's range); the predictions are for "
                             "the settings achieved, so the recipe itself is less well proven.")
    return Confirmation(table, all(judged) if judged else None, meets_all, sentences, level)


def _measured(observed: pd.DataFrame, response) -> np.ndarray:
    if response.name not in observed:
        return np.full(len(observed), np.nan)
    column = observed[response.name]
    values = pd.to_numeric(column, errors="coerce").to_numpy(float, na_value=np.nan)
    where = f"observed, column '{response.name}'"
    bad = column[np.isnan(values) & column.notna().to_numpy()]
    if len(bad):
        raise InputError(where, bad.iloc[0], "this is not a number",
                         "Give measurements as numbers, or leave the cell empty")
    if np.isinf(values).any():
        raise InputError(where, float(values[np.isinf(values)][0]), "it is not finite",
                         "Correct the measurement, or leave the cell empty")
    if response.scale == "log" and (values <= 0).any():
        raise InputError(where, float(values[values <= 0][0]), "it has no logarithm, and the model "
                         "is for the logarithm", "Give zeros as half the detection limit")
    return values


def _compare(fit, surface: Surface, values: np.ndarray, encoded: np.ndarray,
             level: float) -> dict:
    response, m = fit.response, len(values)
    # The mean of the runs is compared, so the model's columns are averaged over the runs.
    columns = surface.columns(encoded).mean(axis=0, keepdims=True)
    mean = columns @ surface.beta
    variance = surface.variance(columns) + surface.between(columns)
    low, high = (float(end[0]) for end in surface.limits(mean, variance, level, max(m, 1)))
    geometric = response.kind in ("continuous", "censored") and response.scale == "log"
    seen = float(np.exp(np.log(values).mean()) if geometric else values.mean()) if m else np.nan
    judged = bool(m and not np.isnan(low))
    return {"response": response.name, "label": response.label, "unit": response.unit, "runs": m,
            "observed": seen, "predicted": float(surface.response_scale(mean)[0]),
            "low": low, "high": high,
            "confirmed": bool(low <= seen <= high) if judged else None,
            "specification": response.specification,
            "runs_inside": sum(response.meets(v) for v in values),
            "mean_inside": response.meets(seen) if m else None}


def _sentence(row: dict, response) -> str:
    label, unit, m = capitalise(row["label"]), row["unit"], row["runs"]
    if not m:
        return f"{label} was not measured."
    unit_text = f" {unit}" if unit else ""
    what = "1 run" if m == 1 else f"the mean of {m} runs"
    text = f"{label}: {what} gave {digits(row['observed'])}{unit_text}, "
    if row["confirmed"] is None:
        text += (f"predicted {quantity(row['predicted'], unit)}; without degrees of freedom for "
                 "error this cannot be judged")
    else:
        text += (f"predicted {digits(row['predicted'])} ({interval(row['low'], row['high'])})"
                 f"{unit_text}: {'confirmed' if row['confirmed'] else 'NOT confirmed'}")
    if (response.lower, response.upper) != (None, None):
        text += (f"; {row['runs_inside']} of {count(m, 'run')} "
                 f"{'meets' if row['runs_inside'] == 1 else 'meet'} the specification "
                 f"({row['specification']})")
    return text + "."


def _verdict(table: pd.DataFrame, judged: list, meets_all: bool, level: float) -> list[str]:
    out = []
    if judged and all(judged):
        out.append("The models are confirmed at this setting." if len(judged) == len(table) else
                   "What could be judged is confirmed at this setting.")
    elif judged:
        off = table.loc[[c is False for c in table["confirmed"]], "label"]
        out.append(f"The model of {join(off)} is not confirmed: look for what changed, and fit "
                   "again with these runs before the recipe is used.")
        if len(judged) > 1:
            out.append(f"With {len(judged)} responses, chance alone puts at least one outside its "
                       f"{percent(level)} interval in about {percent(1 - level ** len(judged))} of "
                       "confirmations.")
    unmeasured = table.loc[table["runs"] == 0, "label"]
    if meets_all:
        out.append("Every run met every specification.")
    elif len(unmeasured):
        out.append(f"Whether {join(unmeasured)} meets its specification is still open.")
    else:
        missed = table.loc[table["runs_inside"] < table["runs"], "label"]
        out.append(f"Not every run met the specification of {join(missed)}.")
    return out
