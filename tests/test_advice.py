"""The short list of plans: budget, claims, scores that add up, and reasons that are true."""

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.power import TTestPower

from doe.errors import InputError
from doe.factors import Factor, Region
from doe.planning import advise, make_plan
from doe.planning.advice import AIMS, WEIGHTS
from doe.responses import Response
from doe.terms import INTERCEPT, Term, model_matrix, standard_terms

SCREENING = {"fractional factorial", "Plackett–Burman", "definitive screening"}
SURFACE = {"central composite", "small composite", "Box–Behnken", "Doehlert"}


def factors(count: int, **options) -> list[Factor]:
    return [Factor(f"x{i}", 0, 10, **options) for i in range(1, count + 1)]


def rank(plan, terms) -> int:
    return np.linalg.matrix_rank(model_matrix(plan.region, plan.settings, terms).to_numpy())


@pytest.fixture(scope="module")
def screening():
    return advise(Region(factors(7)), runs=20, aim="screen")


@pytest.fixture(scope="module")
def surface():
    return advise(Region(factors(3)), runs=20, aim="optimise")


def test_screening_seven_factors_lists_screening_plans(screening):
    table = screening.table
    assert set(table["family"]) >= SCREENING
    assert table["family"][0] in SCREENING
    assert not SURFACE & set(table["family"])
    small = advise(Region(factors(7)), runs=12, aim="screen").table
    # The regular eight runs leave nothing over; Plackett & Burman (1946) fills twelve.
    assert small["family"][0] == "Plackett–Burman"
    assert "fractional factorial" in set(small["family"])
    assert small["runs"].max() <= 12


def test_optimising_three_factors_lists_response_surfaces(surface):
    families = surface.table["family"].tolist()
    assert {"Box–Behnken", "central composite", "optimal"} <= set(families)
    assert not SCREENING & set(families[:4])
    assert families[0] in SURFACE | {"optimal"}


def test_every_listed_plan_can_do_what_the_aim_asks(screening, surface):
    for advice in (screening, surface):
        terms = standard_terms(advice.plans[0].region, AIMS[advice.aim])
        for plan, row in zip(advice.plans, advice.table.itertuples(), strict=True):
            assert len(plan) == row.runs <= 20
            assert rank(plan, terms) == len(terms)
            assert row.estimates == 1
            assert f"estimates all {len(terms)} coefficients" in row.reason
            assert row.reason.startswith(f"{len(plan)} runs: ")


@pytest.mark.parametrize("aim", AIMS)
def test_scores_are_the_weighted_means_of_what_is_shown(aim):
    region = Region(factors(3))
    for effect in (None, 2.0):
        advice = advise(region, runs=15, aim=aim, smallest_effect=effect)
        parts = advice.table[list(advice.weights)]
        assert set(parts) == set(WEIGHTS[aim]) | ({"power"} if effect else set())
        assert ((parts >= 0) & (parts <= 1)).all(axis=None)
        score = np.average(parts, axis=1, weights=list(advice.weights.values()))
        np.testing.assert_allclose(advice.table["score"], advice.table["estimates"] * score)
        assert advice.table["score"].is_monotonic_decreasing
        # Fewest runs over its own, whether the plan of fewest runs is listed or not.
        fewest = parts["economy"] * advice.table["runs"]
        np.testing.assert_allclose(fewest, fewest[0])
        assert fewest[0] <= advice.table["runs"].min()


def test_parts_by_hand():
    # Plackett–Burman in 12 runs: orthogonal, so D-efficiency 1; a two-factor interaction shifts
    # a main effect by a third of its size (Hamada & Wu 1992), 4 degrees of freedom for error,
    # none from repeats. The eight runs of resolution III alias each main effect with whole
    # interactions. With three centre points: |X'X| = 11 · 8⁷.
    table = advise(Region(factors(7)), runs=12, aim="screen").table.set_index("family")
    plackett, regular = table.loc["Plackett–Burman"], table.loc["fractional factorial"]
    assert plackett["precision"] == pytest.approx(1, rel=1e-3)
    assert plackett["protection"] == pytest.approx(2 / 3)
    assert plackett["checks"] == pytest.approx((0 + 1) / 2)
    assert plackett["economy"] == pytest.approx(11 / 12)
    assert regular["precision"] == pytest.approx((11 * 8**7) ** (1 / 8) / 11, rel=1e-3)
    assert regular["protection"] == pytest.approx(0, abs=1e-9)
    assert regular["checks"] == pytest.approx((2 / 3 + 1 / 3) / 2)  # 3 for error, 2 repeated
    assert "shift a main effect by 33 % of their size" in plackett["reason"]
    assert "4 degrees of freedom for error, none of them" in plackett["reason"]


def test_protection_is_the_alias_matrix(surface):
    # (X₁'X₁)⁻¹X₁'X₂ (Box & Wilson 1951) with lstsq, for products of three factors.
    terms = standard_terms(surface.plans[0].region, "quadratic")
    for plan, row in zip(surface.plans, surface.table.itertuples(), strict=True):
        X = model_matrix(plan.region, plan.settings, terms)
        other = model_matrix(plan.region, plan.settings, [Term("x1", "x2", "x3")])
        shift = np.linalg.lstsq(X.to_numpy(), other.to_numpy(), rcond=None)[0]
        main = [list(X.columns).index(n) for n in plan.region.names]
        worst = np.minimum(np.abs(shift[main]).max(axis=1), 1)
        assert row.protection == pytest.approx(1 - worst.mean(), abs=1e-9)


def test_precision_is_the_efficiency_an_optimal_plan_states(surface):
    region = surface.plans[0].region
    i = surface.table["family"].tolist().index("optimal")
    plan, row = surface.plans[i], surface.table.iloc[i]
    assert row["precision"] == pytest.approx(plan.details["efficiency"])
    # One optimum for all: I-efficiency is proportional to 1 / (runs × mean variance).
    variance = []
    for p in surface.plans:
        X = model_matrix(region, p.settings, p.terms if len(p.terms) == 10 else
                         standard_terms(region, "quadratic")).to_numpy()
        at, weight = np.polynomial.legendre.leggauss(4)
        grid = np.array(np.meshgrid(at, at, at)).reshape(3, -1).T
        w = np.einsum("i,j,k->ijk", weight, weight, weight).ravel() / 8
        F = model_matrix(region, region.decode(grid), standard_terms(region, "quadratic"))
        F = F.to_numpy()
        variance.append(len(p) * w @ np.einsum("ij,jk,ik->i", F, np.linalg.inv(X.T @ X), F))
    ratio = surface.table["precision"] * variance
    np.testing.assert_allclose(ratio, ratio[0], rtol=1e-6)


def test_options_and_seed_make_the_plan_again(screening, surface):
    for advice in (screening, surface):
        for plan, row in zip(advice.plans[:3], advice.table.head(3).itertuples(), strict=True):
            again = make_plan(plan.region, row.family, **row.options, seed=1)
            assert again.runs.equals(plan.runs), row.plan


def test_the_same_seed_gives_the_same_list(screening):
    again = advise(Region(factors(7)), runs=20, aim="screen")
    assert again.table.equals(screening.table)
    assert again.sentences == screening.sentences


def test_power_is_that_of_the_worst_main_effect_and_replicates_are_added():
    advice = advise(Region(factors(3)), runs=40, aim="screen", sd=4.0, smallest_effect=5.0)
    for plan, row in zip(advice.plans, advice.table.itertuples(), strict=True):
        X = model_matrix(plan.region, plan.settings, standard_terms(plan.region, "linear"))
        df = len(X) - 4
        errors = 4.0 * np.sqrt(np.diag(np.linalg.inv(X.T @ X)))[1:]
        power = TTestPower().power(5.0 / 2 / errors.max(), 1, 0.05, df=df)
        assert row.power == pytest.approx(min(1, power / 0.8), abs=1e-6)
        assert re.search(r"finds a main effect of 5\.0 with [\d.]+ % power", row.reason)
    full = advice.table[advice.table["family"] == "full factorial"].iloc[0]
    assert full["options"]["replicates"] > 1
    once = advise(Region(factors(3)), runs=40, aim="screen")
    assert "replicates" not in once.table.set_index("family").loc["full factorial", "options"]


def test_what_falls_short_of_the_power_wanted_is_said_to():
    advice = advise(Region(factors(4)), runs=24, aim="model", smallest_effect=2.0)
    assert advice.table["power"][0] < 1 == advice.table["power"].max()
    able = advice.table.loc[advice.table["power"].eq(1).idxmax(), "plan"]
    assert f"if that must not be missed, take {able}." in advice.sentence
    weak = advise(Region(factors(4)), runs=24, aim="model", smallest_effect=0.5)
    assert "None of these finds the smallest effect with 80 % power" in weak.sentence


def test_tight_limits_put_an_optimal_plan_first():
    region = Region(factors(3), ("x1 + x2 <= 11", "x1 - x2 <= 2"))
    advice = advise(region, runs=16, aim="optimise")
    assert advice.table["family"][0] == "optimal"
    assert region.contains(advice.plans[0].settings).all()
    others = advice.table["precision"][advice.table["family"] != "optimal"]
    assert advice.table["precision"][0] > 2 * others.max()
    for plan in advice.plans:
        assert region.contains(plan.settings).all()


def test_factors_hard_to_change_are_grouped():
    region = Region([Factor("x1", 0, 10, hard_to_change=True), *factors(4)[1:]])
    advice = advise(region, runs=20, aim="model", ratio=2.0)
    for plan, row in zip(advice.plans, advice.table.itertuples(), strict=True):
        groups = plan.runs["whole_plot"].nunique()
        assert groups < len(plan)
        assert f"sets the factors hard to change {groups} times" in row.reason
        assert (plan.runs.groupby("whole_plot")["x1"].nunique() == 1).all()
    assert "split-plot" in set(advice.table["family"])
    free = advise(region, runs=20, aim="model", group_hard_to_change=False)
    assert all("whole_plot" not in p.runs for p in free.plans)


def test_categories_and_levels():
    region = Region([*factors(2), Factor.categorical("cup", ["a", "b", "c"])])
    advice = advise(region, runs=30, aim="optimise")
    assert advice.table["family"][0] == "optimal"
    assert rank(advice.plans[0], standard_terms(region, "quadratic")) == 12


def test_too_few_runs_for_the_aim_is_said():
    advice = advise(Region(factors(4)), runs=8, aim="optimise")
    assert "No plan looked at, of at most 8 runs, can estimate all 15 coefficients" in \
        advice.sentence
    assert (advice.table["estimates"] < 1).all()
    for plan, row in zip(advice.plans, advice.table.itertuples(), strict=True):
        X = model_matrix(plan.region, plan.settings,
                         standard_terms(plan.region, "quadratic")).to_numpy()
        # A coefficient is determined if its unit vector lies in the space of the rows.
        outside = np.abs(np.eye(15) - np.linalg.pinv(X) @ X).max(axis=1)
        assert row.estimates == pytest.approx((outside < 1e-9).sum() / 15)
        parts = [getattr(row, name) for name in advice.weights]
        assert row.score == pytest.approx(
            row.estimates * np.average(parts, weights=list(advice.weights.values())))
    with pytest.raises(InputError, match="no plan for these factors has so few"):
        advise(Region(factors(7)), runs=4)


def test_many_factors_are_quick_and_say_what_was_not_looked_at():
    advice = advise(Region(factors(8)), aim="optimise")
    assert "optimal plans were not looked at" in advice.sentence
    assert advice.left_out["why"].str.contains("ask for this plan by itself").sum() == 1
    assert "of the best plan looked at" in advice.table["reason"][0]
    assert advice.table["precision"].max() == 1


def test_nothing_looked_at_disappears(screening):
    listed, out = screening.table, screening.left_out
    assert not set(listed["plan"]) & set(out["plan"])
    assert out["why"].str.len().min() > 10
    over = out[out["runs"] > 20]
    assert over["why"].str.contains("more than 20 runs").all()
    assert len(over) > 5
    short = advise(Region(factors(2)), aim="screen", most=1)
    longer = advise(Region(factors(2)), aim="screen")
    assert len(short.table) == 1 < len(longer.table)
    assert set(longer.table["plan"][1:]) <= set(short.left_out["plan"])


def test_weights_change_the_order(screening):
    region = Region(factors(7))
    usual = screening.table
    thrifty = advise(region, runs=20, weights={"protection": 0, "checks": 0, "precision": 0})
    assert thrifty.table["runs"][0] == thrifty.table["runs"].min() < usual["runs"][0]
    assert thrifty.table["score"][0] == thrifty.table["economy"][0] == 1


@settings(max_examples=4, deadline=None)
@given(count=st.integers(2, 3), budget=st.integers(6, 16), aim=st.sampled_from(sorted(AIMS)))
def test_the_budget_is_kept(count, budget, aim):
    region = Region(factors(count))
    advice = advise(region, runs=budget, aim=aim)
    assert 1 <= len(advice.plans) <= 5
    assert max(len(p) for p in advice.plans) <= budget
    terms = [t for t in standard_terms(region, AIMS[aim]) if t != INTERCEPT]
    able = [rank(p, [INTERCEPT, *terms]) == len(terms) + 1 for p in advice.plans]
    assert all(able) == (advice.table["estimates"].min() == 1)


@pytest.mark.parametrize(("options", "field"), [
    ({"aim": "win"}, "aim"), ({"runs": 1}, "runs"), ({"runs": 7.5}, "runs"),
    ({"sd": 0}, "sd"), ({"smallest_effect": -1}, "smallest_effect"), ({"power": 1}, "power"),
    ({"alpha": 0.9}, "alpha"), ({"ratio": -1}, "ratio"), ({"most": 0}, "most"),
    ({"weights": {"beauty": 1}}, "weights"), ({"weights": {"checks": -1}}, "weight of checks"),
    ({"weights": dict.fromkeys(WEIGHTS["screen"], 0)}, "weights"),
    ({"group_hard_to_change": True}, "group_hard_to_change"),
])
def test_what_cannot_be_meant_is_refused(options, field):
    with pytest.raises(InputError) as caught:
        advise(Region(factors(3)), **options)
    assert caught.value.field == field


def test_effects_are_told_in_the_unit_of_the_response_or_as_ratios():
    lumps = Response("lumps", unit="µm", assumed_sd=4.0)
    by_response = advise(Region(factors(3)), runs=20, smallest_effect=8.0, response=lumps)
    by_sd = advise(Region(factors(3)), runs=20, smallest_effect=8.0, sd=4.0)
    assert by_response.table["power"].tolist() == by_sd.table["power"].tolist()
    assert "finds a main effect of 8.0 µm with" in by_response.sentence
    voids = Response("voids", unit="%", scale="log", assumed_sd=0.25)
    logs = advise(Region(factors(3)), runs=20, smallest_effect=np.log(1.5), sd=0.25)
    for ratio in (1.5, 1 / 1.5):
        ratios = advise(Region(factors(3)), runs=20, smallest_effect=ratio, response=voids)
        assert ratios.table["power"].tolist() == pytest.approx(logs.table["power"].tolist())
        assert "finds a main effect of × 1.50 with" in ratios.sentence
    with pytest.raises(InputError, match="1 is no effect"):
        advise(Region(factors(3)), smallest_effect=1, response=voids)
    with pytest.raises(InputError, match="only be judged against the standard deviation"):
        advise(Region(factors(3)), smallest_effect=2,
               response=Response("voids", unit="%", scale="log"))
