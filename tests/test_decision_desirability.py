"""Individual and overall desirability against Derringer & Suich (1980)."""

import numpy as np
import pandas as pd
import pytest
from decision_cases import tread_compound
from hypothesis import given
from hypothesis import strategies as st

from doe.decision.desirability import desirability, ends, overall
from doe.errors import InputError
from doe.responses import Response

# Derringer & Suich (1980), tread compound: optimum, predictions there, individual and overall
# desirability as published; from memory.
OPTIMUM = {"silica": -0.050, "silane": 0.145, "sulfur": -0.868}
PREDICTED = {"abrasion": 129.5, "modulus": 1300.0, "elongation": 465.7, "hardness": 68.0}
PARTS = {"abrasion": 0.189, "modulus": 1.000, "elongation": 0.656, "hardness": 0.932}
OVERALL = 0.583


def test_published_optimum_of_the_tread_compound():
    parts = []
    for f in tread_compound():
        mean = f.predict(pd.DataFrame([OPTIMUM]))["mean"].iloc[0]
        name = f.response.name
        assert mean == pytest.approx(PREDICTED[name], abs=0.1)
        parts.append(desirability(f.response, [mean])[0])
        assert parts[-1] == pytest.approx(PARTS[name], abs=0.003)
    assert overall(parts) == pytest.approx(OVERALL, abs=0.003)


def test_weighted_mean_is_geometric():
    # (0.25¹ · 0.81³)^(1/4)
    assert overall([0.25, 0.81], [1, 3]) == pytest.approx((0.25 * 0.81**3) ** 0.25)
    assert overall([[0.5, 0.0], [1.0, 1.0]]).tolist() == [0.0, 1.0]


@pytest.mark.parametrize(("response", "reach", "values", "wanted"), [
    # one-sided, Derringer & Suich's equation: (y − min) / (max − min)
    (Response("y", goal="maximise", lower=10, target=30), None, [5, 10, 15, 30, 40],
     [0, 0, 0.25, 1, 1]),
    (Response("y", goal="minimise", upper=8, target=3), None, [1, 3, 4, 8, 9], [1, 1, 0.8, 0, 0]),
    # two-sided, with unequal sides
    (Response("y", goal="target", lower=0, target=2, upper=12), None, [-1, 0, 1, 2, 7, 12, 13],
     [0, 0, 0.5, 1, 0.5, 0, 0]),
    # no target: the best in reach; no limit: the worst in reach
    (Response("y", goal="minimise", upper=8), (12, 4), [4, 6, 8], [1, 0.5, 0]),
    (Response("y", goal="minimise"), (2, 12), [2, 7, 12], [1, 0.5, 0]),
    (Response("y", goal="maximise"), (2, 12), [2, 7, 12], [0, 0.5, 1]),
    (Response("y", goal="target", target=5), (3, 9), [3, 4, 5, 7, 9], [0, 0.5, 1, 0.5, 0]),
    # a limit on the side of the goal cuts off
    (Response("y", goal="maximise", lower=0, upper=10), (0, 20), [5, 10, 10.1], [0.5, 1, 0]),
    (Response("y", goal="minimise", lower=4, upper=8), (0, 20), [3.9, 4, 6], [0, 1, 0.5]),
    # a limit out of reach: nothing that can be had is worth anything
    (Response("y", goal="minimise", upper=1), (4, 9), [4, 9], [0, 0]),
    # the target is the limit: a step
    (Response("y", goal="minimise", upper=5, target=5), None, [5, 5.01], [1, 0]),
    # everything in reach is beyond the target
    (Response("y", goal="minimise", target=20), (2, 12), [2, 12], [1, 1]),
])
def test_ends(response, reach, values, wanted):
    assert desirability(response, values, reach) == pytest.approx(wanted)


def test_ends_are_said_and_missing_ones_refused():
    assert ends(Response("y", goal="minimise", upper=8), (4, 12)).sentence == (
        "1 at or below 4.00, 0 at or above 8.00")
    with pytest.raises(InputError, match="reach"):
        desirability(Response("y", goal="minimise", upper=8), [3])
    with pytest.raises(InputError, match="not finite"):
        desirability(Response("y", goal="minimise", upper=8), [3], (np.nan, 4))


number = st.floats(-1e3, 1e3).map(lambda v: round(v, 3))


@st.composite
def wishes(draw):
    low, target, high = sorted(draw(st.lists(number, min_size=3, max_size=3, unique=True)))
    goal = draw(st.sampled_from(["minimise", "maximise", "target"]))
    pick = lambda v: draw(st.sampled_from([None, v]))  # noqa: E731
    response = Response("y", goal=goal, lower=pick(low), upper=pick(high),
                        target=target if goal == "target" else pick(target))
    return response, tuple(draw(st.lists(number, min_size=2, max_size=2)))


@given(wishes(), st.lists(number, min_size=2, max_size=20))
def test_desirability_keeps_to_its_range_and_its_limits(case, values):
    response, reach = case
    values = np.sort(values)
    d = desirability(response, values, reach)
    assert ((d >= 0) & (d <= 1)).all()
    inside = np.array([response.meets(v) for v in values])
    for limit in (response.lower, response.upper):
        if limit is not None:             # rounding at the limit itself is forgiven
            inside |= np.isclose(values, limit)
    assert (d[~inside] == 0).all()


@given(wishes(), st.lists(number, min_size=2, max_size=20))
def test_desirability_is_monotone_towards_the_goal(case, values):
    response, reach = case
    values = np.sort(values)
    if response.goal == "target":
        toward = values[values <= response.target]
        beyond = values[values >= response.target]
    else:
        wrong_side = {"minimise": response.lower, "maximise": response.upper}[response.goal]
        if wrong_side is not None:        # beyond that limit it is 0 by the specification
            values = values[[response.meets(v) for v in values]]
        toward, beyond = ((values, values[:0]) if response.goal == "maximise"
                          else (values[:0], values))
    assert (np.diff(desirability(response, toward, reach)) >= 0).all()
    assert (np.diff(desirability(response, beyond, reach)) <= 0).all()
