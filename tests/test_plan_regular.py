"""Fractions and blocks found by search, against published tables and brute force."""

from itertools import combinations

import numpy as np
import pytest
from pyDOE3 import fracfact, fracfact_aliasing

from doe.errors import InputError
from doe.planning.regular import (
    Fraction,
    best_blocks,
    best_fraction,
    members,
    roman,
    span,
)

# Chen, Sun & Wu (1993), International Statistical Review 61, tables for 16, 32 and 64 runs;
# Fries & Hunter (1980) and Franklin (1984) for 128 runs. Numbers A3, A4, ... from memory;
# those within reach are derived again by brute force below.
PATTERNS = {
    (3, 2): (1,), (4, 3): (0, 1), (6, 5): (0, 0, 0, 1), (7, 6): (0, 0, 0, 0, 1),
    (5, 3): (2, 1), (6, 3): (4, 3), (7, 3): (7, 7, 0, 0, 1),
    (5, 4): (0, 0, 1), (6, 4): (0, 3), (7, 4): (0, 7), (8, 4): (0, 14, 0, 0, 0, 1),
    (9, 4): (4, 14, 8, 0, 4, 1), (10, 4): (8, 18, 16, 8, 8, 5),
    (11, 4): (12, 26, 28, 24, 20, 13, 4),
    (7, 5): (0, 1, 2), (8, 5): (0, 3, 4), (9, 5): (0, 6, 8, 0, 0, 1),
    (10, 5): (0, 10, 16, 0, 0, 5), (11, 5): (0, 25, 0, 27, 0, 10, 0, 1),
    (8, 6): (0, 0, 2, 1), (9, 6): (0, 1, 4, 2), (10, 6): (0, 2, 8, 4, 0, 1),
    (11, 6): (0, 4, 14, 8, 0, 3, 2),
    (9, 7): (0, 0, 0, 3), (10, 7): (0, 0, 3, 3, 1), (11, 7): (0, 0, 6, 6, 2, 1),
}

# NIST/SEMATECH e-Handbook 5.3.3.4.7, summary table of 2^(k−p) designs (from memory).
RESOLUTIONS = {
    (3, 4): "III", (4, 8): "IV", (5, 8): "III", (5, 16): "V", (6, 8): "III", (6, 16): "IV",
    (6, 32): "VI", (7, 8): "III", (7, 16): "IV", (7, 32): "IV", (7, 64): "VII",
    (8, 16): "IV", (8, 32): "IV", (8, 64): "V", (8, 128): "VIII", (9, 16): "III",
    (9, 32): "IV", (9, 64): "IV", (9, 128): "VI", (10, 16): "III", (10, 32): "IV",
    (10, 64): "IV", (10, 128): "V", (11, 16): "III", (11, 32): "IV", (11, 64): "IV",
    (11, 128): "V", (15, 16): "III",
}


@pytest.mark.parametrize(("k", "basic"), PATTERNS)
def test_word_lengths_as_published(k, basic):
    fraction = best_fraction(k, basic)
    expected = PATTERNS[k, basic]
    assert fraction.word_lengths[:2] == (0, 0)
    assert fraction.word_lengths[2:] == expected + (0,) * (k - 2 - len(expected))
    assert fraction.exhaustive


@pytest.mark.parametrize(("k", "runs"), RESOLUTIONS)
def test_resolution_as_in_handbook(k, runs):
    assert roman(best_fraction(k, runs.bit_length() - 1).resolution) == RESOLUTIONS[k, runs]


def _pattern(k, basic, chosen):
    counts = [0] * (k + 1)
    for size in range(1, len(chosen) + 1):
        for group in combinations(chosen, size):
            word = 0
            for column in group:
                word ^= column
            counts[word.bit_count() + size] += 1
    return tuple(counts[1:])


@pytest.mark.parametrize(("k", "basic"),
                         [(5, 3), (6, 3), (6, 4), (7, 4), (8, 4), (9, 4), (7, 5), (8, 5), (8, 6)])
def test_no_choice_of_columns_has_less_aberration(k, basic):
    pool = [c for c in range(1 << basic) if c.bit_count() > 1]
    least = min(_pattern(k, basic, chosen) for chosen in combinations(pool, k - basic))
    assert best_fraction(k, basic).word_lengths == least


def test_search_beyond_exhaustion_says_so():
    # 2^(12−5): least aberration A4 = 1, A5 = 8 (Chen, Sun & Wu 1993; from memory).
    fraction = best_fraction(12, 7)
    assert not fraction.exhaustive
    assert fraction.word_lengths[2:5] == (0, 1, 8)


def test_size_that_cannot_carry_the_factors():
    assert best_fraction(8, 3) is None
    assert best_fraction(6, 4, least_resolution=5) is None


@pytest.mark.parametrize(("k", "basic"), [(5, 3), (7, 3), (6, 4), (8, 5)])
def test_columns_and_words_agree_with_pydoe3(k, basic):
    fraction = best_fraction(k, basic)
    letters = "abcdefgh"
    text = [letters[j] for j in range(basic)] + [
        "".join(letters[j] for j in members(mask)) for _, mask, _ in fraction.generators]
    design = fracfact(" ".join(text))
    assert {tuple(r) for r in fraction.columns()} == {tuple(r) for r in design}
    chains, _ = fracfact_aliasing(design)
    aliases_of_a = next(c for c in chains if c.split(" = ")[0] == "a").split(" = ")[1:]
    assert {frozenset("a") ^ frozenset(w) for w in aliases_of_a} == {
        frozenset(letters[j] for j in members(w)) for w, _ in fraction.words}


def test_signs_take_the_other_half():
    plus = Fraction(4, (0, 1, 2), ((3, 0b111, 1),))
    minus = Fraction(4, (0, 1, 2), ((3, 0b111, -1),))
    both = {tuple(row) for f in (plus, minus) for row in f.columns()}
    assert len(both) == 16
    assert minus.words == ((0b1111, -1),)
    for f in (plus, minus):
        for word, sign in f.words:
            assert (np.prod(f.columns()[:, members(word)], axis=1) == sign).all()


def _lost(fraction, masks):
    """Numbers of confounded effects by order, from the runs themselves."""
    coded = fraction.columns()
    block = [tuple(np.sign(np.prod(coded[:, members(m)], axis=1))[i] for m in masks)
             for i in range(len(coded))]
    counts = [0] * (fraction.k + 1)
    labels = sorted(set(block))
    for size in range(1, fraction.k + 1):
        for effect in combinations(range(fraction.k), size):
            column = np.prod(coded[:, effect], axis=1)
            means = [column[[b == label for b in block]] for label in labels]
            if all(np.ptp(m) == 0 for m in means) and np.ptp(column):
                counts[size] += 1
    return counts[1:]


@pytest.mark.parametrize(("k", "basic", "blocks"), [
    (3, 3, 2), (4, 4, 2), (4, 4, 4), (5, 5, 4), (6, 4, 2), (5, 4, 2), (7, 4, 2), (6, 5, 4)])
def test_blocks_confound_the_fewest_low_order_effects(k, basic, blocks):
    fraction = best_fraction(k, basic) if k > basic else Fraction(k, tuple(range(k)))
    chosen = best_blocks(fraction, blocks)
    q = len(chosen)
    assert 1 << q == blocks
    assert _lost(fraction, chosen)[0] == 0
    rng = np.random.default_rng(1)
    effects = list(range(1, 1 << k))
    others = (list(combinations(effects, q)) if len(effects)**q < 300
              else [tuple(rng.choice(effects, q, replace=False)) for _ in range(150)])
    words = {0} | {w for w, _ in fraction.words}
    for masks in others:
        masks = [int(m) for m in masks]
        independent = len({min(e ^ w for w in words) for e in span(masks)} - {0}) == blocks - 1
        if independent:
            assert _lost(fraction, chosen) <= _lost(fraction, masks)


def test_blocks_of_the_full_factorial_as_published():
    # Box, Hunter & Hunter (2005) table 5A.1; NIST 5.3.3.3.3 for 2^3: ABC in two blocks.
    assert best_blocks(Fraction(3, (0, 1, 2)), 2) == [0b111]
    assert best_blocks(Fraction(4, (0, 1, 2, 3)), 2) == [0b1111]
    # 2^5 in 4 blocks: two three-factor interactions and one of four factors.
    sizes = sorted(e.bit_count() for e in span(best_blocks(Fraction(5, tuple(range(5))), 4)))
    assert sizes == [3, 3, 4]
    # 2^6 in 8 blocks of 8: four of three factors, three of four, no two-factor interaction.
    sizes = sorted(e.bit_count() for e in span(best_blocks(Fraction(6, tuple(range(6))), 8)))
    assert sizes == [3, 3, 3, 3, 4, 4, 4]


def test_blocks_that_would_hide_a_main_effect_are_refused():
    with pytest.raises(InputError, match="main effect"):
        best_blocks(best_fraction(7, 3), 2)
    with pytest.raises(InputError, match="2, 4"):
        best_blocks(best_fraction(5, 4), 3)
