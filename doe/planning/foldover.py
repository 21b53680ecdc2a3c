"""Fold-over: runs added to a plan, with factors at their other end, to undo aliases.

References
----------
Box, G. E. P. & Hunter, J. S. (1961). The 2^(k−p) fractional factorial designs, I and II.
*Technometrics* 3, 311–351, 449–458.
Barnett, J., Czitrom, V., John, P. W. M. & León, R. V. (1997). Using fewer wafers to resolve
confounding in screening experiments. In *Statistical Case Studies for Industrial Process
Improvement*, SIAM, 235–250.
Mee, R. W. & Peralta, M. (2000). Semifolding 2^(k−p) designs. *Technometrics* 42, 122–134.
NIST/SEMATECH e-Handbook of Statistical Methods, 5.3.3.8.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe.errors import InputError, as_choice
from doe.factors import Region
from doe.mixer import Mixer
from doe.planning.aliases import column_labels
from doe.planning.plan import Plan
from doe.planning.settle import Settled, block_columns, cost, settle
from doe.planning.structure import as_runs, as_seed, centre_rows, run_order
from doe.terms import Term, expand, exponents, standard_terms
from doe.wording import count, join

__all__ = ["fold_choices", "fold_over", "semi_fold_over"]

ENDS = ("low", "high")
_LISTED = 8
_SNAPPED = 0.25   # coded units
_DIM = 0.02       # least eigenvalue of XX'/n that counts as information
_TOLD = 0.99      # share of a coefficient that is not of others


def fold_over(plan: Plan, *, factors: Sequence[str] | None = None, centre_points: int = 0,
              seed: int | None = None, mixer: Mixer | None = None) -> Plan:
    """The plan, and in a further block all its runs again with factors at their other end.

    Folded over on all factors, a plan has its main effects clear of two-factor interactions;
    on one factor, that factor's main effect and all its interactions come clear (Box & Hunter
    1961; e-Handbook 5.3.3.8).

    Parameters
    ----------
    plan : Plan
        Its runs come first, in the order they have; centre points are not run again.
    factors : sequence of str, optional
        Factors that change ends: numeric, or of two levels. All if not given.
    centre_points : int
        Runs at the centre added to the new block; with such in both blocks a shift between
        the two shows by itself.
    seed : int, optional
        Of the order of the new runs; drawn and recorded if not given.
    mixer : Mixer, optional
        New settings are snapped to, and kept within, what it can do.

    Returns
    -------
    Plan
        New runs are of the kind "added" and make up the last block. The model is the plan's
        own, with all main effects and every two-factor interaction that can be estimated
        whatever the others are.

    Raises
    ------
    InputError
        If a factor is unknown or has no other end, or the new runs would only repeat old ones.
    """
    return _added(plan, _Fold(_names(plan.region, factors)), centre_points, seed, mixer)


def semi_fold_over(plan: Plan, *, factors: Sequence[str] | None = None, half: str | None = None,
                   at: str = "high", centre_points: int = 0, seed: int | None = None,
                   mixer: Mixer | None = None) -> Plan:
    """The plan, and in a further block half of its runs again with factors at their other end.

    Half as many new runs as a fold-over, and for plans of resolution IV as many two-factor
    interactions (Mee & Peralta 2000), known less well.

    Parameters
    ----------
    plan : Plan
    factors : sequence of str, optional
        Factors that change ends; if not given, the one factor (and `half`) that the first row
        of `fold_choices` with half the runs names.
    half : str, optional
        Only runs with this factor at the end `at` are taken; the first of the region that is
        not folded if not given.
    at : {"high", "low"}
    centre_points, seed, mixer
        As in `fold_over`.

    Raises
    ------
    InputError
        As in `fold_over`; or if no run has the factor at that end.
    """
    as_choice("at", at, ENDS)
    if factors is None:
        table = fold_choices(plan)
        table = table[table["half"] == half if half else table["half"] != ""]
        if table.empty:
            raise InputError("half", half, "no half of the runs folded over adds anything",
                             "Name the factors to fold over, or use a whole fold-over")
        factors, half = table.iloc[0]["factors"], table.iloc[0]["half"]
    names = _names(plan.region, factors)
    if half is None:
        half = next((n for n in plan.region.names if n not in names), names[0])
    return _added(plan, _Fold(names, plan.region[half].name, at), centre_points, seed, mixer)


def fold_choices(plan: Plan) -> pd.DataFrame:
    """What each fold-over would tell: on all factors, on one, and half the runs on one.

    Returns
    -------
    DataFrame
        ``factors`` (list), ``half`` (the factor of which the high end is taken; empty for all
        runs), ``runs`` (added), ``main_effects`` and ``interactions`` (how many could then be
        told from all other effects of up to two factors) and ``standard_error`` (the greatest
        among these, coded units, for a standard deviation of 1); the most interactions first,
        then main effects, then the fewest runs, then the least standard error. Choices that
        only repeat old runs are left out.
    """
    names = [f.name for f in plan.region.factors if f.is_numeric or len(f.levels) == 2]
    folds = [_Fold(tuple(names))] if len(names) == len(plan.region) else []
    folds += [_Fold((n,)) for n in names]
    folds += [_Fold((n,), other, "high") for n in names for other in names]
    effects, old = _Effects(plan.region), plan.region.encode(plan.settings)
    rows = []
    for fold in folds:
        new = plan.region.encode(fold.settings(plan))
        if not len(new) or _repeats(old, new):
            continue
        clear, error = effects.clear(np.vstack([old, new]), _blocks(plan, len(new)))
        rows.append({"factors": list(fold.factors), "half": fold.half, "runs": len(new),
                     "main_effects": sum(t.order == 1 for t in clear),
                     "interactions": sum(t.order == 2 for t in clear),
                     "standard_error": round(error, 9)})
    table = pd.DataFrame(rows, columns=["factors", "half", "runs", "main_effects", "interactions",
                                        "standard_error"])
    return table.sort_values(["interactions", "main_effects", "runs", "standard_error"],
                             ascending=[False, False, True, True], kind="stable",
                             ignore_index=True)


@dataclass(frozen=True)
class _Fold:
    """Factors that change ends, in all runs or those with factor `half` at one end."""

    factors: tuple[str, ...]
    half: str = ""
    at: str = "high"

    def settings(self, plan: Plan) -> pd.DataFrame:
        """The new runs: natural units, not settled; centre points left out."""
        runs = plan.runs[plan.runs["point"] != "centre"]
        if self.half:
            f = plan.region[self.half]
            place = f.code(runs[f.name]) if f.is_numeric else np.where(
                runs[f.name] == f.levels[-1], 1.0, -1.0)
            runs = runs[place * (1 if self.at == "high" else -1) > 1e-9]
        out = runs[plan.region.names].reset_index(drop=True)
        for name in self.factors:
            f = plan.region[name]
            if f.is_numeric:
                out[name] = f.decode(-f.code(out[name]))
            else:
                out[name] = out[name].map(dict(zip(f.levels, f.levels[::-1], strict=True)))
        return out

    def words(self, region: Region) -> str:
        every = len(self.factors) == len(region)
        on = "all factors" if every else join(region[n].label for n in self.factors)
        half = f", runs with {region[self.half].label} {self.at} only" if self.half else ""
        return f"folded over on {on}{half}"


def _names(region: Region, factors: Sequence[str] | None) -> tuple[str, ...]:
    given = region.names if factors is None else list(factors)
    if isinstance(factors, str) or not given:
        raise InputError("factors", factors, "this is no list of factors",
                         f"Write it as ['{region.names[0]}']")
    for name in given:
        f = region[name]
        if not f.is_numeric and len(f.levels) > 2:
            raise InputError(f"factor '{name}', levels", f.levels, "with more than two levels it "
                             "has no other end", "Name the other factors in factors=[...]")
    return tuple(n for n in region.names if n in given)


def _added(plan: Plan, fold: _Fold, centre_points: int, seed: int | None,
           mixer: Mixer | None) -> Plan:
    region, seed = plan.region, as_seed(seed)
    new = fold.settings(plan)
    if not len(new):
        raise InputError("half", fold.half, f"no run but centre points has it {fold.at}",
                         "Take the other end, or another factor")
    old = region.encode(plan.settings)
    if _repeats(old, region.encode(new)):
        raise InputError("factors", list(fold.factors), "the new runs would only repeat old ones",
                         "Fold over on other factors; for repeats, replicate the plan")
    middle, said = centre_rows(region, as_runs("centre_points", centre_points))
    ideal = pd.concat([new, middle], ignore_index=True) if centre_points else new
    settled = settle(region, ideal, mixer)
    point = np.array(["added"] * len(new) + ["centre"] * centre_points)
    block = _blocks(plan, len(ideal))
    every = pd.concat([plan.settings, settled.settings], ignore_index=True)
    effects = _Effects(region)
    before, _ = effects.clear(old, plan.runs["block"])
    after, _ = effects.clear(region.encode(every), block)
    model = tuple(t for t in effects.terms if t.order < 2 or t in after)
    model += tuple(t for t in plan.terms if t not in model)
    still = np.zeros((len(plan), len(region)))
    remarks = [*_undone(effects, region.encode(every), block, before, after), *said,
               *cost(region, pd.concat([plan.settings, ideal], ignore_index=True),
                     Settled(every, np.vstack([still, settled.moves]),
                             np.vstack([still, settled.pulls]), settled.limits), model, block)]
    runs = _in_order(plan, settled.settings, point, int(block[-1]), seed)
    title = f"{plan.details.get('title', plan.family)}, {fold.words(region)}"
    details = {"title": title, "folded": list(fold.factors), "half": fold.half,
               "at": fold.at if fold.half else "", "runs_before": len(plan),
               "seed_before": plan.seed, "centre_points": int((runs["point"] == "centre").sum())}
    return Plan(region, runs, model, f"{plan.family}, folded over", seed, details, tuple(remarks))


def _blocks(plan: Plan, added: int) -> np.ndarray:
    block = plan.runs["block"].to_numpy()
    return np.append(block, np.full(added, block.max() + 1))


def _in_order(plan: Plan, settings: pd.DataFrame, point: np.ndarray, block: int,
              seed: int) -> pd.DataFrame:
    """The old runs as they are, then the new at random (in groups, if the old ones are)."""
    hard = [f.name for f in plan.region.factors if f.hard_to_change]
    grouped = "whole_plot" in plan.runs
    group = settings.groupby(hard, sort=False).ngroup().to_numpy() if grouped and hard else None
    order, plots = run_order(np.ones(len(settings), int), seed, group)
    new = settings.assign(point=point, block=block,
                          standard=np.arange(len(plan) + 1, len(plan) + len(settings) + 1))
    new = new.iloc[order]
    if grouped:
        new = new.assign(whole_plot=plan.runs["whole_plot"].max() + plots)
    runs = pd.concat([plan.runs, new], ignore_index=True)
    return runs.assign(run=np.arange(1, len(runs) + 1))


# ---- what is undone --------------------------------------------------------------------

def _intended(encoded: np.ndarray) -> np.ndarray:
    """Settings at an end or the middle but for what snapping moved them, put exactly there.

    Moved by a little, effects that are aliased seem to be told apart, though never in practice.
    """
    whole = np.round(encoded)
    return np.where(np.abs(encoded - whole) < _SNAPPED, whole, encoded) + 0.0


def _repeats(old: np.ndarray, new: np.ndarray) -> bool:
    """True if every new run (encoded) is an old one."""
    known = {tuple(row) for row in _intended(old).round(6)}
    return all(tuple(row) in known for row in _intended(new).round(6))


class _Effects:
    """Mean, main effects and two-factor interactions of a region."""

    def __init__(self, region: Region) -> None:
        self.region = region
        self.terms = standard_terms(region, "interactions")
        self.powers, self.names = exponents(region, self.terms)
        widths = [len(exponents(region, [t])[1]) for t in self.terms]
        self.owner = np.repeat(np.arange(len(widths)), widths)

    def columns(self, encoded: np.ndarray) -> np.ndarray:
        """Model columns of the settings as intended; (n, q) gives (n, p)."""
        return expand(_intended(encoded), self.powers)

    def clear(self, encoded: np.ndarray, block: Sequence[int]) -> tuple[list[Term], float]:
        """Terms the runs determine whatever the others and the blocks are; their worst error."""
        X = np.hstack([self.columns(encoded), block_columns(block)])
        # There are often far fewer runs than effects: the n by n product is quicker to part.
        w, U = np.linalg.eigh(X @ X.T)
        kept = w > _DIM * len(X)
        V = X.T @ U[:, kept] / np.sqrt(w[kept])
        p = len(self.owner)
        known = (V**2).sum(axis=1)[:p] > _TOLD
        unknown = np.unique(self.owner[~known])
        variance = (V**2 / w[kept]).sum(axis=1)[:p]
        return ([t for i, t in enumerate(self.terms) if i not in unknown],
                float(np.sqrt(variance[known].max(initial=0.0))))


def _undone(effects: _Effects, encoded: np.ndarray, block: np.ndarray, before: Sequence[Term],
            after: Sequence[Term]) -> list[str]:
    region, terms, said = effects.region, effects.terms, []
    for order, kind in ((1, "main effects"), (2, "two-factor interactions")):
        total = sum(t.order == order for t in terms)
        counts = [sum(t.order == order for t in clear) for clear in (before, after)]
        gained = [t.label(region) for t in after if t.order == order and t not in before]
        said.append(f"Of {total} {kind}, {counts[0] or 'none'} could be told from all other "
                    f"effects of up to two factors before, {counts[1] or 'none'} can now"
                    + (f": new {'is' if len(gained) == 1 else 'are'} {join(gained)}."
                       if 0 < len(gained) <= _LISTED else "."))
    open_ = [t for t in terms if t.order == 2 and t not in after]
    if open_:
        said.append(_left(effects, encoded, open_))
    old = block < block.max()
    said.append(f"The {count(int((~old).sum()), 'new run')} are a block of their own: a shift "
                "between then and now is taken out of every effect.")
    return said


def _left(effects: _Effects, encoded: np.ndarray, terms: Sequence[Term]) -> str:
    """Interactions that are still aliased, in sets where they are fully so."""
    labels = column_labels(effects.region, terms)
    chosen = [effects.names.index(n) for n in labels]
    X = effects.columns(encoded)[:, chosen]
    X = X - X.mean(axis=0)
    norm = np.linalg.norm(X, axis=0)
    same = np.abs(X.T @ X) > (1 - 1e-6) * np.outer(norm, norm)
    names = np.array(list(labels.values()), object)
    sets = list(dict.fromkeys(tuple(names[row]) for row in same if row.sum() > 1))
    if len({n for group in sets for n in group}) < len(names):
        return (f"{count(len(terms), 'two-factor interaction is', 'two-factor interactions are')} "
                "still partly aliased with each other; the appraisal gives the numbers.")
    listed = [" = ".join(group) for group in sets]
    more = f"; and {len(listed) - _LISTED} more sets" if len(listed) > _LISTED else ""
    return "Still aliased: " + "; ".join(listed[:_LISTED]) + more + "."
