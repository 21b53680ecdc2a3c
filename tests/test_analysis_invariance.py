"""What must not change a fit, and what must change it in step."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe import Factor, Region, Response
from doe.analysis import aicc, backward, fit

few = settings(max_examples=15, deadline=None)


@st.composite
def studies(draw, log: bool = False) -> tuple[pd.DataFrame, Region]:
    """Runs at random achieved settings of two numeric factors and a category."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    n = draw(st.integers(14, 30))
    region = Region([Factor("speed", 500, 1500, unit="rpm"), Factor("time", 30, 90, unit="s"),
                     Factor.categorical("cup", ["steel", "polymer", "glass"])])
    data = pd.DataFrame({
        "speed": rng.uniform(500, 1500, n), "time": rng.uniform(30, 90, n),
        "cup": rng.permutation(np.resize(["steel", "polymer", "glass"], n)),
        "run": np.arange(1, n + 1), "block": rng.permutation(np.resize([1, 2], n)),
    })
    y = rng.normal(0, 1, n) + 3 * region["speed"].code(data["speed"])
    data["y"] = np.exp(y / 4) if log else y
    return data, region


MODEL = "speed + time + cup + speed:time + I(time**2)"
Y = Response("y", unit="mm")


def numbers(model) -> np.ndarray:
    return model.table[["coefficient", "standard_error", "p", "effect"]].to_numpy()


@few
@given(studies(), st.randoms(use_true_random=False))
def test_order_of_rows(study, random):
    data, region = study
    order = list(range(len(data)))
    random.shuffle(order)
    one, other = fit(data, Y, region, MODEL), fit(data.iloc[order], Y, region, MODEL)
    np.testing.assert_allclose(numbers(other), numbers(one), rtol=1e-7, atol=1e-9)
    assert other.anova.table["source"].tolist() == one.anova.table["source"].tolist()
    pd.testing.assert_frame_equal(
        other.diagnostics.sort_values("run", ignore_index=True), one.diagnostics, rtol=1e-6)
    assert other.serial_correlation.statistic == pytest.approx(one.serial_correlation.statistic)


@few
@given(studies(), st.floats(1e-3, 1e3), st.floats(-1e3, 1e3))
def test_units_of_the_factors(study, scale, offset):
    data, region = study
    moved = data.assign(speed=scale * data["speed"] + offset)
    speed = Factor("speed", scale * 500 + offset, scale * 1500 + offset)
    other = fit(moved, Y, region.replace([speed, *region.factors[1:]]), MODEL)
    np.testing.assert_allclose(numbers(other), numbers(fit(data, Y, region, MODEL)),
                               rtol=1e-5, atol=1e-7)


@few
@given(studies(), st.floats(-1e6, 1e6), st.floats(0.01, 100))
def test_offset_and_unit_of_the_response(study, offset, scale):
    data, region = study
    one = fit(data, Y, region, MODEL)
    other = fit(data.assign(y=scale * data["y"] + offset), Y, region, MODEL)
    a, b = one.table, other.table
    np.testing.assert_allclose(b["effect"][1:], scale * a["effect"][1:], rtol=1e-5, atol=1e-7)
    np.testing.assert_allclose(b["standard_error"], scale * a["standard_error"], rtol=1e-6)
    assert b["effect"][0] == pytest.approx(scale * a["effect"][0] + offset, rel=1e-9, abs=1e-7)
    assert other.r2_predicted == pytest.approx(one.r2_predicted, abs=1e-7)


@few
@given(studies())
def test_press_is_what_leaving_out_each_run_gives(study):
    data, region = study
    model = fit(data, Y, region, MODEL, blocks=None)
    errors = []
    for i in range(len(data)):
        left = fit(data.drop(index=i), Y, region, MODEL, blocks=None)
        assert left.terms == model.terms
        errors.append(data.loc[i, "y"] - left.predict(data.loc[[i]])["mean"].iloc[0])
    assert model.press == pytest.approx(np.sum(np.square(errors)), rel=1e-6)


@few
@given(studies())
def test_influence_against_statsmodels_own_loop(study):
    data, region = study
    model = fit(data, Y, region, MODEL)
    influence = model.results.get_influence()
    runs = model.diagnostics
    np.testing.assert_allclose(runs["studentised"], influence.resid_studentized_external,
                               rtol=1e-6)
    np.testing.assert_allclose(runs["cooks_distance"], influence.cooks_distance[0], rtol=1e-8)
    np.testing.assert_allclose(runs["leverage"], influence.hat_matrix_diag, rtol=1e-8)
    assert runs["leverage"].sum() == pytest.approx(len(model.coefficients))


@few
@given(studies())
def test_partial_tests_are_comparisons_of_models(study):
    """Each term's row is the loss when the term alone is left out (statsmodels' F-test)."""
    data, region = study
    model = fit(data, Y, region, MODEL)
    rows = model.anova.table.set_index("term")
    for term in model.terms[1:]:
        smaller = model.refit([t for t in model.terms if t != term])
        f, p, df = model.results.compare_f_test(smaller.results)
        assert rows.loc[str(term), ["df", "F", "p"]].tolist() == pytest.approx([df, f, p],
                                                                               rel=1e-6)


@few
@given(studies(log=True))
def test_results_and_tables_agree_with_statsmodels(study):
    data, region = study
    response = Response("y", unit="mm", scale="log")
    model = fit(data, response, region, MODEL)
    own = [n for n in model.results.params.index if not n.startswith("block")]
    np.testing.assert_allclose(model.table["coefficient"], model.results.params[own], rtol=1e-8)
    np.testing.assert_allclose(model.table["p"], model.results.pvalues[own], rtol=1e-6)
    np.testing.assert_allclose(model.table[["low", "high"]], model.results.conf_int().loc[own],
                               rtol=1e-6, atol=1e-9)
    np.testing.assert_allclose(np.exp(2 * model.results.params["speed"]),
                               model.table.set_index("term").loc["speed", "effect"])
    assert model.r2 == pytest.approx(model.results.rsquared)
    assert model.r2_adjusted == pytest.approx(model.results.rsquared_adj)
    new = data.head(5)
    frame = model.results.get_prediction(model.design_rows(new)).summary_frame()
    found = np.log(model.predict(new).iloc[:, :5].astype(float))
    np.testing.assert_allclose(found, frame.drop(columns="mean_se"), rtol=1e-8, atol=1e-9)
    n, k = len(data), len(model.coefficients) + 1
    full = -2 * model.results.llf + 2 * k + 2 * k * (k + 1) / (n - k - 1)
    assert aicc(model) == pytest.approx(full - n * (1 + np.log(2 * np.pi)))


@few
@given(studies(), st.sampled_from(["p", "aicc"]))
def test_backward_keeps_hierarchy_and_cannot_be_bettered_by_one_step(study, criterion):
    data, region = study
    model = backward(fit(data, Y, region), criterion=criterion, alpha=0.1)
    present = set(model.terms)
    assert all(p in present for t in present for p in t.parents())
    assert len(model.columns.places(None)) == 1, "blocks stay"
    free = [t for t in model.terms if t.powers and not any(t in u.parents() for u in model.terms)]
    rows = model.anova.table.set_index("term")
    for term in free:
        if criterion == "p":
            assert rows.loc[str(term), "p"] <= 0.1
        else:
            assert aicc(model.refit([t for t in model.terms if t != term])) > aicc(model)
    # Whether the factor with the large effect stays is no invariant: where settings of the cup
    # happen to follow it, the cup can stand in for it.
