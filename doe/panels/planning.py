"""Choose factors, ranges and a family of plans; see at once what the plan can tell."""

from __future__ import annotations

import inspect
from html import escape

import ipywidgets as widgets
import numpy as np

from doe.brief import Brief
from doe.charts import (
    column_correlation,
    compared_power,
    detectable_effects,
    plan_map,
    region_fractions,
    set_up_strip,
)
from doe.errors import InputError
from doe.factors import Factor, Region
from doe.panels.base import Panel, label, labelled, reports_errors
from doe.planning import (
    FAMILIES,
    Plan,
    advise,
    appraise,
    compare,
    effort,
    fraction_of_region,
    make_plan,
    options_of,
    reorder,
    suggest_runs,
)
from doe.responses import Response
from doe.store import StudyFile
from doe.tables import FONT, html_table
from doe.wording import join

__all__ = ["PlanningPanel"]

AIMS = {"every plan that fits": "", "find the few factors that matter": "screen",
        "know how they act together": "model", "find the best setting": "optimise"}
ORDERS = {"as the plan draws it": "", "fully at random": "random",
          "grouped by what is hard to change": "grouped", "robust to drift": "trend-robust",
          "fewest changes": "fewest changes"}
VIEWS = ("What it can detect", "Where the runs lie", "How well it predicts",
         "How effects correlate", "What is set anew", "Side by side")
COMPARED = {"runs": "runs", "estimable": "terms estimated", "error_df": "error df",
            "D": "D-efficiency", "mean_variance": "mean variance of prediction",
            "detectable_main_effect": "main effect found",
            "greatest_correlation": "greatest correlation"}
MOST_COMPARED = 4


class PlanningPanel(Panel):
    """Make a plan for a study and keep it.

    Parameters
    ----------
    file : StudyFile
        An open study file; its brief gives the factors to choose from.
    seed : int
        Draws the run order; it can be changed in the panel and is kept with the plan.

    Attributes
    ----------
    brief : Brief
        The study's brief with the factors and ranges now chosen.
    plan : Plan or None
        The plan now shown; None where the choices make none.
    beside : dict of str to Plan
        Plans put aside for comparison, by name.
    """

    def __init__(self, file: StudyFile, *, seed: int = 1) -> None:
        super().__init__()
        self.file = file
        self.origin = file.read().brief
        self.brief, self.plan = self.origin, None
        self.beside: dict[str, Plan] = {}
        self.rows = {f.name: _FactorRow(f) for f in self.origin.region.factors}
        full = widgets.Layout(width="96%")
        self.aim = widgets.Dropdown(options=list(AIMS), layout=full)
        self.most = widgets.BoundedIntText(30, min=4, max=256, layout=full)
        self.family = widgets.Dropdown(layout=full)
        self.tells = widgets.HTML()
        self.centre_points = widgets.BoundedIntText(3, min=0, max=20, layout=full)
        self.replicates = widgets.BoundedIntText(1, min=1, max=10, layout=full)
        self.blocks = widgets.Dropdown(options=[1, 2, 3, 4], layout=full)
        self.ratio = widgets.BoundedFloatText(1.0, min=0.0, max=100.0, step=0.5, layout=full)
        self.order = widgets.Dropdown(options=list(ORDERS.items()), layout=full)
        self.seed = widgets.IntText(seed, layout=full)
        self.response = widgets.Dropdown(
            options=[(r.label, r.name) for r in self.origin.responses], layout=full)
        self.sd = widgets.FloatText(self.origin.responses[0].assumed_sd or 1.0, layout=full)
        self.show = widgets.ToggleButtons(options=VIEWS, style={"button_width": "178px"})
        self.put_beside = widgets.Button(description="Compare with others", layout=full)
        self.forget = widgets.Button(description="Compare anew", layout=full)
        self.keep = widgets.Button(description="Keep this plan", button_style="primary",
                                   layout=full)
        self.arrange([
            label("Factors to vary, and their range (an unticked one is held at the first value)",
                  width="96%"),
            *(row.box for row in self.rows.values()),
            widgets.HBox([labelled("Aim", self.aim, width="72%"),
                          labelled("Most runs", self.most, width="28%")]),
            labelled("Plan", self.family), self.tells,
            *self._pairs(("Centre points", self.centre_points), ("Replicates", self.replicates),
                         ("Blocks", self.blocks), ("Run order", self.order),
                         ("Judge for response", self.response), ("Assumed sd", self.sd)),
            *self._pairs(("Variance ratio of groups", self.ratio), ("Seed", self.seed)),
            widgets.HBox([self.put_beside, self.forget]),
            self.keep,
        ])
        self.box.children[1].children = (self.show, *self.box.children[1].children)
        for control in (*self._common().values(), self.order, self.seed,
                        *(w for row in self.rows.values() for w in row.ends)):
            control.observe(self._changed, "value")
        for control in (self.sd, self.show):  # they change the look of a plan, not its runs
            control.observe(lambda _: self.look(), "value")
        for row in self.rows.values():
            row.use.observe(self._offer_plans, "value")
        for control in (self.aim, self.most):
            control.observe(self._offer_plans, "value")
        self.family.observe(self._family_changed, "value")
        self.response.observe(self._response_changed, "value")
        self.keep.on_click(lambda _: self.save())
        self.put_beside.on_click(lambda _: self.add_beside())
        self.forget.on_click(lambda _: self.clear_beside())
        self._quiet = False
        self._offer_plans()

    @staticmethod
    def _pairs(*named: tuple[str, widgets.Widget]) -> list[widgets.Widget]:
        """Controls with their names, two in a line."""
        shown = [labelled(*one, width="50%") for one in named]
        return [widgets.HBox(shown[i:i + 2]) for i in range(0, len(shown), 2)]

    # ---- from the controls to the plan

    def chosen(self) -> Brief:
        """The brief with the factors and ranges now chosen; held factors stand in ``held``."""
        held = {name: row.held for name, row in self.rows.items() if not row.use.value}
        region = self.origin.region.hold(held) if held else self.origin.region
        factors = tuple(self.rows[f.name].factor() for f in region.factors)
        return self.origin.replace(region=Region(factors, region.constraints),
                                   held={**self.origin.held, **held})

    def options(self) -> dict:
        """The options of the plan now chosen, as far as its family has them."""
        family, own, _ = self.family.value
        common = {name: control.value for name, control in self._common().items()}
        known = options_of(family)
        every = {**own, **common, "seed": self.seed.value, "mixer": self.origin.mixer,
                 "progress": self._searched}
        return {k: v for k, v in every.items() if k in known}

    def _searched(self, done: int, starts: int, share: float) -> None:
        self.say(f"{done} of {starts} starts; the best has {share:.1%} of the optimum.")

    def _common(self) -> dict[str, widgets.Widget]:
        """Controls of options that most families have."""
        return {"centre_points": self.centre_points, "replicates": self.replicates,
                "blocks": self.blocks, "ratio": self.ratio}

    @reports_errors
    def update(self) -> None:
        """Make the plan anew and show what it can tell."""
        self.plan = None
        self.keep.disabled = True
        try:
            self.brief = self.chosen()
            plan = make_plan(self.brief.region, self.family.value[0], **self.options())
            self.plan = plan if not self.order.value else reorder(
                plan, self.order.value, plan.seed, change_minutes=self._change_minutes() or None)
        except InputError:
            self.tell(["These choices make no plan: see the note on the left."])
            self.details.value = ""
            raise
        self.keep.disabled = False
        self.status.value = ""
        self.tells.value = (f'<div style="{FONT};font-size:12px;color:#555">'
                            f"{escape(self.family.value[2])}</div>")
        self.show_plan(self.plan)

    @reports_errors
    def look(self) -> None:
        """Show the chosen view of the plan."""
        if self.plan is not None:
            self.status.value = ""
            self.show_plan(self.plan)

    def show_plan(self, plan: Plan) -> None:
        """Show a plan's appraisal, chart and runs."""
        response = self.brief.response(self.response.value)
        appraisal = appraise(plan, sd=self.sd.value, response=response)
        if self.show.value == "Side by side":
            self.show_comparison(plan, response)
            return
        self.tell([plan.sentence, appraisal.sentence, effort(plan, self.brief).sentence,
                   *plan.remarks, *appraisal.alias_sentences[:6], *self.brief.warnings])
        self.draw([lambda: detectable_effects(appraisal, response), lambda: plan_map(plan),
                   lambda: region_fractions(fraction_of_region(plan)),
                   lambda: column_correlation(plan),
                   lambda: set_up_strip(plan, self._change_minutes())][self.show.index]())
        self.details.value = (
            f'<details style="{FONT}"><summary>The {len(plan)} runs in their order</summary>'
            + html_table(plan.table, _headings(plan)) + "</details>")

    def _change_minutes(self) -> dict[str, float]:
        return self.brief.bench.change_of(self.brief.region.names)

    def show_comparison(self, plan: Plan, response: Response) -> None:
        """Show the plans put aside, and the one now chosen, side by side."""
        plans = {**self.beside, _name(plan): plan}
        if len(plans) < 2:
            raise InputError("plans to compare", len(plans), "there is nothing to compare yet",
                             'Press "Compare with others" for a plan, then choose another')
        found = compare(plans, sd=self.sd.value, response=response, against=())
        self.tell(found.sentences)
        self.draw(compared_power(found, response))
        table = found.table.reset_index()
        if response.scale == "log":
            table["detectable_main_effect"] = np.exp(table["detectable_main_effect"])
            table.attrs["units"]["detectable_main_effect"] = "ratio"
        self.details.value = html_table(table, {"plan": "plan", **COMPARED})

    @reports_errors
    def add_beside(self) -> None:
        """Put the plan now chosen aside, to be compared with others."""
        if self.plan is None:
            return
        if len(self.beside) == MOST_COMPARED - 1 and _name(self.plan) not in self.beside:
            raise InputError("plans to compare", len(self.beside) + 1, "with the one chosen, at "
                             f"most {MOST_COMPARED} are compared", 'Press "Compare anew" first')
        self.beside[_name(self.plan)] = self.plan
        self.say(f"Put aside: {join(self.beside)}. Choose another plan and look at them side by "
                 "side.")

    def clear_beside(self) -> None:
        """Forget the plans put aside."""
        self.beside.clear()
        self.say("No plans are put aside.")

    @reports_errors
    def save(self) -> None:
        """Keep the plan, and the factors chosen for it, in the study file."""
        if self.plan is None:
            return
        if self.brief != self.file.read().brief:
            self.file.set_brief(self.brief, plan=self.plan)
        else:
            self.file.set_plan(self.plan)
        self.say(f"Kept: {self.plan.sentence}")

    # ---- events

    def _changed(self, _change) -> None:
        if not self._quiet:
            self.update()

    def _offer_plans(self, _change=None) -> None:
        """Offer the plans that suit the factors and the aim; keep to the one chosen before."""
        before = self.family.label
        self._quiet = True
        try:
            offers = self._offers(self.chosen().region)
        except InputError as error:
            self.say(str(error), wrong=True)
            return
        finally:
            self._quiet = False
        self._quiet = True
        self.family.options = offers
        kept = [i for i, (name, _) in enumerate(offers) if name == before]
        self.family.index = kept[0] if kept else 0
        self._quiet = False
        self._family_changed()

    def _offers(self, region: Region) -> list[tuple[str, tuple[str, dict, str]]]:
        """Names of plans, each with its family, options and what speaks for it."""
        aim = AIMS[self.aim.value]
        if not aim:
            return [(_offer(row), (row.family, row.options, f"Tells {row.tells}."))
                    for row in suggest_runs(region).itertuples()]
        found = advise(region, aim=aim, runs=self.most.value, mixer=self.origin.mixer,
                       sd=self.sd.value, seed=self.seed.value)
        return [(f"{place}. {row.runs} runs: {row.plan}",
                 (row.family, {**self._usual(row.family, plan), **row.options}, row.reason))
                for place, (row, plan) in enumerate(zip(found.table.itertuples(), found.plans,
                                                        strict=True), 1)]

    def _usual(self, family: str, plan: Plan) -> dict[str, int]:
        """What a plan was made with where nothing was asked for."""
        known = inspect.signature(FAMILIES[family]).parameters
        usual = {name: known[name].default for name in self._common() if name in known}
        if usual.get("centre_points", 0) is None:
            usual["centre_points"] = int((plan.runs["point"] == "centre").sum())
        return usual

    def _family_changed(self, _change=None) -> None:
        """Set the controls as the plan chosen asks for, and make it."""
        if self._quiet:
            return
        self._quiet = True
        family, own, _ = self.family.value
        known = options_of(family)
        for name, control in self._common().items():
            control.disabled = name not in known
            if name in own and name in known:
                control.value = own[name]
        self._quiet = False
        self.update()

    def _response_changed(self, _change) -> None:
        sd = self.origin.response(self.response.value).assumed_sd
        if sd and sd != self.sd.value:
            self.sd.value = sd
        else:
            self.look()


def _name(plan: Plan) -> str:
    """Short name of a plan among others."""
    return f"{plan.sentence.split(':')[0]}, n = {len(plan)}"


def _offer(row) -> str:
    kind = row.options.get("axial", "") or row.options.get("model", "") or (
        f"resolution {row.resolution}" if row.family == "fractional factorial" else "")
    return f"{row.runs} runs: {row.family}" + (f", {kind}" if kind else "")


class _FactorRow:
    """One factor: varied or held, and its range."""

    def __init__(self, factor: Factor) -> None:
        self.origin = factor
        number = widgets.Layout(width="78px")
        self.use = widgets.Checkbox(True, indent=False, layout=widgets.Layout(width="24px"))
        if factor.kind == "continuous":
            self.ends = [widgets.FloatText(round(v, 4), layout=number)
                         for v in (factor.low, factor.high)]
        else:
            self.ends = [widgets.Dropdown(options=list(factor.levels), layout=number)]
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


def _headings(plan: Plan) -> dict[str, str]:
    labels = {f.name: f.label for f in plan.region.factors}
    return {c: labels.get(c, c.replace("_", " ")) for c in plan.runs}
