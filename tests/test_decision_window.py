"""The operating window against a published overlay and the fits themselves."""

import numpy as np
import pandas as pd
import pytest
from decision_cases import chemical_process, known_fit
from scipy import ndimage

from doe.decision import operating_window
from doe.errors import InputError
from doe.factors import Factor, Region
from doe.responses import Response


def test_published_overlay_of_the_chemical_process():
    # Montgomery, DAE: yield at least 78.5 %, viscosity 62 to 68, molecular weight at most 3400
    # leave two separate parts of the plane open; settings told as solutions in either part are
    # (86.5 min, 170.5 °F) and (82 min, 178.8 °F), with yields 78.8 and 78.5 %; from memory.
    found = operating_window(chemical_process(), x="time", y="temperature", count=101)
    open_parts, count = ndimage.label(found.table["meets_all"].to_numpy().reshape(found.shape))
    assert count == 2
    place = {}
    for time, temperature, output in ((86.5, 170.5, 78.8), (82.0, 178.8, 78.5)):
        i, j = round((time - 80) / 0.1), round((temperature - 170) / 0.1)
        row = found.table.iloc[i * found.shape[1] + j]
        assert (row["time"], row["temperature"]) == pytest.approx((time, temperature))
        assert row["output"] == pytest.approx(output, abs=0.06)
        place[time] = open_parts[i, j]
    assert set(place.values()) == {1, 2}


REGION = Region([Factor("a", 0, 10), Factor("b", 0, 10),
                 Factor.categorical("filler", ["x", "y"])], ["a + b <= 15"])


def linear_fits(sd=0.1):
    return [known_fit(REGION, Response("up", "%", goal="maximise", lower=5), {"1": 5, "a": 5},
                      sd=sd, model="linear"),
            known_fit(REGION, Response("down", "%", goal="minimise", upper=5),
                      {"1": 5, "b": 5, "filler[y]": 2.5}, sd=sd, model="linear", seed=1)]


def test_share_is_the_area_that_plane_geometry_gives():
    # up is met for a ≥ 5, down at filler x for b ≤ 7.5: 25 of the 100 − 12.5 in the region,
    # less the corner above a + b = 15, which is (2.5 × 2.5)/2 of the 5 × 7.5
    fits = linear_fits(sd=1e-6)
    found = operating_window(fits, x="a", y="b", fixed={"filler": "x"}, count=401)
    assert found.share == pytest.approx((5 * 7.5 - 2.5**2 / 2) / (100 - 12.5), abs=0.005)
    assert found.shares["up"] == pytest.approx((50 - 12.5) / 87.5, abs=0.005)
    assert "Up limits it most" in found.sentence
    assert found.fixed == {"filler": "x"}
    assert "At filler x" in found.sentence
    other = operating_window(fits, x="a", y="b", fixed={"filler": "y"}, count=201)
    assert other.share < found.share


def test_numbers_are_those_of_the_fits():
    fits = linear_fits(sd=0.8)
    found = operating_window(fits, x="b", y="a", fixed={"filler": "y"}, count=11)
    assert found.shape == (11, 11)
    at = found.table.assign(filler="y")
    for f in fits:
        p = f.predict(at)
        name = f.response.name
        for column, source in ((name, "mean"), (f"{name}_low", "low"), (f"{name}_high", "high")):
            assert found.table[column].to_numpy() == pytest.approx(p[source].to_numpy())
        meets = [f.response.meets(v) for v in p["mean"]]
        assert found.table[f"{name}_meets"].tolist() == meets
    table = found.table
    assert (table["inside"] == REGION.contains(at)).all()
    assert (table["meets_all"] == table["inside"] & table["up_meets"] & table["down_meets"]).all()
    whole = (table["up_low"] >= 5) & (table["down_high"] <= 5) & table["inside"]
    assert (table["meets_all_intervals"] == whole).all()
    assert found.share_intervals == pytest.approx(whole.sum() / table["inside"].sum())
    assert found.share_intervals < found.share


def test_recipe_settings_can_be_handed_over_and_the_rest_is_central():
    region = Region([Factor("revolution", 600, 1400), Factor("rotation_ratio", 0.2, 0.6),
                     Factor("time", 60, 300)])
    f = known_fit(region, Response("y", upper=0), {"time": 1}, sd=0.1, model="linear")
    recipe = {"revolution": 1000.0, "rotation_ratio": 0.3, "time": 90.0, "rotation": 300.0}
    found = operating_window([f], x="revolution", y="rotation_ratio", fixed=recipe)
    assert found.fixed == {"time": 90.0}
    assert found.share == 1
    assert operating_window([f], x="revolution", y="rotation_ratio").fixed == {"time": 180.0}
    hot = operating_window([f], x="revolution", y="rotation_ratio", fixed={"time": 300})
    assert hot.share == 0
    assert "Nowhere in this plane is the specification of y met" in hot.sentence


def test_no_limits_and_no_intervals_are_said():
    fits = linear_fits()
    free = known_fit(REGION, Response("free"), {"a": 1}, sd=0.1, model="linear")
    assert "no response has specification limits" in operating_window(
        [free], x="a", y="b").sentence
    region = Region([Factor("a", 0, 10), Factor("b", 0, 10)])
    data = pd.DataFrame({"a": [0, 10, 0, 10.0], "b": [0, 0, 10, 10.0]})
    full = known_fit(region, Response("y", upper=3), {"1": 2, "a": 1}, data=data,
                     model="interactions")
    found = operating_window([full], x="a", y="b")
    assert np.isnan(found.share_intervals)
    assert "there are no intervals" in found.sentence
    assert "interval" in operating_window(fits, x="a", y="b").sentence


@pytest.mark.parametrize(("options", "words"), [
    ({"x": "a", "y": "a"}, "same factor"),
    ({"x": "filler", "y": "a"}, "categorical"),
    ({"x": "c", "y": "a"}, "no such factor"),
    ({"x": "a", "y": "b", "fixed": {"filler": "q"}}, "no such level"),
    ({"x": "a", "y": "b", "fixed": {"fill": "x"}}, "no such factor"),
    ({"x": "a", "y": "b", "count": 1}, "two values"),
    ({"x": "a", "y": "b", "level": 95}, "between 0 and 1"),
])
def test_bad_input_is_named(options, words):
    with pytest.raises(InputError, match=words):
        operating_window(linear_fits(), **options)
