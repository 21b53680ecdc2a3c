"""Two-stage analysis of mirrored plans, against least squares in the whole space."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats

from doe import Factor, InputError, Region, Response
from doe.analysis import fit, two_stage
from doe.analysis.two_stage import mirrored_pairs

Y = Response("y", unit="mm")

CONFERENCE = np.array([  # order 6 (Xiao, Lin & Bai 2012, from memory; C'C = 5 I is checked below)
    [0, 1, 1, 1, 1, 1], [1, 0, 1, -1, -1, 1], [1, 1, 0, 1, -1, -1],
    [1, -1, 1, 0, 1, -1], [1, -1, -1, 1, 0, 1], [1, 1, -1, -1, 1, 0]])


def definitive(factors: int, centres: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Runs of the first `factors` columns of C, −C and the centre, and the columns left over."""
    whole = np.vstack([CONFERENCE, -CONFERENCE, np.zeros((centres, 6))]).astype(float)
    return whole[:, :factors], whole[:, factors:]


def study(coded: np.ndarray, y: np.ndarray) -> tuple[pd.DataFrame, Region]:
    names = list("abcdef")[:coded.shape[1]]
    region = Region([Factor(n, 100, 300, unit="s") for n in names])
    return region.decode(coded).assign(y=y, run=np.arange(1, len(y) + 1)), region


def test_the_conference_matrix_is_one():
    assert np.array_equal(CONFERENCE.T @ CONFERENCE, 5 * np.eye(6))


def test_first_stage_is_least_squares_beside_everything_of_second_order():
    """Main effects, their error and its degrees of freedom must be those of a model that spends one
    column on each pair's mean and on the centre: then nothing but main effects and fake factors
    differs within pairs (Jones & Nachtsheim 2017: the fake factors' sum of squares)."""
    coded, fake = definitive(4, centres=3)
    rng = np.random.default_rng(1)
    y = 10 + coded @ [3, 0.2, -2, 1] + 4 * coded[:, 0] ** 2 + rng.normal(0, 0.5, len(coded))
    data, region = study(coded, y)
    found = two_stage(fit(data, Y, region, "linear"))
    means = np.zeros((15, 7))
    for i in range(6):
        means[[i, i + 6], i] = 1
    means[12:, 6] = 1
    whole = sm.OLS(y, np.hstack([coded, means])).fit()
    stage = found.table[found.table["stage"] == 1]
    np.testing.assert_allclose(stage["coefficient"], whole.params[:4], rtol=1e-9)
    np.testing.assert_allclose(stage["standard_error"], whole.bse[:4], rtol=1e-9)
    np.testing.assert_allclose(stage["p"], whole.pvalues[:4], rtol=1e-8)
    assert found.df_clear == whole.df_resid == 2 + 2  # two fake factors, three centre points
    # The same error from the fake factors' own contrasts and the centre points.
    contrasts = fake.T @ y
    ss = np.sum(contrasts**2) / 10 + np.sum((y[12:] - y[12:].mean()) ** 2)
    assert whole.ssr == pytest.approx(ss, rel=1e-9)


def test_second_stage_is_guided_by_the_pooled_error():
    """The steps' F ratios from plain sums of squares of the pairs' means."""
    coded, _ = definitive(5, centres=2)
    rng = np.random.default_rng(5)
    y = (20 + 4 * coded[:, 0] - 3 * coded[:, 1] + 3 * coded[:, 0] * coded[:, 1]
         + rng.normal(0, 0.4, len(coded)))
    data, region = study(coded, y)
    found = two_stage(fit(data, Y, region, "linear"))
    assert {str(t) for t in found.best} == {"1", "a", "b", "a:b"}
    kept = found.table.query("stage == 1 and kept")["term"]
    assert list(kept) == ["a", "b"]
    sums = np.concatenate([(y[:6] + y[6:12]) / np.sqrt(2), y[12:]])
    base = np.concatenate([np.full(6, np.sqrt(2)), np.ones(2)])
    differences = (y[:6] - y[6:12]) / np.sqrt(2)
    odd = np.sqrt(2) * CONFERENCE[:, :2]
    pure = (y[12] - y[13]) ** 2 / 2
    ss = np.sum((differences - odd @ np.linalg.lstsq(odd, differences)[0]) ** 2) + pure
    assert found.df == 4 + 1
    assert found.sigma == pytest.approx(np.sqrt(ss / 5), rel=1e-9)
    rest = sm.OLS(sums, base).fit().ssr - pure
    product = np.sqrt(2) * CONFERENCE[:, 0] * CONFERENCE[:, 1]
    squares = [np.sqrt(2) * CONFERENCE[:, j] ** 2 for j in (0, 1)]
    one = min(sm.OLS(sums, np.column_stack([base, np.r_[z, 0, 0]])).fit().ssr
              for z in (product, *squares)) - pure
    f = [rest / 6 / found.sigma**2, one / 5 / found.sigma**2]
    assert found.steps["F"].tolist() == pytest.approx(f, rel=1e-8)
    assert found.steps["df"].tolist() == [6, 5]
    assert found.steps["p"].tolist() == pytest.approx(stats.f.sf(f, [6, 5], 5), rel=1e-8)
    assert found.steps["p"][0] < 0.2 <= found.steps["p"][1]
    assert "a × b was taken up; what is left fits noise" in found.sentence
    assert found.fit.selection.startswith("two stages")


def simulated(centres: int, factors: int, seeds: range, noise: float) -> tuple[int, int]:
    """Studies in which all of three main and two second-order effects were found, and terms
    taken up in vain."""
    coded, _ = definitive(factors, centres)
    truth, hits, false = {"1", "a", "b", "c", "b:c", "I(a ** 2)"}, 0, 0
    for seed in seeds:
        rng = np.random.default_rng(seed)
        y = (5 + coded[:, :3] @ [2, -2, 2] + 3 * coded[:, 0] ** 2
             + 2.5 * coded[:, 1] * coded[:, 2] + rng.normal(0, noise, len(coded)))
        data, region = study(coded, y)
        found = {str(t) for t in two_stage(fit(data, Y, region, "linear")).best}
        hits += truth <= found
        false += len(found - truth)
    return hits, false


def test_real_effects_are_found():
    """Jones & Nachtsheim (2017) find effects of three standard deviations and more nearly always
    once a plan has fake factors; here four or more."""
    hits, false = simulated(3, 5, range(30), 0.5)
    assert hits >= 27
    assert false <= 30


def test_pairs_are_found_in_any_order_and_with_scatter():
    coded, _ = definitive(6, centres=2)
    rng = np.random.default_rng(2)
    order = rng.permutation(14)
    pairs, single = mirrored_pairs(coded[order] + rng.uniform(-0.02, 0.02, (14, 6)))
    assert sorted(map(tuple, np.sort(order[pairs], axis=1))) == [(i, i + 6) for i in range(6)]
    assert sorted(order[single]) == [12, 13]
    # With each pair split over two blocks there is none.
    pairs, single = mirrored_pairs(coded, np.arange(14) // 6)
    assert len(pairs) == 0
    assert len(single) == 14


def test_order_of_runs_does_not_matter_and_scatter_is_said():
    coded, _ = definitive(5, centres=2)
    rng = np.random.default_rng(3)
    y = 5 + 3 * coded[:, 0] + 2 * coded[:, 1] + rng.normal(0, 0.4, 14)
    data, region = study(coded, y)
    one = two_stage(fit(data, Y, region, "linear"))
    other = two_stage(fit(data.sample(frac=1, random_state=4), Y, region, "linear"))
    pd.testing.assert_frame_equal(one.table, other.table, rtol=1e-8)
    assert one.leak == pytest.approx(0, abs=1e-12)
    rough, region = study(coded + rng.uniform(-0.04, 0.04, coded.shape), y)
    assert 0 < two_stage(fit(rough, Y, region, "linear")).leak < 0.1


def test_blocks_stay_out_of_the_second_stage():
    coded, _ = definitive(5, centres=2)
    y = 5 + 3 * coded[:, 0] + np.random.default_rng(6).normal(0, 0.3, 14)
    block = np.r_[1, 1, 1, 2, 2, 2, 1, 1, 1, 2, 2, 2, 1, 2]
    data, region = study(coded, y)
    plain = two_stage(fit(data, Y, region, "linear"))
    shifted = two_stage(fit(data.assign(y=y + 50 * block, block=block), Y, region, "linear"))
    assert shifted.best == plain.best
    assert len(plain.best) > 1
    assert shifted.df_clear == plain.df_clear - 1  # the centre points stand in different blocks


def test_without_clear_degrees_of_freedom_effects_are_judged_by_their_spread():
    coded, _ = definitive(6)
    y = 5 + 6 * coded[:, 0] + np.random.default_rng(8).normal(0, 0.3, 13)
    data, region = study(coded, y)
    found = two_stage(fit(data, Y, region, "linear"))
    assert found.df_clear == 0
    assert "(Lenth)" in found.sentence
    assert found.table.query("kept and stage == 1")["term"].tolist() == ["a"]
    assert found.table["p"].iloc[:6].isna().all()


def test_nothing_found_is_said():
    coded, _ = definitive(4, centres=3)
    y = np.random.default_rng(9).normal(0, 1, 15)
    data, region = study(coded, y)
    found = two_stage(fit(data, Y, region, "linear"), alpha=0.001)
    assert [str(t) for t in found.best] == ["1"]
    assert found.sentence.endswith("So no second-order effect was looked for.")
    assert "(at 0.1 %)" in found.sentence


def test_other_plans_are_refused():
    rng = np.random.default_rng(10)
    data, region = study(rng.uniform(-1, 1, (12, 3)), rng.normal(size=12))
    with pytest.raises(InputError, match="not mirrored pairs"):
        two_stage(fit(data, Y, region, "linear"))
    with pytest.raises(InputError, match="heredity"):
        two_stage(fit(data, Y, region, "linear"), heredity="none")
