"""The best setting against scipy, dense grids and the published tread compound."""

import numpy as np
import pandas as pd
import pytest
from decision_cases import design, known_fit, tread_compound
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy import optimize

from doe.decision import best_setting
from doe.decision.desirability import desirability, overall
from doe.decision.merit import Merit
from doe.decision.search import reach
from doe.decision.space import Space
from doe.decision.surface import Stack
from doe.errors import InputError
from doe.factors import Factor, Region
from doe.mixer import Material, Mixer, Vessel, default_region
from doe.responses import Response

MIXER = Mixer("bench mixer (invented)", 140.0, revolution_range=(200, 1500),
              rotation_range=(0, 500), rotation_increment=20.0, pressure_range=(1, 101.3))
REGION = Region([Factor("revolution", 600, 1400, unit="rpm", increment=10),
                 Factor("rotation_ratio", 0.2, 0.6),
                 Factor("time", 60, 300, unit="s", increment=5)],
                ["revolution * rotation_ratio <= 500"])


def voids_and_heat(**changes):
    voids = Response("voids", "%", upper=3.0, scale="log")
    heat = Response("temperature", "°C", **{"target": 40, "upper": 60} | changes)
    data = design(REGION)
    return [known_fit(REGION, voids, {"1": 1.0, "revolution": -0.5, "time": -0.4,
                                      "I(revolution ** 2)": 0.2}, sd=0.05, data=data),
            known_fit(REGION, heat, {"1": 50, "revolution": 6, "rotation_ratio": 5, "time": 6,
                                     "revolution:time": 2}, sd=0.5, data=data, seed=1)]


def merit_of(fits, table: pd.DataFrame) -> np.ndarray:
    """Overall desirability, or minus the weighted shortfall, from public parts only."""
    parts, short = [], np.zeros(len(table))
    space, stack = Space(fits[0].region), Stack(fits)
    merit = Merit(stack, reach(space, stack, seed=1), secure=False)
    for r, f in enumerate(fits):
        mean = f.predict(table)["mean"].to_numpy()
        parts.append(merit.ends[r].of(mean))
        low = -np.inf if f.response.lower is None else f.response.lower
        high = np.inf if f.response.upper is None else f.response.upper
        miss = np.maximum(low - mean, mean - high) / merit.scale[r]
        short += np.where(miss > 1e-9, miss, 0) * f.response.importance
    joint = overall(np.column_stack(parts), [f.response.importance for f in fits])
    return np.where(short > 0, -short, joint)


# -- against the outside -----------------------------------------------------------

def test_tread_compound_is_at_least_as_good_as_published():
    # Derringer & Suich (1980): overall desirability 0.583 at (−0.05, 0.145, −0.868); from memory.
    found = best_setting(tread_compound())
    assert 0.583 <= found.overall <= 0.60
    assert [found.settings[n] for n in ("silica", "silane", "sulfur")] == pytest.approx(
        [-0.050, 0.145, -0.868], abs=0.1)


def test_scipy_finds_nothing_better_without_constraints():
    fits = tread_compound()
    names = ["silica", "silane", "sulfur"]

    def loss(x):
        table = pd.DataFrame(np.atleast_2d(x.T), columns=names)
        parts = [desirability(f.response, f.predict(table)["mean"]) for f in fits]
        return -overall(np.column_stack(parts))

    peer = optimize.differential_evolution(loss, [(-1.633, 1.633)] * 3, seed=4, vectorized=True,
                                           updating="deferred", maxiter=150, tol=1e-8)
    # settings are round to 0.01, so a little is given up
    assert best_setting(fits).overall >= -peer.fun - 2e-3


def test_scipy_finds_nothing_better_on_a_smooth_case():
    region = Region([Factor("a", -1, 1, increment=1e-4), Factor("b", -1, 1, increment=1e-4)])
    rise = Response("rise", goal="maximise", lower=0, target=20)
    fall = Response("fall", goal="minimise", upper=20, target=0)
    fits = [known_fit(region, rise, {"1": 8, "a": 3, "b": 2, "I(a ** 2)": -2, "a:b": 1}),
            known_fit(region, fall, {"1": 9, "a": 4, "b": -1, "I(b ** 2)": 3})]

    def loss(x):
        table = pd.DataFrame([x], columns=["a", "b"])
        y = [f.predict(table)["mean"].iloc[0] for f in fits]
        return -np.sqrt(max(y[0] / 20, 0) * max(1 - y[1] / 20, 0))

    peer = optimize.minimize(loss, [0.0, 0.0], method="L-BFGS-B", bounds=[(-1, 1)] * 2)
    found = best_setting(fits)
    assert found.overall == pytest.approx(-peer.fun, abs=1e-6)
    assert [found.settings["a"], found.settings["b"]] == pytest.approx(peer.x, abs=2e-3)


# -- invariants ----------------------------------------------------------------------

coefficient = st.floats(-3, 3).map(lambda v: round(v, 1))


@st.composite
def studies(draw):
    factors = [Factor("revolution", 600, 1400, unit="rpm", increment=draw(
                   st.sampled_from([10, 50]))),
               Factor("rotation_ratio", 0.2, 0.6)]
    extra = draw(st.sampled_from(["none", "time", "pressure", "filler"]))
    if extra == "time":
        factors.append(Factor("time", 62, 297, unit="s", increment=5))
    elif extra == "pressure":
        factors.append(Factor.settable("pressure", [2, 20, 100], unit="kPa"))
    elif extra == "filler":
        factors.append(Factor.categorical("filler", ["x", "y", "z"]))
    region = Region(factors, draw(st.sampled_from([(), ("revolution * rotation_ratio <= 500",)])))
    goals = draw(st.lists(st.sampled_from(["minimise", "maximise", "target"]), min_size=1,
                          max_size=2))
    size = len(known_fit(region, Response("y"), {}).coefficients)
    fits = []
    for i, goal in enumerate(goals):
        limit = draw(st.sampled_from([-20, -2, 0, 2, 20]))
        options = {"minimise": {"upper": limit}, "maximise": {"lower": limit},
                   "target": {"target": limit, "lower": limit - 3}}[goal]
        beta = np.array(draw(st.lists(coefficient, min_size=size, max_size=size)))
        fits.append(known_fit(region, Response(f"y{i}", goal=goal, importance=draw(
            st.sampled_from([1, 2.5])), **options), beta, sd=0.1, seed=i))
    return fits, draw(st.sampled_from([None, MIXER]))


@given(studies())
@settings(max_examples=12, deadline=None, derandomize=True,
          suppress_health_check=[HealthCheck.too_slow])
def test_the_choice_can_be_set_and_no_grid_point_beats_it(case):
    fits, mixer = case
    region = fits[0].region
    found = best_setting(fits, mixer=mixer)
    chosen = pd.DataFrame([{n: found.settings[n] for n in region.names}])
    assert region.contains(chosen).all()
    again = mixer.snap(chosen, region) if mixer else region.snap(chosen)
    for f in region.factors:
        if f.is_numeric:
            assert again[f.name].iloc[0] == pytest.approx(chosen[f.name].iloc[0], rel=1e-12)
    assert found.settings["rotation"] == pytest.approx(
        found.settings["revolution"] * found.settings["rotation_ratio"])
    if mixer:
        assert found.settings["rotation"] % 20 == 0

    grid = region.grid(41)
    if mixer:
        grid = mixer.snap(grid, region)
        grid = grid[region.contains(grid)].reset_index(drop=True)
    best = merit_of(fits, grid).max()
    mine = merit_of(fits, chosen)[0]
    # without a mixer the grid holds ratios finer than can be asked for; see `Space`
    assert mine >= best - (1e-9 if mixer else 5e-3 * max(1, abs(best)))
    assert found.meets_all == (mine >= 0)


def test_same_seed_same_recipe_and_other_seeds_agree():
    fits = voids_and_heat()
    first = best_setting(fits, mixer=MIXER, seed=3)
    assert first.settings == best_setting(fits, mixer=MIXER, seed=3).settings
    pd.testing.assert_frame_equal(first.alternatives,
                                  best_setting(fits, mixer=MIXER, seed=3).alternatives)
    assert first.seed == 3
    for seed in range(4, 8):
        assert best_setting(fits, mixer=MIXER, seed=seed).overall == pytest.approx(first.overall)


# -- what the recipe tells -------------------------------------------------------------

def test_table_repeats_the_fits_and_says_where_the_interval_lies():
    fits = voids_and_heat()
    found = best_setting(fits, mixer=MIXER)
    chosen = pd.DataFrame([found.settings])
    for f, (_, row) in zip(fits, found.table.iterrows(), strict=True):
        p = f.predict(chosen).iloc[0]
        assert row["predicted"] == pytest.approx(p["mean"])
        assert (row["mean_low"], row["high"]) == pytest.approx((p["mean_low"], p["high"]))
        assert row["interval_inside"] == (p["high"] <= f.response.upper)
        assert row["specification"] == f.response.specification
    assert found.overall == pytest.approx(overall(found.table["desirability"]))
    assert found.meets_all
    assert found.table["meets"].str.startswith("yes").all()
    assert found.table["ends"].iloc[1] == "1 at or below 40.0, 0 at or above 60.0"
    assert f"rotation {found.settings['rotation']:g} rpm" in found.sentence
    assert "Every predicted mean meets its specification" in found.sentence


def test_interval_that_crosses_a_limit_is_told():
    near = known_fit(REGION, Response("y", goal="minimise", upper=5.0), {"1": 4.5, "time": 0.2},
                     sd=2.0)
    found = best_setting([near])
    assert found.meets_all
    assert found.table["interval_inside"].tolist() == [False]
    assert "crosses the upper limit" in found.table["meets"].iloc[0]
    assert "a single run may miss it" in found.sentence


def test_secure_keeps_the_whole_interval_inside():
    region = Region([Factor("a", 0, 10, increment=0.1)])
    gain = Response("gain", goal="maximise", target=100)
    risk = Response("risk", goal="minimise", upper=5.0, target=4.9, importance=0.01)
    data = design(region, 9)
    fits = [known_fit(region, gain, {"1": 50, "a": 50}, sd=0.1, data=data),
            known_fit(region, risk, {"1": 4, "a": 1.2}, sd=0.3, data=data)]
    bold, safe = best_setting(fits), best_setting(fits, secure=True)
    assert bold.meets_all
    assert not bold.table["interval_inside"].iloc[1]
    assert safe.table["interval_inside"].all()
    assert safe.settings["a"] < bold.settings["a"]
    # one increment further, the interval would cross
    beyond = fits[1].predict(pd.DataFrame({"a": [safe.settings["a"] + 0.1]}))["high"].iloc[0]
    assert beyond > 5.0
    saturated = known_fit(region, risk, {"1": 4}, data=design(region, 3))
    with pytest.raises(InputError, match="secure"):
        best_setting([saturated], secure=True)
    assert "not known" in best_setting([saturated]).sentence


def test_what_cannot_be_met_is_named():
    alone = best_setting(voids_and_heat(upper=20, target=None), mixer=MIXER)
    assert not alone.meets_all
    assert "No setting in the region meets the specification of temperature" in alone.sentence
    assert "voids" not in alone.sentence.split("No setting")[1].split(".")[0]
    assert alone.table["meets"].iloc[1].startswith("no: the predicted mean is above")
    assert alone.overall == 0
    assert alone.alternatives["shortfall"].iloc[0] == alone.alternatives["shortfall"].min()

    region = Region([Factor("a", 0, 10, increment=0.1)])
    fits = [known_fit(region, Response("up", goal="maximise", lower=6), {"1": 5, "a": 5}, sd=0.01,
                      data=design(region, 5)),
            known_fit(region, Response("down", goal="minimise", upper=4), {"1": 5, "a": 5}, sd=0.01,
                      data=design(region, 5))]
    together = best_setting(fits)
    assert "Each specification can be met, but no setting was found" in together.sentence
    assert "not a recipe to release" in together.sentence
    assert together.tolerances["low"].isna().all()


def test_shortest_time_is_found():
    # voids fall with revolution and time; with the other free, time need not be long
    fits = voids_and_heat(target=None)
    best = best_setting(fits, mixer=MIXER, give=0.2)
    short = best_setting(fits, mixer=MIXER, give=0.2, prefer_short=True)
    assert short.settings["time"] < best.settings["time"]
    assert short.meets_all
    assert short.overall >= 0.8 * best.overall - 1e-9
    told = best.alternatives.set_index("choice").loc["shortest time"]
    assert told["time"] == short.settings["time"]
    assert short.alternatives["choice"].tolist()[:2] == ["chosen", "most desirable"]
    # exhaustive check: no settable setting with a shorter time comes within 20 %
    grid = MIXER.snap(REGION.grid({"revolution": 81, "rotation_ratio": 41, "time": 49}), REGION)
    grid = grid[REGION.contains(grid) & (grid["time"] < short.settings["time"])]
    assert merit_of(fits, grid.reset_index(drop=True)).max() < 0.8 * best.overall


def test_alternatives_differ_and_are_in_order():
    found = best_setting(voids_and_heat(), mixer=MIXER)
    table = found.alternatives
    assert len(table) == 6
    assert REGION.contains(table).all()
    coded = REGION.encode(table)
    rest = [i for i, why in enumerate(table["choice"]) if why == "near the best"]
    for i in rest:
        assert np.abs(coded[:i] - coded[i]).max(axis=1).min() >= 0.25
    assert (table["overall"] <= table["overall"].iloc[0] + 1e-12).all()
    assert (table.loc[rest, "overall"] >= 0.5 * table["overall"].iloc[0]).all()
    assert table["meets_all"].all()


def test_tolerances_end_where_a_mean_leaves_its_specification():
    fits = voids_and_heat()
    found = best_setting(fits, mixer=MIXER)
    for _, row in found.tolerances.iterrows():
        assert row["low"] <= row["setting"] <= row["high"]
        if row["factor"] == "rotation":
            continue
        f, out = REGION[row["factor"]], {}
        for end, limit in (("low", row["limit_low"]), ("high", row["limit_high"])):
            step = (1 if end == "high" else -1) * 1e-3 * (f.high - f.low)
            if limit == "edge of the region":
                assert row[end] == pytest.approx(getattr(f, end))
                continue
            for where, value in (("in", row[end]), ("out", row[end] + step)):
                at = pd.DataFrame([found.settings | {f.name: value}])
                ok = {g.response.label: g.response.meets(g.predict(at)["mean"].iloc[0])
                      for g in fits}
                ok[REGION.constraints[0].said] = bool(REGION.constraints[0].holds(at)[0])
                out[where] = ok
            assert all(out["in"].values())
            assert not out["out"][limit]
    speed = found.tolerances.set_index("factor")
    assert speed.loc["rotation", "high"] == pytest.approx(
        speed.loc["rotation_ratio", "high"] * found.settings["revolution"])


def test_held_settings_are_kept_or_refused():
    fits = voids_and_heat()
    found = best_setting(fits, mixer=MIXER, fixed={"time": 100})
    assert found.settings["time"] == 100
    assert set(found.alternatives["time"]) == {100}
    with pytest.raises(InputError, match="nearest setting is 100 s"):
        best_setting(fits, mixer=MIXER, fixed={"time": 101})
    with pytest.raises(InputError, match="outside"):
        best_setting(fits, fixed={"time": 1000})
    with pytest.raises(InputError, match="no such factor"):
        best_setting(fits, fixed={"tme": 100})
    everything = best_setting(fits, fixed={"time": 100, "revolution": 1000, "rotation_ratio": 0.3})
    assert everything.settings == {"revolution": 1000, "rotation_ratio": 0.3, "time": 100,
                                   "rotation": 300}


def test_categories_are_tried_one_by_one():
    region = Region([Factor("a", 0, 10, increment=1),
                     Factor.categorical("filler", ["x", "y", "z"])])
    data = design(region, 5)
    f = known_fit(region, Response("y", goal="maximise"),
                  {"filler[y]": 1, "filler[z]": 2, "a:filler[y]": 3, "I(a ** 2)": -1},
                  sd=1e-3, data=data)
    found = best_setting([f])
    grid = region.grid(11)
    top = grid.iloc[f.predict(grid)["mean"].to_numpy().argmax()].to_dict()
    assert found.settings == top


def test_fits_that_do_not_go_together_are_refused():
    a, b = voids_and_heat()
    with pytest.raises(InputError, match="there twice"):
        best_setting([a, a])
    other = known_fit(Region([Factor("time", 60, 300)]), Response("y"), {"1": 1}, sd=0.1)
    with pytest.raises(InputError, match="another region"):
        best_setting([b, other])
    with pytest.raises(InputError, match="there are none"):
        best_setting([])


def test_no_setting_inside_the_region_is_an_error():
    region = Region([Factor("a", 0, 10), Factor("b", 0, 10)], ["a + b <= 15"])
    f = known_fit(region, Response("y"), {"1": 1, "a": 1}, sd=0.1)
    with pytest.raises(InputError, match="no setting"):
        best_setting([f], fixed={"a": 9, "b": 9})


def test_cautions_and_extrapolation_come_with_the_recipe():
    region = default_region(MIXER)
    data = design(region)
    data = data[region.contains(data) & (data["time"] < 300)]
    f = known_fit(region, Response("y", goal="minimise"), {"1": 5, "time": -1, "revolution": -0.5},
                  sd=0.1, data=data, model="linear")
    found = best_setting([f], mixer=MIXER, vessel=Vessel("cup", 150, 60, 80),
                         material=Material("paste (invented)", 1.1, 20, vapour_pressure=30.0))
    assert found.settings["time"] == 300
    assert found.table["extrapolated"].all()
    assert found.cautions[0].startswith("Extrapolation")
    assert "extrapolation" in found.sentence
    assert any("vapour pressure 30 kPa" in c for c in found.cautions)


