"""A recipe in sentences."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from doe.decision.desirability import overall
from doe.decision.surface import Stack, rotations, settings_text
from doe.programme import in_words
from doe.wording import digits, interval, join, percent, quantity

__all__ = ["LEAST_SHORTFALL", "averaged_over", "recipe_sentences"]

LEAST_SHORTFALL = "This is the setting with the least shortfall, not a recipe to release."
_ROUNDING = 1e-9


def recipe_sentences(stack, merit, reaches, settings, table, chosen, short, level, space,
                     set_up) -> list[str]:
    """What is to be run, what it promises and how far that can be trusted, in sentences."""
    region = stack.region
    run = settings_text(region, settings)
    speeds = {n: sources for n, *sources in rotations(settings)}
    varied = [n for n, sources in speeds.items() if set(sources) & set(region.names)]
    out = [f"Run at {run}{_rotation(settings, varied)}."]
    held = [in_words(n, v) for n, v in settings.items() if n not in (*region.names, *speeds)]
    if held:
        fixed = [n for n in speeds if n not in varied]
        out.append(f"Held as in every run: {join(held)}{_rotation(settings, fixed)}.")
    told = [n.replace("_", " ") for n in speeds]
    at_mixer = [f"{name} {text}" for name, text in set_up if name not in told]
    if at_mixer:
        out.append(f"At the mixer: {'; '.join(at_mixer)}.")
    out += averaged_over(stack)
    limited = table["specification"] != "no limits"
    value = f"overall desirability {digits(overall(table['desirability'], merit.weights), 2)}"
    if chosen.merit >= 0:
        what = (f"{percent(level)} prediction interval" if merit.secure else "predicted mean")
        out.append(f"Every {what} meets its specification; {value}." if limited.any() else
                   f"No response has specification limits; {value}.")
    else:
        out += _not_met(stack, merit, reaches, chosen, level)
    loose = table[limited & table["mean_inside"] & (table["interval_inside"] == False)]  # noqa: E712
    if len(loose):
        out.append(f"The {percent(level)} prediction interval of {join(loose['label'])} reaches "
                   "beyond the specification, so a single run may miss it.")
    unknown = table[table["interval_inside"].isna()]
    if len(unknown):
        out.append(f"The model of {join(unknown['label'])} leaves no degrees of freedom for error, "
                   "so how far a run may stray is not known.")
    if table["extrapolated"].any():
        out.append("This setting is outside what was run (extrapolation).")
    elif table["remote"].any():
        out.append(f"It is far from all runs for {join(table.loc[table['remote'], 'label'])}, so "
                   "the prediction leans on the model there.")
    if short is not None and not np.array_equal(short.encoded, chosen.encoded):
        quick = space.snap(space.frame(short.values[None], np.array([short.mix]))).iloc[0]
        out.append(f"The shortest setting that still serves: {settings_text(region, quick)}, "
                   f"overall desirability {digits(short.merit, 2)}.")
    if chosen.merit >= 0:
        out.append("Confirm it by runs before it is used.")
    return out


def averaged_over(stack: Stack) -> list[str]:
    """Over which levels of nuisance factors the predictions are averaged."""
    if not len(stack.mixes.columns):
        return []
    factors = {f.name: f for f in stack.every.factors}
    over = [f"{factors[n].label} ({join(_level(v) for v in values.unique())})"
            for n, values in stack.mixes.items()]
    return [f"Predictions are averages over {join(over)}, with equal weights, and a prediction "
            "interval is for a new run at any one of these, the variance between them included; "
            "a level that was not run may differ more."]


def _level(value) -> str:
    return value if isinstance(value, str) else f"{value:g}"


def _rotation(settings: Mapping, names: list[str]) -> str:
    """The rotation speeds that follow from settings just named."""
    speeds = [f"{n.replace('_', ' ')} {digits(settings[n])} rpm" for n in names]
    return f", so {join(speeds)}" if speeds else ""


def _not_met(stack, merit, reaches, chosen, level) -> list[str]:
    alone, together = [], []
    means, lows, highs = (v[0] for v in stack.intervals(chosen.encoded[None]))
    short = merit.shortfalls(chosen.encoded[None])[0]
    for r, response in enumerate(stack.responses):
        low, high = reaches[r]
        beyond = max(low - merit.upper[r], merit.lower[r] - high) / merit.scale[r]
        if beyond > _ROUNDING:
            nearest = low if low > merit.upper[r] else high
            alone.append(f"{response.label} (nearest in the region "
                         f"{quantity(nearest, response.unit)}, wanted {response.specification})")
        elif short[r] > 0:
            seen = (f"{interval(lows[r], highs[r])} {response.unit}".rstrip() if merit.secure
                    else quantity(means[r], response.unit))
            miss = quantity(short[r] * merit.scale[r], response.unit, 2)
            together.append(f"{response.label} ({seen}, wanted {response.specification}, missed "
                            f"by {miss})")
    out = []
    if alone:
        out.append(f"No setting in the region meets the specification of {join(alone)}.")
    elif merit.secure:
        out.append(f"No setting was found that keeps every {percent(level)} prediction interval "
                   "within its specification.")
    else:
        out.append("Each specification can be met, but no setting was found that meets all of "
                   "them together.")
    if together:
        out.append(f"Missed here: {join(together)}.")
    out.append(LEAST_SHORTFALL)
    return out
