"""Optimal plans for any model over any region, each judged against the continuous optimum."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np
import pandas as pd

from doe.errors import InputError, as_choice, as_number
from doe.factors import Region
from doe.mixer import Mixer
from doe.planning.ascent import fine_levels, greatest_sensitivity
from doe.planning.candidates import Space, distinct
from doe.planning.continuous import no_better, optimum_over
from doe.planning.criteria import CRITERIA, Criterion, criterion_for, moments, prior_precision
from doe.planning.layout import Layout, in_run_order, lay_out
from doe.planning.plan import Plan
from doe.planning.rules import Allowed, both, forbid
from doe.planning.search import Found, search, usual_starts
from doe.planning.settle import pure_error_df
from doe.planning.structure import GREATEST_RUNS, as_runs, as_seed, as_starts, check_model, too_many
from doe.terms import Term, formula, read_terms, standard_terms
from doe.wording import count, digits, join, percent

__all__ = ["optimal_plan"]

_LATTICE = 20_000
_FINE = {"D": 300, "I": 1000, "A": 1000}
"""Points of the list to choose from that a finer lattice may have: the other criteria put more
runs between the ends and the middle than D does."""
_GAP = 5e-4


def optimal_plan(region: Region, *, runs: int | None = None,
                 terms: Sequence[Term] | str | None = None, model: str = "quadratic",
                 criterion: str = "D", potential: Sequence[Term] | str = (), tau: float = 1.0,
                 keep: pd.DataFrame | None = None, centre_points: int = 0, repeats: int = 0,
                 replicates: int = 1, blocks: int | Sequence[int] = 1,
                 allowed: Allowed | None = None,
                 forbidden: Sequence[Mapping[str, object]] = (), mixer: Mixer | None = None,
                 starts: int | None = None, seed: int | None = None,
                 progress: Callable[[int, int, float], None] | None = None,
                 stop: Callable[[], bool] | None = None, n_jobs: int | None = None) -> Plan:
    """The best plan found for a model, a number of runs and a region of any shape.

    Parameters
    ----------
    region : Region
    runs : int, optional
        All runs of the plan (of one replicate), with those kept, centre points and repeats.
        Four more than there are coefficients if left out.
    terms : sequence of Term or str, optional
        The model, its formula, or its usual name; the one named by `model` if left out.
    model : {"mean", "linear", "interactions", "quadratic"}
    criterion : {"D", "I", "A"}
        D: least volume of the joint confidence region of the coefficients; I: least mean
        variance of prediction over the region; A: least mean variance of the coefficients
        (coded units).
    potential : sequence of Term or str
        Further terms worth estimating if there is budget, or their formula, or the usual model
        that they make up with `terms`. They are given a prior (DuMouchel &
        Jones 1994), so that there may be fewer runs than terms.
    tau : float
        Standard deviation of that prior in units of the error's, after scaling; the larger,
        the more the potential terms count.
    keep : DataFrame, optional
        Runs already there (a column a factor, perhaps ``block``, from 1). They stay as they
        are, come first, and are counted in `runs`.
    centre_points : int
        Runs at the centre, or the nearest setting to it that may be run.
    repeats : int
        Runs that repeat others of the plan, for pure error: those whose repetition helps the
        criterion most.
    replicates : int
        How many times the whole plan is made; each replicate has blocks of its own if there
        are blocks.
    blocks : int or sequence of int
        Number of blocks as even as can be, or the size of each. Block effects add to the model.
    allowed : callable, optional
        Takes a DataFrame of settings (natural units) and returns one boolean a row.
    forbidden : sequence of mapping
        Combinations that may not be run: factor to a level, a number or a range
        ``(low, high)``.
    mixer : Mixer, optional
        Settings are snapped to, and kept within, what it can do.
    starts : int, optional
        Starts of the search; as many as take about a second if left out.
    seed : int, optional
        Of the search and of the run order; drawn afresh if left out, recorded either way.
    progress : callable, optional
        Called with starts done, starts in all and the best efficiency so far (0 to 1).
    stop : callable, optional
        Asked often; once it returns True the best plan so far is returned. An interrupt from the
        keyboard (or the notebook's stop button) during the search does the same.
    n_jobs : int, optional
        Processes that share the starts, or what ``joblib.parallel_config`` says, which may be a
        cluster. The plan is the same for any number of them.

    Returns
    -------
    Plan
        Its ``details`` hold the ``criterion``; the ``efficiency`` of all runs against the
        continuous optimum (0 to 1; that optimum is known to within ``optimum_gap``), and of the
        runs without repeats ``efficiency_before_snapping`` and ``efficiency_after_snapping``;
        ``efficiency_given_kept`` against the best choice of the runs that are not kept;
        ``efficiencies`` (D, A, G in % and I as in `doe.planning.efficiencies`, with the greatest
        variance for G sought by local ascent); ``starts`` and ``starts_done``; and the options
        that shaped the plan.

    Raises
    ------
    InputError
        If an option cannot be used, the model cannot be estimated over the region or from so
        few runs, or nothing in the region may be run.

    References
    ----------
    Meyer, R. K. & Nachtsheim, C. J. (1995). *Technometrics* 37, 60–69. Cook, R. D. &
    Nachtsheim, C. J. (1980). *Technometrics* 22, 315–324. DuMouchel, W. & Jones, B. (1994).
    *Technometrics* 36, 37–47. Kiefer, J. & Wolfowitz, J. (1960). *Canadian Journal of
    Mathematics* 12, 363–366. Atkinson, A. C., Donev, A. N. & Tobias, R. D. (2007). *Optimum
    Experimental Designs, with SAS*.

    Examples
    --------
    >>> from doe import Factor, Region
    >>> region = Region((Factor("a", 0, 1), Factor("b", 0, 1)), ("a + b <= 1.5",))
    >>> plan = optimal_plan(region, model="interactions", runs=8, seed=1)
    >>> len(plan), bool(region.contains(plan.settings).all())
    (8, True)
    """
    as_choice("criterion", criterion, CRITERIA)
    seed = as_seed(seed)
    starts = None if starts is None else as_starts(starts)
    replicates = as_runs("replicates", replicates, at_least=1)
    if replicates > 1 and keep is not None:
        raise InputError("replicates", replicates, "runs that are kept cannot be replicated",
                         "Use repeats, or ask for more runs")
    terms = read_terms(region, terms, standard_terms(region, model))
    potential = tuple(t for t in (read_terms(region, potential) if potential else ())
                      if t not in terms)
    space = Space(region, (*terms, *potential), mixer, both(allowed, forbid(region, forbidden)))
    check_model(len(space.columns))
    lattice = space.lattice(fine_levels(space, _FINE[criterion]), _LATTICE, seed)
    prior = prior_precision(space, len(Space(region, terms).columns),
                            as_number("tau", tau, above=0), space.rows(lattice))
    layout = lay_out(space, runs=runs, blocks=blocks, keep=keep, centre_points=centre_points,
                     repeats=repeats, mixer=mixer)
    if layout.total * replicates > GREATEST_RUNS:
        raise too_many("replicates", replicates)
    judge = criterion_for(criterion, space, seed)
    task = layout.task(space, judge, prior)
    optimum = optimum_over(space, judge, fixed=prior / layout.total, tolerance=_GAP, seed=seed)
    if space.bounded:
        lattice = distinct(np.vstack([lattice, optimum.support[:200]]))
    starts = usual_starts(task, len(lattice)) if starts is None else starts
    found = search(task, lattice, starts=starts, seed=seed, best_possible=optimum.merit,
                   mixer=mixer, progress=progress, stop=stop, n_jobs=n_jobs)
    table = layout.complete(space, judge, prior, found.settings)
    merit = float(judge.merit(layout.information(space, table, prior))) / layout.total
    roles = table["role"].value_counts()
    details = {
        "title": f"{criterion}-optimal plan", "criterion": criterion,
        "efficiency": merit / optimum.merit,
        "efficiency_before_snapping": found.ideal_merit / optimum.merit,
        "efficiency_after_snapping": found.merit / optimum.merit,
        "efficiency_given_kept": (merit / _rest(space, judge, layout, prior, seed)
                                  if keep is not None else None),
        "optimum_gap": optimum.gap, "optimum_points": len(optimum.table),
        "efficiencies": _classical(region, terms, space, layout, table, replicates, seed),
        "starts": starts, "starts_done": found.starts, "exchanged": found.by,
        "model": formula(terms), "potential": [str(t) for t in potential],
        "tau": float(tau) if potential else None, "replicates": replicates,
        "block_sizes": layout.sizes.tolist(),
        **{name: int(roles.get(role, 0)) for name, role in
           (("kept", "kept"), ("centre_points", "centre"), ("repeats", "repeat"))},
    }
    kept = table[table["role"] == "kept"]
    outside = bool((~region.contains(kept)).any()) if len(kept) else False
    remarks = [*_on_efficiency(details, found, outside), *layout.remarks,
               *_on_prior(region, potential, tau),
               *_on_error(region, table, details, len(space.columns)),
               *_on_kept(region, table, details)]
    return in_run_order(region, table, terms=terms, replicates=replicates, seed=seed,
                        details=details, remarks=remarks)


def _rest(space: Space, judge: Criterion, layout: Layout, prior: np.ndarray, seed: int) -> float:
    """Merit per run that no choice of the other runs can pass while the kept ones stay."""
    kept = layout.given[layout.given["role"] == "kept"]
    rows, total = space.rows(space.points(kept)), layout.total
    optimum = optimum_over(space, judge, fixed=(prior + rows.T @ rows) / total,
                           share=1 - len(kept) / total, tolerance=_GAP, seed=seed)
    return optimum.merit / (1 - optimum.gap)


def _classical(region: Region, terms: tuple[Term, ...], space: Space, layout: Layout,
               table: pd.DataFrame, replicates: int, seed: int) -> dict[str, float]:
    """D, A, G in % and I in sd², as `doe.planning.efficiencies`; G by local ascent."""
    plain = Space(region, terms, space.mixer, space.allowed)
    p, runs = len(plain.columns), layout.total
    M = layout.information(plain, table, np.zeros((p, p)))
    inverse = np.linalg.inv(M)
    return {"D": float(100 * np.exp(np.linalg.slogdet(M)[1] / p) / runs),
            "A": float(100 * p / (runs * np.trace(inverse))),
            "G": float(100 * p / (runs * greatest_sensitivity(plain, inverse, seed))),
            "I": float(np.sum(moments(plain, seed) * inverse)) / replicates}


# ---- what the plan says of itself ----------------------------------------------------------

def _on_efficiency(details: dict, found: Found, outside: bool) -> list[str]:
    criterion, gap = details["criterion"], details["optimum_gap"]
    out = [f"Per run it has {percent(details['efficiency'], 3)} of the {criterion}-efficiency of "
           f"the continuous optimum ({no_better(gap)} than that{' inside the region' * outside}); "
           f"best of {count(found.starts, 'start')}."]
    if found.stopped:
        out.append(f"The search was stopped after {found.starts} of {details['starts']} starts: a "
                   "better plan may be left.")
    lost = 1 - found.merit / found.ideal_merit
    if found.moved > 1e-6:
        out.append(
            f"Setting the runs to values that can be made moved them by at most "
            f"{digits(found.moved, 2)} in coded units and "
            + (f"cost {percent(lost)} of the efficiency" if lost > 5e-5 else
               f"added {percent(-lost)} to the efficiency" if lost < -5e-5 else
               "cost no efficiency to speak of")
            + (f"; {count(found.repaired, 'run')} had to be brought back inside what may be run."
               if found.repaired else "."))
    return out


def _on_prior(region: Region, potential: Sequence[Term], tau: float) -> list[str]:
    if not potential:
        return []
    names = join(t.label(region) for t in potential)
    one = len(potential) == 1
    return [f"{names} {'is' if one else 'are'} provided for by a prior (standard deviation "
            f"{digits(tau, 2)} of the error's, scaled) that counts in the efficiency above: "
            f"whether {'it' if one else 'they'} can be estimated from the runs alone is for the "
            "appraisal to say."]


def _on_error(region: Region, table: pd.DataFrame, details: dict, p: int) -> list[str]:
    df = len(table) * details["replicates"] - p - len(details["block_sizes"]) + 1
    pure = (pure_error_df(region, table, table["block"])
            + len(table) * (details["replicates"] - 1))
    if details["potential"]:
        return []
    if df == 0:
        return ["There are as many runs as coefficients: nothing is left to estimate the error "
                "from. Ask for more runs if it is not known."]
    if pure == 0:
        return [f"{count(df, 'degree')} of freedom are left for error, none of them from repeated "
                "settings: lack of fit cannot be told from error. Ask for repeats or centre "
                "points if it matters."]
    return []


def _on_kept(region: Region, table: pd.DataFrame, details: dict) -> list[str]:
    kept = table[table["role"] == "kept"]
    if kept.empty:
        return []
    out = [f"The first {count(len(kept), 'run')} are kept as they were; only the others are in "
           "random order. A shift between the two would pass for an effect unless they are "
           "blocks of their own.",
           "With them given, the plan has at least "
           f"{percent(details['efficiency_given_kept'], 3)} of the efficiency that any choice of "
           "the others could reach."]
    outside = int((~region.contains(kept)).sum())
    if outside:
        out.append(f"{count(outside, 'kept run lies', 'kept runs lie')} outside the region; what "
                   f"{'it tells' if outside == 1 else 'they tell'} counts all the same, also in "
                   "the efficiency above.")
    return out
