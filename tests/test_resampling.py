"""Bootstrap and repeated searches against loops over statsmodels and over single searches."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from doe import Factor, InputError, Region, Response, Term
from doe.analysis import bootstrap, cross_validate, fit, reality_check, search
from doe.analysis.resampling import modified_residuals, resamples

few = settings(max_examples=10, deadline=None)
Y = Response("y", unit="mm")
REGION = Region([Factor("a", -1, 1), Factor("b", 100, 300, unit="rpm")])
KINDS = ("residual", "parametric", "case")


def study(seed: int = 1, n: int = 30, blocks: bool = False, noise: float = 0.4) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    data = pd.DataFrame({"a": rng.uniform(-1, 1, n), "b": rng.uniform(100, 300, n)})
    if blocks:
        data["block"] = np.arange(n) % 3 + 1
    data["y"] = 10 + 2 * data.a + data.a**2 + 0.01 * data.b + rng.normal(0, noise, n)
    return data


# -- bootstrap ----------------------------------------------------------------------------


@few
@given(st.integers(0, 2**32 - 1), st.sampled_from(KINDS), st.booleans())
def test_refits_are_those_of_a_loop_over_statsmodels(seed, kind, blocks):
    model = fit(study(seed, blocks=blocks), Y, REGION, "quadratic")
    found = bootstrap(model, count=100, seed=seed % 1000, kind=kind)
    drawn = resamples(model, 100, seed=seed % 1000, kind=kind)
    x, y = model.columns.matrix.to_numpy(), model.observed
    loop = [sm.OLS(y[r], x[r]).fit() if kind == "case" else sm.OLS(r, x).fit() for r in drawn]
    assert found.lost == 0
    np.testing.assert_allclose(found.coefficients, [r.params for r in loop], rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(found.sigma, [np.sqrt(r.mse_resid) for r in loop], rtol=1e-9)
    params = np.array([r.params for r in loop])
    own = [j for j, t in enumerate(model.columns.owner) if t is not None]
    np.testing.assert_allclose(found.table["standard_error"], params.std(axis=0, ddof=1)[own],
                               rtol=1e-9)
    np.testing.assert_allclose(found.table["bias"],
                               (params.mean(axis=0) - model.coefficients)[own], atol=1e-9)


def test_studentised_intervals_of_normal_noise_are_those_of_student():
    """With simulated normal noise the studentised interval is Student's, but for simulation."""
    model = fit(study(n=12), Y, REGION, "quadratic")
    found = bootstrap(model, count=40_000, seed=3, kind="parametric")
    scale = (model.table["high"] - model.table["low"]).to_numpy()
    np.testing.assert_allclose((found.table["low"] - model.table["low"]) / scale, 0, atol=0.012)
    np.testing.assert_allclose((found.table["high"] - model.table["high"]) / scale, 0, atol=0.012)
    at = pd.DataFrame({"a": [0.5, -1.0], "b": [150.0, 300.0]})
    ours, usual = found.predict(at), model.predict(at)
    for name in ("mean_low", "mean_high", "low", "high"):
        width = (usual["high"] - usual["low"]) if name in ("low", "high") else (
            usual["mean_high"] - usual["mean_low"])
        np.testing.assert_allclose((ours[name] - usual[name]) / width, 0, atol=0.015)
    assert (ours["mean"] == usual["mean"]).all()


def test_percentiles_of_resampled_runs():
    model = fit(study(), Y, REGION, "linear")
    found = bootstrap(model, count=1000, seed=5, kind="case", level=0.9)
    low, high = np.quantile(found.coefficients, [0.05, 0.95], axis=0)
    np.testing.assert_allclose(found.table["low"], low, rtol=1e-12)
    np.testing.assert_allclose(found.table["high"], high, rtol=1e-12)
    at = pd.DataFrame({"a": [0.5], "b": [150.0]})
    refits = found.coefficients @ model.design_rows(at).T
    assert found.predict(at, level=0.9)["mean_low"][0] == pytest.approx(np.quantile(refits, 0.05))


def test_modified_residuals_have_the_spread_of_noise():
    """Davison & Hinkley (1997), section 6.2.3: e / √(1 − h), centred."""
    model = fit(study(n=9), Y, REGION, "quadratic")
    runs = model.diagnostics
    scaled = runs["residual"] / np.sqrt(1 - runs["leverage"])
    np.testing.assert_allclose(modified_residuals(model), scaled - scaled.mean(), rtol=1e-12)
    assert set(np.round(resamples(model, 50, seed=1, kind="residual")
                        - runs["fitted"].to_numpy(), 9).ravel()) <= set(
                            np.round(modified_residuals(model), 9))


def test_runs_are_resampled_within_their_blocks():
    data = study(n=12, blocks=True)
    rows = resamples(fit(data, Y, REGION, "linear"), 200, seed=1, kind="case")
    drawn = data["block"].to_numpy()[rows]
    assert (drawn == data["block"].to_numpy()).all()
    assert len(np.unique(rows)) == 12


def test_resamples_that_cannot_estimate_the_model_are_left_out_and_said():
    corners = pd.DataFrame({"a": [-1.0, 1, -1, 1, 0, 0], "b": [100.0, 100, 300, 300, 200, 200]})
    model = fit(corners.assign(y=[1.0, 3, 2, 4.2, 2.5, 2.7]), Y, REGION, "linear")
    found = bootstrap(model, count=2000, seed=1, kind="case")
    x = model.columns.matrix.to_numpy()
    singular = sum(np.linalg.matrix_rank(x[r]) < 3
                   for r in resamples(model, 2000, seed=1, kind="case"))
    assert found.lost == singular > 0
    assert f"{singular:,} more that cannot estimate the model left out" in found.sentence
    assert len(found.coefficients) == 2000 - singular


def test_bootstrap_says_its_seed_and_repeats():
    model = fit(study(), Y, REGION, "quadratic")
    one, again, other = (bootstrap(model, count=500, seed=s) for s in (7, 7, 8))
    pd.testing.assert_frame_equal(one.table, again.table)
    assert not one.table["low"].equals(other.table["low"])
    assert "500 refits with resampled residuals (seed 7)" in one.sentence
    assert "intervals of a and a² exclude zero" in one.sentence or "a, b" in one.sentence
    assert one.table["same_sign"].between(0, 1).all()
    chosen = bootstrap(search(model).fit, count=500)
    assert "still after selection" in chosen.sentence


def test_log_scale_gives_ratios():
    data = study()
    model = fit(data.assign(y=np.exp(data["y"] / 5)), Response("y", unit="mm", scale="log"),
                REGION, "linear")
    found = bootstrap(model, count=400)
    np.testing.assert_allclose(found.table["effect"], model.table["effect"])
    np.testing.assert_allclose(np.log(found.table["effect_low"][1:]) / 2, found.table["low"][1:])
    assert found.table.attrs["units"]["effect"] == "ratio"
    at = pd.DataFrame({"a": [0.5], "b": [150.0]})
    assert found.predict(at)["mean"][0] == pytest.approx(model.predict(at)["mean"][0])
    assert found.predict(at).attrs["statistic"] == "median"


def test_no_noise_to_resample():
    corners = pd.DataFrame({"a": [-1.0, 1, -1, 1], "b": [100.0, 100, 300, 300]})
    saturated = fit(corners.assign(y=[1.0, 3, 2, 5]), Y, REGION, "a*b")
    with pytest.raises(InputError, match="no noise to resample"):
        bootstrap(saturated)
    model = fit(study(), Y, REGION, "linear")
    for options, field in [({"count": 5}, "count"), ({"seed": -1}, "seed"),
                           ({"kind": "wild"}, "kind"), ({"level": 1.0}, "level")]:
        with pytest.raises(InputError, match=field):
            bootstrap(model, **options)


# -- left-out runs ------------------------------------------------------------------------


def test_leaving_out_each_run_is_press():
    model = fit(study(n=20), Y, REGION, "quadratic")
    found = cross_validate(model)
    assert found.r2 == pytest.approx(model.r2_predicted, rel=1e-9)
    assert found.folds == 20
    assert "each run left out in turn" in found.sentence
    assert "chosen anew" not in found.sentence


@pytest.mark.parametrize("options", [{}, {"method": "forward", "criterion": "bic"},
                                     {"criterion": "r2_predicted", "heredity": "weak"}])
@pytest.mark.parametrize("folds", [None, 4])
def test_the_choice_is_repeated_without_the_runs_left_out(options, folds):
    """Against a plain loop: fit and search without each fold, predict it."""
    data = study(3, n=18, noise=1.2)
    model = fit(data, Y, REGION, "quadratic")
    found = cross_validate(search(model, **options), folds=folds, seed=2)
    for k in found.table["fold"].unique():
        out = (found.table["fold"] == k).to_numpy()
        alone = search(fit(data[~out], Y, REGION, "quadratic"), **options).fit
        np.testing.assert_allclose(found.table["predicted"][out],
                                   alone.predict(data[out])["mean"], rtol=1e-8)
    errors = found.table["observed"] - found.table["predicted"]
    about = np.sum((data["y"] - data["y"].mean()) ** 2)
    assert found.r2 == pytest.approx(1 - np.sum(errors**2) / about)
    assert "the terms chosen anew each time" in found.sentence
    sizes = found.table["fold"].value_counts()
    assert sizes.max() - sizes.min() <= 1


def test_cross_validation_refuses_terms_chosen_with_the_runs():
    model = fit(study(), Y, REGION, "quadratic")
    with pytest.raises(InputError, match="were chosen from the runs"):
        cross_validate(search(model).fit)
    with pytest.raises(InputError, match="folds"):
        cross_validate(model, folds=1)


# -- the search repeated ------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_shares_are_those_of_a_loop_of_searches(kind):
    """The batched choice on 100 resamples against as many calls of search."""
    data = study(4, n=16, noise=1.0)
    model = fit(data, Y, REGION, "quadratic")
    found = search(model)
    check = reality_check(found, count=100, seed=3, kind=kind)
    shares, same = dict.fromkeys(check.table["term"], 0), 0
    for r in resamples(model, 100, seed=3, kind=kind):
        again = (fit(data.iloc[r], Y, REGION, "quadratic") if kind == "case"
                 else fit(data.assign(y=r), Y, REGION, "quadratic"))
        best = search(again).best
        same += set(best) == set(found.best)
        for term in best[1:]:
            shares[str(term)] += 1
    for row in check.table.itertuples():
        assert row.share == pytest.approx(shares[row.term] / 100), row.term
    assert check.same == pytest.approx(same / 100)
    assert check.table["chosen"].sum() == len(found.best) - 1


def test_sure_terms_are_chosen_again_and_noise_is_not():
    vain = []
    for seed in range(10):
        model = fit(study(seed, n=24, noise=0.2), Y, REGION, "quadratic")
        check = reality_check(model, count=500, seed=1)
        shares = check.table.set_index("term")["share"]
        assert shares["a"] == shares["b"] == shares["I(a ** 2)"] == 1
        vain += list(shares.drop(["a", "b", "I(a ** 2)"]))
    assert np.mean(vain) < 0.4
    assert "a in 100 %" in check.sentence
    assert "on 500 resamples (seed 1)" in check.sentence
    assert check.models["share"].is_monotonic_decreasing
    assert check.same == pytest.approx(check.models["share"][0])
    again = reality_check(model, count=500, seed=1)
    pd.testing.assert_frame_equal(check.table, again.table)


def test_chance_terms_of_a_single_candidate_are_its_own_level():
    """With one candidate, AICc takes it up from noise as often as an F-test at a known level:
    n log(RSS0 / RSS1) beyond the difference of the penalties."""
    rng = np.random.default_rng(6)
    data = pd.DataFrame({"a": np.tile([-1.0, 1], 10), "y": rng.normal(size=20)})
    model = fit(data, Y, Region([Factor("a", -1, 1)]), "a")
    check = reality_check(model, count=4000, seed=2)
    n = 20
    gain = 2 * 3 * n / (n - 4) - 2 * 2 * n / (n - 3)
    f = (np.exp(gain / n) - 1) * (n - 2)
    assert check.chance_terms == pytest.approx(stats.f.sf(f, 1, n - 2), abs=0.02)


def test_bic_with_many_candidates_takes_up_noise_and_this_is_said():
    corners = pd.DataFrame(list(np.ndindex(2, 2, 2, 2)), columns=list("abcd")) * 2.0 - 1
    corners["y"] = 5 * corners.a + np.random.default_rng(7).normal(size=16)
    region = Region([Factor(n, -1, 1) for n in "abcd"])
    model = fit(corners, Y, region, "a*b*c*d")
    by_bic = reality_check(search(model, criterion="bic"), count=300)
    by_aicc = reality_check(search(model), count=300)
    assert by_bic.chance_terms > 4 > 2 > by_aicc.chance_terms
    assert by_bic.around_chosen
    assert "leave too few degrees of freedom" in by_bic.sentence
    assert f"still chooses {by_bic.chance_terms:.1f} terms" in by_bic.sentence


def test_what_is_kept_is_never_up_for_choice():
    model = fit(study(8, blocks=True), Y, REGION, "quadratic")
    check = reality_check(search(model, keep=[Term("b")]), count=200, kind="case")
    assert "b" not in set(check.table["term"])
    with pytest.raises(InputError, match="cannot be repeated"):
        reality_check(search(model).fit)
