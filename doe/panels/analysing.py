"""Pick the terms of a response's model; see the fit, its evidence and its findings change."""

from __future__ import annotations

import ipywidgets as widgets

from doe.conclude import fit_all, fit_response
from doe.errors import InputError
from doe.evidence import drawings, effects_table, further, tests_table
from doe.panels.base import Panel, labelled, reports_errors
from doe.study import Study
from doe.tables import FONT
from doe.terms import Term, standard_terms, with_parents

__all__ = ["AnalysingPanel"]


class AnalysingPanel(Panel):
    """Fit models to a study's responses.

    Parameters
    ----------
    study : Study
        With records; it is read once, so build the panel anew after further runs.

    Attributes
    ----------
    fits : dict of str to Fit, MixedFit or KindFit
        The fit now chosen for each response looked at; the others have their default.
    """

    def __init__(self, study: Study) -> None:
        super().__init__()
        self.study = study
        self.region = study.brief.region if study.plan is None else study.plan.region
        self.fits = fit_all(study)
        if not self.fits:
            raise InputError("study, records", len(study.done), "no response can be fitted yet: "
                             + " ".join(self.fits.unfitted.values()).rstrip("."),
                             "Record more runs first")
        full = widgets.Layout(width="96%")
        self.response = widgets.Dropdown(
            options=[(f.response.label, name) for name, f in self.fits.items()], layout=full)
        self.chart = widgets.Dropdown(layout=full)
        self.terms = {t: widgets.Checkbox(description=t.label(self.region), indent=False,
                                          layout=widgets.Layout(width="96%", margin="0"))
                      for t in standard_terms(self.region, "quadratic") if t.powers}
        self.arrange([
            labelled("Response", self.response), labelled("Chart", self.chart),
            widgets.HTML(f'<span style="{FONT};font-size:13px">Terms of the model (a product '
                         "brings its factors along)</span>"),
            widgets.VBox(list(self.terms.values()), layout=widgets.Layout(grid_gap="0")),
        ])
        self.on_change(self.response, lambda _: self.show_fit())
        self.on_change(self.chart, lambda _: self.show_chart())
        self.on_change(self.terms.values(), self._terms_changed)
        self.show_fit()

    @property
    def fit(self):
        """The fit of the response now shown."""
        return self.fits[self.response.value]

    @reports_errors
    def choose(self, terms: list[Term]) -> None:
        """Fit the response now shown with these terms and all their parents."""
        try:
            self.fits[self.response.value] = fit_response(self.study, self.fit.response,
                                                          (Term(), *with_parents(terms)))
        except InputError:
            self._tick()  # what is ticked is what was fitted
            raise
        self.status.value = ""
        self.show_fit()

    @reports_errors
    def show_fit(self) -> None:
        """Show the fit of the response now chosen."""
        now = self.fit
        self._tick()
        with self.quietly():
            before, names = self.chart.value, list(drawings(now))
            self.chart.options = names
            self.chart.value = before if before in names else names[0]
        self.tell([now.sentence, *further(now), *self.fits.unfitted.values()])
        self.details.value = "".join(t._repr_html_() for t in (effects_table(now),
                                                               tests_table(now)))
        self.show_chart()

    @reports_errors
    def show_chart(self) -> None:
        """Draw the chart now chosen."""
        self.draw(drawings(self.fit)[self.chart.value](self.fit))

    def _tick(self) -> None:
        with self.quietly():
            for term, box in self.terms.items():
                box.value = term in self.fit.terms

    def _terms_changed(self, change) -> None:
        chosen = [t for t, box in self.terms.items() if box.value]
        if not change.new:
            # A product cannot stay without its factors, so it leaves with them.
            gone = next(t for t, box in self.terms.items() if box is change.owner)
            chosen = [t for t in chosen if gone not in t.parents()]
        self.choose(chosen)
