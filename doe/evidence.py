"""What is shown of a fit, whatever its kind: its tables, and the charts it can fill."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import plotly.graph_objects as go

from doe import charts
from doe.analysis import Fit, MixedFit
from doe.brief import Brief
from doe.decision import Recipe
from doe.decision.recipe import LEAST_SHORTFALL
from doe.tables import Table
from doe.wording import digits, join

__all__ = ["choice_sentences", "drawings", "effects_table", "further", "tests_table"]

EFFECTS = {"label": "term", "effect": "effect", "effect_low": "95 % from", "effect_high": "to",
           "p": "p"}
VARIANCE = {"source": "source", "df": "df", "sum_of_squares": "sum of squares",
            "mean_square": "mean square", "F": "F", "p": "p"}
COMPONENTS = {"label": "source of scatter", "sd": "standard deviation", "share": "share"}


def drawings(f) -> dict[str, Callable[[object], go.Figure]]:
    """The charts a fit can fill, by name, the most telling first."""
    if isinstance(f, Fit):
        found = {"Effects in order of size": charts.ordered_effects,
                 "Half-normal plot": charts.half_normal, "Main effects": charts.main_effects,
                 "Interactions": charts.interactions}
    elif isinstance(f, MixedFit):
        found = {"Effects in order of size": charts.ordered_effects,
                 "Main effects": charts.main_effects, "Interactions": charts.interactions}
    else:
        found = {"Leeway": lambda fit: charts.leeway([fit])}
    found |= {"Residuals": charts.residual_panel,
              "Residuals along factors": charts.residuals_by_factor}
    effects = [t for t in f.terms if t.powers]
    if not any(len(t.names) > 1 for t in effects):
        found.pop("Interactions", None)
    if not effects:
        found = {k: v for k, v in found.items() if k.startswith(("Residuals", "Leeway"))}
    return found


def choice_sentences(recipe: Recipe, brief: Brief, unfitted: Iterable[str] = ()) -> list[str]:
    """The sentences of a recipe: first that it is none to release, if so, and last what it could
    not look at, having no model."""
    out = list(recipe.sentences)
    if not recipe.meets_all:
        out = ["No setting was found that meets every specification; this is the one that comes "
               "nearest, not a recipe to release.", *(s for s in out if s != LEAST_SHORTFALL)]
    labels = [brief.response(name).label for name in unfitted]
    return out + ([f"Left out of the choice, having no model: {join(labels)}."] if labels else [])


def further(f) -> list[str]:
    """What is said of a fit after its first sentence, without what that says already."""
    return [s for s in f.sentences[1:] if s not in f.sentence]


def effects_table(f) -> Table:
    """Each term's effect with its interval; those beyond noise stand out."""
    active = {str(t) for t in f.active}
    rows = f.table[f.table["term"] != "1"]
    if isinstance(f, (Fit, MixedFit)):
        caption = ("Factor by which the response is multiplied from low to high" if f.log_scale
                   else "Change of the response from low to high")
    else:
        caption = f"Effect from low to high: {f.effect_unit or 'change'}"
    return Table(rows, EFFECTS, caption=caption, marked=[s in active for s in rows["source"]])


def tests_table(f) -> Table:
    """The tests of the terms, with how well the model fits."""
    if isinstance(f, Fit):
        quality = (f"R² {digits(f.r2, 2)}, adjusted {digits(f.r2_adjusted, 2)}, predicted "
                   f"{digits(f.r2_predicted, 2)}; residual standard deviation {digits(f.sigma, 2)}"
                   + (" on the log scale" if f.log_scale else f" {f.response.unit}".rstrip())
                   + f" with {f.df_error} degrees of freedom.")
        return Table(f.anova.table, VARIANCE, caption=f"Analysis of variance. {f.anova.sentence} "
                     + quality)
    if isinstance(f, MixedFit):
        return Table(f.anova.table.drop(columns="term"), caption=f.anova.sentence)
    return Table(f.tests.drop(columns="term"), caption="What the fit would lose without each term")
