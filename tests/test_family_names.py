"""The further families by name, among the suggestions, and what every plan of theirs must hold."""

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.constraints import Constraint
from doe.factors import Factor, Region
from doe.mixer import Mixer, default_region
from doe.planning import (
    FAMILIES,
    Plan,
    definitive_screening,
    doehlert_shell,
    fold_over,
    make_plan,
    mixed_levels,
    optimal_plan,
    plackett_burman,
    small_composite,
    suggest_runs,
)
from doe.terms import exponents

MIXER = Mixer("mixer", 150.0, pressure_range=(2.0, 101.0))


def plain_region(k, *others):
    return Region([*(Factor(f"x{j}", -1, 1) for j in range(k)), *others])


@pytest.mark.parametrize(("name", "function"), [
    ("Plackett-Burman", plackett_burman), ("definitive screening", definitive_screening),
    ("mixed levels", mixed_levels), ("small composite", small_composite),
    ("doehlert", doehlert_shell), ("Optimal", optimal_plan)])
def test_by_name(name, function):
    plan = make_plan(plain_region(4), name, seed=3)
    assert plan == function(plain_region(4), seed=3)
    assert plan.family in FAMILIES


@pytest.mark.parametrize(("region", "offered"), [
    (plain_region(2), {"Doehlert", "optimal"}),
    (plain_region(4), {"definitive screening", "Doehlert", "small composite", "optimal"}),
    (plain_region(10), {"definitive screening", "Plackett–Burman", "small composite"}),
    (plain_region(29), {"Plackett–Burman"}),
    (plain_region(3, Factor.categorical("lid", ["plain", "vented"])), {"definitive screening"}),
    (plain_region(2, Factor.categorical("cup", ["P", "Q", "R"])), {"mixed levels", "optimal"}),
    (plain_region(3, Factor.settable("gap", [1, 2, 4])), {"mixed levels", "Doehlert"})])
def test_suggestions_are_made_as_announced(region, offered):
    table = suggest_runs(region)
    assert offered <= set(table["family"])
    for row in table.itertuples():
        if row.family in ("fractional factorial", "full factorial", "central composite"):
            continue
        plan = make_plan(region, row.family, seed=1, **row.options)
        assert len(plan) == row.runs
        assert len(exponents(region, plan.terms)[1]) == row.coefficients


def test_optimal_plans_are_offered_for_the_models_there_are():
    def models(region):
        table = suggest_runs(region)
        return [o["model"] for o in table["options"][table["family"] == "optimal"]]

    lids = [Factor.categorical(name, ["plain", "vented"]) for name in ("lid", "cap")]
    assert models(plain_region(3)) == ["interactions", "quadratic"]
    assert models(Region(lids)) == ["interactions"]  # nothing that could have a square
    assert models(plain_region(10)) == ["interactions"]  # 66 coefficients would take long


def test_no_suggestion_that_does_not_fit():
    lid = Factor.categorical("lid", ["plain", "vented"])
    assert "definitive screening" not in set(suggest_runs(plain_region(2, lid))["family"])
    assert "mixed levels" not in set(suggest_runs(plain_region(4, lid))["family"])
    assert not {"Doehlert", "small composite"} & set(suggest_runs(plain_region(4, lid))["family"])


@st.composite
def regions(draw):
    """Three or four factors with increments or fixed levels, and now and then a corner cut off."""
    factors = []
    for name in "abcd"[:draw(st.integers(3, 4))]:
        low = draw(st.floats(0.0, 50.0))
        high = low + draw(st.floats(1.0, 100.0))
        if draw(st.integers(0, 4)) == 0:
            factors.append(Factor.settable(name, [low, low + 0.4 * (high - low), high]))
        else:
            share = draw(st.sampled_from([None, 0.03, 0.11]))
            factors.append(Factor(name, low, high,
                                  increment=share and round(share * (high - low), 4)))
    a, b = factors[:2]
    cut = draw(st.sampled_from([None, 0.3, 0.6]))
    limit = Constraint(((1 / a.half_range, ("a",)), (1 / b.half_range, ("b",))),
                       a.centre / a.half_range + b.centre / b.half_range + 2 * (cut or 1))
    return Region(tuple(factors), (limit,) if cut else ())


@settings(max_examples=12, deadline=None)
@given(regions(), st.integers(0, 2**31))
def test_every_run_can_be_made_lies_inside_and_is_kept(region, seed):
    first = plackett_burman(region, runs=4 * (len(region) - 2), seed=seed)
    for plan in (first, fold_over(first, factors=["a"], seed=seed),
                 definitive_screening(region, seed=seed, centre_points=2),
                 small_composite(region, seed=seed), doehlert_shell(region, seed=seed)):
        assert plan.region.contains(plan.settings).all()
        snapped = plan.region.snap(plan.settings)
        assert np.allclose(plan.region.encode(snapped), plan.region.encode(plan.settings))
        assert sorted(plan.runs["standard"]) == list(range(1, len(plan) + 1))
        assert Plan.from_plain(json.loads(json.dumps(plan.to_plain()))) == plan


@pytest.mark.parametrize("family", ["Plackett–Burman", "definitive screening", "small composite",
                                    "Doehlert"])
def test_the_mixer_is_asked(family):
    region = default_region(MIXER)
    plan = make_plan(region, family, mixer=MIXER, seed=1)
    again = MIXER.snap(plan.settings, region)
    assert np.allclose(again.to_numpy(float), plan.settings.to_numpy(float))
    assert region.contains(plan.settings).all()
