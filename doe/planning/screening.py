"""Screening plans whose size is a multiple of four, not only a power of two.

References
----------
Plackett, R. L. & Burman, J. P. (1946). The design of optimum multifactorial experiments.
*Biometrika* 33, 305–325.
Box, G. E. P. & Wilson, K. B. (1951). *Journal of the Royal Statistical Society B* 13, 1–45
(adding the mirror image of every run).
Hamada, M. & Wu, C. F. J. (1992). Analysis of designed experiments with complex aliasing.
*Journal of Quality Technology* 24, 130–137.
Tang, B. & Deng, L.-Y. (1999). Minimum G₂-aberration for nonregular fractional factorial
designs. *Annals of Statistics* 27, 1914–1926.
"""

from __future__ import annotations

from fractions import Fraction
from functools import lru_cache
from itertools import combinations

import numpy as np

from doe.errors import InputError
from doe.factors import Region
from doe.mixer import Mixer
from doe.planning.factorial import check_two_levels, finish, share_replicates
from doe.planning.hadamard import DOUBLED, balanced_columns
from doe.planning.plan import Plan
from doe.planning.structure import as_runs
from doe.terms import standard_terms
from doe.wording import count, join, percent

__all__ = ["plackett_burman"]

_SIZES = range(4, 49, 4)
_REGULAR = (4, 8, 16)
_STARTS = 8


def plackett_burman(region: Region, *, runs: int | None = None, mirrored: bool = False,
                    centre_points: int = 0, replicates: int = 1, blocks: int = 1,
                    seed: int | None = None, mixer: Mixer | None = None,
                    group_hard_to_change: bool = False) -> Plan:
    """A two-level plan in a multiple of four runs, for main effects.

    Main effects are independent of each other, but each is shifted a little by many two-factor
    interactions. Of the columns there are, those are taken that make these shifts small. Plans
    of 4, 8 and 16 runs are regular fractions, of which `fractional_factorial` states the aliases
    more simply; they are made only if asked for.

    Parameters
    ----------
    region : Region
        2 to 47 factors with two levels, or ranges of which the ends are used.
    runs : {4, 8, 12, ..., 48}, optional
        Of one replicate, before mirroring; if not given, the smallest that carries the factors
        and is no regular fraction.
    mirrored : bool
        Add every run with all factors at their other end: twice the runs, and main effects
        clear of two-factor interactions.
    centre_points, replicates, seed, mixer, group_hard_to_change
        As in `doe.planning.factorial.full_factorial`.
    blocks : int
        As many as whole replicates can be divided among; 2 for a mirrored plan parts the runs
        from their mirror images, for others they follow a column left free.

    Raises
    ------
    InputError
        If the factors do not fit, or an option cannot be used.
    """
    check_two_levels(region)
    k = len(region)
    sizes = [n for n in _SIZES if k < n]
    if k < 2 or not sizes:
        raise InputError("factors", k, f"a Plackett–Burman plan here takes 2 to {_SIZES[-1] - 1}",
                         "Change the factors, or use a full factorial or an optimal plan")
    if runs is None:
        runs = next(n for n in sizes if n not in _REGULAR)
    elif as_runs("runs", runs) not in sizes:
        raise InputError("runs", runs, f"that is no size of a Plackett–Burman plan for "
                         f"{count(k, 'factor')}", "Use " + join(sizes, "or"))
    columns = balanced_columns(runs)
    whole = share_replicates(1, replicates, blocks) is not None
    spare = not (whole or mirrored) and blocks == 2 and k < runs - 1
    chosen = _least_aliased(runs, k + spare)
    coded = columns[:, chosen[:k]]
    half = np.ones(runs, int) if not spare else np.where(columns[:, chosen[k]] > 0, 2, 1)
    remarks = [_partial(coded)] if not mirrored else [
        "Every run has its mirror image, so main effects are clear of two-factor interactions."]
    if mirrored:
        coded, half = np.vstack([coded, -coded]), np.repeat([1, 2], runs)
    block = share_replicates(len(coded), replicates, blocks)
    if block is None and blocks == 2 and (mirrored or spare):
        block = np.tile(half, replicates)
    elif block is None:
        raise InputError("blocks", blocks, f"{count(replicates, 'replicate')} cannot be divided "
                         "so", "Give as many blocks as replicates, or two"
                         + ("" if mirrored else " for a mirrored plan or one with fewer factors"))
    if spare:
        remarks.append("Blocks follow a column left free: they are orthogonal to main effects, but "
                       "confounded with two-factor interactions, in part or in whole.")
    title = f"Plackett–Burman in {runs} runs" + (" and their mirror images" if mirrored else "")
    return finish(region, region.decode(np.vstack([coded] * replicates)), block,
                  standard_terms(region, "linear"), "Plackett–Burman", centre_points, replicates,
                  blocks, seed, mixer, group_hard_to_change,
                  {"title": title, "mirrored": bool(mirrored), "columns": chosen[:k]}, remarks)


@lru_cache(maxsize=128)
def _least_aliased(runs: int, k: int) -> list[int]:
    """Which k columns to take, so that triples, then quadruples, are least aliased.

    Columns are added one by one, from a few starts: sought are the fewest full aliases among
    triples, then the least sum over triples, then over quadruples, of the squared alias
    coefficient (Tang & Deng 1999).
    """
    columns = balanced_columns(runs)
    pool = np.arange(runs - 1)
    if k == runs - 1:
        return pool.tolist()
    if runs in DOUBLED:
        # Half the columns are in mirror images, so clear of interactions; the last of them is
        # fully aliased with the interaction of any other and its twin.
        pool = pool[:runs // 2] if k <= runs // 2 else np.delete(pool, runs // 2 - 1)
    starts = range(1, min(len(pool), 1 + (_STARTS if 2 < k <= runs // 2 else 1)))
    best = min(_grown(columns[:, pool], k, (0, second)) for second in starts)
    return pool[best[1]].tolist()


def _grown(columns: np.ndarray, k: int,
           start: tuple[int, ...]) -> tuple[tuple[float, ...], list[int]]:
    n, m = columns.shape
    chosen: list[int] = []
    worth = np.zeros((3, m))      # what each column would add to the three sums
    total = np.zeros(3)
    while len(chosen) < k:
        if len(chosen) < len(start):
            new = start[len(chosen)]
        else:
            left = np.setdiff1d(np.arange(m), chosen)
            new = int(left[np.lexsort(np.round(worth[::-1, left], 9))[0]])
        total += worth[:, new]
        earlier = columns[:, chosen]
        a, b = np.triu_indices(len(chosen), 1)
        three, four = (((words * columns[:, [new]]).T @ columns / n)**2
                       for words in (earlier, earlier[:, a] * earlier[:, b]))
        worth += np.vstack([(three > 0.999).sum(axis=0), three.sum(axis=0), four.sum(axis=0)])
        chosen.append(new)
    return tuple(np.round(total, 9)), chosen


def _partial(coded: np.ndarray) -> str:
    """How far main effects are aliased with interactions that do not contain them, in words."""
    n, k = coded.shape
    triples = np.array(list(combinations(range(k), 3)), int).reshape(-1, 3)
    sums = np.abs(np.prod(coded[:, triples], axis=2).sum(axis=0)).round().astype(int)
    sizes, counts = np.unique(sums, return_counts=True)
    if not sums.any():
        return "Main effects are clear of each other and of two-factor interactions."
    if n in _REGULAR:
        return (f"With {n} runs this is a regular fraction: in {np.count_nonzero(sums)} of "
                f"{count(len(triples), 'set')} of three factors each main effect is fully aliased "
                "with the interaction of the other two. A fractional factorial of as many runs is "
                "as good or better, and simpler to read.")
    parts = []
    for size, number in list(zip(sizes, counts, strict=True))[::-1]:
        share = "all" if number == len(triples) else percent(number / len(triples))
        parts.append(f"by {Fraction(int(size), n)} with {share}" if size else
                     f"not at all with {share}")
    return ("Main effects are independent of each other, but each is partly aliased with "
            "two-factor interactions that do not contain it: " + join(parts) + " of these. A "
            "real interaction shifts such main effects by that part of itself.")
