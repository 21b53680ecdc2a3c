"""The fewest runs that undo chosen aliases, or make good what lost and off-target runs cost.

References
----------
Atkinson, A. C., Donev, A. N. & Tobias, R. D. (2007). *Optimum Experimental Designs, with SAS*.
Oxford University Press, chapters 10 (Ds-optimality) and 19 (augmentation).
Mee, R. W. & Peralta, M. (2000). Semifolding 2^(k−p) designs. *Technometrics* 42, 122–134.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe.errors import InputError, as_number
from doe.factors import Region
from doe.mixer import Mixer
from doe.planning.augment import joined
from doe.planning.candidates import Space, distinct
from doe.planning.criteria import criterion_for, without_blocks
from doe.planning.plan import Plan
from doe.planning.search import Task, search
from doe.planning.settle import block_columns, rank, settable
from doe.planning.standing import Standing, on_blocks, standing
from doe.planning.structure import as_count, as_seed
from doe.terms import INTERCEPT, Term, exponents, model_matrix, read_terms, standard_terms
from doe.wording import capitalise, count, digits, join, percent

__all__ = ["repair", "resolve"]

_RIDGE = 1e-6
_LISTED = 4000
_STARTS = 10


def resolve(plan: Plan, terms: Sequence[Term] | str, *,
            against: Sequence[Term] | str | None = None, most: int = 16, new_block: bool = True,
            records: pd.DataFrame | None = None, lost: Sequence[int] | None = (),
            mixer: Mixer | None = None, seed: int | None = None) -> Plan:
    """The plan with the fewest added runs found that make terms separable from all others.

    The number of runs is raised from the least that could do, and each time the Ds-optimal
    choice for the terms is sought: other effects need not become separable from each other.

    Parameters
    ----------
    plan : Plan
    terms : sequence of Term or str
        Those to be told, as terms or a formula such as ``"a:b + c:d"``.
    against : sequence of Term or str, optional
        Effects that they are to be told from; if left out, all main effects and two-factor
        interactions, and the plan's own terms.
    most : int
        Greatest number of runs to add.
    new_block : bool
        The new runs are a block of their own, whose effect adds to the model.
    records, lost, mixer, seed
        As in `augment`.

    Returns
    -------
    Plan
        ``details["least_runs"]`` is the number below which no choice could do.

    Raises
    ------
    InputError
        If the terms can be told already, or cannot with `most` runs.
    """
    region, seed = plan.region, as_seed(seed)
    _single_runs(plan)
    now = standing(plan, records, lost)
    named = tuple(t for t in read_terms(region, terms) if t != INTERCEPT)
    if not named:
        raise InputError("terms", terms, "there are none to be told", "Write it as 'a:b + c:d'")
    others = (dict.fromkeys([*standard_terms(region, "interactions"), *plan.terms])
              if against is None else dict.fromkeys([INTERCEPT, *read_terms(region, against)]))
    others = tuple(t for t in others if t not in named)
    most = as_count("most", most, at_least=1)
    problem = _Problem.of(region, now, named, others, new_block, plan, mixer, seed)
    least = problem.least
    if problem.separable(np.empty(0, int)):
        raise InputError("terms", [str(t) for t in named], "the plan can tell them already",
                         "Appraise it; to know them better, use augment")
    rng = np.random.default_rng(seed)
    for runs in range(max(1, least), most + 1):
        chosen = problem.best(runs, rng)
        if problem.separable(chosen):
            break
    else:
        raise InputError("most", most, f"no choice of {count(most, 'run')} was found that tells "
                         + join(t.label(region) for t in named) + " from the other effects",
                         "Allow more runs, name fewer terms, or widen the region")
    new = problem.settings.iloc[chosen].assign(point="added", block=problem.label)
    labels = join(t.label(region) for t in named)
    said = [on_blocks(runs, new_block), *now.sentences(),
            f"{capitalise(labels)} can now be told from "
            + ("all other effects of up to two factors" if against is None
               else join(t.label(region) for t in others if t != INTERCEPT))
            + f", if those {'it was' if len(named) == 1 else 'they were'} aliased with stand in "
            "the model too"
            + f"; standard error at most {digits(problem.error(chosen), 2)} times a run's standard "
            "deviation (coded units). "
            + (f"Fewer than {count(runs, 'run')} cannot do it." if runs == max(1, least) else
               f"At least {count(max(1, least), 'run')} would be needed in any case; with fewer "
               f"than {runs} no choice was found."),
            "Effects that were not named may still be aliased with each other."]
    model = tuple(dict.fromkeys([*plan.terms, *named]))
    return joined(plan, region, new, model, seed, "aliases undone", said, {
        "resolved": [str(t) for t in named], "least_runs": max(1, least),
        "lost": list(now.lost)})


def repair(plan: Plan, records: pd.DataFrame, *, lost: Sequence[int] | None = None,
           terms: Sequence[Term] | str | None = None, efficiency: float = 0.9,
           most: int | None = None, new_block: bool = False, mixer: Mixer | None = None,
           starts: int = 60, seed: int | None = None) -> Plan:
    """The plan with the fewest added runs that make good what lost and off-target runs cost.

    Parameters
    ----------
    plan : Plan
    records : DataFrame
        `Study.table`: the settings achieved.
    lost : sequence of int, optional
        Runs that give no observation; all without a record if left out.
    terms : sequence of Term or str, optional
        The model to be saved; the plan's own if left out.
    efficiency : float
        D-information on it, ``|M|^(1/p)``, that is to be reached, as a share of what the plan
        would have told had all gone as planned.
    most : int, optional
        Greatest number of runs to add; as many as were lost and two more if left out.
    new_block : bool
        Whether the added runs are a block of their own, as they should be if much time has
        passed; otherwise they join the blocks that lost runs.
    mixer, starts, seed
        As in `augment`.

    Returns
    -------
    Plan
        The plan itself, with a remark, if nothing needs to be added. ``details`` hold the
        ``information`` without and with the added runs, as shares of the planned one.

    Raises
    ------
    InputError
        If the plan could not estimate the model even as planned, or `most` runs do not do.
    """
    region, seed = plan.region, as_seed(seed)
    _single_runs(plan)
    share = as_number("efficiency", efficiency, above=0, at_most=1)
    now = standing(plan, records, lost)
    model = read_terms(region, terms, plan.terms)
    space = Space(region, model, mixer)
    intended = _information(space, plan.settings, plan.runs["block"].to_numpy())
    judge = criterion_for("D", space)
    goal = float(judge.merit(intended))
    if not goal > 0:
        raise InputError("terms", [str(t) for t in model], "the plan could not tell them apart "
                         "even as planned", "Name terms that it can, or use resolve")
    most = len(now.lost) + 2 if most is None else as_count("most", most, at_least=1)
    held = _merit(space, judge, now.settings, now.block) / goal
    said = now.sentences() or ["All runs gave an observation at the settings planned."]
    after, new = held, None
    for runs in range(most + 1 if held < share else 1):
        if runs:
            new = _replacements(plan, space, judge, now, runs, new_block, starts, seed)
            after = 0.0 if new is None else _merit(
                space, judge, pd.concat([now.settings, new[region.names]], ignore_index=True),
                np.append(now.block, new["block"])) / goal
        if after >= share * (1 - 1e-9):
            break
    else:
        raise InputError("most", most, f"{count(most, 'added run')} reach {percent(after)} of the "
                         "information planned", "Allow more runs, or ask for a lower efficiency")
    planned = "of the information planned (D)"
    lead = ("The model can no longer be estimated from what is left" if held < 1e-9 else
            f"What is left has {percent(held)} {planned}")
    details = {"information": {"without": held, "with": after}, "lost": list(now.lost)}
    if new is None:
        said.append(f"{lead}, at least the {percent(share)} asked for: no run needs to be added.")
        return Plan(region, plan.runs, plan.terms, plan.family, plan.seed,
                    {**plan.details, **details}, (*plan.remarks, *said))
    said.append(f"{lead}; with {count(len(new), 'added run')} there is {percent(after)}"
                + (f" {planned}." if held < 1e-9 else "."))
    if now.lost and len(new) >= len(now.lost):
        said.append("Making the lost runs again as planned takes no more runs: prefer that if "
                    "what spoilt them is known and mended.")
    said.insert(0, on_blocks(len(new), new_block))
    return joined(plan, region, new, model, seed, "repaired", said, details)


def _single_runs(plan: Plan) -> None:
    if "whole_plot" in plan.runs:
        raise InputError("plan", "groups of runs", "single runs cannot be added to a plan whose "
                         "runs share set-ups", "Use augment, which adds groups")


# ---- replacements ----------------------------------------------------------------------------

def _full(space: Space, settings: pd.DataFrame, block: np.ndarray) -> np.ndarray:
    X = np.hstack([space.rows(space.points(settings)), block_columns(block)])
    return X.T @ X


def _information(space: Space, settings: pd.DataFrame, block: np.ndarray) -> np.ndarray:
    return without_blocks(_full(space, settings, block), len(space.columns))


def _merit(space: Space, judge, settings: pd.DataFrame, block: np.ndarray) -> float:
    X = np.hstack([space.rows(space.points(settings)), block_columns(block)])
    if rank(X) < X.shape[1]:
        return 0.0
    return float(judge.merit(_information(space, settings, block)))


def _replacements(plan: Plan, space: Space, judge, now: Standing, runs: int, new_block: bool,
                  starts: int, seed: int) -> pd.DataFrame | None:
    """The best `runs` to add; None if no choice can carry the model."""
    if new_block:
        where = np.full(runs, int(plan.runs["block"].max()) + 1)
    else:
        missing = plan.runs.set_index("run").loc[list(now.lost), "block"].tolist()
        where = np.array([(missing or [int(plan.runs["block"].max())])[
            i % max(1, len(missing))] for i in range(runs)])
    labels = np.unique(np.append(now.block, where))
    tails = block_columns(labels)
    X = np.hstack([space.rows(space.points(now.settings)),
                   tails[np.searchsorted(labels, now.block)]])
    if rank(X) + runs < X.shape[1]:
        return None
    task = Task(space, judge, np.searchsorted(labels, where), tails, X.T @ X,
                len(now.run) + runs)
    lattice = space.lattice(space.coarse(), _LISTED, seed)
    try:
        found = search(task, lattice, starts=starts, seed=seed, best_possible=1.0,
                       mixer=space.mixer)
    except InputError:  # no choice of so few runs carries the model; the caller tries more
        return None
    return found.settings.assign(block=where, point="added")


# ---- aliases ---------------------------------------------------------------------------------

@dataclass(frozen=True, eq=False)
class _Problem:
    """Choosing among candidate rows so that the first `width` coefficients can be told."""

    settings: pd.DataFrame
    rows: np.ndarray         # of the candidates, block columns after the model's
    old: np.ndarray          # of the runs there are
    width: int
    label: int               # block of the added runs
    fresh: bool              # that block is a new one

    @classmethod
    def of(cls, region: Region, now: Standing, named: tuple[Term, ...],
           others: tuple[Term, ...], new_block: bool, plan: Plan, mixer: Mixer | None,
           seed: int) -> _Problem:
        space = Space(region, (*named, *others), mixer)
        lattice = space.lattice(space.coarse(), _LISTED, seed)
        points = space.points(settable(region, space.settings(lattice), mixer))
        points = distinct(points[space.feasible(points)])
        if not len(points):
            points = space.points(settable(region, space.settings(space.scatter(2048, seed)),
                                           mixer))
            points = distinct(points[space.feasible(points)])
        settings = settable(region, space.settings(points), mixer)
        label = int(plan.runs["block"].max()) + bool(new_block)
        blocks = np.append(now.block, label)
        tails = block_columns(blocks)
        if not new_block and label not in now.block:
            raise InputError("new_block", new_block, "all runs of the last block are lost",
                             "Add the runs as a block of their own")
        old = np.hstack([model_matrix(region, now.settings, space.terms).to_numpy(), tails[:-1]])
        rows = np.hstack([space.rows(space.points(settings)),
                          np.tile(tails[-1], (len(settings), 1))])
        return cls(settings, rows, old, len(exponents(region, named)[1]), label, new_block)

    @property
    def least(self) -> int:
        """Runs below which no choice can do.

        A run raises the rank of all columns by at most one, and each named column must raise
        it beyond what the others span; the first run of a new block goes into the block.
        """
        short = self.width - (rank(self.old) - rank(self.old[:, self.width:]))
        return short + int(self.fresh and short > 0)

    def separable(self, chosen: np.ndarray) -> bool:
        X = np.vstack([self.old, self.rows[chosen]])
        return rank(X) - rank(X[:, self.width:]) == self.width

    def error(self, chosen: np.ndarray) -> float:
        """Greatest standard error of a named coefficient."""
        X = np.vstack([self.old, self.rows[chosen]])
        return float(np.sqrt(np.diag(np.linalg.pinv(X.T @ X))[:self.width].max()))

    def best(self, runs: int, rng: np.random.Generator) -> np.ndarray:
        """Ds-optimal candidates by exchange: greatest ``|M| / |M of the others|``, ridged.

        The ridge makes rank count before size: what cannot be told costs as much as the ridge
        is small.
        """
        fixed, w = self.old.T @ self.old, self.width
        fixed = fixed + _RIDGE * np.eye(len(fixed))
        top, kept = -np.inf, np.empty(0, int)
        for _ in range(_STARTS):
            chosen = rng.integers(0, len(self.rows), runs)
            value = self._value(fixed, chosen)
            for _ in range(20):
                before = value
                for r in range(runs):
                    rest = np.delete(chosen, r)
                    M = fixed + self.rows[rest].T @ self.rows[rest]
                    gain = (np.log1p(_forms(self.rows, np.linalg.inv(M)))
                            - np.log1p(_forms(self.rows[:, w:], np.linalg.inv(M[w:, w:]))))
                    if gain.max() > gain[chosen[r]] + 1e-7:
                        chosen[r] = int(gain.argmax())
                value = self._value(fixed, chosen)
                if value <= before + 1e-7:
                    break
            if value > top:
                top, kept = value, chosen.copy()
        return kept

    def _value(self, fixed: np.ndarray, chosen: np.ndarray) -> float:
        M = fixed + self.rows[chosen].T @ self.rows[chosen]
        return float(np.linalg.slogdet(M)[1]
                     - np.linalg.slogdet(M[self.width:, self.width:])[1])


def _forms(rows: np.ndarray, B: np.ndarray) -> np.ndarray:
    return np.maximum(0.0, np.einsum("np,np->n", rows @ B, rows))

