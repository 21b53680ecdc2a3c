"""Plans side by side, against numpy, scipy and statsmodels on matrices written out by hand."""

from itertools import permutations

import numpy as np
import pytest
from scipy import optimize, stats
from statsmodels.stats.outliers_influence import variance_inflation_factor
from statsmodels.stats.power import TTestPower

from doe.errors import InputError
from doe.factors import Factor, Region
from doe.planning import (
    Plan,
    box_behnken,
    central_composite,
    compare,
    definitive_screening,
    doehlert_shell,
    fractional_factorial,
    full_factorial,
    plackett_burman,
    small_composite,
)

SQUARE = Region([Factor("time", 60, 300, unit="s"), Factor("speed", 400, 1200, unit="rpm")])
CUBE = Region([*SQUARE.factors, Factor("pressure", 2, 50, unit="kPa")])


def coded(plan: Plan) -> np.ndarray:
    """Centre 0, half-range 1 (ISO 3534-3), by hand."""
    return np.column_stack([(plan.runs[f.name] - (f.low + f.high) / 2) / ((f.high - f.low) / 2)
                            for f in plan.region.factors])


def quadratic(x: np.ndarray) -> np.ndarray:
    """1, a, b, ab, a², b² of two factors; squares as they are, not centred."""
    a, b = x.T
    return np.column_stack([np.ones_like(a), a, b, a * b, a**2, b**2])


def first_order(x: np.ndarray) -> np.ndarray:
    return np.column_stack([np.ones(len(x)), x])


def square_grid(side: int) -> np.ndarray:
    at = np.linspace(-1, 1, side)
    return np.column_stack([v.ravel() for v in np.meshgrid(at, at)])


def quadrature() -> tuple[np.ndarray, np.ndarray]:
    """Points and weights that integrate polynomials of degree 9 over the square exactly."""
    at, weight = np.polynomial.legendre.leggauss(5)
    x, y = np.meshgrid(at, at)
    return np.column_stack([x.ravel(), y.ravel()]), np.outer(weight, weight).ravel() / 4


def variance(X: np.ndarray, F: np.ndarray) -> np.ndarray:
    return np.einsum("ij,jk,ik->i", F, np.linalg.inv(X.T @ X), F)


@pytest.fixture(scope="module")
def square():
    plans = {"composite": central_composite(SQUARE, axial="face-centred", seed=1),
             "three levels": full_factorial(SQUARE, levels=3, centre_points=1, seed=1),
             "shell": doehlert_shell(SQUARE, centre_points=3, seed=1),
             "two levels": full_factorial(SQUARE, replicates=2, centre_points=3, seed=1)}
    return plans, compare(plans, model="quadratic", sd=2.0, effect=5.0)


@pytest.mark.parametrize("name", ["composite", "three levels", "shell"])
def test_efficiencies_by_definition(square, name):
    # Atkinson, Donev & Tobias (2007), ch. 10: per run, against |M| = 1 and M = identity.
    plans, told = square
    X, row = quadratic(coded(plans[name])), told.table.loc[name]
    n, p = X.shape
    inverse = np.linalg.inv(X.T @ X)
    at, weight = quadrature()
    assert row["runs"] == n
    assert row["D"] == pytest.approx(100 * np.linalg.det(X.T @ X) ** (1 / p) / n)
    assert row["A"] == pytest.approx(100 * p / (n * np.trace(inverse)))
    greatest = variance(X, quadratic(square_grid(401))).max()
    assert row["G"] == pytest.approx(100 * p / (n * greatest), rel=1e-4)
    assert row["greatest_variance"] == pytest.approx(greatest, rel=1e-4)
    mean = weight @ variance(X, quadratic(at))
    assert row["I"] == pytest.approx(mean, rel=2e-3)                 # both by quasi-random points
    assert row["mean_variance"] == pytest.approx(mean, rel=2e-3)


def test_shares_of_the_optimum_that_another_optimiser_finds(square):
    # By symmetry the D-optimum for the square puts one weight on each corner, one on each
    # middle of an edge and the rest on the centre; Kiefer & Wolfowitz (1960) proves it optimal:
    # the variance nowhere exceeds the number of coefficients.
    plans, told = square
    corner, edge = square_grid(2), np.array([[0, 1], [0, -1], [1, 0], [-1, 0]])
    F = quadratic(np.vstack([corner, edge, [[0, 0]]]).astype(float))

    def information(w):
        each = np.repeat([w[0] / 4, w[1] / 4, 1 - w[0] - w[1]], [4, 4, 1])
        return (F.T * each) @ F

    best = optimize.minimize(lambda w: -np.linalg.slogdet(information(w))[1], [0.5, 0.3],
                             method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-14})
    M, G = information(best.x), quadratic(square_grid(201))
    assert np.einsum("ij,jk,ik->i", G, np.linalg.inv(M), G).max() == pytest.approx(6, abs=1e-4)
    for name in ("composite", "three levels", "shell"):
        X = quadratic(coded(plans[name]))
        share = (np.linalg.det(X.T @ X / len(X)) / np.linalg.det(M)) ** (1 / 6)
        assert told.table.loc[name, "D_of_optimum"] == pytest.approx(100 * share, rel=1.5e-3)
    assert told.table.loc["two levels", ["D_of_optimum", "I_of_optimum"]].tolist() == [0, 0]


def test_no_plan_of_first_order_beats_the_corners():
    # All factors at their ends, columns orthogonal: the optimum for every criterion
    # (Plackett & Burman 1946), so both have 100 % of it.
    region = Region([Factor(c, 0, 10) for c in "abcdefg"])
    told = compare({"Hadamard": plackett_burman(region, runs=12, seed=1),
                    "fraction": fractional_factorial(region, runs=8, seed=1)}, model="linear",
                   against=("D", "A", "I"))
    np.testing.assert_allclose(told.table[[f"{c}_of_optimum" for c in "DAI"]], 100, rtol=1e-3)
    np.testing.assert_allclose(told.table[["D", "A", "G"]], 100, rtol=1e-9)
    np.testing.assert_allclose(told.table["greatest_correlation"], 0, atol=1e-12)


@pytest.mark.parametrize("name", ["composite", "three levels", "shell"])
def test_power_by_the_noncentral_t_distribution(square, name):
    plans, told = square
    X, row = quadratic(coded(plans[name])), told.table.loc[name]
    df = len(X) - 6
    errors = np.sqrt(np.diag(np.linalg.inv(X.T @ X)))
    assert row["error_df"] == df

    def power(effect, error, halves):       # half the change from low to high is the coefficient
        nc = effect / halves / (2.0 * error)
        limit = stats.t.isf(0.025, df)
        direct = stats.nct.sf(limit, df, nc) + stats.nct.cdf(-limit, df, nc)
        assert TTestPower().power(nc, 1, 0.05, df=df) == pytest.approx(direct, abs=1e-6)
        return direct

    assert row["power"] == pytest.approx(power(5.0, errors[1:3].max(), 2), abs=1e-6)
    for kind, error, halves in (("main_effect", errors[1:3].max(), 2),
                                ("interaction", errors[3], 2),
                                ("square", errors[4:].max(), 1)):
        assert power(row[f"detectable_{kind}"], error, halves) == pytest.approx(0.8, abs=1e-6)
    curve = told.power[told.power["plan"] == name].reset_index()
    for i in (0, 7, 20, 60):
        effect = curve["effect"][i]
        peer = power(effect, errors[1:3].max(), 2) if effect else 0.05
        assert curve["power"][i] == pytest.approx(peer, abs=1e-6)


def test_columns_that_lean_on_each_other(square):
    plans, told = square
    for name in ("composite", "three levels", "shell"):
        X = quadratic(coded(plans[name]))
        r = np.abs(np.corrcoef(X[:, 1:], rowvar=False))
        np.fill_diagonal(r, 0)
        assert told.table.loc[name, "greatest_correlation"] == pytest.approx(r.max(), abs=1e-12)
        vif = max(variance_inflation_factor(X, j) for j in range(1, 6))
        assert told.table.loc[name, "greatest_vif"] == pytest.approx(vif)


def test_curves_are_volumes_of_balls():
    # Zahran, Anderson-Cook & Myers (2003). Orthogonal, first order: variance (1 + r²) / n, so
    # while the ball of radius r lies in the cube, the share within it is (4/3) π r³ / 8 (derived).
    plans = {"half": fractional_factorial(CUBE, runs=4, seed=1),
             "whole": full_factorial(CUBE, seed=1)}
    told = compare(plans, model="linear", against=())
    for name, n in (("half", 4), ("whole", 8)):
        for r in (0.5, 0.8, 1.0):
            share = told.curves[name].share_within(np.sqrt((1 + r**2) / n))
            assert share == pytest.approx(np.pi * r**3 / 6, abs=4e-3)
        assert told.table.loc[name, "greatest_variance"] == pytest.approx(4 / n)


def test_groups_of_runs_by_generalised_least_squares():
    region = Region([Factor("pressure", 2, 50, unit="kPa", hard_to_change=True),
                     Factor("time", 60, 300, unit="s")])
    grouped = full_factorial(region, replicates=4, blocks=4, group_hard_to_change=True, seed=1)
    free = full_factorial(region, replicates=4, seed=1)
    told = compare({"grouped": grouped, "free": free}, model="linear", against=(),
                   ratios={"whole_plot": 2.0})
    X = first_order(coded(grouped))
    block = np.eye(4)[grouped.runs["block"] - 1]
    full = np.hstack([X, block[:, 1:] - block[:, :1]])
    plot = grouped.runs["whole_plot"].to_numpy()
    V = np.eye(16) + 2.0 * (plot[:, None] == plot)
    C = np.linalg.inv(full.T @ np.linalg.inv(V) @ full)[:3, :3]
    # The mean of f'Cf over the square: second moments 1, 1/3, 1/3.
    mean = np.sum(np.diag(C) * [1, 1 / 3, 1 / 3])
    assert told.table.loc["grouped", "mean_variance"] == pytest.approx(mean, rel=1e-3)
    assert told.table.loc["grouped", "groups"] == len(np.unique(plot)) == 8
    assert told.table.loc["free", "groups"] == 16
    assert told.table.loc["free", "mean_variance"] == pytest.approx((1 + 2 / 3) / 16, rel=1e-3)


# ---- which to take -----------------------------------------------------------------------

def test_a_plan_that_estimates_the_model_goes_before_one_that_does_not(square):
    told = square[1]
    assert told.choice != "two levels"
    assert told.table.loc["two levels", ["coefficients", "estimable"]].tolist() == [6, 4]
    assert "two levels" not in told.curves
    assert told.table.loc["two levels", "power"] > told.table["power"].drop("two levels").max()
    assert told.sentences[0].startswith(f"Take {told.choice} (")
    assert "it estimates every term of the model" in told.sentences[0]
    mine = next(s for s in told.sentences[1:] if s.startswith("Two levels"))
    assert "cannot estimate 2 coefficients of the model" in mine


def test_the_fewest_runs_that_find_the_effect():
    plans = {f"{r} times": full_factorial(SQUARE, replicates=r, seed=1) for r in (4, 2, 3)}
    told = compare(plans, model="linear", effect=2.0, against=())
    # By hand: standard error 1 / √(4r), noncentrality √(4r); 12 runs are the first with 80 %.
    power = {r: stats.ncf.sf(stats.f.isf(0.05, 1, 4 * r - 3), 1, 4 * r - 3, 4 * r)
             for r in (2, 3, 4)}
    assert power[2] < 0.8 < power[3] < power[4]
    np.testing.assert_allclose(told.table["power"], [power[4], power[2], power[3]], rtol=1e-9)
    assert told.choice == "3 times"
    assert f"with {100 * power[3]:.0f} % power, with the fewest runs of" in told.sentences[0]
    weak = compare(plans, model="linear", effect=0.5, against=())
    assert weak.choice == "4 times"
    assert "none finds a main effect of the size asked about with 80 % power" in weak.sentence


def test_who_predicts_best_for_its_size():
    plans = {"Box–Behnken": box_behnken(CUBE, seed=1),
             "face-centred": central_composite(CUBE, axial="face-centred", seed=1),
             "small": small_composite(CUBE, seed=1)}
    told = compare(plans, model="quadratic", against=())
    cost = told.table["runs"] * told.table["mean_variance"]
    assert told.choice == cost.idxmin() == "face-centred"
    assert f"{cost.min():.3g}"[:4] in told.sentences[0]


def test_equals_go_by_size_and_order():
    once, twice = (full_factorial(SQUARE, replicates=r, centre_points=0, seed=1) for r in (2, 4))
    told = compare({"twice": twice, "once": once}, model="linear", against=())
    assert told.choice == "once"
    assert "has the fewest runs of these" in told.sentences[0]
    same = compare({"b": once, "a": once}, model="linear", against=())
    assert same.choice == "b"
    assert same.sentences[1] == "Nothing in the table speaks for a."


def test_something_must_be_left_to_estimate_error_from():
    spare = fractional_factorial(CUBE, runs=4, replicates=2, seed=1)
    told = compare({"bare": fractional_factorial(CUBE, runs=4, seed=1), "spare": spare},
                   model="linear", against=())
    assert told.choice == "spare"
    assert "it leaves degrees of freedom to estimate error from" in told.sentences[0]
    assert set(told.power["plan"]) == {"spare"}
    assert np.isnan(told.table.loc["bare", "power"])


def test_neither_order_nor_name_changes_the_choice():
    plans = [box_behnken(CUBE, seed=1), central_composite(CUBE, seed=1),
             definitive_screening(CUBE, fake_factors=2, seed=1)]
    chosen = set()
    for order in permutations(range(3)):
        told = compare({f"plan {i}": plans[j] for i, j in enumerate(order)}, model="quadratic",
                       against=())
        chosen.add(order[int(told.choice.removeprefix("plan "))])
        assert list(told.table.index) == ["plan 0", "plan 1", "plan 2"]
    assert len(chosen) == 1


def test_what_speaks_for_the_others_is_in_the_table():
    told = compare({"face-centred": central_composite(CUBE, axial="face-centred", seed=1),
                    "Box–Behnken": box_behnken(CUBE, seed=1)}, model="quadratic", against=(), sd=2)
    table = told.table.T
    assert table.loc["detectable_square", "Box–Behnken"] < \
        table.loc["detectable_square", "face-centred"]
    a, b = (f"{table.loc['detectable_square', n]:.1f}" for n in ("Box–Behnken", "face-centred"))
    assert f"2 runs fewer, a smallest detectable square of {a} against {b}" in told.sentences[1]
    assert "main effect" not in told.sentences[1]      # there the other is better


def test_the_model_is_that_of_all_plans_if_none_is_given():
    told = compare({"composite": central_composite(SQUARE, seed=1),
                    "factorial": full_factorial(SQUARE, replicates=2, seed=1)}, against=())
    assert {str(t) for t in told.terms} == {"1", "time", "speed", "speed:time", "I(time ** 2)",
                                            "I(speed ** 2)"}
    small = compare({"composite": central_composite(SQUARE, seed=1),
                     "factorial": full_factorial(SQUARE, replicates=2, seed=1)},
                    terms="time + speed", against=())
    assert small.table["coefficients"].tolist() == [3, 3]


# ---- refusals ----------------------------------------------------------------------------

@pytest.mark.parametrize("count", [0, 1, 5])
def test_two_to_four_plans(count):
    plan = full_factorial(SQUARE, seed=1)
    with pytest.raises(InputError, match="from 2 to 4 plans are compared"):
        compare({f"plan {i}": plan for i in range(count)})


@pytest.mark.parametrize("other", [
    Region([SQUARE.factors[0], Factor("speed", 400, 1300, unit="rpm")]),
    Region(SQUARE.factors, ("time <= 300 - 0.05 * speed",)),
    Region([*SQUARE.factors, Factor.categorical("cup", ["wide", "narrow"])]),
], ids=["range", "constraint", "factor"])
def test_plans_for_other_regions_are_refused(other):
    with pytest.raises(InputError, match="are not those of 'one'") as caught:
        compare({"one": full_factorial(SQUARE, seed=1), "two": full_factorial(other, seed=1)})
    assert "two" in str(caught.value)


def test_criteria_are_checked():
    plan = full_factorial(SQUARE, seed=1)
    with pytest.raises(InputError, match="against"):
        compare({"one": plan, "two": plan}, against=("E",))
