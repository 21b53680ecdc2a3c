"""What a plan cannot tell apart, against textbook tables and plain linear algebra."""

from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from pyDOE3 import pbdesign

from doe.factors import Factor, Region
from doe.mixer import Mixer, default_region
from doe.planning import (
    Plan,
    alias_matrix,
    alias_structure,
    appraise,
    central_composite,
    fractional_factorial,
    full_factorial,
)
from doe.terms import Term, model_matrix, standard_terms

MIXER = Mixer("mixer", 150.0, pressure_range=(2.0, 101.0))


def plain_region(k):
    return Region([Factor(c, -1, 1) for c in "ABCDEFGHJKL"[:k]])


def aliases_of(plan, order=2):
    table = alias_structure(plan, order=order).table
    return {row.label: set(filter(None, row.aliased_with.replace("− ", "+ −").split(" + ")))
            for row in table.itertuples()}


def test_two_to_the_seven_minus_four():
    # Box, Hunter & Hunter (2005) ch. 6, eight-run plan with D = AB, E = AC, F = BC, G = ABC:
    # each main effect is aliased with three two-factor interactions.
    plan = fractional_factorial(plain_region(7), generators="D=AB, E=AC, F=BC, G=ABC", seed=1)
    expected = {"A": "BD CE FG", "B": "AD CF EG", "C": "AE BF DG", "D": "AB CG EF",
                "E": "AC BG DF", "F": "AG BC DE", "G": "AF BE CD"}
    assert aliases_of(plan) == {
        main: {f"{a} × {b}" for a, b in text.split()} for main, text in expected.items()}
    assert alias_structure(plan).sentence.startswith("Resolution III")


def test_two_to_the_four_minus_one():
    # NIST/SEMATECH e-Handbook 5.3.3.4.4 reads the same way for 2^(4−1), D = ABC.
    plan = fractional_factorial(plain_region(4), runs=8, seed=1)
    found = aliases_of(plan, order=3)
    assert found["A × B"] == {"C × D"}
    assert found["A × C"] == {"B × D"}
    assert found["A × D"] == {"B × C"}
    assert found["A"] == {"B × C × D"}
    assert found["D"] == {"A × B × C"}
    assert "I = A × B × C × D" in alias_structure(plan).sentence


def test_other_half_turns_the_signs():
    plan = fractional_factorial(plain_region(4), generators="D = -ABC", seed=1)
    assert aliases_of(plan)["A × B"] == {"−C × D"}
    assert any("minus C × D" in s for s in alias_structure(plan).sentences)


@pytest.mark.parametrize(("k", "runs", "order"), [(5, 8, 3), (6, 16, 3), (8, 16, 2), (9, 32, 2)])
def test_words_agree_with_the_columns_of_the_runs(k, runs, order):
    plan = fractional_factorial(plain_region(k), runs=runs, seed=4)
    X = plan.region.encode(plan.settings)
    columns: dict[tuple, set] = {}
    for size in range(1, order + 1):
        for group in combinations(range(k), size):
            column = np.prod(X[:, group], axis=1)
            columns.setdefault(tuple(column * column[0]), set()).add(
                " × ".join(plan.region.names[j] for j in group))
    by_words = {frozenset({label} | {a.removeprefix("−") for a in others})
                for label, others in aliases_of(plan, order).items()}
    assert by_words == {frozenset(group) for group in columns.values()}


def test_resolution_five_is_clear():
    structure = alias_structure(fractional_factorial(plain_region(5), runs=16, seed=1))
    assert not structure.table["aliased_with"].any()
    assert (structure.table["coefficient"] == 0).all()
    assert "clear of each other" in structure.sentence
    assert len(structure.sentences) == 2


def test_blocks_are_confounded_with_what_is_said():
    plan = full_factorial(plain_region(4), blocks=4, seed=1)
    table = alias_structure(plan, order=4).table
    lost = set(table.loc[table["with_blocks"], "label"])
    X = plan.region.encode(plan.settings)
    really = set()
    for size in range(1, 5):
        for group in combinations(range(4), size):
            means = pd.Series(np.prod(X[:, group], axis=1)).groupby(plan.runs["block"])
            if (means.std() == 0).all():
                really.add(" × ".join("ABCD"[j] for j in group))
    assert lost == really
    assert len(lost) == 3
    text = alias_structure(plan, order=3).sentences[-1]
    assert all(label in text for label in lost)
    half = fractional_factorial(plain_region(6), runs=32, blocks=2, seed=1)
    assert "No effect of up to 2 factors is confounded with blocks." in alias_structure(
        half).sentences


def _plackett_burman():
    region = plain_region(11)
    runs = region.decode(pbdesign(11))
    runs.insert(0, "point", "factorial")
    for name in ("block", "standard", "run"):
        runs.insert(0, name, 1 if name == "block" else np.arange(1, 13))
    return Plan(region, runs, standard_terms(region, "linear"), "screening", 1)


def test_twelve_run_plan_shifts_by_thirds():
    # Plackett & Burman (1946), 12 runs: each main effect is shifted by ±1/3 of every two-factor
    # interaction it is not part of, by nothing else (Hamada & Wu 1992, J. Quality Technology 24).
    shift = alias_matrix(_plackett_burman())
    assert shift.shape == (12, 55)
    for main in "ABCDEFGHJKL":
        for pair, value in shift.loc[main].items():
            expected = 0 if main in pair.split(":") else 1 / 3
            assert abs(value) == pytest.approx(expected, abs=1e-12)


def test_matrix_agrees_with_words_on_a_regular_plan():
    plan = fractional_factorial(plain_region(5), runs=8, seed=1)
    shift = alias_matrix(plan)
    found = aliases_of(plan)
    for main in "ABCDE":
        full = {" × ".join(n.split(":")) for n in shift.columns if abs(shift.loc[main, n]) > 0.99}
        assert full == found[main]
        assert set(np.round(np.abs(shift.loc[main]), 9)) <= {0, 1}


def test_matrix_says_what_a_wrong_model_estimates():
    # The definition at work: the mean of the estimates under a model with more terms.
    plan = full_factorial(Region(default_region(MIXER).factors,
                                 ("revolution * rotation_ratio <= 600",)), mixer=MIXER, seed=1,
                          blocks=2)
    small, extra = standard_terms(plan.region, "linear"), [Term("revolution", "rotation_ratio")]
    X1 = model_matrix(plan.region, plan.settings, small).to_numpy()
    x2 = model_matrix(plan.region, plan.settings, extra).to_numpy()[:, 0]
    blocks = (plan.runs["block"] == 2).to_numpy() * 2.0 - 1
    truth = np.linalg.lstsq(np.column_stack([X1, blocks]), 3 * x2, rcond=None)[0]
    shift = alias_matrix(plan, small, extra)
    np.testing.assert_allclose(3 * shift.iloc[:, 0], truth[:-1], atol=1e-10)


def test_snapped_fraction_keeps_its_resolution_in_words_and_its_numbers_from_the_runs():
    region = default_region(MIXER)
    plan = fractional_factorial(region, runs=8, mixer=MIXER, seed=1)
    structure = alias_structure(plan)
    assert not structure.regular
    assert structure.sentence.startswith("Resolution IV")
    assert "differ from it" in structure.sentences[1]
    # None of the two-factor interactions is in the model; that they come in pairs is still said.
    assert "revolution × rotation ratio with time × absolute pressure" in structure.sentences[2]
    assert "I(rotation_ratio ** 2)" not in alias_matrix(plan).columns  # two levels, if blurred
    full = alias_structure(plan, standard_terms(region, "linear"), order=2)
    assert full.table["coefficient"].max() < 0.1


def test_surface_plans_show_what_the_next_order_would_do():
    region = plain_region(3)
    plan = central_composite(region, seed=1)
    assert "nothing left" in alias_structure(plan).sentence
    shift = alias_matrix(plan, order=3)
    assert not [n for n in shift.columns if "** 5" in n]
    # By symmetry only terms odd in the factor and even in the others shift its main effect.
    # With α² = F^(1/2) and the cube at ±1/α: Σx⁴/Σx² = (8/α⁴ + 2) / (8/α² + 2) for A³ and
    # Σx²y²/Σx² = (8/α⁴) / (8/α² + 2) for AB².
    square = np.sqrt(8)
    row = shift.loc["A"]
    assert row["I(A ** 3)"] == pytest.approx((8 / square**2 + 2) / (8 / square + 2))
    assert row["A:I(B ** 2)"] == pytest.approx(8 / square**2 / (8 / square + 2))
    assert row.drop(["I(A ** 3)", "A:I(B ** 2)", "A:I(C ** 2)"]).abs().max() < 1e-12


def test_curvature_is_said_to_be_shared():
    plan = fractional_factorial(plain_region(4), runs=8, centre_points=3, seed=1)
    structure = alias_structure(plan)
    assert structure.regular
    assert any("centre points" in s for s in structure.sentences)
    assert appraise(plan).alias_sentences == structure.sentences
