"""Runs added to a plan: from a screening to a response surface, and on to wider ranges.

Runs that are there stay as they are and keep their numbers; what they have told, at the settings
they achieved, is given when the new ones are chosen.

References
----------
Box, G. E. P. & Wilson, K. B. (1951). On the experimental attainment of optimum conditions.
*Journal of the Royal Statistical Society B* 13, 1–45.
Box, G. E. P. & Hunter, J. S. (1957). Multi-factor experimental designs for exploring response
surfaces. *Annals of Mathematical Statistics* 28, 195–241.
Atkinson, A. C., Donev, A. N. & Tobias, R. D. (2007). *Optimum Experimental Designs, with SAS*.
Oxford University Press, chapter 19 (design augmentation).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from doe.errors import InputError, as_number
from doe.factors import Region
from doe.mixer import Mixer
from doe.planning.candidates import Space
from doe.planning.criteria import criterion_for
from doe.planning.optimal import optimal_plan
from doe.planning.plan import Plan
from doe.planning.rules import Allowed, both, forbid
from doe.planning.settle import block_columns, rank, settle
from doe.planning.split_exchange import GroupedTask, search_grouped, settle_grouped
from doe.planning.standing import (
    Standing,
    checked_count,
    followed_by,
    on_blocks,
    standing,
    widened,
)
from doe.planning.strata import precision, variance_ratios
from doe.planning.structure import as_count, as_runs, as_seed, check_model, has_middle, spread
from doe.planning.surface import axial_distance
from doe.terms import Term, formula, model_matrix, read_terms, standard_terms
from doe.wording import count, digits, join, percent

__all__ = ["add_axial", "augment"]

_SPARE = 3


def augment(plan: Plan, *, runs: int | None = None, terms: Sequence[Term] | str | None = None,
            model: str = "quadratic", criterion: str = "D",
            records: pd.DataFrame | None = None, lost: Sequence[int] | None = (),
            ranges: Mapping[str, tuple[float, float]] | None = None, new_block: bool = True,
            centre_points: int = 0, whole_plots: int | None = None,
            allowed: Allowed | None = None, forbidden: Sequence[Mapping[str, object]] = (),
            mixer: Mixer | None = None, starts: int | None = None,
            seed: int | None = None) -> Plan:
    """The plan with the runs that, given those it has, serve a larger model best.

    Parameters
    ----------
    plan : Plan
        Its runs come first, as they are.
    runs : int, optional
        Runs to add. If left out, as many as leave three degrees of freedom for error, and at
        least enough to estimate the model.
    terms, model
        The model to be estimated with all runs; as in `optimal_plan`.
    criterion : {"D", "I", "A"}
    records : DataFrame, optional
        `Study.table`: the settings achieved then count instead of the planned ones.
    lost : sequence of int or None
        Runs that give no observation; None for all without a record.
    ranges : mapping, optional
        Factor to ``(low, high)``: the region is extended to these ranges. Limits of the mixer
        and the vessel are for the brief to check.
    new_block : bool
        The new runs are a block of their own, whose effect adds to the model.
    centre_points : int
        How many of the new runs are at the centre.
    whole_plots : int, optional
        Groups that the new runs make, if the plan has groups; about as large as those it has
        if left out.
    allowed, forbidden, mixer, starts, seed
        As in `optimal_plan`.

    Returns
    -------
    Plan
        New runs have the point "added" (or "centre"). ``details`` hold ``added``,
        ``runs_before``, ``lost``, ``efficiency_given_kept`` (of the added runs, against the best
        that any choice could reach; not for plans with groups) and ``rank_before``.

    Raises
    ------
    InputError
        If an option cannot be used, or the runs asked for cannot carry the model.
    """
    region, seed = widened(plan.region, ranges), as_seed(seed)
    now = standing(plan, records, lost)
    terms = read_terms(region, terms, standard_terms(region, model))
    X = model_matrix(region, now.settings, terms).to_numpy()
    had, p = rank(np.hstack([X, block_columns(now.block)])), X.shape[1]
    blocks = len(np.unique(now.block)) - 1 + bool(new_block)
    short = p + blocks - had
    runs = checked_count("runs", runs)
    if runs is None:
        runs = max(short, p + blocks + _SPARE - len(now.run), 1) + as_count("centre_points",
                                                                            centre_points)
    if runs < short:
        raise InputError("runs", runs, f"{count(short, 'coefficient')} cannot be estimated from "
                         "the runs there are, blocks included", f"Ask for at least {short} runs, "
                         "or leave terms out")
    rule = both(allowed, forbid(region, forbidden))
    if "whole_plot" in plan.runs:
        if centre_points:
            raise InputError("centre_points", centre_points, "the plan has groups of runs, and a "
                             "centre point would need one of its own", "Leave them out")
        new, details, said = _grouped(plan, region, now, terms, runs, criterion, new_block,
                                      whole_plots, rule, mixer, starts, seed)
    else:
        if whole_plots is not None:
            raise InputError("whole_plots", whole_plots, "the plan has no groups of runs",
                             "Leave it out, or group the plan first")
        new, details, said = _single(plan, region, now, terms, runs, criterion, new_block,
                                     centre_points, rule, mixer, starts, seed)
    shown = [on_blocks(len(new), new_block), *now.sentences(),
             f"Of {count(p, 'coefficient')} of the model, "
             f"{rank(X)} could be told apart before, all can now.", *said,
             *_outside(region, now)]
    return joined(plan, region, new, terms, seed, "augmented", shown, {
        "criterion": criterion, "lost": list(now.lost), "rank_before": rank(X), **details})


def _single(plan: Plan, region: Region, now: Standing, terms: tuple[Term, ...], runs: int,
            criterion: str, new_block: bool, centre_points: int, rule: Allowed | None,
            mixer: Mixer | None, starts: int | None, seed: int):
    """New runs, each by itself, by the exchange of `optimal_plan`."""
    labels = np.unique(now.block)
    block = np.searchsorted(labels, now.block) + 1
    sizes = np.bincount(block)[1:].tolist()
    if new_block:
        sizes.append(runs)
    else:
        sizes[-1] += runs
    best = optimal_plan(region, runs=len(block) + runs, terms=terms, criterion=criterion,
                        keep=now.settings.assign(block=block), blocks=sizes,
                        centre_points=centre_points, allowed=rule, mixer=mixer, starts=starts,
                        seed=seed)
    new = best.runs.iloc[len(block):]
    told = best.details["efficiency_given_kept"]
    label = int(plan.runs["block"].max()) + 1 if new_block else int(labels[-1])
    said = [f"With the others given, the choice has at least {percent(told, 3)} of the "
            f"{criterion}-efficiency that any choice of {count(runs, 'run')} could reach."]
    return (new[[*region.names, "point"]].assign(block=label), {
        "efficiency_given_kept": told, "starts_done": best.details["starts_done"]}, said)


def _grouped(plan: Plan, region: Region, now: Standing, terms: tuple[Term, ...], runs: int,
             criterion: str, new_block: bool, whole_plots: int | None, rule: Allowed | None,
             mixer: Mixer | None, starts: int | None, seed: int):
    """New groups of runs, by the exchange of `split_plot`."""
    ratios, said = variance_ratios(plan), []
    if not ratios:
        ratios = {"whole_plot": 1.0}
        said.append("The variance between groups was taken as that of a run; the plan states "
                    "none.")
    if "block" in ratios and not new_block:
        raise InputError("new_block", new_block, "the blocks of the plan differ at random",
                         "Add the runs as a block of their own")
    before = plan.runs.set_index("run").loc[now.run]
    size = len(plan) / plan.runs["whole_plot"].nunique()
    groups = (max(1, round(runs / size)) if whole_plots is None
              else as_runs("whole_plots", whole_plots, at_least=1))
    if groups > runs:
        raise InputError("whole_plots", groups, f"there are only {count(runs, 'run')} to add",
                         "Ask for more runs, or fewer groups")
    plot = np.repeat(np.arange(groups), spread(runs, groups))
    label = int(plan.runs["block"].max()) + bool(new_block)
    space = Space(region, terms, mixer, rule)
    check_model(len(space.columns))
    block = np.append(now.block, np.full(runs, label))
    tails = (np.empty((len(block), 0)) if "block" in ratios
             else block_columns(block))
    n = len(now.run)
    old = np.hstack([space.rows(space.points(now.settings)), tails[:n]])
    weights = precision([before[c] for c in ratios], list(ratios.values()))
    own = {"whole_plot": plot, "block": np.zeros(runs, int)}
    hard = tuple(j for j, f in enumerate(region.factors) if f.hard_to_change)
    task = GroupedTask(space, criterion_for(criterion, space, seed), plot, hard,
                       precision([own[c] for c in ratios], list(ratios.values())), tails[n:],
                       old.T @ weights @ old, len(block))
    ideal, _, done = search_grouped(task, starts=starts or 60, seed=seed)
    points = settle_grouped(task, ideal, seed)
    new = space.settings(points).assign(point="added", block=label, whole_plot=plot)
    return new, {"variance_ratios": ratios, "starts_done": done}, [
        *said, f"The new runs make {count(groups, 'group')} of their own."]


def add_axial(plan: Plan, *, axial: str | float = "face-centred",
              centre_points: int | None = None, records: pd.DataFrame | None = None,
              lost: Sequence[int] | None = (),
              ranges: Mapping[str, tuple[float, float]] | None = None, new_block: bool = True,
              mixer: Mixer | None = None, seed: int | None = None) -> Plan:
    """A two-level plan made a central composite: axial runs and centre points after its own.

    Parameters
    ----------
    plan : Plan
        With points of kind "factorial" that span its cube.
    axial : str or float
        A kind of `doe.planning.surface.axial_distance`, or the distance itself with the cube at
        ±1. Axial points beyond the region need `ranges`.
    centre_points : int, optional
        Added with the axial points; as many as the plan has, and at least 2, if left out.
    records, lost, ranges, new_block, mixer, seed
        As in `augment`.

    Raises
    ------
    InputError
        If a factor has no middle, the plan has no cube, or axial points fall outside the region.

    See Also
    --------
    augment : where the cube does not carry all two-factor interactions, or a limit cuts the
        axial points off, chosen runs tell more.
    """
    region, seed = widened(plan.region, ranges), as_seed(seed)
    for f in region.factors:
        if not (f.is_numeric and has_middle(f)):
            raise InputError(f"factor '{f.name}'", f.levels or f.kind, "it has no axial points",
                             "Use augment, which chooses runs for any factors")
    if "whole_plot" in plan.runs:
        raise InputError("plan", "groups of runs", "axial runs would each be a group of their own",
                         "Use augment, which chooses groups")
    cube = plan.runs.loc[plan.runs["point"] == "factorial", plan.region.names]
    if cube.empty or (cube.min() == cube.max()).any():
        raise InputError("plan", plan.family, "it has no two-level cube to complete",
                         "Use augment, which adds runs to any plan")
    if centre_points is None:
        centre_points = max(2, int((plan.runs["point"] == "centre").sum()))
    centre_points = as_runs("centre_points", centre_points)
    now = standing(plan, records, lost)
    k = len(region)
    alpha = (as_number("axial", axial, above=0) if not isinstance(axial, str) else axial_distance(
        axial, factors=k, cube=len(cube), axial_centre=centre_points,
        cube_centre=int((plan.runs["point"] == "centre").sum())))
    middle, half = (cube.max() + cube.min()) / 2, (cube.max() - cube.min()) / 2
    coded = np.vstack([*(s * alpha * np.eye(k)[j] for j in range(k) for s in (-1, 1)),
                       np.zeros((centre_points, k))])
    ideal = pd.DataFrame(middle.to_numpy() + coded * half.to_numpy(), columns=region.names)
    for f in region.factors:
        far = float(np.abs(f.code(ideal[f.name])).max())
        if far > 1 + 1e-9:
            raise InputError("axial", axial, f"the axial points of {f.label} at "
                             f"{digits(ideal[f.name].min())} and {digits(ideal[f.name].max())} "
                             f"{f.unit}".rstrip() + " lie outside its range",
                             f"Give ranges={{'{f.name}': (low, high)}} if they are safe to run, "
                             "or axial='face-centred'")
    settled = settle(region, ideal, mixer)
    label = int(plan.runs["block"].max()) + bool(new_block)
    new = settled.settings.assign(block=label,
                                  point=["axial"] * 2 * k + ["centre"] * centre_points)
    terms = standard_terms(region, "quadratic")
    said = [on_blocks(len(new), new_block), *now.sentences()]
    moved = float(np.abs(settled.moves).max())
    if moved > 1e-6:
        said.append(f"Axial and centre points were moved by up to {digits(moved, 2)} in coded "
                    "units to settings that can be made"
                    + (f" inside {join(settled.limits)}." if settled.limits else "."))
    said += _on_rank(region, now, new, terms)
    return joined(plan, region, new, terms, seed, "central composite", said, {
        "axial": axial if isinstance(axial, str) else "given", "axial_distance": float(alpha),
        "lost": list(now.lost), "centre_points": centre_points})


def _on_rank(region: Region, now: Standing, new: pd.DataFrame,
             terms: tuple[Term, ...]) -> list[str]:
    every = pd.concat([now.settings, new[region.names]], ignore_index=True)
    block = np.append(now.block, new["block"])
    X = np.hstack([model_matrix(region, every, terms).to_numpy(), block_columns(block)])
    short = X.shape[1] - rank(X)
    if short:
        return [f"The runs still cannot separate {count(short, 'coefficient')} of the quadratic "
                "model (blocks included), most likely two-factor interactions that the cube "
                "aliases. The appraisal says which; augment(plan) adds the runs that undo it."]
    squares = region.encode(every)**2
    gap = float(np.ptp([squares[block == b].mean(axis=0) for b in np.unique(block)],
                       axis=0).max())
    if len(np.unique(block)) < 2:
        return []
    return ["Blocks are orthogonal to the model: they cost it nothing." if gap < 1e-9 else
            "Blocks are not quite orthogonal to the squares (block means of a square differ by "
            f"up to {digits(gap, 2)} in coded units)."]


def _outside(region: Region, now: Standing) -> list[str]:
    outside = int((~region.contains(now.settings)).sum())
    return [f"{count(outside, 'old run lies', 'old runs lie')} outside the region; what "
            "they tell counts all the same."] if outside else []


def joined(plan: Plan, region: Region, new: pd.DataFrame, terms: tuple[Term, ...], seed: int,
            how: str, remarks: list[str], details: dict) -> Plan:
    """The old runs and the new, with what is known of both."""
    runs = followed_by(plan, region, new.reset_index(drop=True), seed)
    known = {
        "title": f"{plan.details.get('title', plan.family)}, {count(len(new), 'run')} added",
        "runs_before": len(plan), "added": len(new), "seed_before": plan.seed,
        "model": formula(terms), **{k: v for k, v in plan.details.items()
                                    if k == "variance_ratios"}, **details}
    known["lost"] = sorted({*plan.details.get("lost", []), *known["lost"]})
    return Plan(region, runs, terms, f"{plan.family}, {how}", seed, known, tuple(remarks))
