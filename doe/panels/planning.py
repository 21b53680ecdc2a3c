"""Choose factors, ranges and a family of plans; see at once what the plan can tell."""

from __future__ import annotations

import inspect
from collections.abc import Iterator
from contextlib import contextmanager
from html import escape

import ipywidgets as widgets
import numpy as np

from doe.brief import Brief
from doe.charts import (
    column_correlation,
    compared_power,
    detectable_effects,
    detectable_ratio,
    plan_map,
    region_fractions,
    set_up_strip,
)
from doe.errors import InputError
from doe.factors import Region
from doe.panels.base import Panel, label, labelled, reports_errors
from doe.panels.planning_controls import NORMAL, Assumed, FactorRow
from doe.planning import (
    FAMILIES,
    Appraisal,
    Plan,
    RatioPower,
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
from doe.study import Study
from doe.tables import FONT, html_table
from doe.wording import join

__all__ = ["PlanningPanel"]

AIMS = {"every plan that fits": "", "find the few factors that matter": "screen",
        "know how they act together": "model", "find the best setting": "optimise"}
ORDERS = {"as the plan draws it": "", "fully at random": "random",
          "grouped by what is hard to change": "grouped", "robust to drift": "trend-robust",
          "fewest changes": "fewest changes"}
VIEWS = ("What it can detect", "Where the runs lie", "How well it predicts",
         "How effects correlate", "Set-up changes", "Side by side")
COMPARED = {"runs": "runs", "estimable": "terms estimated", "error_df": "error df",
            "D": "D-efficiency", "mean_variance": "mean variance of prediction",
            "detectable_main_effect": "least main effect found",
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
    seen : Study
        The study as the panel shows it. What is kept is refused if brief or plan in the file
        have changed since.
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
        self.seen: Study = file.read()
        self.brief, self.plan = self.seen.brief, None
        self.beside: dict[str, Plan] = {}
        self.rows: dict[str, FactorRow] = {}
        full = widgets.Layout(width="96%")
        self.factors = widgets.VBox()
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
        self.response = widgets.Dropdown(layout=full)
        self.assumed = Assumed()
        self.show = widgets.ToggleButtons(options=VIEWS, style={"button_width": "178px"})
        self.put_beside = widgets.Button(description="Add to comparison", layout=full)
        self.forget = widgets.Button(description="Clear comparison", layout=full)
        self.author = widgets.Text(placeholder="login name if empty", layout=full)
        self.reason = widgets.Text(placeholder="e.g. one more centre point", layout=full)
        self.why = labelled("Reason for the change (runs are recorded)", self.reason)
        self.keep = widgets.Button(description="Keep this plan", button_style="primary",
                                   layout=full)
        self.renew = widgets.Button(description="Load the study as it now stands",
                                    button_style="warning",
                                    layout=widgets.Layout(width="96%", display="none"))
        self.arrange([
            label("Factors to vary, and their range (an unticked one is held at the first value)",
                  width="96%"),
            self.factors,
            widgets.HBox([labelled("Aim", self.aim, width="66%"),
                          labelled("Maximum runs", self.most, width="34%")]),
            labelled("Plan", self.family), self.tells,
            *self._pairs(("Centre points", self.centre_points), ("Replicates", self.replicates),
                         ("Blocks", self.blocks), ("Run order", self.order),
                         ("Seed", self.seed)),
            labelled("Variance between whole plots ÷ between runs", self.ratio),
            labelled("Response used for power", self.response), self.assumed.box,
            widgets.HBox([self.put_beside, self.forget]),
            labelled("Your name", self.author), self.why, self.keep, self.renew,
        ])
        right = self.box.children[1]
        right.children = (self.show, *right.children)
        for action, controls in (
                (self._offer_plans, (self.aim, self.most)),
                (self._family_changed, (self.family,)),
                (self.update, (*self._common().values(), self.order, self.seed)),
                (self._response_changed, (self.response,)),
                # they change the look of a plan, not its runs
                (self.look, (self.show, *self.assumed.controls))):
            self.on_change(controls, lambda _, action=action: action())
        for button, action in ((self.keep, self.save), (self.renew, self.load),
                               (self.put_beside, self.add_beside),
                               (self.forget, self.clear_beside)):
            self.on_click(button, action)
        self._show_study(self.seen)

    @staticmethod
    def _pairs(*named: tuple[str, widgets.Widget]) -> list[widgets.Widget]:
        """Controls with their names, two in a line."""
        shown = [labelled(*one, width="50%") for one in named]
        return [widgets.HBox(shown[i:i + 2]) for i in range(0, len(shown), 2)]

    # ---- from the study to the controls

    @reports_errors
    def load(self) -> None:
        """Show the study as it now stands in the file.

        Ranges changed in the panel stay, but for those that somebody else has changed too.
        """
        with self.refreshing():
            study = self.file.read()
        self._show_study(study)
        self.renew.layout.display = "none"
        if self.plan is not None:
            self.say("The study is shown as it now stands. Look at the plan again, then keep it.")

    @reports_errors
    def _show_study(self, study: Study) -> None:
        with self.refreshing(), self.quietly():
            self.seen, self.offered = study, study.brief
            self.rows = {f.name: FactorRow(f, self.rows.get(f.name))
                         for f in study.brief.region.factors}
            self.factors.children = [row.box for row in self.rows.values()]
            for row in self.rows.values():
                self.on_change(row.ends, lambda _: self.update())
                self.on_change(row.use, lambda _: self._offer_plans())
            before, names = self.response.value, [r.name for r in study.brief.responses]
            self.response.options = [(r.label, r.name) for r in study.brief.responses]
            self.response.value = before if before in names else names[0]
            self.assumed.show(study.brief.response(self.response.value))
            self.why.layout.display = None if study.locked else "none"
        self.beside.clear()
        self._offer_plans()

    # ---- from the controls to the plan

    def chosen(self) -> Brief:
        """The brief with the factors and ranges now chosen; held factors stand in ``held``."""
        held = {name: row.held for name, row in self.rows.items() if not row.use.value}
        # All factors offered, also those that an earlier plan from this panel has held.
        region = self.offered.region.hold(held) if held else self.offered.region
        factors = tuple(self.rows[f.name].factor() for f in region.factors)
        return self.seen.brief.replace(region=Region(factors, region.constraints),
                                       held={**self.offered.held, **held})

    def options(self) -> dict:
        """The options of the plan now chosen, as far as its family has them."""
        family, own, _ = self.family.value
        common = {name: control.value for name, control in self._common().items()}
        known = options_of(family)
        every = {**own, **common, "seed": self.seed.value, "mixer": self.seen.brief.mixer,
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
        with self._making():
            self.brief = self.chosen()
            plan = make_plan(self.brief.region, self.family.value[0], **self.options())
            self.plan = plan if not self.order.value else reorder(
                plan, self.order.value, plan.seed, change_minutes=self._change_minutes() or None)
        self.tells.value = (f'<div style="{FONT};font-size:12px;opacity:0.8">'
                            f"{escape(self.family.value[2])}</div>")
        self.look()

    @contextmanager
    def _making(self) -> Iterator[None]:
        """Until a plan is made of them, the choices have none to show or to keep."""
        self.plan, self.keep.disabled = None, True
        try:
            yield
        except InputError:
            self.tell(["These choices make no plan: see the note on the left."])
            self.details.value = ""
            self.draw(None)
            raise
        self.keep.disabled = self.plan is None

    @reports_errors
    def look(self) -> None:
        """Show the chosen view of the plan."""
        if self.plan is not None:
            self.status.value = ""
            with self.refreshing():
                self.show_plan(self.plan)

    def show_plan(self, plan: Plan) -> None:
        """Show a plan's appraisal, chart and runs."""
        response = self.brief.response(self.response.value)
        if self.show.value == "Side by side":
            self.show_comparison(plan, response)
            return
        self.assumed.check(response)
        appraisal = appraise(plan, **self.assumed.scale(response))
        told, power = list(appraisal.sentences), None
        if response.kind not in NORMAL:
            power, said = self.assumed.power(plan, response, self.seed.value)
            # What an appraisal says of power is for readings that scatter normally.
            told = [s for s in told if " power" not in s] + said
        elif response.kind == "censored":
            told.append("Power is reckoned as if no reading were cut off; each one beyond a limit "
                        "tells less.")
        self.tell([plan.sentence, " ".join(told), effort(plan, self.brief).sentence,
                   *plan.remarks, *appraisal.alias_sentences[:6], *self.brief.warnings])
        self.draw([lambda: self._detectable(appraisal, power, response), lambda: plan_map(plan),
                   lambda: region_fractions(fraction_of_region(plan)),
                   lambda: column_correlation(plan),
                   lambda: set_up_strip(plan, self._change_minutes())][self.show.index]())
        self.details.value = (
            f'<details style="{FONT}"><summary>The {len(plan)} runs in their order</summary>'
            + html_table(plan.table, _headings(plan)) + "</details>")

    def _detectable(self, appraisal: Appraisal, power: RatioPower | None, response: Response):
        if response.kind in NORMAL:
            return detectable_effects(appraisal, self.assumed.scale(response)["response"])
        return None if power is None else detectable_ratio(power, response)

    def _change_minutes(self) -> dict[str, float]:
        return self.brief.bench.change_of(self.brief.region.names)

    def show_comparison(self, plan: Plan, response: Response) -> None:
        """Show the plans put aside, and the one now chosen, side by side."""
        plans = {**self.beside, _name(plan): plan}
        if len(plans) < 2:
            self.tell(["There is nothing to compare yet.",
                       'Press "Add to comparison" for this plan, then choose another.'])
            self.details.value = ""
            self.draw(None)
            return
        scale = self.assumed.scale(response)
        found = compare(plans, against=(), **scale)
        self.tell([*found.sentences, *([] if response.kind in NORMAL else [
            f"Plans are compared in standard deviations of a run, as if {response.label} "
            "scattered normally; the power of each plan alone is told for its kind."])])
        self.draw(compared_power(found, scale["response"]))
        table = found.table.reset_index()
        if scale["response"] is not None and response.scale == "log":
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
                             f"most {MOST_COMPARED} are compared", 'Press "Clear comparison" first')
        self.beside[_name(self.plan)] = self.plan
        self.say(f"Put aside: {join(self.beside)}. Choose another plan and look at them side by "
                 "side.")

    @reports_errors
    def clear_beside(self) -> None:
        """Forget the plans put aside."""
        self.beside.clear()
        self.say("No plans are put aside.")

    @reports_errors
    def save(self) -> None:
        """Keep the plan, and the factors chosen for it, in the study file.

        Refused if brief or plan have changed in the file since they were shown.
        """
        self.check_fresh()
        if self.plan is None:
            raise InputError("plan", None, "these choices make none", "Change them first")
        options = {"author": self.author.value.strip(), "reason": self.reason.value.strip(),
                   "seen": self.seen}
        try:
            # Together, so that nobody else's change passes for one that was seen.
            with self.file.together():
                if self.brief != self.seen.brief:
                    self.file.set_brief(self.brief, plan=self.plan, **options)
                else:
                    self.file.set_plan(self.plan, **options)
                kept = self.file.read()
        except InputError as error:
            now = self.file.read()
            self.why.layout.display = None if now.locked else "none"
            if now.brief == self.seen.brief and now.plan == self.seen.plan:
                raise
            self.renew.layout.display = None
            raise InputError(error.field, error.value, error.problem, "Press \"Load the study as "
                             "it now stands\", look at the plan again, then keep it") from None
        self.kept(f"Kept: {self.plan.sentence}")
        self.seen, self.reason.value = kept, ""

    # ---- events

    @reports_errors
    def _offer_plans(self) -> None:
        """Offer the plans that suit the factors and the aim; keep to the one chosen before."""
        before = self.family.label
        with self._making():
            offers = self._offers(self.chosen().region)
        with self.quietly():
            self.family.options = offers
            kept = [i for i, (name, _) in enumerate(offers) if name == before]
            self.family.index = kept[0] if kept else 0
        self._family_changed()

    def _offers(self, region: Region) -> list[tuple[str, tuple[str, dict, str]]]:
        """Names of plans, each with its family, options and what speaks for it."""
        aim = AIMS[self.aim.value]
        if not aim:
            return [(_offer(row), (row.family, row.options, f"Tells {row.tells}."))
                    for row in suggest_runs(region).itertuples()]
        found = advise(region, aim=aim, runs=self.most.value, mixer=self.seen.brief.mixer,
                       sd=self.assumed.scale(self.brief.response(self.response.value))["sd"],
                       seed=self.seed.value)
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

    @reports_errors
    def _family_changed(self) -> None:
        """Set the controls as the plan chosen asks for, and make it."""
        family, own, _ = self.family.value
        known = options_of(family)
        with self.quietly():
            for name, control in self._common().items():
                control.disabled = name not in known
                if name in own and name in known:
                    control.value = own[name]
        self.update()

    @reports_errors
    def _response_changed(self) -> None:
        with self.quietly():
            self.assumed.show(self.seen.brief.response(self.response.value))
        self.look()


def _name(plan: Plan) -> str:
    """Short name of a plan among others."""
    return f"{plan.sentence.split(':')[0]}, n = {len(plan)}"


def _offer(row) -> str:
    kind = row.options.get("axial", "") or row.options.get("model", "") or (
        f"resolution {row.resolution}" if row.family == "fractional factorial" else "")
    return f"{row.runs} runs: {row.family}" + (f", {kind}" if kind else "")


def _headings(plan: Plan) -> dict[str, str]:
    labels = {f.name: f.label for f in plan.region.factors}
    return {c: labels.get(c, c.replace("_", " ")) for c in plan.runs}
