"""Move a setting and see every response follow; let the best setting be found."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import ipywidgets as widgets
import numpy as np
import pandas as pd

from doe.analysis import Fit
from doe.brief import Brief
from doe.charts import contour, curve, leeway, surface
from doe.conclude import recommend
from doe.decision import Recipe
from doe.evidence import choice_sentences
from doe.factors import Factor, Region
from doe.panels.base import Panel, labelled, reports_errors
from doe.programme import quantity_of, setting_of, step_of
from doe.tables import html_table

__all__ = ["ChoosingPanel"]

PREDICTIONS = {"response": "response", "mean": "predicted", "mean_low": "mean from",
               "mean_high": "to", "low": "one new run from", "high": "to", "wanted": "wanted",
               "met": "met"}
LEEWAY = "leeway"
MAPS = {"Map": contour, "Surface": surface}
MOST_STOPS = 301


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
        self.unfitted = getattr(fits, "unfitted", {})
        self.brief = brief
        self.recipe: Recipe | None = None
        self.region = self.fits[0].region
        full = widgets.Layout(width="96%")
        self.sliders: dict[str, widgets.SelectionSlider] = {}
        # A ratio's stops hang on the revolution chosen, so those come last.
        for f in sorted(self.region.factors, key=self._speed_of):
            stops = self._stops(f)
            self.sliders[f.name] = widgets.SelectionSlider(
                options=stops, value=stops[len(stops) // 2][1], continuous_update=False,
                layout=full)
        numeric = [(f.label, f.name) for f in self.region.numeric]
        # Options are plain names: a value of None or a function shows as an empty drop-down.
        self.maps = {f"{word} {f.response.name}": (draw, f) for f in self.fits
                     for word, draw in MAPS.items()} if len(numeric) > 1 else {}
        self.curves = {f"Curve {f.response.name}": f for f in self.fits} if numeric else {}
        self.x = widgets.Dropdown(options=numeric, layout=full)
        self.y = widgets.Dropdown(options=numeric, layout=full)
        if len(numeric) > 1:
            self.y.index = 1
        self.map = widgets.Dropdown(options=self._charts(), layout=full)
        self.find = widgets.Button(description="Find the best setting", button_style="primary",
                                   layout=full)
        self.arrange([*(labelled(f.title, self.sliders[f.name]) for f in self.region.factors),
                      self.find, labelled("Chart", self.map),
                      labelled("Horizontal axis", self.x), labelled("Vertical axis", self.y)])
        for name, slider in self.sliders.items():
            self.on_change(slider, lambda _, name=name: self._moved(name))
        self.on_change(self.map, lambda _: self.update())
        self.on_change(self.x, lambda change: self._axis_changed(change, self.y))
        self.on_change(self.y, lambda change: self._axis_changed(change, self.x))
        self.on_click(self.find, self.find_best)
        self.update()

    def _charts(self) -> list[tuple[str, str]]:
        """What the drop-down offers; a curve is over the factor on the horizontal axis."""
        along = self.region[self.x.value].label if self.curves else ""
        return [("Leeway of all responses", LEEWAY),
                *((f"{key.split()[0]} of {f.response.label}", key)
                  for key, (_, f) in self.maps.items()),
                *((f"Curve of {f.response.label} over {along}", key)
                  for key, f in self.curves.items())]

    @property
    def settings(self) -> pd.DataFrame:
        """The setting now chosen, as the mixer can make it; one row."""
        chosen = pd.DataFrame([{f.name: self.sliders[f.name].value for f in self.region.factors}])
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
        if self._at_recipe(row):
            self.say(" ".join(choice_sentences(self.recipe, self.brief, self.unfitted)))
        else:
            self.status.value = ""
        self.x.disabled = self.map.value == LEEWAY
        self.y.disabled = self.map.value not in self.maps
        if self.map.value == LEEWAY:
            self.draw(leeway(self.fits, dict(row)))
            return
        if self.map.value in self.curves:
            self.draw(curve(self.curves[self.map.value], self.x.value, dict(row)))
            return
        draw, fit = self.maps[self.map.value]
        axes = (self.x.value, self.y.value)
        self.draw(draw(fit, *axes, {n: row[n] for n in self.region.names if n not in axes},
                       setting={n: row[n] for n in axes}))

    @reports_errors
    def find_best(self) -> None:
        """Find the best setting and move there."""
        self.recipe = recommend(self.brief, {f.response.name: f for f in self.fits})
        for name in self.sliders:  # a revolution before the ratio it goes with
            if name not in self.recipe.settings:  # a nuisance factor: a recipe has no level of it
                continue
            value = self.recipe.settings[name]
            stops = self._stops(self.region[name])
            if value not in [v for _, v in stops]:
                # The sliders show a selection of the settable values; this one joins them.
                stops = sorted([*stops, (self._shown(self.region[name], value), value)],
                               key=lambda stop: stop[1])
            self._set_stops(name, stops, value)
        self.update()

    def _at_recipe(self, row: pd.Series) -> bool:
        """Whether what is shown is the recipe, so that what is said of it still holds."""
        return self.recipe is not None and all(
            np.isclose(row[f.name], self.recipe.settings[f.name], rtol=0, atol=1e-9 * f.half_range)
            if f.is_numeric else row[f.name] == self.recipe.settings[f.name]
            for f in self.region.factors if f.name in self.recipe.settings)

    # ---- stops of the sliders

    def _speed_of(self, f: Factor) -> str:
        """The slider that a ratio's stops hang on; empty if they do not hang on one."""
        if quantity_of(f.name) != "rotation_ratio":
            return ""
        name = setting_of(self.region.names, step_of(f.name), "revolution") or ""
        return name if name and self.region[name].is_numeric else ""

    def _revolution(self, f: Factor) -> float:
        """The revolution that a ratio goes with, chosen or held, rpm; 0 if there is none."""
        speed = self._speed_of(f)
        if speed:
            return float(self.sliders[speed].value)
        held = setting_of(self.brief.held, step_of(f.name), "revolution")
        return float(self.brief.held[held]) if held else 0.0

    def _stops(self, f: Factor) -> list[tuple[str, object]]:
        """What a slider can be set to, with what it shows: all settable values, or about
        `MOST_STOPS` of them where there are more; of a ratio every one at its revolution."""
        if quantity_of(f.name) == "rotation_ratio" and f.is_numeric and self._revolution(f) > 0:
            values = self.brief.mixer.ratios(f, self._revolution(f))
        elif f.kind != "continuous":
            values = f.settings()
        else:
            count = round((f.high - f.low) / f.increment) + 1 if f.increment else 61
            values = f.settings(min(count, MOST_STOPS))
            alone = pd.DataFrame({f.name: values})
            values = np.unique(self.brief.mixer.snap(alone, Region((f,)))[f.name])
        return [(self._shown(f, v), v) for v in values]

    def _shown(self, f: Factor, value) -> str:
        if quantity_of(f.name) == "rotation_ratio" and self._revolution(f) > 0:
            return f"{value:.4g} ({value * self._revolution(f):g} rpm)"
        return _shown(value)

    def _set_stops(self, name: str, stops: list[tuple[str, object]], value: object) -> None:
        slider = self.sliders[name]
        with self.quietly(), slider.hold_sync():
            slider.options = stops
            slider.value = value

    def _moved(self, name: str) -> None:
        """A slider was moved: the ratios that go with it keep to what can be set now."""
        for f in self.region.factors:
            if self._speed_of(f) == name:
                stops, before = self._stops(f), self.sliders[f.name].value
                self._set_stops(f.name, stops,
                                min((v for _, v in stops), key=lambda v: abs(v - before)))
        self.update()

    def _axis_changed(self, change, other: widgets.Dropdown) -> None:
        """Two axes of one factor show no plane: the other axis takes the factor given up."""
        with self.quietly():
            if other.value == change.new:
                other.value = change.old
            chosen = self.map.value
            self.map.options = self._charts()
            self.map.value = chosen
        self.update()


def _met(response, prediction) -> str:
    if not response.meets(prediction["mean"]):
        return "no"
    sure = response.meets(prediction["low"]) and response.meets(prediction["high"])
    return "yes, and its interval too" if sure else "yes, but a single run may miss it"


def _shown(value) -> str:
    return value if isinstance(value, str) else f"{value:.4g}"
