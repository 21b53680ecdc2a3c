"""Leeway against the closed forms: quadratic formula, vertex −b/2a, links solved by hand."""

import decision_cases as cases
import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from doe.analysis import fit_mixed
from doe.analysis.kinds import fit_kind
from doe.decision import leeway
from doe.decision.leeway import predicted_at
from doe.errors import InputError
from doe.factors import Factor, Region
from doe.responses import Response

SPEED = Factor("a", 600, 1600, unit="rpm")
TIME = Factor("b", 60, 300, unit="s")
HEAT = Response("y", unit="°C", lower=10, upper=40)


def marks(table: pd.DataFrame, factor: str, mark: str, column: str = "setting") -> list:
    return list(table.loc[(table["factor"] == factor) & (table["mark"] == mark), column])


number = st.floats(-20, 20).map(lambda v: round(v, 3))


@given(number, number, number, number, st.floats(-0.9, 0.9))
def test_crossings_and_turns_follow_the_quadratic_formula(c0, c1, c2, both, at):
    assume(abs(c2) > 0.05)
    region = Region((SPEED, TIME))
    f = cases.known_fit(region, HEAT, {"1": c0, "a": c1, "I(a ** 2)": c2, "a:b": both})
    here = {"a": 1100 + 500 * at, "b": 240.0}  # b is coded 0.5
    table = leeway([f], here)
    slope = c1 + 0.5 * both
    vertex = -slope / (2 * c2)
    assume(abs(abs(vertex) - 1) > 1e-3)
    wanted = [1100 + 500 * vertex] if abs(vertex) < 1 else []
    np.testing.assert_allclose(marks(table, "a", "turn"), wanted, rtol=1e-5)
    assert marks(table, "a", "turn", "why") == (
        ["lowest" if c2 > 0 else "highest"] if wanted else [])
    roots = []
    for limit in (10, 40):
        inside = slope**2 - 4 * c2 * (c0 - limit)
        assume(abs(inside) > 1e-3)
        if inside > 0:
            roots += [(-slope + s * np.sqrt(inside)) / (2 * c2) for s in (-1, 1)]
    assume(all(abs(abs(r) - 1) > 1e-3 for r in roots))
    np.testing.assert_allclose(marks(table, "a", "crossing"),
                               sorted(1100 + 500 * r for r in roots if abs(r) < 1), rtol=1e-5)
    ends = [marks(table, "a", side, "predicted")[0] for side in ("low", "high")]
    np.testing.assert_allclose(ends, [c0 - slope + c2, c0 + slope + c2], rtol=1e-6, atol=1e-6)


def test_a_straight_line_turns_nowhere_and_crosses_once():
    f = cases.known_fit(Region((SPEED,)), HEAT, {"1": 30.0, "a": 20.0}, model="linear")
    table = leeway([f], {"a": 1100})
    assert marks(table, "a", "turn") == []
    np.testing.assert_allclose(marks(table, "a", "crossing"), [1350])  # 10 is reached at the end
    assert marks(table, "a", "crossing", "why") == ["upper limit"]
    assert set(table["setting_unit"]) == {"rpm"}
    assert set(table["unit"]) == {"°C"}


def test_a_logarithm_is_crossed_where_it_equals_that_of_the_limit():
    voids = Response("y", unit="%", upper=2.0, scale="log")
    f = cases.known_fit(Region((SPEED, TIME)), voids, {"1": 0.5, "a": -0.8, "b": 0.1},
                        model="linear")
    table = leeway([f], {"a": 1100, "b": 180})
    np.testing.assert_allclose(marks(table, "a", "crossing"),
                               [1100 + 500 * (0.5 - np.log(2)) / 0.8])


def test_a_constraint_cuts_where_it_is_solved_for_the_factor():
    ratio = Factor("ratio", 0.2, 0.8)
    region = Region((Factor("speed", 600, 1600, unit="rpm"), ratio), ("speed * ratio <= 900",))
    f = cases.known_fit(region, HEAT, {"1": 20.0, "speed": 5.0, "ratio": 3.0}, model="linear",
                        data=cases.design(region).query("speed * ratio <= 900"))
    table = leeway([f], {"speed": 1200, "ratio": 0.6})
    assert marks(table, "speed", "low") == [600]
    np.testing.assert_allclose(marks(table, "speed", "high"), [900 / 0.6])
    np.testing.assert_allclose(marks(table, "ratio", "high"), [900 / 1200])
    assert marks(table, "ratio", "high", "why") == ["speed × ratio ≤ 900"]
    assert marks(table, "ratio", "low", "why") == [""]


def test_where_nothing_may_be_run_the_ends_are_missing_and_say_why():
    region = Region((SPEED, TIME), ("b <= 100",))
    f = cases.known_fit(region, HEAT, {"1": 20.0, "a": 5.0}, model="linear",
                        data=cases.design(Region((SPEED, Factor("b", 60, 100)))))
    table = leeway([f], {"a": 1100, "b": 200})
    assert np.isnan(marks(table, "a", "low")).all()
    assert marks(table, "a", "low", "why") == ["b ≤ 100"]
    np.testing.assert_allclose(marks(table, "b", "high"), [100])


def test_every_level_of_a_category_is_predicted():
    cup = Factor.categorical("cup", ["flat", "ribbed", "deep"])
    f = cases.known_fit(Region((SPEED, cup)), HEAT,
                        {"1": 20.0, "a": 4.0, "cup[ribbed]": 3.0, "cup[deep]": 1.0},
                        model="linear")
    table = leeway([f], {"a": 1600, "cup": "deep"})
    assert marks(table, "cup", "level") == ["flat", "ribbed", "deep"]
    np.testing.assert_allclose(marks(table, "cup", "level", "predicted"), [20, 27, 25])


def test_a_nuisance_factor_is_averaged_over_unless_it_is_set():
    lot = Factor.categorical("lot", ["A", "B"], nuisance=True)
    f = cases.known_fit(Region((SPEED, lot)), HEAT, {"1": 20.0, "a": 4.0, "lot[B]": 2.0}, sd=0.1,
                        model="linear")
    averaged, set_ = leeway([f], {"a": 1100}), leeway([f], {"a": 1100, "lot": "B"})
    assert set(averaged["factor"]) == {"a"}
    assert set(set_["factor"]) == {"a", "lot"}
    both = f.predict(pd.DataFrame({"a": [600.0] * 2, "lot": ["A", "B"]}))["mean"].mean()
    np.testing.assert_allclose(marks(averaged, "a", "low", "predicted"), [both])
    at = predicted_at([f], {"a": 1100}).iloc[0]
    assert at["low"] < at["mean_low"] < at["mean"] < at["mean_high"] < at["high"]
    own = predicted_at([f], {"a": 1100, "lot": "B"}).iloc[0]
    np.testing.assert_allclose(own["mean"], f.predict(pd.DataFrame(
        [{"a": 1100.0, "lot": "B"}]))["mean"].iloc[0])


def counted(kind: str, **more):
    rng = np.random.default_rng(5)
    x = np.repeat(np.linspace(600, 1600, 5), 12)
    coded = (x - 1100) / 500
    if kind == "count":
        y = rng.poisson(np.exp(1.5 - 0.6 * coded))
    elif kind == "proportion":
        y = rng.binomial(20, 1 / (1 + np.exp(-(0.3 + 0.9 * coded)))) / 20
    else:
        y = 1 + (coded + rng.logistic(size=len(x)) > -0.5) + (coded + rng.logistic(size=len(x)) > 1)
    data = pd.DataFrame({"a": x, "y": y.astype(float)})
    return fit_kind(data, Response("y", kind=kind, **more), Region((SPEED,)), "linear")


@pytest.mark.parametrize(("kind", "more", "link"), [
    ("count", {"upper": 5}, np.log), ("proportion", {"trials": 20, "lower": 0.6},
                                      lambda p: np.log(p / (1 - p)))])
def test_counts_and_shares_cross_where_the_link_is_solved(kind, more, link):
    f = counted(kind, **more)
    intercept, slope = f.coefficients
    limit = more.get("upper", more.get("lower"))
    table = leeway([f], {"a": 1100})
    np.testing.assert_allclose(marks(table, "a", "crossing"),
                               [1100 + 500 * (link(limit) - intercept) / slope], rtol=1e-8)


def test_grades_cross_where_their_own_prediction_does():
    f = counted("ordinal", grades=("poor", "fair", "good"), lower=2)
    at = marks(leeway([f], {"a": 1100}), "a", "crossing")
    assert len(at) == 1
    np.testing.assert_allclose(f.predict(pd.DataFrame({"a": at}))["mean"], [2.0])


def test_a_mixed_fit_crosses_where_its_own_line_does():
    rng = np.random.default_rng(2)
    data = pd.DataFrame({"a": np.tile(np.linspace(600, 1600, 5), 6), "day": np.repeat(range(6), 5)})
    data["y"] = (25 + 20 * (data["a"] - 1100) / 500 + rng.normal(size=6)[data["day"]]
                 + 0.3 * rng.normal(size=30))
    f = fit_mixed(data, HEAT, Region((SPEED,)), "linear", groups="day")
    intercept, slope = f.coefficients
    np.testing.assert_allclose(marks(leeway([f], {"a": 1100}), "a", "crossing"),
                               [1100 + 500 * (limit - intercept) / slope for limit in (10, 40)])


def test_settings_that_cannot_be_used_are_named():
    f = cases.known_fit(Region((SPEED, TIME)), HEAT, {"1": 20.0, "a": 4.0}, model="linear")
    with pytest.raises(InputError, match=r"'a'.*outside 600 to 1600"):
        leeway([f], {"a": 100, "b": 100})
    with pytest.raises(InputError, match="missing"):
        leeway([f], {"a": 1000})
    with pytest.raises(InputError, match="there are none"):
        leeway([], {})
