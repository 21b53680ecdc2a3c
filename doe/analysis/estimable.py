"""Which terms the achieved settings can estimate, and what the others are aliased with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, product

import numpy as np
import pandas as pd

from doe import terms as model_terms
from doe.factors import Region
from doe.terms import INTERCEPT, Term

__all__ = ["Columns", "column_labels", "estimable", "largest_model"]

SINGULAR = 1e-7
"""Least own length of a column, relative to its length, to call it estimable."""

GREATEST_INFLATION = 10.0
"""Variance inflation above which a term is not taken up unasked (common practice, no source)."""

UNNAMED = 0.1
"""Part of a dropped column's length that the terms named as its alias may leave unexplained."""

FEW = 0.25
"""Inestimable interactions, as a share of the others, that do not condemn these as well."""

LEAST_SPREAD = 0.1
"""Least own standard deviation of a column, in half-ranges, to take it up unasked."""


MANY_ROWS = 1000
"""Rows from which the columns are shortened before they are compared."""


@dataclass(frozen=True, eq=False)
class Columns:
    """A model's columns and where they come from.

    Attributes
    ----------
    matrix : DataFrame
        Intercept first, then blocks, then terms; coded units.
    owner : list of Term or None
        The term each column belongs to; None for block columns.
    """

    matrix: pd.DataFrame
    owner: list[Term | None]

    @property
    def terms(self) -> tuple[Term, ...]:
        """The terms, each once."""
        return tuple(dict.fromkeys(t for t in self.owner if t is not None))

    def places(self, term: Term | None) -> list[int]:
        """Positions of a term's columns (None: the blocks')."""
        return [j for j, t in enumerate(self.owner) if t == term]


class _Basis:
    """An orthonormal basis that grows, and remembers the columns it came from."""

    def __init__(self, n: int) -> None:
        self.q = np.empty((n, 0))
        self.columns: list[np.ndarray] = []
        self.names: list[object] = []

    def own_part(self, block: np.ndarray) -> np.ndarray:
        """What of the columns the basis does not explain (twice, to keep orthogonality)."""
        for _ in range(2):
            block = block - self.q @ (self.q.T @ block)
        return block

    def add(self, block: np.ndarray, names: Sequence[object]) -> None:
        own, _ = np.linalg.qr(self.own_part(block))
        self.q = np.hstack([self.q, own])
        self.columns += list(block.T)
        self.names += list(names)

    def own_share(self, block: np.ndarray) -> float:
        """Least singular value of the own part relative to the columns' length."""
        if self.q.shape[1] + block.shape[1] > len(block):
            return 0.0
        length = np.linalg.norm(block, axis=0)
        if not length.all():
            return 0.0
        own = self.own_part(block / length)
        return float(np.linalg.svd(own, compute_uv=False)[-1])

    def explain(self, column: np.ndarray) -> tuple[dict[object, float], bool]:
        """The few columns that make up the given one with their coefficients, the weightiest first;
        and whether they make it up exactly (scattered settings leave a remainder)."""
        design = np.column_stack(self.columns)
        b, *_ = np.linalg.lstsq(design, column, rcond=None)
        left, length, named = column.copy(), np.linalg.norm(column), {}
        for j in np.argsort(-np.abs(b) * np.linalg.norm(design, axis=0), kind="stable"):
            if np.linalg.norm(left) <= UNNAMED * length:
                break
            named[self.names[j]] = float(b[j])
            left -= b[j] * design[:, j]
        return named, bool(np.linalg.norm(left) <= SINGULAR * length)

    def sources(self, block: np.ndarray) -> list[object]:
        """The terms that make up the block's columns."""
        return list(dict.fromkeys(t for c in block.T for t in self.explain(c)[0]))


def block_columns(blocks: pd.Series) -> pd.DataFrame:
    """Sum-to-zero columns of the blocks, all but the first: ``block[2]``, ``block[3]``."""
    levels = sorted(blocks.unique(), key=lambda v: (isinstance(v, str), v))
    values = blocks.to_numpy()
    first = (values == levels[0]).astype(float)
    return pd.DataFrame({f"block[{v}]": (values == v) - first for v in levels[1:]},
                        index=blocks.index, dtype=float)


def estimable(region: Region, data: pd.DataFrame, terms: Sequence[Term],
              blocks: pd.Series | None = None,
              refused: Sequence[Term] = ()) -> tuple[Columns, pd.DataFrame]:
    """Keep the terms that can be estimated together; say what the others are aliased with.

    Terms of low order are taken first, otherwise in the order given, after the intercept and the
    blocks. A term is dropped as a whole if any of its columns is a combination of columns
    already kept. Terms in `refused` are not tried, only reported.

    Returns
    -------
    columns : Columns
    aliased : DataFrame
        Columns ``term``, ``label``, ``aliased_with`` (text), ``asked``. Two-factor interactions
        that were not asked for but fall together, or nearly so, with one or two kept terms are
        listed too, with ``asked`` False: they may be what is seen under those terms' names.
    """
    kept, rows = [], []
    ordered = sorted((t for t in terms if t.powers), key=lambda t: t.order)
    every = _all_columns(region, data, [INTERCEPT, *ordered])
    unasked = _unasked(region, [*terms, *refused])
    others = _all_columns(region, data, [*refused, *unasked])
    frames = every | others | ({} if blocks is None else {None: block_columns(blocks)})
    short = _shortened({t: frame.to_numpy() for t, frame in frames.items()})
    basis = _Basis(len(short[INTERCEPT]))
    owner: list[Term | None] = []
    for term in every:
        if basis.own_share(short[term]) <= SINGULAR:
            rows.append((term, _alias_text(basis, short[term], region), True))
            continue
        for name in (term, None) if term == INTERCEPT and blocks is not None else (term,):
            if name is None and basis.own_share(short[None]) <= SINGULAR:
                continue
            width = short[name].shape[1]
            basis.add(short[name], [name] * width)
            kept.append(frames[name])
            owner += [name] * width
    for term in dict.fromkeys(refused):
        rows.append((term, _alias_text(basis, short[term], region), True))
    for term in unasked:
        values = short[term]
        if (values.any() and basis.own_share(values) ** 2 <= 1 / GREATEST_INFLATION
                and len(basis.sources(values)) <= 2):
            rows.append((term, _alias_text(basis, values, region), False))
    aliased = pd.DataFrame([(str(t), t.label(region), text, asked) for t, text, asked in rows],
                           columns=["term", "label", "aliased_with", "asked"])
    return Columns(pd.concat(kept, axis=1), owner), aliased


def _shortened(blocks: dict[Term | None, np.ndarray]) -> dict[Term | None, np.ndarray]:
    """The same columns turned into as few rows as there are columns, where there are many rows.

    Lengths and angles, and so everything that tells columns apart, stay as they are.
    """
    n, m = len(next(iter(blocks.values()))), sum(b.shape[1] for b in blocks.values())
    if n < MANY_ROWS or n < 2 * m:
        return blocks
    turned = np.linalg.qr(np.hstack(list(blocks.values())), mode="r")
    ends = np.cumsum([b.shape[1] for b in blocks.values()])
    return dict(zip(blocks, np.split(turned, ends[:-1], axis=1), strict=True))


def column_labels(term: Term, region: Region) -> list[str]:
    """How people read a term's columns: levels are named where there are more than two."""
    if term == INTERCEPT:
        return ["mean"]
    powers = dict(term.powers)
    choices = [[(name, level) for level in region[name].levels[1:]]
               if not region[name].is_numeric and len(region[name].levels) > 2
               else [(name, None)] for name in term.names]
    labels = []
    for cells in product(*choices):
        levels = dict(cells)
        labels.append(" × ".join(
            f"{region[n].label} {levels[n]}" if levels[n] else Term(*[n] * powers[n]).label(region)
            for n in region.names if n in powers))
    return labels


def _all_columns(region: Region, data: pd.DataFrame,
                 terms: Sequence[Term]) -> dict[Term, pd.DataFrame]:
    """The columns of each term, from one expansion of the settings."""
    terms = list(dict.fromkeys(terms))
    if not terms:
        return {}
    whole = model_terms.model_matrix(region, data, terms)
    out, start = {}, 0
    for term in terms:
        width = 1
        for name in term.names:
            if not region[name].is_numeric:
                width *= len(region[name].levels) - 1
        out[term] = whole.iloc[:, start:start + width]
        start += width
    return out


def _unasked(region: Region, terms: Sequence[Term]) -> list[Term]:
    return [t for pair in combinations(region.names, 2) if (t := Term(*pair)) not in terms]


def _alias_text(basis: _Basis, block: np.ndarray, region: Region) -> str:
    """The kept terms a dropped one falls together with, in words."""
    if not block.any():
        return "nothing: no run has these settings together"
    if block.shape[1] > 1:
        return " and ".join(_name(t, region) for t in basis.sources(block))
    named, exact = basis.explain(block[:, 0])
    if any(t is None or basis.names.count(t) > 1 for t in named):  # no single coefficient
        return " and ".join(dict.fromkeys(_name(t, region) for t in named))
    text = ""
    for term, c in named.items():
        size = "" if abs(abs(c) - 1) < (0.02 if exact else UNNAMED) else f"{abs(c):.2g} "
        sign = "−" if c < 0 else "+" if text else ""
        text += f" {sign} {size}{_name(term, region)}" if text else f"{sign}{size}" + _name(
            term, region)
    return text if exact else f"nearly {text}"


def _name(term: Term | None, region: Region) -> str:
    return "blocks" if term is None else term.label(region)


def largest_model(region: Region, data: pd.DataFrame, blocks: pd.Series | None = None
                  ) -> tuple[list[Term], list[Term], list[str]]:
    """The largest hierarchical model of second order that the settings support.

    Main effects, then two-factor interactions, then squares. Interactions that fall
    together with one earlier term are left out singly, as are a few that a lost run has
    made inestimable; where many are spread over the others (as in Plackett–Burman plans),
    choosing some of them would be arbitrary, so all are left out. Terms that the data
    hardly tell apart (variance inflation above 10) or hardly vary are left out as well.

    Returns
    -------
    terms : list of Term
        Those to fit.
    refused : list of Term
        Those left out since each is aliased, or nearly so, with one or two of them.
    remarks : list of str
    """
    basis, remarks = _Basis(len(data)), []
    basis.add(np.ones((len(data), 1)), [INTERCEPT])
    if blocks is not None:
        frame = block_columns(blocks)
        if basis.own_share(frame.to_numpy()) > SINGULAR:
            basis.add(frame.to_numpy(), [None] * frame.shape[1])
    chosen, aliased = [INTERCEPT], []
    groups = {
        "main effects": [Term(n) for n in region.names],
        "interactions": [Term(*pair) for pair in combinations(region.names, 2)],
        "squares": [Term(f.name, f.name) for f in region.numeric],
    }
    for group, candidates in groups.items():
        every = _all_columns(region, data, candidates)
        trial, taken, refused, unclear = _copy(basis), [], [], []
        for term, frame in every.items():
            values = frame.to_numpy()
            if group != "main effects" and not all(p in chosen for p in term.parents()):
                continue
            if _well_estimated(trial, values):
                trial.add(values, [term] * values.shape[1])
                taken.append(term)
            elif group == "squares" and values.std() <= LEAST_SPREAD:
                continue  # a factor at two levels, met or nearly, has no square to speak of
            else:
                refused.append(term)
                if len(trial.sources(values)) > 2 or _is_partly_new(trial, values):
                    unclear.append(term)
        if len(unclear) > FEW * len(taken) and group == "interactions":
            remarks.append(f"The {len(taken) + len(refused)} two-factor interactions cannot all be "
                           "told apart from the other effects by these runs, so none is in the "
                           "model; they may hide in the main effects.")
            continue
        if refused and group == "squares":
            remarks.append("These runs cannot tell the factors' squares apart, so none is in the "
                           "model.")
            continue
        if unclear:
            names = ", ".join(t.label(region) for t in unclear)
            remarks.append(f"Left out, since these runs hardly tell them from the rest: {names}.")
        basis = trial
        chosen += taken
        aliased += [t for t in refused if t not in unclear]
    return chosen, aliased, remarks


def _copy(basis: _Basis) -> _Basis:
    other = _Basis(len(basis.q))
    other.q, other.columns, other.names = basis.q, list(basis.columns), list(basis.names)
    return other


def _is_partly_new(basis: _Basis, values: np.ndarray) -> bool:
    """True if the named alias leaves out a part of the columns that is no mere scatter."""
    own = basis.own_part(values)
    return bool(np.linalg.norm(own) > UNNAMED * np.linalg.norm(values))


def _well_estimated(basis: _Basis, values: np.ndarray) -> bool:
    if basis.q.shape[1] + values.shape[1] > len(values):
        return False
    own = basis.own_part(values)
    spread = np.linalg.svd(own, compute_uv=False)[-1] / np.sqrt(len(values))
    centred = np.linalg.norm(values - values.mean(axis=0), axis=0)
    own_length = np.linalg.norm(own, axis=0)
    return bool(spread > LEAST_SPREAD
                and (centred**2 <= GREATEST_INFLATION * own_length**2).all())
