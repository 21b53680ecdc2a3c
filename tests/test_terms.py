"""Formulas and model columns against patsy, which carries Wilkinson & Rogers (1973)."""

from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from patsy import dmatrix

from doe.errors import InputError
from doe.factors import Factor, Region
from doe.terms import (
    INTERCEPT,
    Term,
    expand,
    exponents,
    formula,
    is_hierarchical,
    model_matrix,
    parse,
    read_terms,
    standard_terms,
    with_parents,
)

REGION = Region((Factor("a", 10, 20), Factor("b", -1, 3), Factor.settable("c", [1, 2, 4])))
MIXED = Region((Factor("a", 10, 20), Factor("b", -1, 3),
                Factor.categorical("lid", ("vented", "closed")),
                Factor.categorical("blend", ("x", "y", "z"))))


def some_settings(region, n=40, seed=3):
    return region.snap(region.decode(np.random.default_rng(seed).uniform(-1, 1, (n, len(region)))))


def coded(region, settings):
    """The settings with numeric factors coded, for patsy."""
    return settings.assign(**{f.name: f.code(settings[f.name]) for f in region.numeric})


def spans_same(x, y):
    """True if two matrices have the same column space."""
    rank = np.linalg.matrix_rank
    return rank(x) == rank(y) == rank(np.hstack([x, y]))


# ---- numeric formulas: the same columns as patsy's

FORMULAS = [
    "a", "a + b", "a * b", "a:b", "(a + b + c)**2", "a*b*c - a:b:c", "a/b", "0 + a + b", "a - 1",
    "1 + a", "a + I(a**2) + I(b ** 3)", "a*b + I(a**2):c", "(a + b)**2 - a", "c:b:a", "1", "a + a",
]


@pytest.mark.parametrize("text", FORMULAS)
def test_numeric_formula_gives_the_columns_of_patsy(text):
    settings = some_settings(REGION)
    peer = dmatrix(text, coded(REGION, settings), return_type="dataframe")
    ours = model_matrix(REGION, settings, parse(text, REGION))
    assert ours.shape == peer.shape
    # the same columns, whatever their order: sort both by their content
    sort = lambda m: m[:, np.lexsort(np.round(m, 9))]  # noqa: E731
    np.testing.assert_allclose(sort(ours.to_numpy()), sort(peer.to_numpy()), atol=1e-12)


names = st.sampled_from(["a", "b", "c"])
atoms = st.one_of(names, names.map(lambda n: f"I({n} ** 2)"))
formulas = st.recursive(
    atoms, lambda f: st.one_of(
        st.tuples(f, st.sampled_from([" + ", " * ", ":", " - "]), f).map(
            lambda p: f"({p[0]}{p[1]}{p[2]})"),
        f.map(lambda t: f"({t})**2")),
    max_leaves=5)


@given(formulas)
def test_any_formula_spans_the_space_of_patsy(text):
    settings = some_settings(REGION)
    peer = np.asarray(dmatrix(text, coded(REGION, settings)))
    ours = model_matrix(REGION, settings, parse(text, REGION)).to_numpy()
    assert spans_same(ours, peer)


@given(st.lists(st.lists(names, max_size=4), min_size=1, max_size=6))
def test_terms_survive_their_formula(products):
    terms = tuple(dict.fromkeys(Term(*p) for p in products))
    assert set(parse(formula(terms), REGION)) == set(terms)


def test_formula_with_a_response_as_statsmodels_reads_it():
    assert formula((INTERCEPT, Term("a"), Term("b", "a"), Term("a", "a")), "y") == (
        "y ~ a + a:b + I(a ** 2)")
    assert formula((Term("a"),)) == "a + 0"
    assert formula((INTERCEPT,)) == "1"
    assert parse("y ~ a", REGION) == (INTERCEPT, Term("a"))


# ---- categorical factors: patsy's Sum contrasts

@pytest.mark.parametrize("text", [
    "lid", "blend", "a + lid", "a * lid", "lid * blend", "a + b + lid + blend + a:blend",
    "a * lid * blend",
])
def test_categories_are_coded_as_sum_contrasts(text):
    settings = some_settings(MIXED, 60)
    # patsy leaves out the level with `omit`; ours leaves out the first, so name it
    peer_text = text.replace("lid", "C(lid, Sum(omit='vented'))").replace(
        "blend", "C(blend, Sum(omit='x'))")
    peer = np.asarray(dmatrix(peer_text, coded(MIXED, settings)))
    ours = model_matrix(MIXED, settings, parse(text, MIXED)).to_numpy()
    assert ours.shape == peer.shape
    sort = lambda m: m[:, np.lexsort(np.round(m, 9))]  # noqa: E731
    np.testing.assert_allclose(sort(ours), sort(peer), atol=1e-12)


def test_two_categories_read_minus_one_and_one():
    table = model_matrix(MIXED, pd.DataFrame({"a": [15.0] * 2, "b": [1.0] * 2,
                                              "lid": ["vented", "closed"], "blend": ["x", "x"]}),
                         (Term("lid"),))
    assert table["lid[closed]"].tolist() == [-1, 1]


# ---- expansion

@given(st.lists(st.lists(st.integers(0, 2), min_size=3, max_size=3), min_size=1, max_size=8),
       st.integers(0, 2**16))
def test_expand_is_the_product_of_powers(powers, seed):
    x = np.random.default_rng(seed).uniform(-2, 2, (5, 3))
    powers = np.array(powers)
    explicit = np.array([[np.prod(row**p) for p in powers] for row in x])
    np.testing.assert_allclose(expand(x, powers), explicit, rtol=1e-12)


def test_expand_broadcasts_over_leading_axes():
    x = np.random.default_rng(1).uniform(-1, 1, (4, 3, 3))
    powers, _ = exponents(REGION, standard_terms(REGION, "quadratic"))
    stacked = np.stack([expand(part, powers) for part in x])
    np.testing.assert_array_equal(expand(x, powers), stacked)


def test_model_matrix_keeps_the_index_and_names():
    settings = some_settings(REGION, 3).set_axis([7, 5, 9])
    table = model_matrix(REGION, settings, (INTERCEPT, Term("c", "a"), Term("b", "b")))
    assert table.index.tolist() == [7, 5, 9]
    assert table.columns.tolist() == ["1", "a:c", "I(b ** 2)"]


# ---- hierarchy

terms_ = st.lists(st.lists(names, max_size=4).map(lambda n: Term(*n)), min_size=1, max_size=4)


@given(terms_)
def test_with_parents_is_the_smallest_hierarchical_superset(terms):
    full = with_parents(terms)
    assert is_hierarchical(full)
    assert set(terms) <= set(full)
    assert with_parents(full) == full
    # an independent listing: every sub-multiset of every term's factors
    subsets = {Term(*part) for t in terms
               for bag in [[n for n, p in t.powers for _ in range(p)]]
               for size in range(1, len(bag) + 1) for part in combinations(bag, size)}
    assert set(full) - {INTERCEPT} == subsets - {INTERCEPT}
    assert [t.order for t in full] == sorted(t.order for t in full)


def test_hierarchy_by_example():
    assert not is_hierarchical((Term("a"), Term("a", "b")))
    assert not is_hierarchical((Term("a", "a"),))
    assert is_hierarchical((Term("a"), Term("b"), Term("a", "b")))
    assert set(Term("a", "a", "b").parents()) == {Term("a"), Term("b"), Term("a", "a"),
                                                  Term("a", "b")}


@pytest.mark.parametrize(("model", "count"), [
    # k = 3: 1, 1 + k, 1 + k + k(k−1)/2, (k + 1)(k + 2)/2; any textbook of response surfaces
    ("mean", 1), ("linear", 4), ("interactions", 7), ("quadratic", 10),
])
def test_standard_models_count(model, count):
    terms = standard_terms(REGION, model)
    assert len(terms) == len(set(terms)) == count
    assert terms[0] == INTERCEPT
    assert is_hierarchical(terms)


def test_standard_models_of_mixed_factors():
    quadratic = standard_terms(MIXED, "quadratic")
    assert Term("a", "a") in quadratic
    assert not any(("lid", 2) in t.powers or ("blend", 2) in t.powers for t in quadratic)
    assert Term("a", "b", "lid") in standard_terms(MIXED, "interactions", order=3)


def test_two_levels_have_no_square():
    region = Region((Factor.settable("p", [2, 20]), Factor("t", 0, 1)))
    assert Term("p", "p") not in standard_terms(region, "quadratic")


def test_terms_are_values():
    assert Term("b", "a") == Term("a", "b")
    assert eval(repr(Term("b", "a", "b"))) == Term("a", "b", "b")
    assert Term("rotation_ratio", "time", "time").label() == "rotation ratio × time²"
    assert INTERCEPT.label() == "mean"


# ---- refusals

@pytest.mark.parametrize("text", [
    "", " ", "a ~", "y ~ a ~ b", "a +", "a ** ", "a + d", "np.log(a)", "Q('a')", "I(a + b)",
    "a + 2", "a[0]", "((a)", "__import__('os').system('x')", "I(a ** 12)", "'a'", "a;b", "I(a)",
    "a + \x00", "I(a * b)", "a ** b", "a" + " + a" * 5000, "|",
])
def test_what_is_no_formula_of_factors_is_refused(text):
    with pytest.raises(InputError) as caught:
        parse(text, REGION)
    assert caught.value.field == "formula"
    assert caught.value.remedy


@pytest.mark.parametrize("text", [None, 3, b"a"])
def test_a_formula_is_a_text(text):
    with pytest.raises(InputError):
        parse(text, REGION)


@given(st.one_of(st.text(max_size=30), st.lists(st.sampled_from(
    ["a", "b", "lid", "+", "*", ":", "-", "**", "(", ")", "I(", "2", "0", "~", "`", "@", "{", "'",
     "\\", "\n", "lambda", " "]), max_size=10).map("".join)))
@example("a**(b)")
@example("0")
@example("(a + b)**99999999")
def test_any_text_gives_terms_or_input_error(text):
    try:
        terms = parse(text, MIXED)
    except InputError:
        return
    assert all(set(t.names) <= set(MIXED.names) for t in terms)


def test_powers_of_categories_are_refused():
    with pytest.raises(InputError, match="no powers"):
        parse("I(lid ** 2)", MIXED)


def test_error_of_an_unknown_name_lists_the_factors():
    with pytest.raises(InputError) as caught:
        parse("a + speed", REGION)
    assert str(caught.value) == ("formula = 'speed': only factors and their powers can stand in "
                                 "it. Use these names: a, b, c; a square is I(name**2).")
    with pytest.raises(InputError, match="Use one of: 'mean', 'linear'"):
        standard_terms(REGION, "cubic")


def test_terms_are_read_as_a_formula_a_name_or_one_by_one():
    region = Region([Factor("a", 0, 1), Factor("b", 0, 1)])
    assert read_terms(region, None, parse("a", region)) == parse("a", region)
    assert read_terms(region, "quadratic") == standard_terms(region, "quadratic")
    assert read_terms(region, "a + a:b") == parse("a + a:b", region)
    assert read_terms(region, [INTERCEPT, Term("a"), Term("a")]) == (INTERCEPT, Term("a"))
    with pytest.raises(InputError, match="at least one"):
        read_terms(region, [])
