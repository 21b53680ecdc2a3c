"""Regular two-level fractions and blocks: which columns to take, found by search.

An effect is a bit mask over factors (bit j: factor j stands in it), a column of the basic
factorial a bit mask over the basic factors. The product of two effects is their exclusive or.

References
----------
Box, G. E. P. & Hunter, J. S. (1961). The 2^(k−p) fractional factorial designs.
*Technometrics* 3, 311–351, 449–458.
Fries, A. & Hunter, W. G. (1980). Minimum aberration 2^(k−p) designs. *Technometrics* 22,
601–608.
Chen, J., Sun, D. X. & Wu, C. F. J. (1993). A catalogue of two-level and three-level
fractional factorial designs with small runs. *International Statistical Review* 61, 131–145.
Sitter, R. R., Chen, J. & Feder, M. (1997). Fractional resolution and minimum aberration in
blocked 2^(n−k) designs. *Technometrics* 39, 382–390.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import combinations, permutations, product

import numpy as np

from doe.errors import InputError
from doe.wording import join

__all__ = ["GREATEST_BASIC", "GREATEST_K", "Fraction", "best_blocks", "best_fraction",
           "block_numbers", "members", "roman", "span"]

GREATEST_BASIC = 7
"""Basic factors at most: fractions of up to 128 runs."""

GREATEST_K = 16
"""Factors at most in a fraction."""

_WORK = 10_000_000
_ROMAN = ("0", "I", "II", "III", "IV", "V", "VI", "VII", "VIII", "IX", "X", "XI", "XII")


@dataclass(frozen=True)
class Fraction:
    """A regular 2^(k − p) fraction.

    Parameters
    ----------
    k : int
        Factors.
    basic : tuple of int
        Positions of the k − p factors that make up the full factorial.
    generators : tuple of (int, int, int)
        For each other factor: its position, the mask over all factors of the product that
        sets it, and the sign (+1 or −1) of that product.
    exhaustive : bool
        False if the search had to leave candidates out, so that a better fraction may exist.
    """

    k: int
    basic: tuple[int, ...]
    generators: tuple[tuple[int, int, int], ...] = ()
    exhaustive: bool = True

    @property
    def runs(self) -> int:
        """Runs of one replicate."""
        return 1 << len(self.basic)

    @cached_property
    def words(self) -> tuple[tuple[int, int], ...]:
        """The defining words with their signs: (mask over factors, ±1), shortest first."""
        group = [(0, 1)]
        for position, mask, sign in self.generators:
            group += [(w ^ mask ^ (1 << position), s * sign) for w, s in group]
        return tuple(sorted((w for w in group if w[0]),
                            key=lambda w: (w[0].bit_count(), members(w[0]))))

    @cached_property
    def word_lengths(self) -> tuple[int, ...]:
        """Number of words of length 1, 2, ..., k."""
        counts = [0] * self.k
        for word, _ in self.words:
            counts[word.bit_count() - 1] += 1
        return tuple(counts)

    @property
    def resolution(self) -> int | None:
        """Length of the shortest defining word; None for the full factorial."""
        return self.words[0][0].bit_count() if self.words else None

    def columns(self) -> np.ndarray:
        """Coded settings in standard order (the first basic factor changes fastest); ±1, (n, k)."""
        out = np.empty((self.runs, self.k))
        for bit, position in enumerate(self.basic):
            out[:, position] = 2.0 * (np.arange(self.runs) >> bit & 1) - 1
        for position, mask, sign in self.generators:
            out[:, position] = sign * np.prod(out[:, members(mask)], axis=1)
        return out


def members(mask: int) -> list[int]:
    """Positions of the bits that are set, lowest first."""
    return [j for j in range(mask.bit_length()) if mask >> j & 1]


def span(masks: Sequence[int]) -> list[int]:
    """All products of the given effects but the empty one."""
    group = [0]
    for mask in masks:
        group += [g ^ mask for g in group]
    return group[1:]


def roman(number: int | None) -> str:
    """A resolution in roman numerals; "full" for None."""
    return "full" if number is None else _ROMAN[number] if number < len(_ROMAN) else str(number)


@lru_cache(maxsize=256)
def best_fraction(k: int, basic: int, least_resolution: int = 3) -> Fraction | None:
    """The fraction of k factors in 2^basic runs of highest resolution and least aberration.

    Among all choices of columns for the added factors the one is taken whose word-length
    pattern (A₃, A₄, ...) is smallest, read from the left (Fries & Hunter 1980). Choices that
    differ only by renaming basic factors are looked at once; when even so there are too many
    partial choices, those of least aberration are kept and `Fraction.exhaustive` is False.

    Parameters
    ----------
    k : int
        Factors, more than `basic` and at most `GREATEST_K`.
    basic : int
        Base-2 logarithm of the number of runs.
    least_resolution : int

    Returns
    -------
    Fraction or None
        None if no fraction of that size reaches the resolution.
    """
    if k > (1 << basic) - 1:
        return None
    weight = np.array([column.bit_count() for column in range(1 << basic)])
    for resolution in range(basic + 1, max(least_resolution, 3) - 1, -1):
        found = _search(k, basic, resolution, weight)
        if found is not None:
            columns, exhaustive = found
            generators = tuple((basic + i, int(c), 1) for i, c in enumerate(columns))
            return Fraction(k, tuple(range(basic)), generators, exhaustive)
    return None


def _search(k: int, basic: int, resolution: int,
            weight: np.ndarray) -> tuple[np.ndarray, bool] | None:
    """Columns for the added factors, with no word shorter than `resolution`."""
    p = k - basic
    pool = np.flatnonzero(weight >= max(2, resolution - 1))
    if len(pool) < p:
        return None
    chosen = np.zeros((1, 0), np.int64)     # one row a partial choice
    products = np.zeros((1, 1), np.int64)   # all products of its columns, (rows, 2^s)
    added = np.zeros(1, np.int64)           # how many added factors stand in each product
    cap = _WORK // math.factorial(basic)
    exhaustive = True
    for size in range(1, p + 1):
        rows, picks = _extend(chosen, products, added, pool, resolution, weight)
        if len(rows) == 0:
            return None
        chosen = np.column_stack([chosen[rows], pool[picks]])
        products = np.hstack([products[rows], products[rows] ^ pool[picks][:, None]])
        added = np.concatenate([added, added + 1])
        if size < p:
            if len(chosen) > cap:
                keep = _least_aberration(products, added, weight, k)[:cap]
                chosen, products, exhaustive = chosen[keep], products[keep], False
            keep = _one_of_each(chosen, basic)
            chosen, products = chosen[keep], products[keep]
    best = _least_aberration(products, added, weight, k)[0]
    return np.sort(chosen[best]), exhaustive


def _extend(chosen, products, added, pool, resolution, weight):
    """Which (partial choice, further column) pairs keep every word long enough."""
    ok = np.ones((len(chosen), len(pool)), bool)
    for j in range(products.shape[1]):
        ok &= weight[products[:, j, None] ^ pool] + added[j] + 1 >= resolution
    # A column equal to a product of chosen ones would make a word of added factors alone;
    # the test above has seen it. A column chosen already would be a word of length 2.
    return np.nonzero(ok)


def _one_of_each(chosen: np.ndarray, basic: int) -> np.ndarray:
    """One row of each class that differs by the order of columns or names of basic factors."""
    size = chosen.shape[1]
    if size * basic > 62:  # too long for a key of one integer: only the order is seen through
        return np.sort(np.unique(np.sort(chosen, axis=1), axis=0, return_index=True)[1])
    place = (1 << basic) ** np.arange(size)
    key = np.full(len(chosen), np.iinfo(np.int64).max)
    for renaming in _renamings(basic):
        key = np.minimum(key, np.sort(renaming[chosen], axis=1) @ place)
    return np.sort(np.unique(key, return_index=True)[1])


@lru_cache(maxsize=8)
def _renamings(basic: int) -> np.ndarray:
    """For each order of the basic factors, what every column becomes."""
    orders = np.array(list(permutations(range(basic))))
    columns = np.arange(1 << basic)
    out = np.zeros((len(orders), 1 << basic), np.int64)
    for bit in range(basic):
        out |= (columns >> bit & 1)[None, :] << orders[:, bit, None]
    return out


def _least_aberration(products, added, weight, k) -> np.ndarray:
    """Order of the choices by word-length pattern, best first; ties keep their order."""
    lengths = weight[products] + added
    counts = np.array([np.count_nonzero(lengths == size, axis=1) for size in range(1, k + 1)])
    return np.lexsort(counts[::-1])


# ---- blocks ----------------------------------------------------------------------------

def best_blocks(fraction: Fraction, blocks: int) -> list[int]:
    """Effects to confound with blocks, so that those lost are of the highest order.

    Every subgroup of effects of the right size is looked at. Taken is the one for which the
    number of main effects, then two-factor interactions, then three-factor interactions, ...
    confounded with blocks is smallest (Sitter, Chen & Feder 1997), each effect counted with
    all its aliases.

    Parameters
    ----------
    fraction : Fraction
    blocks : int
        A power of 2.

    Returns
    -------
    list of int
        Masks over factors of independent effects; their signs make up the blocks.

    Raises
    ------
    InputError
        If any such choice would confound a main effect.
    """
    m, q = len(fraction.basic), blocks.bit_length() - 1
    if blocks != 1 << q or q >= m:
        sizes = [1 << i for i in range(1, m)]
        raise InputError("blocks", blocks, f"{fraction.runs} runs can be divided into "
                         + (f"{join(sizes, 'or')} blocks" if sizes else "no blocks"),
                         "Choose one of these, or replicate" if sizes else
                         "Replicate: a block for each replicate")
    if q == 0:
        return []
    lost = _lost(fraction)
    groups = _subgroups(m, q)
    counts = np.zeros((len(groups), fraction.k + 1), np.int64)
    part = np.zeros((len(groups), 1), np.int64)
    for j in range(q):
        part = np.hstack([part, part ^ groups[:, [j]]])
    for j in range(1, part.shape[1]):
        counts += lost[part[:, j]]
    best = np.lexsort(counts.T[::-1])[0]
    if counts[best, 1]:
        raise InputError("blocks", blocks, f"in {fraction.runs} runs that many blocks would hide "
                         "a main effect", "Use fewer blocks or more runs")
    return [_over_factors(int(g), fraction) for g in groups[best]]


def block_numbers(fraction: Fraction, masks: Sequence[int]) -> np.ndarray:
    """Block of each run in standard order, from 1: one for each pattern of the effects' signs."""
    coded = fraction.columns()
    out = np.ones(len(coded), int)
    for bit, mask in enumerate(masks):
        out += (np.prod(coded[:, members(mask)], axis=1) > 0).astype(int) << bit
    return out


def _lost(fraction: Fraction) -> np.ndarray:
    """For each basic column, how many of its aliases have 0, 1, ..., k factors."""
    words = [0] + [w for w, _ in fraction.words]
    out = np.zeros((fraction.runs, fraction.k + 1), np.int64)
    for column in range(1, fraction.runs):
        effect = _over_factors(column, fraction)
        for word in words:
            out[column, (effect ^ word).bit_count()] += 1
    return out


def _over_factors(column: int, fraction: Fraction) -> int:
    return sum(1 << fraction.basic[bit] for bit in members(column))


@lru_cache(maxsize=32)
def _subgroups(m: int, q: int) -> np.ndarray:
    """Generators of every q-dimensional subgroup of 2^m effects, in reduced form; (·, q)."""
    out = []
    for pivots in combinations(range(m), q):
        free = [[b for b in range(pivot) if b not in pivots] for pivot in pivots]
        choices = []
        for pivot, bits in zip(pivots, free, strict=True):
            choices.append([(1 << pivot) | sum(1 << b for b, on in zip(bits, pick, strict=True)
                                               if on)
                            for pick in product((0, 1), repeat=len(bits))])
        out += list(product(*choices))
    return np.array(out, np.int64)
