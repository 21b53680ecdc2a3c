"""Stationary points against published examples, R and scipy."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from decision_cases import chemical_process, known_fit, polymer
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize

from doe.analysis import fit
from doe.decision import stationary_point, steepest_path
from doe.decision.stationary import canonical
from doe.errors import InputError
from doe.factors import Factor, Region
from doe.mixer import Mixer
from doe.responses import Response
from doe.terms import model_matrix


def test_published_maximum_of_the_chemical_process():
    # Montgomery, DAE, chemical process: stationary point, value and eigenvalues as published;
    # from memory.
    found = stationary_point(chemical_process()[0])
    assert found.coded["time"] == pytest.approx(0.389, abs=0.001)
    assert found.coded["temperature"] == pytest.approx(0.306, abs=0.001)
    assert found.settings["time"] == pytest.approx(86.95, abs=0.01)
    assert found.settings["temperature"] == pytest.approx(176.53, abs=0.01)
    assert found.value == pytest.approx(80.21, abs=0.005)
    assert sorted(found.table["eigenvalue"]) == pytest.approx([-1.4141, -0.9634], abs=3e-4)
    assert found.kind == "maximum"
    assert found.inside
    assert "a maximum of 80.2 %, inside the region" in found.sentence


def test_stationary_point_is_where_scipy_finds_the_top():
    f = chemical_process()[0]
    low, high = np.array([80, 170]), np.array([90, 180])

    def loss(x):
        return -f.predict(pd.DataFrame([x], columns=["time", "temperature"]))["mean"].iloc[0]

    peer = optimize.minimize(loss, (low + high) / 2, method="Nelder-Mead",
                             options={"xatol": 1e-6, "fatol": 1e-10})
    found = stationary_point(f)
    assert [found.settings[n] for n in ("time", "temperature")] == pytest.approx(peer.x, abs=1e-3)
    assert found.best_value == pytest.approx(-peer.fun, abs=1e-4)


def test_saddle_of_a_box_behnken_plan():
    # R: m <- lm(viscosity ~ (x1+x2+x3)^2 + I(x1^2)+I(x2^2)+I(x3^2)); B from coef(m);
    #    xs <- -solve(B, b)/2; k[1] + sum(b*xs)/2; eigen(B)$values
    found = stationary_point(polymer())
    assert list(found.coded.values()) == pytest.approx(
        [2.1849596016, -0.8713708594, 2.7586014506], rel=1e-9)
    assert found.value == pytest.approx(586.3443692786, rel=1e-10)
    assert sorted(found.table["eigenvalue"]) == pytest.approx(
        [-114.6936323094, 2.5207629609, 20.9228693484], rel=1e-9)
    assert not found.inside
    # only the greatest of the three curvatures stands out from the error of this plan
    assert found.table["shape"].tolist() == ["hill", "flat", "flat"]
    assert found.kind == "ridge"
    assert "outside the region" in found.sentence


def test_standard_errors_are_those_of_the_rotated_model():
    # Bisgaard & Ankenman (1996): refit in the canonical axes; the squares' standard errors
    # there are the eigenvalues'.
    f = polymer()
    found = stationary_point(f)
    axes = found.table[["x1", "x2", "x3"]].to_numpy().T
    z = pd.DataFrame(f.data[["x1", "x2", "x3"]].to_numpy() @ axes, columns=["x1", "x2", "x3"])
    columns = model_matrix(f.region, z, f.terms)
    peer = sm.OLS(f.data["viscosity"].to_numpy(), columns.to_numpy()).fit()
    squares = [list(columns).index(f"I({n} ** 2)") for n in ("x1", "x2", "x3")]
    assert found.table["eigenvalue"].tolist() == pytest.approx(peer.params[squares], rel=1e-8)
    assert found.table["standard_error"].tolist() == pytest.approx(peer.bse[squares], rel=1e-8)
    limits = peer.conf_int(0.05)[squares]
    assert found.table["low"].tolist() == pytest.approx(limits[:, 0], rel=1e-8)


entry = st.floats(-5, 5).map(lambda v: round(v, 2))


@given(st.integers(1, 4), st.data())
@settings(max_examples=60, deadline=None)
def test_gradient_vanishes_and_the_canonical_form_is_the_polynomial(k, data):
    draw = lambda size: np.array(data.draw(st.lists(entry, min_size=size, max_size=size)))  # noqa: E731
    b, B = draw(k), draw(k * k).reshape(k, k)
    B = (B + B.T) / 2
    found = canonical(1.0, b, B)
    assert found.axes @ np.diag(found.eigenvalues) @ found.axes.T == pytest.approx(B, abs=1e-9)
    assert (np.diff(np.abs(found.eigenvalues)) <= 1e-12).all()
    if found.location is None:
        # no point is level: the slope has a part where there is no curvature
        assert np.linalg.matrix_rank(np.column_stack([2 * B, b]), tol=1e-9) > (
            np.linalg.matrix_rank(B, tol=1e-9))
        return
    x = found.location
    size = np.abs(b).max() + np.abs(B).max() * np.abs(x).max() + 1
    assert np.abs(b + 2 * B @ x).max() <= 1e-7 * size
    assert found.value == pytest.approx(1 + b @ x + x @ B @ x, abs=1e-6 * size * (1 + abs(x).max()))


REGION = Region([Factor("a", 0, 10), Factor("b", 0, 10)])


@pytest.mark.parametrize(("coefficients", "kind", "inside"), [
    ({"I(a ** 2)": -2, "I(b ** 2)": -1}, "maximum", True),
    ({"I(a ** 2)": 2, "I(b ** 2)": 1, "a": 1}, "minimum", True),
    ({"I(a ** 2)": 2, "I(b ** 2)": -1}, "saddle", True),
    ({"I(a ** 2)": -2, "I(b ** 2)": -0.01}, "ridge", True),
    ({"I(a ** 2)": -2, "I(b ** 2)": -0.01, "b": 0.5}, "ridge", False),
    ({"I(a ** 2)": -2, "I(b ** 2)": -1, "a": 9}, "maximum", False),
])
def test_kinds(coefficients, kind, inside):
    f = known_fit(REGION, Response("y", goal="maximise"), coefficients, sd=1e-3)
    found = stationary_point(f)
    assert (found.kind, found.inside) == (kind, inside)
    if kind == "ridge":
        assert ("stationary ridge" if inside else "rising ridge") in found.sentence
    if not inside or kind != "maximum":
        assert "best predicted mean inside the region" in found.sentence
        grid = f.predict(REGION.grid(101))["mean"].max()
        assert found.best_value >= grid - 1e-9


def test_curvature_within_noise_establishes_nothing():
    f = known_fit(REGION, Response("y", goal="maximise"), {"a": 1}, sd=1.0, seed=3)
    assert "no curvature can be told from noise" in stationary_point(f).sentence


def test_log_scale_is_told_in_the_unit_of_the_response():
    f = known_fit(REGION, Response("y", scale="log"), {"1": 1, "I(a ** 2)": 1, "I(b ** 2)": 2},
                  sd=1e-4)
    found = stationary_point(f)
    assert found.value == pytest.approx(np.e, rel=1e-3)
    assert found.best_value == pytest.approx(np.e, rel=1e-3)


def test_categories_are_held_one_level_at_a_time():
    region = Region([Factor("a", 0, 10), Factor("b", 0, 10),
                     Factor.categorical("filler", ["x", "y"])])
    f = known_fit(region, Response("y", goal="maximise"),
                  {"I(a ** 2)": -1, "I(b ** 2)": -1, "a:filler[y]": 0.5, "filler[y]": 2}, sd=1e-6)
    with pytest.raises(InputError, match="filler"):
        stationary_point(f)
    # the slope in a is −0.5 at level x and +0.5 at level y: ∓0.25 in coded units
    assert stationary_point(f, fixed={"filler": "x"}).coded["a"] == pytest.approx(-0.25, abs=1e-4)
    assert stationary_point(f, fixed={"filler": "y"}).coded["a"] == pytest.approx(0.25, abs=1e-4)


def test_models_without_a_stationary_point_are_refused():
    f = known_fit(REGION, Response("y"), {"a": 1}, model="linear", sd=0.1)
    with pytest.raises(InputError, match="steepest_path"):
        stationary_point(f)


def test_steepest_path_follows_the_coefficients():
    # Montgomery, DAE, method of steepest ascent: y = 40.44 + 0.775 x1 + 0.325 x2, so that a step
    # of 5 min (1 coded) in time goes with 0.325/0.775 × 5 °F = 2.1 °F; from memory.
    x = [(-1, -1), (-1, 1), (1, -1), (1, 1), (0, 0), (0, 0), (0, 0), (0, 0), (0, 0)]
    region = Region([Factor("time", 30, 40), Factor("temperature", 150, 160)])
    data = region.decode(np.array(x, float))
    data["output"] = [39.3, 40.0, 40.9, 41.5, 40.3, 40.5, 40.7, 40.2, 40.6]
    up = steepest_path(fit(data, Response("output", goal="maximise"), region, "linear"), 5)
    assert up.direction["temperature"] / up.direction["time"] == pytest.approx(0.325 / 0.775)
    end = up.table.iloc[-1]
    assert (end["time"], end["temperature"]) == pytest.approx((40, 155 + 5 * 0.325 / 0.775))
    assert end["mean"] == pytest.approx(40.44 + 0.775 + 0.325**2 / 0.775, abs=0.005)
    assert (np.diff(up.table["mean"]) > 0).all()
    down = steepest_path(fit(data, Response("output", goal="minimise"), region, "linear"), 5)
    assert down.table["time"].iloc[-1] == 30
    assert (np.diff(down.table["mean"]) < 0).all()


def test_steepest_path_stays_in_the_region_and_can_be_set():
    mixer = Mixer("m", 140.0, rotation_increment=20.0)
    region = Region([Factor("revolution", 600, 1600, increment=50),
                     Factor("rotation_ratio", 0.2, 0.6)], ["revolution * rotation_ratio <= 600"])
    f = known_fit(region, Response("y", goal="maximise"), {"revolution": 1, "rotation_ratio": 1},
                  model="linear", sd=0.01)
    path = steepest_path(f, 6, mixer=mixer).table
    assert region.contains(path).all()
    assert path["step"].tolist() == list(range(7))
    again = mixer.snap(path[region.names], region)
    assert again.to_numpy() == pytest.approx(path[region.names].to_numpy())


def test_steepest_path_says_when_the_direction_is_noise():
    f = known_fit(REGION, Response("y", goal="maximise"), {"a": 0.01}, model="linear", sd=1.0)
    assert "not established" in steepest_path(f).sentence
