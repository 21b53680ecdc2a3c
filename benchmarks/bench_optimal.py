"""Optimal plans: quality and speed against a peer, growth, memory.

    OPENBLAS_NUM_THREADS=1 python benchmarks/bench_optimal.py [peer] [constrained] [larger] [growth]

Times are processor seconds of this process, so that a busy machine changes them little; one
thread makes them seconds on one core. `growth` also draws `pictures/optimal_growth.png`.
`long` repeats what takes minutes: the search behind `BEST_KNOWN`, and the peer's hundred starts
in five factors. What was measured is in `benchmarks/README.md`.
"""

from __future__ import annotations

import resource
import sys
from pathlib import Path
from time import process_time

import numpy as np
from plotly.subplots import make_subplots
from pyDOE3.doe_optimal.model import generate_candidate_set
from pyDOE3.doe_optimal.optimal import optimal_design

from doe.charts import picture
from doe.charts.theme import SERIES, dress
from doe.factors import Factor, Region
from doe.planning.candidates import Space
from doe.planning.criteria import criterion_for
from doe.planning.exchange import exchange_coordinates, exchange_rows
from doe.planning.optimal import optimal_plan
from doe.terms import standard_terms

BEST_KNOWN = {"D": 39.6689472, "seed": 7, "starts": 30_000}
"""D-efficiency (%, coded units) of the constrained case's best plan among eight seeds of `long`."""
PICTURE = Path(__file__).parent / "pictures" / "optimal_growth.png"


def cube(k: int) -> Region:
    return Region([Factor(f"x{i}", -1, 1) for i in range(1, k + 1)])


def constrained_region() -> Region:
    """Four factors of an invented mixer: its rotation and the heat of a run are limited."""
    return Region(
        [Factor("revolution", 600, 1600, unit="rpm"), Factor("rotation_ratio", 1 / 6, 1 / 2),
         Factor("time", 60, 300, unit="s"), Factor("pressure", 2, 50, unit="kPa")],
        ["revolution * rotation_ratio <= 520", "revolution * time <= 330000"])


def peak() -> float:
    """Greatest memory of the process so far, MB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def timed(function, *arguments, **options):
    start = process_time()
    value = function(*arguments, **options)
    return value, process_time() - start


# ---- unconstrained, against the peer -----------------------------------------------------------

def by_textbook(rows: np.ndarray, runs: int, rng: np.random.Generator) -> np.ndarray:
    """Fedorov's exchange (1972): the best of all pairs, one after the other; one random start."""
    plan = rng.integers(0, len(rows), runs)
    inverse = np.linalg.inv(rows[plan].T @ rows[plan] + 1e-6 * np.eye(rows.shape[1]))
    while True:
        cross = rows[plan] @ inverse @ rows.T
        added = np.einsum("np,np->n", rows @ inverse, rows)
        dropped = cross[np.arange(runs), plan]
        gain = (1 + added) * (1 - dropped)[:, None] + cross**2
        r, c = np.unravel_index(gain.argmax(), gain.shape)
        if gain[r, c] <= 1 + 1e-7:
            return plan
        plan[r] = c
        inverse = np.linalg.inv(rows[plan].T @ rows[plan] + 1e-6 * np.eye(rows.shape[1]))


def by_peer(lattice: np.ndarray, runs: int, seed: int) -> float:
    """pyDOE3's Fedorov algorithm has no starts of its own: shuffled candidates break its ties."""
    shuffled = np.random.default_rng(seed).permutation(lattice)
    return optimal_design(shuffled, runs, 2, "D", "fedorov")[1]["D_eff"]


def against_peer() -> None:
    """Quality and time of exchanges on the 3^k lattice."""
    print("Full quadratic on three levels, D-efficiency 100 |M|^(1/p) / n")
    for k, runs, starts, peers in ((3, 14, 250, 100), (4, 20, 1000, 100), (5, 26, 1000, 10)):
        lattice = generate_candidate_set(k)
        space = Space(cube(k), standard_terms(cube(k), "quadratic"))
        rows, p = space.rows(lattice), len(space.columns)
        criterion = criterion_for("D", space)

        def ours(rows=rows, runs=runs, starts=starts, p=p):
            rng, plans = np.random.default_rng(1), []
            for done in range(0, starts, 250):
                start = rng.integers(0, len(rows), (min(250, starts - done), runs))
                plans.append(exchange_rows(rows, start, np.zeros((p, p))))
            return np.concatenate(plans)

        def value(plans, rows=rows, runs=runs, criterion=criterion):
            X = rows[plans]
            return 100 * float(np.max(criterion.merit(X.swapaxes(-1, -2) @ X))) / runs

        def peer(seed, lattice=lattice, runs=runs):
            return by_peer(lattice, runs, seed)

        plans, seconds = timed(ours)
        first, ten = timed(lambda: [peer(s) for s in range(10)])
        rest = [peer(s) for s in range(10, peers)]
        rng = np.random.default_rng(1)
        book, hundred = timed(lambda: [by_textbook(rows, runs, rng) for _ in range(100)])  # noqa: B023
        print(f"  {k} factors, {runs} runs: {value(plans):.3f} from {starts} starts in "
              f"{seconds:.3f} s | pyDOE3 {max(first + rest):.3f} from {peers}; ten take "
              f"{ten / seconds:.0f} times as long | textbook exchange "
              f"{value(np.array(book)):.3f} from 100, a start takes "
              f"{hundred / 100 / (seconds / starts):.0f} times as long", flush=True)


# ---- constrained --------------------------------------------------------------------------------

def constrained() -> None:
    """1000 starts, all of it: optimum, search, polish, efficiencies."""
    region = constrained_region()
    for criterion in ("D", "I"):
        plan, seconds = timed(optimal_plan, region, runs=24, starts=1000, seed=1,
                              criterion=criterion)
        d = plan.details
        print(f"Constrained, 4 factors, 24 runs, 1000 starts, {criterion}: {seconds:.2f} s; "
              f"{100 * d['efficiency']:.2f} % of the continuous optimum (known to "
              f"{100 * d['optimum_gap']:.3f} %)"
              + (f", {d['efficiencies']['D'] / BEST_KNOWN['D']:.5f} of the best known"
                 if criterion == "D" else ""), flush=True)


def long_search() -> None:
    """What `BEST_KNOWN` came from."""
    best = (0.0, 0)
    for seed in range(1, 9):
        plan = optimal_plan(constrained_region(), runs=24, starts=30_000, seed=seed)
        best = max(best, (plan.details["efficiencies"]["D"], seed))
        print(seed, best, flush=True)
    lattice = generate_candidate_set(5)
    print(f"pyDOE3, 5 factors, 26 runs: {max(by_peer(lattice, 26, s) for s in range(100)):.3f} "
          "from 100")


# ---- larger -------------------------------------------------------------------------------------

def larger() -> None:
    """Sizes of real studies, with the starts that are usual for them."""
    for k, model, runs in ((7, "quadratic", 48), (10, "interactions", 72), (8, "quadratic", 60),
                           (10, "quadratic", 84)):
        plan, seconds = timed(optimal_plan, cube(k), model=model, runs=runs, seed=1)
        d = plan.details
        p = len(plan.terms)
        print(f"{k} factors, {model} ({p} terms), {runs} runs: {seconds:.1f} s for "
              f"{d['starts']} starts by {d['exchanged']}, {100 * d['efficiency']:.1f} % of the "
              f"continuous optimum; peak {peak():.0f} MB", flush=True)


def search_alone(k: int, runs: int, starts: int, *, whole_runs: bool = True) -> None:
    """Starts improved on the 3^k lattice, by whole runs or by coordinates."""
    space = Space(cube(k), standard_terms(cube(k), "quadratic"))
    coarse, p = space.coarse(), len(space.columns)
    lattice = space.lattice(coarse, 10**5)
    rows, none = space.rows(lattice), np.zeros((p, p))
    batch = int(np.clip(2**17 // len(rows), 8, 256)) if whole_runs else 48
    rng = np.random.default_rng(1)
    for done in range(0, starts, batch):
        start = rng.integers(0, len(rows), (min(batch, starts - done), runs))
        if whole_runs:
            exchange_rows(rows, start, none)
        else:
            exchange_coordinates(space, lattice[start], none, lambda _, j: coarse[j])


def growth() -> None:
    """One thing varied at a time, from 4 factors, 24 runs and 300 starts; search alone."""
    def usual(k):
        return (k + 1) * (k + 2) // 2 + 6

    cases = {
        "starts": [(4, 24, s) for s in (100, 300, 1000, 3000)],
        "runs": [(4, n, 300) for n in (16, 24, 36, 54, 81)],
        "factors": [(k, usual(k), 100) for k in (2, 3, 4, 5, 6, 7, 8, 10)],
    }
    figure = make_subplots(1, 3, shared_yaxes=True, horizontal_spacing=0.04)
    search_alone(3, 12, 50)
    print("Search alone, seconds")
    for column, (name, some) in enumerate(cases.items(), start=1):
        x = [dict(zip(("factors", "runs", "starts"), c, strict=True))[name] for c in some]
        for whole_runs, series in ((True, SERIES[0]), (False, SERIES[1])):
            done = [(a, c) for a, c in zip(x, some, strict=True) if not whole_runs or c[0] <= 7]
            y = [min(timed(search_alone, *c, whole_runs=whole_runs)[1] for _ in range(3))
                 for _, c in done]
            at = [a for a, _ in done]
            power = np.polyfit(np.log(at), np.log(y), 1)[0]
            # The list of whole runs has 3^k candidates, which is no power of k.
            slope = "3<sup>factors</sup> candidates" if whole_runs and name == "factors" else (
                f"∝ {name}<sup>{power:.1f}</sup>")
            label = "whole runs exchanged" if whole_runs else "coordinates exchanged"
            print(f"  {name:8} {label:22}", "  ".join(
                f"{a}: {b:.3f}" for a, b in zip(at, y, strict=True)), flush=True)
            figure.add_scatter(x=at, y=y, row=1, col=column, name=label, showlegend=column == 1,
                               mode="lines+markers", marker={"symbol": series.symbol, "size": 8},
                               line={"color": series.colour, "dash": series.dash})
            middle = len(at) // 2
            figure.add_annotation(row=1, col=column, x=np.log10(at[middle]), y=np.log10(y[middle]),
                                  text=slope, showarrow=False, font={"color": series.colour},
                                  **(BELOW if whole_runs else ABOVE))
        figure.update_xaxes(type="log", tickvals=x, title=NAMES[name], row=1, col=column)
    figure.update_yaxes(type="log", tickvals=[0.001, 0.01, 0.1, 1, 10],
                        ticktext=["0.001", "0.01", "0.1", "1", "10"])
    figure.update_yaxes(title="processor time, s", row=1, col=1)
    dress(figure, "Time of the search grows no faster than the starts and no faster than the runs",
          "D, full quadratic in 4 factors, 24 runs, 300 starts, but for what the axis says; along "
          "the factors 100 starts, and 6 runs more than coefficients.", width=960, above=40)
    PICTURE.parent.mkdir(exist_ok=True)
    PICTURE.write_bytes(picture(figure))
    print(f"Drawn in {PICTURE}")


BELOW = {"xanchor": "left", "yanchor": "top", "xshift": 4, "yshift": -8}
ABOVE = {"xanchor": "right", "yanchor": "bottom", "xshift": -4, "yshift": 8}
NAMES = {"starts": "starts", "runs": "runs in the plan", "factors": "factors"}
PARTS = {"peer": against_peer, "constrained": constrained, "larger": larger, "growth": growth,
         "long": long_search}


def main() -> None:
    """Run the parts asked for; all but `long` if none is."""
    for name in sys.argv[1:] or [n for n in PARTS if n != "long"]:
        PARTS[name]()
    print(f"Peak memory of the whole run: {peak():.0f} MB")


if __name__ == "__main__":
    main()
