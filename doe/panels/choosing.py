"""Move a setting and see every response follow; let the best setting be found."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import ipywidgets as widgets
import pandas as pd

from doe.analysis import Fit
from doe.brief import Brief
from doe.charts import contour, predictions_by_factor, surface
from doe.conclude import recommend
from doe.decision import Recipe
from doe.panels.base import Panel, labelled, reports_errors
from doe.tables import html_table

__all__ = ["ChoosingPanel"]

PREDICTIONS = {"response": "response", "mean": "predicted", "mean_low": "mean from",
               "mean_high": "to", "low": "one new run from", "high": "to", "wanted": "wanted",
               "met": "met"}


class ChoosingPanel(Panel):
    """Predict all responses at a setting.

    Parameters
    ----------
    fits : sequence or mapping of Fit
    brief : Brief
        Its mixer's increments are what the sliders move in; the recipe is for its vessel and
        material.

    Attributes
    ----------
    recipe : Recipe or None
        The best setting, once it was asked for.
    """

    def __init__(self, fits: Sequence[Fit] | Mapping[str, Fit], brief: Brief) -> None:
        super().__init__()
        self.fits = list(fits.values() if isinstance(fits, Mapping) else fits)
        self.brief = brief
        self.recipe: Recipe | None = None
        self.region = self.fits[0].region
        full = widgets.Layout(width="96%")
        self.sliders = {}
        for f in self.region.factors:
            settings = f.settings(61)
            middle = settings[len(settings) // 2]
            self.sliders[f.name] = widgets.SelectionSlider(
                options=[(v if isinstance(v, str) else f"{v:.4g}", v) for v in settings],
                value=middle, continuous_update=False, layout=full)
        numeric = [(f.label, f.name) for f in self.region.numeric]
        self.map = widgets.Dropdown(
            options=[("All responses against each factor", None),
                     *((f"{word} of {f.response.label}", (draw, f)) for f in self.fits
                       for word, draw in (("Map", contour), ("Surface", surface)))],
            layout=full)
        self.x = widgets.Dropdown(options=numeric, layout=full)
        self.y = widgets.Dropdown(options=numeric, value=numeric[min(1, len(numeric) - 1)][1],
                                  layout=full)
        self.find = widgets.Button(description="Find the best setting", button_style="primary",
                                   layout=full)
        self.arrange([*(labelled(f.title, self.sliders[f.name]) for f in self.region.factors),
                      self.find, labelled("Chart", self.map),
                      labelled("Across", self.x), labelled("Up", self.y)])
        self._quiet = False
        for control in (*self.sliders.values(), self.map, self.x, self.y):
            control.observe(self._changed, "value")
        self.find.on_click(lambda _: self.find_best())
        self.update()

    @property
    def settings(self) -> pd.DataFrame:
        """The setting now chosen, as the mixer can make it; one row."""
        chosen = pd.DataFrame([{name: s.value for name, s in self.sliders.items()}])
        return self.brief.mixer.snap(chosen, self.region)

    def predictions(self) -> pd.DataFrame:
        """One row a response: predicted, with intervals and specification."""
        settings, rows = self.settings, []
        for f in self.fits:
            p = f.predict(settings).iloc[0]
            r = f.response
            rows.append({"response": r.title, **{k: p[k] for k in ("mean", "mean_low", "mean_high",
                                                                   "low", "high")},
                         "wanted": r.specification, "met": _met(r, p),
                         "extrapolated": bool(p["extrapolated"])})
        return pd.DataFrame(rows)

    @reports_errors
    def update(self) -> None:
        """Predict at the setting now chosen and draw the chart now chosen."""
        settings, table = self.settings, self.predictions()
        row = settings.iloc[0]
        said = ", ".join(f"{f.label} {_shown(row[f.name])} {f.unit}".rstrip()
                         for f in self.region.factors)
        failing = [t.response for t in table.itertuples() if t.met.startswith("no")]
        verdict = ("every specification is met by the predicted value." if not failing else
                   "not met: " + ", ".join(failing) + ".")
        notes = ["This setting is outside what was run: the numbers are extrapolated."
                 ] if table["extrapolated"].any() else []
        notes += self.region.violations(settings)
        self.tell([f"At {said}: {verdict}", *notes])
        self.details.value = html_table(table, PREDICTIONS, numbers="each")
        self.status.value = ""
        if self.map.value is not None:
            draw, chosen = self.map.value
            fixed = {n: row[n] for n in self.region.names if n not in (self.x.value, self.y.value)}
            self.draw(draw(chosen, self.x.value, self.y.value, fixed))
        else:
            self.draw(predictions_by_factor(self.fits, dict(row)))

    @reports_errors
    def find_best(self) -> None:
        """Find the best setting and move there."""
        self.recipe = recommend(self.brief, {f.response.name: f for f in self.fits})
        self._quiet = True
        for name, slider in self.sliders.items():
            value = self.recipe.settings[name]
            known = [v for _, v in slider.options]
            if value not in known:
                # The sliders show a selection of the settable values; this one joins them.
                slider.options = [(f"{v:.4g}", v) for v in sorted([*known, value])]
            slider.value = value
        self._quiet = False
        self.update()
        self.say(self.recipe.sentence)

    def _changed(self, _change) -> None:
        if not self._quiet:
            self.update()


def _met(response, prediction) -> str:
    if not response.meets(prediction["mean"]):
        return "no"
    sure = response.meets(prediction["low"]) and response.meets(prediction["high"])
    return "yes, and its interval too" if sure else "yes, but a single run may miss it"


def _shown(value) -> str:
    return value if isinstance(value, str) else f"{value:.4g}"
