"""Pick the terms of a response's model; see the fit, its evidence and its findings change."""

from __future__ import annotations

import ipywidgets as widgets
import pandas as pd

from doe import charts
from doe.analysis import Fit, fit
from doe.brief import Brief
from doe.conclude import fit_all
from doe.errors import InputError
from doe.panels.base import Panel, labelled, reports_errors
from doe.study import Study
from doe.tables import FONT, html_table
from doe.terms import Term, standard_terms, with_parents
from doe.wording import digits

__all__ = ["CHARTS", "AnalysingPanel"]

CHARTS = {
    "Effects in order of size": charts.ordered_effects,
    "Half-normal plot": charts.half_normal,
    "Main effects": charts.main_effects,
    "Interactions": charts.interactions,
    "Residuals": charts.residual_panel,
}

EFFECTS = {"label": "term", "effect": "effect", "effect_low": "95 % from", "effect_high": "to",
           "p": "p"}
VARIANCE = {"source": "source", "df": "df", "sum_of_squares": "sum of squares",
            "mean_square": "mean square", "F": "F", "p": "p"}


class AnalysingPanel(Panel):
    """Fit models to a study's responses.

    Parameters
    ----------
    study : Study
        With records; it is read once, so build the panel anew after further runs.

    Attributes
    ----------
    fits : dict of str to Fit
        The fit now chosen for each response looked at; the others have their default.
    """

    def __init__(self, study: Study) -> None:
        super().__init__()
        self.brief: Brief = study.brief
        self.region = study.brief.region if study.plan is None else study.plan.region
        self.data: pd.DataFrame = study.table()
        self.fits: dict[str, Fit] = fit_all(study)
        if not self.fits:
            raise InputError("study, records", len(self.data), "no response has two measurements "
                             "yet", "Record more runs first")
        full = widgets.Layout(width="96%")
        self.response = widgets.Dropdown(
            options=[(f.response.label, name) for name, f in self.fits.items()], layout=full)
        self.chart = widgets.Dropdown(options=list(CHARTS), layout=full)
        self.terms = {t: widgets.Checkbox(description=t.label(self.region), indent=False,
                                          layout=widgets.Layout(width="96%", margin="0"))
                      for t in standard_terms(self.region, "quadratic") if t.powers}
        self.arrange([
            labelled("Response", self.response), labelled("Chart", self.chart),
            widgets.HTML(f'<span style="{FONT};font-size:13px">Terms of the model (a product '
                         "brings its factors along)</span>"),
            widgets.VBox(list(self.terms.values()), layout=widgets.Layout(grid_gap="0")),
        ])
        self._quiet = False
        self.response.observe(lambda _: self.show_fit(), "value")
        self.chart.observe(lambda _: self.show_chart(), "value")
        for box in self.terms.values():
            box.observe(self._terms_changed, "value")
        self.show_fit()

    @property
    def fit(self) -> Fit:
        """The fit of the response now shown."""
        return self.fits[self.response.value]

    @reports_errors
    def choose(self, terms: list[Term]) -> None:
        """Fit the response now shown with these terms and all their parents."""
        self.fits[self.response.value] = fit(self.data, self.fit.response, self.region,
                                             (Term(), *with_parents(terms)))
        self.status.value = ""
        self.show_fit()

    def show_fit(self) -> None:
        """Show the fit of the response now chosen."""
        now = self.fit
        self._quiet = True
        for term, box in self.terms.items():
            box.value = term in now.terms
        self._quiet = False
        self.tell([now.sentence, *now.sentences[1:]])
        effects = now.table[now.table["term"] != "1"]
        active = {str(t) for t in now.active}
        caption = ("Change of the response from low to high" if not now.log_scale else
                   "Factor by which the response is multiplied from low to high")
        quality = (f"R² {digits(now.r2, 2)}, adjusted {digits(now.r2_adjusted, 2)}, "
                   f"predicted {digits(now.r2_predicted, 2)}; {now.df_error} degrees of freedom "
                   "for error")
        self.details.value = (
            html_table(effects, EFFECTS, caption=caption,
                       marked=[s in active for s in effects["source"]])
            + html_table(now.anova.table, VARIANCE, caption=f"Analysis of variance. {quality}."))
        self.show_chart()

    @reports_errors
    def show_chart(self) -> None:
        """Draw the chart now chosen."""
        self.draw(CHARTS[self.chart.value](self.fit))

    def _terms_changed(self, change) -> None:
        if self._quiet:
            return
        chosen = [t for t, box in self.terms.items() if box.value]
        if not change.new:
            # A product cannot stay without its factors, so it leaves with them.
            gone = next(t for t, box in self.terms.items() if box is change.owner)
            chosen = [t for t in chosen if gone not in t.parents()]
        self.choose(chosen)
