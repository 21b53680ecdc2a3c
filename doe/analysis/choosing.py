"""Choosing terms for many data sets at once: criteria, heredity, and the order of the search.

References
----------
Hurvich, C. M. & Tsai, C.-L. (1989). Regression and time series model selection in small
samples. *Biometrika* 76, 297–307 (AICc).
Schwarz, G. (1978). Estimating the dimension of a model. *Annals of Statistics* 6, 461–464 (BIC).
Stone, M. (1977). An asymptotic equivalence of choice of model by cross-validation and Akaike's
criterion. *Journal of the Royal Statistical Society B* 39, 44–47.
Hamada, M. & Wu, C. F. J. (1992). Analysis of designed experiments with complex aliasing.
*Journal of Quality Technology* 24, 130–137 (heredity).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from doe import terms as model_terms
from doe.analysis import gram
from doe.analysis.estimable import SINGULAR
from doe.analysis.gram import Reduced, Subsets
from doe.analysis.model import Fit
from doe.errors import InputError, as_choice
from doe.terms import INTERCEPT, Term

__all__ = ["CRITERIA", "HEREDITIES", "METHODS", "Candidates", "Rule", "Step", "check_least_squares",
           "check_start", "choose", "criterion_value", "scores", "walk", "wanted_terms"]

METHODS = ("exhaustive", "forward", "backward")
CRITERIA = ("aicc", "bic", "r2_predicted")
HEREDITIES = ("strong", "weak", "none")

LEAST_DF = 3
"""Degrees of freedom for error that a searched model must leave: fewer, and AICc is not defined."""

ROUNDING = 1e-12
"""Residual sum of squares, relative to the total, that counts as an exact fit."""

_NO_SCORE = 1e9
"""Beyond every criterion."""

_ROOM = 4_000_000
"""Numbers held at once for many data sets."""


def criterion_value(criterion: str, rest: np.ndarray, press: np.ndarray | None, n: int,
                    columns: np.ndarray) -> np.ndarray:
    """The criterion from sums of squares; less is better.

    Parameters
    ----------
    criterion : {"aicc", "bic", "r2_predicted"}
        The last is n log(PRESS / n): it orders models as predicted R² does, and for many runs
        equals AIC (Stone 1977), so that differences read alike.
    rest, press : ndarray
        Residual sum of squares and PRESS.
    n : int
    columns : ndarray of int
        Coefficients of each model, blocks included. The noise counts as one more parameter.
    """
    k = columns + 1
    with np.errstate(divide="ignore", invalid="ignore"):
        if criterion == "r2_predicted":
            return n * np.log(press / n)
        free = np.asarray(n - k - 1, float)
        penalty = (np.where(free > 0, 2.0 * k * n / free, np.inf) if criterion == "aicc"
                   else k * np.log(n))
        return n * np.log(rest / n) + penalty


@dataclass(frozen=True)
class Rule:
    """How models are compared: see `doe.analysis.search.search`."""

    method: str = "exhaustive"
    criterion: str = "aicc"
    heredity: str = "strong"

    def __post_init__(self) -> None:
        as_choice("method", self.method, METHODS)
        as_choice("criterion", self.criterion, CRITERIA)
        as_choice("heredity", self.heredity, HEREDITIES)


@dataclass(frozen=True, eq=False)
class Candidates:
    """Terms to choose from, and their columns in the runs of a fit.

    Attributes
    ----------
    terms : tuple of Term
        Lowest order first, so that parents come before their children.
    always : tuple of Term
        Those that every model has, intercept first.
    base : ndarray, shape (n, b)
        Columns of the intercept, the blocks and the other terms in `always`.
    columns : ndarray, shape (n, m)
    widths : tuple of int
        Columns of each term.
    """

    terms: tuple[Term, ...]
    always: tuple[Term, ...]
    base: np.ndarray
    columns: np.ndarray
    widths: tuple[int, ...]

    @classmethod
    def of(cls, fit: Fit, terms: Sequence[Term], keep: Sequence[Term] = ()) -> Candidates:
        """Columns of `terms` in the runs of `fit`; its blocks and `keep` are always there."""
        check_least_squares(fit)
        kept = [t for t in dict.fromkeys(keep) if t.powers]
        columns = (fit.refit([INTERCEPT, *kept]) if kept else fit).columns
        common = [j for j, t in enumerate(columns.owner) if t is None or t in (INTERCEPT, *kept)]
        always = (INTERCEPT, *(t for t in columns.terms if t in kept))
        lost = [t for t in kept if t not in always]
        if lost:
            raise InputError("keep", str(lost[0]), "these runs cannot estimate it",
                             "Leave it out of 'keep'")
        free = sorted((t for t in dict.fromkeys(terms) if t.powers and t not in kept),
                      key=lambda t: t.order)
        if not free:
            raise InputError("candidates", [str(t) for t in terms], "there is nothing to choose "
                             "from", "Name at least one term beyond those kept")
        blocks = _columns_of(fit, free)
        return cls(tuple(free), always, columns.matrix.to_numpy()[:, common],
                   np.hstack(blocks), tuple(b.shape[1] for b in blocks))

    @property
    def n(self) -> int:
        """Runs."""
        return len(self.base)

    @property
    def most_columns(self) -> int:
        """Candidate columns that a model may have."""
        return max(0, min(self.n - self.base.shape[1] - LEAST_DF, self.columns.shape[1]))

    def needs(self, heredity: str) -> tuple[tuple[int, ...], ...]:
        """For each term, the candidates it depends on."""
        return _needs(self.terms, self.always, heredity)

    def sets(self, heredity: str, limit: int = gram.GREATEST_COUNT,
             most_columns: int | None = None) -> Subsets:
        """Every admissible set of terms."""
        most = self.most_columns if most_columns is None else most_columns
        return gram.subsets(self.needs(heredity), self.widths, need_all=heredity != "weak",
                            most_columns=most, limit=limit)

    def chosen(self, members: np.ndarray) -> tuple[Term, ...]:
        """The terms of one model, those always there first."""
        return (*self.always, *(t for t, there in zip(self.terms, members, strict=True) if there))

    def matrix(self, members: np.ndarray) -> np.ndarray:
        """Model columns of one model, common ones first; shape (n, p)."""
        return np.hstack([self.base, self.columns[:, gram.columns_of(members, self.widths)]])


@lru_cache(maxsize=16)
def _needs(terms: tuple[Term, ...], always: tuple[Term, ...],
           heredity: str) -> tuple[tuple[int, ...], ...]:
    place, out = {t: j for j, t in enumerate(terms)}, []
    for term in terms:
        parents = [p for p in term.parents() if p.order == term.order - 1]
        missing = [p for p in parents if p not in always]
        met = heredity == "none" or (heredity == "weak" and len(missing) < len(parents))
        out.append(() if met else tuple(place[p] for p in missing if p in place))
    return tuple(out)


def _columns_of(fit: Fit, terms: Sequence[Term]) -> list[np.ndarray]:
    """Each term's columns in the runs, those of the fit where it has them; shapes (n, width)."""
    matrix, place, encoded, out = fit.columns.matrix.to_numpy(), {}, None, []
    for j, owner in enumerate(fit.columns.owner):
        place.setdefault(owner, []).append(j)
    for term in terms:
        if term in place:
            out.append(matrix[:, place[term]])
            continue
        encoded = fit.region.encode(fit.data) if encoded is None else encoded
        out.append(model_terms.expand(encoded, model_terms.exponents(fit.region, [term])[0]))
    return out


def wanted_terms(fit: Fit, candidates: Sequence[Term] | str | None,
                 default: str | None = None) -> tuple[Term, ...]:
    """Candidates as terms: given, named by a model or formula, or by default the fit's own."""
    candidates = default if candidates is None else candidates
    if candidates is None:
        return fit.terms
    if isinstance(candidates, str):
        return (model_terms.standard_terms(fit.region, candidates)
                if candidates in model_terms.MODELS
                else model_terms.parse(candidates, fit.region))
    return tuple(candidates)


def scores(rule: Rule, data: Reduced, sets: Subsets) -> tuple[np.ndarray, np.ndarray]:
    """Criterion and residual sum of squares of every set for every data set; both (S, D)."""
    press = None
    if rule.criterion == "r2_predicted":
        press, rest = gram.press_sums(data, sets)
        press = np.maximum(press, ROUNDING * data.total)
    else:
        rest = gram.residual_sums(data, sets)
    rest = np.maximum(rest, ROUNDING * data.total)
    value = criterion_value(rule.criterion, rest, press, data.n,
                            data.base + sets.columns[:, None])
    return np.where(np.isnan(value), np.inf, value), rest


def _scores_of(candidates: Candidates, rule: Rule, data: Reduced,
               members: np.ndarray) -> np.ndarray:
    """Criterion of given models, (C, D, T) gives (C, D). Models with too few degrees of freedom
    come after all others, best fit first; those that cannot be estimated are infinite."""
    columns = np.moveaxis(gram.columns_of(members, candidates.widths), -1, 0)
    size, press = data.base + columns.sum(axis=0), None
    if rule.criterion == "r2_predicted":
        press, rest = gram.press_sums_of(data, columns)
        press = np.maximum(press, ROUNDING * data.total)
    else:
        rest = gram.residual_sums_of(data, columns)
    rest = np.maximum(rest, ROUNDING * data.total)
    value = criterion_value(rule.criterion, rest, press, data.n, size)
    late = _NO_SCORE + data.n * np.log(rest)
    value = np.where(np.isfinite(value) & (data.n - size >= LEAST_DF), value, late)
    return np.where(np.isnan(value), np.inf, value)


@dataclass(frozen=True, eq=False)
class Step:
    """One step of a search term by term, for D data sets.

    Attributes
    ----------
    moved : ndarray of int, shape (D,)
        The term taken up or left out; −1 at the start.
    members : ndarray of bool, shape (D, T)
    score : ndarray, shape (D,)
    """

    moved: np.ndarray
    members: np.ndarray
    score: np.ndarray


def walk(candidates: Candidates, rule: Rule, data: Reduced) -> list[Step]:
    """Forward or backward to the end, one term a step; a data set that has ended stays.

    Forward takes up the term that lowers the criterion most, or raises it least; where none alone
    lowers it, also a term together with the parents it needs. Backward leaves out a term that no
    other depends on. Going on to the end finds models behind a rise, where stopping at once
    would not.
    """
    terms, sets = len(candidates.terms), len(data)
    needs, forward = candidates.needs(rule.heredity), rule.method == "forward"
    strong = rule.heredity != "weak"
    current = np.full((sets, terms), not forward)
    score = _scores_of(candidates, rule, data, current[None])[0]
    steps = [Step(np.full(sets, -1), current, score)]
    bring = _closure(needs) if forward and strong else np.eye(terms, dtype=bool)
    while True:
        if forward:
            moves = current[None] | bring[:, None]
            width = moves @ np.asarray(candidates.widths)
            open_ = ~current.T & (width <= candidates.most_columns)
        else:
            moves = current[None] & ~bring[:, None]
            open_ = current.T.copy()
        if not (forward and strong):
            open_ &= _obeys(moves, needs, strong)
        going = open_.any(axis=0)
        if not going.any():
            return steps
        value = _scores_of(candidates, rule, data, moves)
        # Backward may have to leave models behind whose columns cannot be told apart.
        value = np.where(open_, np.minimum(value, np.inf if forward else 2 * _NO_SCORE), np.inf)
        if forward and strong:
            alone = moves.sum(axis=-1) == current.sum(axis=-1) + 1
            first = np.where(alone, value, np.inf).min(axis=0)
            together = (first >= score) & ((value.min(axis=0) < score) | np.isinf(first))
            value = np.where(alone | together, value, np.inf)
        best, each = np.argmin(value, axis=0), np.arange(sets)
        going &= np.isfinite(value[best, each])
        if not going.any():
            return steps
        current = np.where(going[:, None], moves[best, each], current)
        score = np.where(going, value[best, each], score)
        steps.append(Step(np.where(going, best, -1), current, score))


def _closure(needs: Sequence[Sequence[int]]) -> np.ndarray:
    """Each term with all it depends on, whatever the depth; boolean, (T, T)."""
    out = np.eye(len(needs), dtype=bool)
    for j, wanted in enumerate(needs):  # parents come first, so theirs are complete
        for i in wanted:
            out[j] |= out[i]
    return out


def _obeys(members: np.ndarray, needs: Sequence[Sequence[int]], strong: bool) -> np.ndarray:
    """Which models keep heredity; (..., T) gives (...)."""
    out = np.ones(members.shape[:-1], bool)
    for j, wanted in enumerate(needs):
        if wanted:
            parents = members[..., list(wanted)]
            met = parents.all(axis=-1) if strong else parents.any(axis=-1)
            out &= ~members[..., j] | met
    return out


def choose(candidates: Candidates, rule: Rule, data: Reduced) -> np.ndarray:
    """The best model of each data set; boolean, shape (D, T).

    This is what `doe.analysis.search.search` does for one, without tables.
    """
    out = np.zeros((len(data), len(candidates.terms)), bool)
    if rule.method == "exhaustive":
        sets = candidates.sets(rule.heredity)
        squares, singles = sets.peak
        each = singles if data.shared else squares
        if rule.criterion == "r2_predicted":
            each = data.n * (len(sets) if data.shared else singles)
    else:
        m = candidates.columns.shape[1]
        each = m * len(candidates.terms) * (
            data.n if rule.criterion == "r2_predicted" else m)
    portion = max(1, _ROOM // each)
    for start in range(0, len(data), portion):
        part = data.part(start, start + portion)
        if rule.method == "exhaustive":
            value, _ = scores(rule, part, sets)
            out[start:start + portion] = sets.members(np.argmin(value, axis=0))
        else:
            steps = walk(candidates, rule, part)
            value = np.array([s.score for s in steps])
            every = np.array([s.members for s in steps])
            out[start:start + portion] = every[np.argmin(value, axis=0), np.arange(len(part))]
    return out


def check_least_squares(fit: object) -> None:
    """Raise unless this is a plain least-squares fit, whose residuals are all there is."""
    if not isinstance(fit, Fit):
        raise InputError("fit", type(fit).__name__, "terms are searched and refits resampled for "
                         "least-squares fits of one noise only", "Give what doe.analysis.fit "
                         "returns for a continuous response")


def check_start(candidates: Candidates) -> None:
    """Raise unless the model with every candidate can be estimated, as backward search asks."""
    whole = np.hstack([candidates.base, candidates.columns])
    length = np.linalg.norm(whole, axis=0)
    if (whole.shape[1] > candidates.n or not length.all()
            or np.linalg.svd(whole / length, compute_uv=False)[-1] < SINGULAR):
        raise InputError("method", "backward", f"these {candidates.n} runs cannot estimate all "
                         f"{len(candidates.terms)} candidates together, so there is no full model "
                         "to start from", "Use method='forward' or 'exhaustive'")
