"""Many categorical factors: nothing counts every combination of their levels."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest
from study_cases import template_brief

from doe.analysis import fit
from doe.bench import Bench
from doe.conclude import fit_all, recommend
from doe.decision.space import GREATEST_MIXES, Space
from doe.errors import InputError
from doe.factors import Factor, Region
from doe.panels import PlanningPanel, RunningPanel
from doe.planning import appraise, make_plan, pasted
from doe.report import report_html
from doe.responses import Response
from doe.store import open_study

COUNT = 30


def two_levels(count: int) -> Region:
    return Region(tuple(Factor.categorical(f"x{i}", ("a", "b")) for i in range(count)))


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    """A screening of 30 factors of two levels, 2^30 combinations, of which three matter."""
    held = {"revolution": 1000.0, "rotation_ratio": 0.4, "time": 60.0}
    brief = template_brief(region=two_levels(COUNT), held=held, bench=Bench(),
                           responses=(Response("gloss", goal="maximise"),))
    with open_study(tmp_path_factory.mktemp("many") / "a.study", create=brief) as file:
        plan = make_plan(brief.region, "Plackett–Burman", seed=1)
        file.set_plan(plan)
        coded, rng = brief.region.encode(plan.settings), np.random.default_rng(1)
        for i, row in enumerate(coded, 1):
            file.record(i, {"gloss": 50 + 5 * row[0] - 4 * row[1] + rng.normal()})
        return file.read()


def test_the_best_of_too_many_combinations_is_not_searched_for(study):
    fits = fit_all(study)
    with pytest.raises(InputError, match="combinations of their levels cannot be searched"):
        recommend(study.brief, fits)
    held = {f"x{i}": "a" for i in range(COUNT - 3)}
    assert len(Space(study.brief.region, fixed=held).mixes) == 8
    assert len(Space(two_levels(12)).mixes) == GREATEST_MIXES


def test_the_report_says_so_and_tells_the_rest(study):
    html = report_html(study)
    assert "No recipe was chosen" in html
    assert "X0" in html


def test_a_plan_of_more_factors_than_bits_in_a_number():
    """64 factors of two levels have 2^64 corners, which a whole number of 64 bits takes for 0."""
    region = two_levels(64)
    with pytest.raises(InputError, match="at most 2,000 runs"):
        make_plan(region, "full factorial")
    rows = pd.DataFrame(np.where(np.random.default_rng(1).integers(0, 2, (90, 64)), "a", "b"),
                        columns=region.names)
    assert appraise(pasted(rows, region), terms="x0 + x1").table["estimable"].all()


def test_averages_over_levels_are_those_of_all_combinations():
    region = Region((Factor("t", 0, 10), Factor.categorical("lid", ("open", "shut")),
                     Factor.categorical("cup", ("steel", "glass", "resin"))))
    rng = np.random.default_rng(3)
    data = region.decode(rng.uniform(-1, 1, (60, 3)))
    made = fit(data.assign(y=rng.normal(size=60)), Response("y"), region, "(t + lid + cup)**3")
    settings = pd.DataFrame({"t": [1.0, 7.0], "lid": "open", "cup": "glass"})
    for over in (["lid"], ["cup"], ["lid", "cup"]):
        factors = [region[n] for n in over]
        every = [made.design_rows(settings.assign(**dict(zip(over, mix, strict=True))))
                 for mix in product(*(f.levels for f in factors))]
        np.testing.assert_allclose(made.average_rows(settings, factors), np.mean(every, axis=0),
                                   atol=1e-12)


def test_the_middle_is_the_first_centre_point():
    region = Region((Factor("t", 0, 10), Factor.categorical("lid", ("open", "shut"))))
    pd.testing.assert_frame_equal(region.middle(), region.centre().iloc[[0]])
    assert len(two_levels(64).middle()) == 1


def test_the_panels_take_many_factors(tmp_path):
    held = {"revolution": 1000.0, "rotation_ratio": 0.4, "time": 60.0}
    for number, region in enumerate((two_levels(COUNT), Region(tuple(
            Factor(f"x{i}", 0, 1) for i in range(COUNT))))):
        brief = template_brief(region=region, held=held, bench=Bench())
        with open_study(tmp_path / f"{number}.study", create=brief) as file:
            assert PlanningPanel(file).box.children
            assert RunningPanel(file).box.children
