"""Controls of the planning panel: a factor with its range, and what is assumed of a response."""

from __future__ import annotations

import ipywidgets as widgets

from doe.errors import InputError
from doe.factors import Factor
from doe.panels.base import label, labelled
from doe.planning import Plan, RatioPower, ratio_power
from doe.responses import Response
from doe.sheets.parsing import CellError, read_number
from doe.wording import join

__all__ = ["BY_RATIO", "NORMAL", "Assumed", "FactorRow"]

NORMAL = ("continuous", "censored")
BY_RATIO = ("count", "proportion")
_FIELDS = {"sd": "the standard deviation between runs", "trials": "the number tried in a run",
           "baseline": "the mean expected at the centre"}


class FactorRow:
    """One factor: varied or held, and its range.

    What was entered in the `before` row stays where its factor's own value is still the same.
    """

    def __init__(self, factor: Factor, before: FactorRow | None = None) -> None:
        self.origin = factor
        number = widgets.Layout(width="78px")
        self.use = widgets.Checkbox(True, indent=False, layout=widgets.Layout(width="24px"))
        if factor.kind == "continuous":
            self.ends = [widgets.FloatText(round(v, 4), layout=number)
                         for v in (factor.low, factor.high)]
        else:
            self.ends = [widgets.Dropdown(options=list(factor.levels), layout=number)]
        if before is not None and before.origin.kind == factor.kind:
            self.use.value = before.use.value
            for end, old, own, was in zip(self.ends, before.ends, _own(factor),
                                          _own(before.origin), strict=True):
                if own == was:
                    end.value = old.value
        self.box = widgets.HBox([self.use, label(factor.title, width="128px"), *self.ends],
                                layout=widgets.Layout(align_items="center"))

    @property
    def held(self):
        return self.ends[0].value

    def factor(self) -> Factor:
        """The factor over the range now entered."""
        f = self.origin
        if f.kind != "continuous":
            return f
        low, high = (shown.value if round(own, 4) != shown.value else own
                     for shown, own in zip(self.ends, (f.low, f.high), strict=True))
        return Factor(f.name, low, high, unit=f.unit, increment=f.increment, label=f.label,
                      hard_to_change=f.hard_to_change)


def _own(factor: Factor) -> tuple:
    """What a factor's controls start from, one value a control."""
    return (factor.low, factor.high) if factor.kind == "continuous" else (factor.levels,)


class Assumed:
    """What is assumed of a response before any data; each response keeps its own."""

    def __init__(self) -> None:
        full = widgets.Layout(width="96%")
        self.fields = {"sd": widgets.Text(layout=full, continuous_update=False),
                       "baseline": widgets.Text(layout=full, continuous_update=False),
                       "trials": widgets.Text(layout=full, continuous_update=False)}
        self.controls = tuple(self.fields.values())
        self.texts: dict[tuple[str, str], str] = {}
        self.box = widgets.VBox()
        self._of: Response | None = None

    def show(self, response: Response) -> None:
        """Show the fields of this response with what was entered for it, or its brief says."""
        self._remember()
        self._of = response
        for name, field in self.fields.items():
            field.value = self.texts.get((response.name, name), self._told(response, name))
        relative = response.kind in NORMAL and response.scale == "log"
        share = "%" if response.unit == "%" else "0 to 1"
        spread = f"Run-to-run standard deviation ({'relative' if relative else response.unit})"
        texts = {"sd": spread.replace(" ()", ""), "trials": "Number tried in a run",
                 "baseline": "Mean count expected at the centre" if response.kind == "count"
                 else f"Share expected at the centre ({share})"}
        self.fields["sd"].placeholder = "not known: effects in multiples of it"
        self.box.children = [labelled(texts[name], self.fields[name])
                             for name in self._wanted(response)]

    @staticmethod
    def _wanted(response: Response) -> list[str]:
        if response.kind in NORMAL:
            return ["sd"]
        if response.kind not in BY_RATIO:
            return []
        counted = response.kind == "count" or isinstance(response.trials, (int, float))
        return ["baseline"] if counted else ["baseline", "trials"]

    def _remember(self) -> None:
        """Keep what was entered and is not as the brief has it."""
        for name, field in self.fields.items() if self._of is not None else ():
            self.texts.pop((self._of.name, name), None)
            if field.value != self._told(self._of, name):
                self.texts[self._of.name, name] = field.value

    @staticmethod
    def _told(response: Response, name: str) -> str:
        """What the brief says itself."""
        known = name == "sd" and response.assumed_sd is not None
        return f"{response.assumed_sd:.6g}" if known else ""

    def check(self, response: Response) -> None:
        """Refuse what is entered and no number.

        Raises
        ------
        InputError
        """
        for name in self._wanted(response):
            value = self._number(name)
            if value is not None and value <= 0:
                raise InputError(_FIELDS[name], value, "it must be above 0",
                                 "Correct it, or clear the field if it is not known")

    @property
    def sd(self) -> float | None:
        return self._number("sd")

    def scale(self, response: Response) -> dict:
        """What effects are told in: the response's unit if its scatter is known."""
        sd = self.sd if response.kind in NORMAL else None
        return {"sd": sd, "response": response if sd is not None else None}

    def power(self, plan: Plan, response: Response, seed: int
              ) -> tuple[RatioPower | None, list[str]]:
        """Power of a response that does not scatter normally, and what is said of it."""
        label = response.label
        if response.kind == "ordinal":
            return None, [f"Power for grades such as {label} is not computed here. For a lower "
                          "bound, take the share of runs at or below one grade: doe.planning."
                          'simulated_power(plan, {"time": 2.0}, "proportion", baseline=..., '
                          "trials=1)."]
        lacking = self._lacking(response)
        if lacking:
            return None, [f"Power for {label} needs {lacking}: enter it on the left."]
        try:
            power = ratio_power(plan, response.kind, seed=seed, **self._of_ratio(response))
        except InputError as error:
            return None, [f"Power for {label} is not computed for this plan: {error}"]
        return power, list(power.sentences)

    def _lacking(self, response: Response) -> str:
        """What power for a count or share still needs, in words; empty if nothing."""
        return join(_FIELDS[n] for n in self._wanted(response) if self._number(n) is None)

    def _of_ratio(self, response: Response) -> dict:
        """Options of `ratio_power`."""
        baseline = self._number("baseline")
        if response.kind == "count":  # in what is inspected of one run, so for an exposure of 1
            return {"baseline": baseline}
        trials = self._number("trials") if "trials" in self._wanted(response) else response.trials
        return {"baseline": baseline / 100 if response.unit == "%" else baseline,
                "trials": trials}

    def _number(self, name: str) -> float | None:
        text = self.fields[name].value.strip()
        if not text:
            return None
        try:
            return read_number(text, decimal=None if "," in text else ".").value
        except CellError as error:
            raise InputError(_FIELDS[name], text, error.problem, error.remedy) from None
