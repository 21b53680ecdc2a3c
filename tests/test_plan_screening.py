"""Plackett–Burman plans."""

import numpy as np
import pytest

from doe.errors import InputError
from doe.factors import Factor, Region
from doe.planning import alias_matrix, appraise, plackett_burman


def plain_region(k):
    return Region([Factor(f"x{j}", -1, 1) for j in range(k)])


def coded(plan):
    return plan.region.encode(plan.runs.sort_values("standard"))


@pytest.mark.parametrize(("k", "runs"), [(5, 12), (11, 12), (12, 20), (19, 20), (20, 24), (23, 24)])
def test_columns_are_orthogonal_and_balanced(k, runs):
    X = coded(plackett_burman(plain_region(k), seed=1))
    assert X.shape == (runs, k)
    assert np.array_equal(np.abs(X), np.ones_like(X))
    assert np.array_equal(X.T @ X, runs * np.eye(k))
    assert not X.sum(axis=0).any()


def test_twelve_runs_are_the_published_cyclic_plan():
    # Plackett & Burman (1946): the generating row of the 12-run plan is + + − + + + − − − + −,
    # shifted ten times, and a row of minus signs; here up to the order and direction of shifts.
    row = [1 if c == "+" else -1 for c in "++-+++---+-"]
    rows = [tuple(np.roll(row, s)) for s in range(11)] + [(-1,) * 11]
    published = np.array(rows)
    X = coded(plackett_burman(plain_region(11), seed=1))

    def triples(A):
        """Counts of |sum x_i x_j x_k|, the same for all ways of writing one plan."""
        k = A.shape[1]
        sums = [abs(int((A[:, a] * A[:, b] * A[:, c]).sum()))
                for a in range(k) for b in range(a) for c in range(b)]
        return np.unique(sums, return_counts=True)

    for ours, theirs in zip(triples(X), triples(published), strict=True):
        assert np.array_equal(ours, theirs)
    assert triples(X)[0].tolist() == [4]  # every triple a third: no triple fully aliased


def test_mirror_images_clear_main_effects():
    region = plain_region(6)
    alone = alias_matrix(plackett_burman(region, seed=1))
    assert alone.loc["x0", "x1:x2"] == pytest.approx(1 / 3) or (
        alone.loc["x0", "x1:x2"] == pytest.approx(-1 / 3))
    plan = plackett_burman(region, mirrored=True, blocks=2, seed=1)
    assert len(plan) == 24
    assert np.abs(alias_matrix(plan).drop("1").to_numpy()).max() < 1e-12
    halves = [coded_block[region.names].to_numpy() for _, coded_block in plan.runs.groupby("block")]
    assert {tuple(r) for r in halves[0]} == {tuple(-r) for r in halves[1]}


def test_what_it_tells():
    a = appraise(plackett_burman(plain_region(7), centre_points=3, seed=1))
    assert (a.error_df, a.pure_error_df) == (7, 2)
    assert a.table["vif"].iloc[1:].to_numpy() == pytest.approx(1)
    assert any("is shifted by" in s for s in a.alias_sentences)


@pytest.mark.parametrize(("k", "options", "problem"), [
    (24, {}, "2 to 23"), (5, {"runs": 16}, "12, 20 or 24"), (12, {"runs": 12}, "20 or 24"),
    (5, {"blocks": 2}, "mirrored")])
def test_what_cannot_be_made(k, options, problem):
    with pytest.raises(InputError, match=problem):
        plackett_burman(plain_region(k), **options)
