"""Optimal plans whose runs share errors: split plots, and blocks that differ at random.

A factor that is hard to change (a vacuum to be pumped, a lot of resin to be opened) is set
once for a group of runs, a *whole plot*; what goes differently at that setting is shared by the
group. `split_plot` makes the best plan for that structure, instead of grouping the runs of a
plan that was made for another. `random_blocks` does so for days, lots or operators of which
the ones in the study stand for many.

References
----------
Goos, P. & Jones, B. (2011). *Optimal Design of Experiments: A Case Study Approach*. Wiley,
chapters 7, 8 and 10.
Goos, P. & Vandebroek, M. (2003). D-optimal split-plot designs with given numbers and sizes of
whole plots. *Technometrics* 45, 235–245.
Goos, P. & Vandebroek, M. (2004). Outperforming completely randomized designs. *Journal of
Quality Technology* 36, 12–26.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np
import pandas as pd

from doe.errors import InputError, as_choice, as_number
from doe.factors import Region
from doe.mixer import Mixer
from doe.planning.aliases import column_labels
from doe.planning.ascent import fine_levels
from doe.planning.candidates import Space
from doe.planning.continuous import refuse_if_singular
from doe.planning.criteria import CRITERIA, criterion_for, without_blocks
from doe.planning.layout import kinds_of_points
from doe.planning.plan import Plan
from doe.planning.rules import Allowed, both, forbid
from doe.planning.search import Task, search, usual_starts
from doe.planning.settle import block_columns
from doe.planning.split_exchange import GroupedTask, search_grouped, settle_grouped
from doe.planning.strata import GREATEST_RATIO, error_strata, precision
from doe.planning.structure import as_runs, as_seed, as_starts, check_model, run_order, spread
from doe.terms import Term, exponents, formula, model_matrix, read_terms, standard_terms
from doe.wording import capitalise, count, digits, join, percent

__all__ = ["random_blocks", "split_plot", "usual_sizes"]

Progress = Callable[[int, int, float], None]
_WORK = 1e9
_MANY = 200
_COMPARED = 2000
_LISTED = 60_000


def split_plot(region: Region, *, whole_plots: int | Sequence[int] | None = None,
               runs: int | None = None, ratio: float = 1.0, criterion: str = "D",
               terms: Sequence[Term] | str | None = None, model: str = "quadratic",
               blocks: int = 1, block_ratio: float | None = None,
               allowed: Allowed | None = None, forbidden: Sequence[Mapping[str, object]] = (),
               mixer: Mixer | None = None, starts: int | None = None, seed: int | None = None,
               progress: Progress | None = None, stop: Callable[[], bool] | None = None,
               n_jobs: int | None = None) -> Plan:
    """The best plan found in which the factors marked hard to change are set once a group.

    Parameters
    ----------
    region : Region
        At least one of its factors is marked ``hard_to_change``.
    whole_plots : int or sequence of int, optional
        How many groups of runs, as even as can be, or the size of each. If left out, three more
        than the coefficients that can only be compared between groups.
    runs : int, optional
        All runs. Four more than there are coefficients if left out, but at least two a group.
    ratio : float
        Variance between groups over the variance between the runs of a group, as far as it can
        be guessed beforehand; plans depend on it little (Goos & Vandebroek 2003).
    criterion : {"D", "I", "A"}
        As in `optimal_plan`, for the information matrix ``X' V⁻¹ X``.
    terms, model
        The model, its formula, or its usual name; as in `optimal_plan`.
    blocks : int
        Number of blocks; each has whole groups.
    block_ratio : float, optional
        If given, blocks differ at random, with that variance over that of a run.
    allowed, forbidden, mixer, seed, progress, stop, n_jobs
        As in `optimal_plan`; `progress` is given the merit of the best so far.
    starts : int, optional
        Starts of the search; as many as take a few seconds at most if left out.

    Returns
    -------
    Plan
        With the column ``whole_plot``. Its ``details`` hold ``variance_ratios``, which `appraise`
        reads; ``strata``, a list with, for each coefficient, its ``stratum`` ("run",
        "whole_plot" or "block"), its ``standard_error`` for a run's standard deviation of 1,
        its ``efficiency`` (0 to 1: the variance that runs at the ends of the range would give
        in that stratum, over the variance it has) and its standard error in a completely
        randomised plan; and ``efficiency_of_randomised``: what the best such plan of as many
        runs would have of this plan's efficiency if the hard factors were set anew for every
        run (Goos & Vandebroek 2004).

    Raises
    ------
    InputError
        If no factor is hard to change, an option cannot be used, the groups are too few for the
        model, or its terms cannot be told apart over the region.

    Examples
    --------
    >>> from doe import Factor, Region
    >>> region = Region((Factor("pressure", 2, 50, unit="kPa", hard_to_change=True),
    ...                  Factor("time", 60, 300, unit="s")))
    >>> plan = split_plot(region, whole_plots=4, runs=8, model="interactions", seed=1)
    >>> plan.runs.groupby("whole_plot")["pressure"].nunique().tolist()
    [1, 1, 1, 1]
    """
    hard = tuple(j for j, f in enumerate(region.factors) if f.hard_to_change)
    if not hard:
        raise InputError("region, factors", region.names, "none of them is marked hard to change",
                         "Mark one with hard_to_change=True, or use optimal_plan")
    terms = read_terms(region, terms, standard_terms(region, model))
    _, between = _sizes(region, terms, hard)
    if whole_plots is None:
        whole_plots, _ = usual_sizes(region, terms)
    listed = np.ndim(whole_plots) > 0
    number = len(whole_plots) if listed else as_runs("whole_plots", whole_plots, at_least=2)
    if runs is None:
        runs = sum(whole_plots) if listed else usual_sizes(region, terms, number)[1]
    sizes = _group_sizes("whole_plots", whole_plots, runs)
    blocks = as_runs("blocks", blocks, at_least=1)
    if number < between + blocks - 1:
        names = join(region.factors[j].label for j in hard)
        raise InputError("whole_plots", number, f"{count(between, 'coefficient')} of {names}"
                         + (" and the blocks" if blocks > 1 else "") + " must be compared between "
                         "the groups", f"Ask for at least {between + blocks - 1} groups, better "
                         "some more, or leave terms out")
    plot = np.repeat(np.arange(number), sizes)
    block = np.repeat(np.arange(blocks), spread(number, blocks))[plot]
    if block_ratio is not None and blocks < 2:
        raise InputError("block_ratio", block_ratio, "there is only one block",
                         "Give blocks=2 or more")
    ratios = {"whole_plot": as_number("ratio", ratio, at_least=0, at_most=GREATEST_RATIO)}
    if block_ratio is not None:
        ratios = {"block": as_number("block_ratio", block_ratio, at_least=0,
                                      at_most=GREATEST_RATIO), **ratios}
    return _grouped_plan(region, terms, plot, block, hard, ratios, criterion=criterion,
                         rule=both(allowed, forbid(region, forbidden)), mixer=mixer,
                         starts=starts, seed=seed, progress=progress, stop=stop, n_jobs=n_jobs)


def random_blocks(region: Region, *, blocks: int | Sequence[int] = 2, runs: int | None = None,
                  ratio: float = 1.0, criterion: str = "D",
                  terms: Sequence[Term] | str | None = None, model: str = "quadratic",
                  allowed: Allowed | None = None,
                  forbidden: Sequence[Mapping[str, object]] = (), mixer: Mixer | None = None,
                  starts: int | None = None, seed: int | None = None,
                  progress: Progress | None = None, stop: Callable[[], bool] | None = None,
                  n_jobs: int | None = None) -> Plan:
    """The best plan found in blocks that differ at random: days, lots of resin, operators.

    Unlike with the fixed blocks of `optimal_plan`, what differs between blocks still tells
    something about the factors, the more the less the blocks differ (Goos & Jones 2011,
    chapter 7).

    Parameters
    ----------
    region : Region
    blocks : int or sequence of int
        How many blocks as even as can be, or the size of each.
    runs : int, optional
        All runs; four more than there are coefficients if left out.
    ratio : float
        Variance between blocks over the variance between the runs of a block.
    criterion, terms, model, allowed, forbidden, mixer, starts, seed, progress, stop,
    n_jobs
        As in `split_plot`.

    Returns
    -------
    Plan
        ``details`` as for `split_plot`; ``efficiency_of_randomised`` is that of as many runs in
        a single block.
    """
    terms = read_terms(region, terms, standard_terms(region, model))
    p, _ = _sizes(region, terms, ())
    listed = np.ndim(blocks) > 0
    if runs is None:
        runs = sum(blocks) if listed else p + 4
    sizes = _group_sizes("blocks", blocks, runs)
    block = np.repeat(np.arange(len(sizes)), sizes)
    ratios = {"block": as_number("ratio", ratio, at_least=0, at_most=GREATEST_RATIO)}
    return _grouped_plan(region, terms, block, block, (), ratios, criterion=criterion,
                         rule=both(allowed, forbid(region, forbidden)), mixer=mixer,
                         starts=starts, seed=seed, progress=progress, stop=stop, n_jobs=n_jobs)


def usual_sizes(region: Region, terms: Sequence[Term],
                whole_plots: int | None = None) -> tuple[int, int]:
    """Whole plots and runs of a split plot that are taken if none are asked for."""
    p, between = _sizes(region, terms,
                        [j for j, f in enumerate(region.factors) if f.hard_to_change])
    plots = between + 3 if whole_plots is None else whole_plots
    return plots, max(p + 4, 2 * plots)


def _sizes(region: Region, terms: Sequence[Term], hard: Sequence[int]) -> tuple[int, int]:
    """Coefficients in all, and those of hard factors alone (the mean among them)."""
    names = {region.factors[j].name for j in hard}
    own = [t for t in terms if set(t.names) <= names]
    return len(exponents(region, terms)[1]), len(exponents(region, own)[1])


def _group_sizes(field: str, groups: int | Sequence[int], runs: int) -> list[int]:
    runs = as_runs("runs", runs, at_least=2)
    sizes = ([as_runs(field, g, at_least=1) for g in groups] if np.ndim(groups) > 0
             else spread(runs, as_runs(field, groups, at_least=2)))
    if sum(sizes) != runs or min(sizes) < 1 or len(sizes) < 2:
        raise InputError(field, groups, f"groups of {sizes} runs do not make up {runs} runs in "
                         "two groups or more", f"Change {field} or runs")
    return sizes


def _grouped_plan(region: Region, terms: tuple[Term, ...], plot: np.ndarray, block: np.ndarray,
                  hard: tuple[int, ...], ratios: dict[str, float], *, criterion: str,
                  rule: Allowed | None, mixer: Mixer | None, starts: int | None,
                  seed: int | None, progress: Progress | None,
                  stop: Callable[[], bool] | None, n_jobs: int | None) -> Plan:
    as_choice("criterion", criterion, CRITERIA)
    seed = as_seed(seed)
    space = Space(region, terms, mixer, rule)
    check_model(len(space.columns))
    n, p = len(plot), len(space.columns)
    refuse_if_singular(space, space.rows(space.lattice(fine_levels(space), _LISTED)))
    random = "block" in ratios
    tails = np.empty((n, 0)) if random else block_columns(block)
    if n < p + tails.shape[1]:
        raise InputError("runs", n, f"the model has {p + tails.shape[1]} coefficients to estimate"
                         + (", blocks included" if tails.shape[1] else ""),
                         "Ask for more runs, or leave terms out")
    judge = criterion_for(criterion, space, seed)
    groups = {"block": block, "whole_plot": plot}
    task = GroupedTask(space, judge, plot, hard,
                       precision([groups[c] for c in ratios], list(ratios.values())), tails,
                       np.zeros((p + tails.shape[1],) * 2), n)
    if starts is None:
        work = n * len(region) * (6.0 * p * p + 4000) * 14
        starts = int(np.clip(round(_WORK / work, -1), 20, _MANY))
    starts = as_starts(starts)
    ideal, merit_before, done = search_grouped(task, starts=starts, seed=seed, progress=progress,
                                               stop=stop, n_jobs=n_jobs)
    points = settle_grouped(task, ideal, seed)
    merit = float(task.merit(points))
    plan = _ordered(region, space, points, plot, block, terms, hard, seed)
    other = _randomised(space, judge, block if not random else np.zeros(n, int), seed)
    # A run that is set up anew carries the error of a group of its own.
    scale = 1 + ratios.get("whole_plot", 0.0)
    rows = _strata(plan, space, task, points, other, ratios, scale)
    details = {
        "title": f"{criterion}-optimal "
                 + ("split-plot plan" if hard else "plan in random blocks"),
        "criterion": criterion, "variance_ratios": ratios, "model": formula(terms),
        "whole_plots": int(plot.max()) + 1 if hard else None,
        "group_sizes": np.bincount(plot).tolist(), "merit": merit,
        "efficiency_before_snapping": merit_before / merit, "strata": rows,
        "efficiency_of_randomised": other[1] / scale / merit,
        "starts": starts, "starts_done": done,
    }
    return Plan(region, plan.runs, terms, plan.family, seed, details,
                _remarks(plan, details, hard, points, ideal, plot))


def _ordered(region: Region, space: Space, points: np.ndarray, plot: np.ndarray,
             block: np.ndarray, terms: tuple[Term, ...], hard: tuple[int, ...],
             seed: int) -> Plan:
    """The plan in restricted random order, in standard order by block, group and setting."""
    settings = space.settings(points)
    for f in region.numeric:  # free of what decoding leaves in the last digits
        settings[f.name] = f.snap(settings[f.name]) if f.increment or f.levels \
            else np.round(settings[f.name], 12)
    table = settings.assign(block=block + 1, _plot=plot)
    table["point"] = kinds_of_points(region, table.assign(role="found"))
    table = table.sort_values(["block", "_plot", *region.names], kind="stable",
                              ignore_index=True)
    order, plots = run_order(table["block"], seed, table["_plot"])
    runs = table.assign(standard=np.arange(1, len(table) + 1)).iloc[order]
    runs = runs.assign(run=np.arange(1, len(runs) + 1), **({"whole_plot": plots} if hard else {}))
    return Plan(region, runs, terms, "split-plot" if hard else "random blocks", seed)


def _randomised(space: Space, judge, block: np.ndarray, seed: int):
    """Points and merit of the best completely randomised plan found, blocks fixed."""
    tails = block_columns(np.arange(int(block.max()) + 1))
    size = len(space.columns) + tails.shape[1]
    task = Task(space, judge, block, tails, np.zeros((size, size)), len(block))
    lattice = space.lattice(space.coarse(), _COMPARED, seed)
    starts = int(np.clip(usual_starts(task, len(lattice)) // 4, 10, 60))
    found = search(task, lattice, starts=starts, seed=seed, best_possible=1.0, mixer=space.mixer)
    return found.points, found.merit, task


def _strata(plan: Plan, space: Space, task: GroupedTask, points: np.ndarray, other,
            ratios: dict[str, float], scale: float) -> list[dict]:
    p = len(space.columns)
    variance = np.diag(np.linalg.inv(without_blocks(task.full(points), p)))
    loose = np.diag(np.linalg.inv(without_blocks(other[2].full(other[0]), p))) * scale
    X = model_matrix(plan.region, plan.settings, plan.terms).to_numpy()
    strata, df = error_strata(plan, X, ratios, len(plan) - p - task.tails.shape[1])
    # Information that one column of ±1 would have in each stratum: 1'V⁻¹1 between groups, n
    # between runs.
    groups = {"block": ratios.get("block", 0.0), "whole_plot": ratios.get("whole_plot", 0.0)}
    best = {"run": float(len(plan))}
    for name in dict.fromkeys(strata):
        if name != "run":
            best[name] = float(precision(
                [plan.runs[c] for c in groups if c in plan.runs],
                [groups[c] if c in ratios and not (name == "whole_plot" and c == "block") else 0.0
                 for c in groups if c in plan.runs]).sum())
    labels = column_labels(plan.region, plan.terms)
    return [{"term": column, "label": labels[column], "stratum": strata[j], "df": int(df[j]),
             "standard_error": float(np.sqrt(variance[j])),
             "efficiency": float(1 / (best[strata[j]] * variance[j])),
             "standard_error_randomised": float(np.sqrt(loose[j]))}
            for j, column in enumerate(space.columns)]


def _remarks(plan: Plan, details: dict, hard: tuple[int, ...], points: np.ndarray,
             ideal: np.ndarray, plot: np.ndarray) -> list[str]:
    rows, share = details["strata"], details["efficiency_of_randomised"]
    ratios = details["variance_ratios"]
    said = []
    if hard:
        labels = join(plan.region.factors[j].label for j in hard)
        groups = details["whole_plots"]
        said.append(f"{capitalise(labels)} {'is' if len(hard) == 1 else 'are'} set {groups} times "
                    f"instead of {len(plan)}. Set {'it' if len(hard) == 1 else 'them'} anew at "
                    "the start of every group, also where the setting stays: the groups' own "
                    "error is judged by that.")
        own = [r for r in rows if r["stratum"] == "whole_plot" and r["term"] != "1"]
        if own:
            df = own[0]["df"]
            said.append(f"{capitalise(join(r['label'] for r in own))} "
                        f"{'is' if len(own) == 1 else 'are'} compared between groups, with "
                        f"{count(df, 'degree', 'degrees')} of freedom for error"
                        + ("; ask for more groups, or nothing tests "
                           f"{'it' if len(own) == 1 else 'them'}." if not df else "."))
        said.append(f"At a variance between groups {digits(ratios['whole_plot'], 2)} times that "
                    f"of a run, the best completely randomised plan found, with {len(plan)} "
                    f"set-ups of its own, would have {percent(share, 3)} of this plan's "
                    f"{details['criterion']}-efficiency.")
    else:
        said.append(f"Blocks are taken as a sample of many, with a variance "
                    f"{digits(ratios['block'], 2)} times that of a run. As many runs in a "
                    f"single block, of which there is nothing to average over, would have "
                    f"{percent(share, 3)} of this plan's {details['criterion']}-efficiency.")
    if details["starts_done"] < details["starts"]:
        said.append(f"The search was stopped after {details['starts_done']} of "
                    f"{details['starts']} starts: a better plan may be left.")
    moved = max((np.abs(points[:, j] - ideal[:, j]).max()
                 for j, f in enumerate(plan.region.factors) if f.is_numeric), default=0.0)
    lost = 1 - 1 / details["efficiency_before_snapping"]
    if moved > 1e-6:
        said.append(f"Setting the runs to values that can be made moved them by at most "
                    f"{digits(moved, 2)} in coded units and "
                    + (f"cost {percent(lost)} of the efficiency." if lost > 5e-5
                       else "cost no efficiency to speak of."))
    uneven = [plan.region.factors[j].label for j in hard
              if pd.Series(points[:, j]).groupby(plot).agg(np.ptp).max() > 1e-9]
    if uneven:
        said.append(f"{join(uneven)} differs a little within groups, since it can only be set in "
                    "steps that depend on factors that change there.")
    return said
