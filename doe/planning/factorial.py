"""Full and fractional factorial plans."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import prod
from typing import Any

import numpy as np
import pandas as pd

from doe.errors import InputError
from doe.factors import Factor, Region
from doe.mixer import Mixer
from doe.planning.generators import (
    choose_fraction,
    clear_pairs,
    kindest_half,
    parse_generators,
)
from doe.planning.plan import Plan
from doe.planning.regular import Fraction, best_blocks, block_numbers, members, roman, span
from doe.planning.structure import (
    GREATEST_RUNS,
    as_count,
    as_runs,
    assemble,
    centre_rows,
    has_middle,
    spread,
)
from doe.terms import INTERCEPT, Term, standard_terms
from doe.wording import count, join

__all__ = ["check_two_levels", "finish", "fractional_factorial", "full_factorial",
           "share_replicates"]


def full_factorial(region: Region, *, levels: int | Mapping[str, int] = 2,
                   centre_points: int = 0, replicates: int = 1, blocks: int = 1,
                   seed: int | None = None, mixer: Mixer | None = None,
                   group_hard_to_change: bool = False) -> Plan:
    """Every combination of the factors' levels.

    Parameters
    ----------
    region : Region
    levels : int or mapping of factor to int
        Levels of the numeric factors, evenly spaced over the range (2 if not named);
        categorical factors always take all of theirs.
    centre_points : int
        Runs in the middle, in all; spread over blocks, and over the levels of factors that
        have no middle.
    replicates : int
        How often every combination is run.
    blocks : int
        Whole replicates are divided among blocks where that goes up; two-level plans may
        also split a replicate into 2, 4, ... blocks.
    seed : int, optional
        Of the run order; drawn and recorded if not given.
    mixer : Mixer, optional
        Settings are snapped to what it can be set to.
    group_hard_to_change : bool
        Keep runs with the same settings of hard-to-change factors together.

    Raises
    ------
    InputError
        If an option cannot be used.
    """
    counts = _level_counts(region, levels)
    total = prod(counts.values())
    if total * as_runs("replicates", replicates, at_least=1) > GREATEST_RUNS:
        raise InputError("full factorial, runs", total * replicates, f"a plan has at most "
                         f"{GREATEST_RUNS:,} runs", "Use a fractional factorial or an optimal plan")
    if all(n == 2 for n in counts.values()):
        return _two_level(region, Fraction(len(region), tuple(range(len(region)))),
                          centre_points, replicates, blocks, seed, mixer, group_hard_to_change)
    axes = [f.settings() if not f.is_numeric or counts[f.name] == len(f.levels)
            else np.linspace(f.low, f.high, counts[f.name]) for f in region.factors]
    mesh = np.meshgrid(*[np.arange(len(a)) for a in axes], indexing="ij")
    rows = pd.DataFrame({f.name: a[m.ravel(order="F")]
                         for f, a, m in zip(region.factors, axes, mesh, strict=True)})
    block = share_replicates(len(rows), replicates, blocks)
    if block is None:
        raise InputError("blocks", blocks, f"{count(replicates, 'replicate')} of a plan with more "
                         "than two levels cannot be divided so", "Give as many blocks as "
                         "replicates, or use an optimal plan with blocks")
    terms = [t for t in standard_terms(region, "quadratic")
             if all(power == 1 or counts[name] > 2 for name, power in t.powers)]
    return finish(region, pd.concat([rows] * replicates, ignore_index=True), block, terms,
                   "full factorial", centre_points, replicates, blocks, seed, mixer,
                   group_hard_to_change,
                   {"title": "Full factorial " + "×".join(str(n) for n in counts.values()),
                    "levels": counts}, [])


def fractional_factorial(region: Region, *, runs: int | None = None,
                         resolution: int | None = None,
                         generators: str | Sequence[str] | None = None,
                         centre_points: int = 0, replicates: int = 1, blocks: int = 1,
                         seed: int | None = None, mixer: Mixer | None = None,
                         group_hard_to_change: bool = False) -> Plan:
    """A regular two-level fraction of highest resolution, then least aberration.

    Of the fractions that differ by the signs of their generators, the principal one is taken
    unless constraints make another lose fewer points.

    Parameters
    ----------
    region : Region
        Factors with two levels, or ranges of which the ends are used.
    runs : int, optional
        Runs of one replicate without centre points: a power of 2.
    resolution : int, optional
        Least resolution wanted. With neither `runs` nor `generators`: the smallest plan that
        reaches it, 4 if not given.
    generators : str or sequence of str, optional
        The user's own, such as ``"pressure = revolution * rotation_ratio * time"``; a minus
        sign takes the other half; letters may stand together if names are single letters.
    centre_points, replicates, blocks, seed, mixer, group_hard_to_change
        As in `full_factorial`; blocks are formed from the interactions of highest order.

    Raises
    ------
    InputError
        If no such fraction exists, or a factor has more than two levels and no order.

    References
    ----------
    See `doe.planning.regular`.
    """
    if resolution is not None and as_count("resolution", resolution) < 3:
        raise InputError("resolution", resolution, "main effects would be aliased with each other",
                         "Ask for 3 or more")
    check_two_levels(region)
    k = len(region)
    if generators:
        fraction = parse_generators(generators, region)
        if runs is not None and runs != fraction.runs:
            raise InputError("runs", runs, f"these generators make {fraction.runs} runs",
                             "Leave one of the two out")
        if resolution is not None and fraction.resolution and fraction.resolution < resolution:
            raise InputError("generators", generators, f"they make resolution "
                             f"{roman(fraction.resolution)}", "Change them or ask for less")
    else:
        fraction = choose_fraction(k, runs, resolution)
        if fraction.generators:
            fraction = kindest_half(fraction, region, mixer)
    return _two_level(region, fraction, centre_points, replicates, blocks, seed, mixer,
                      group_hard_to_change)


def _two_level(region: Region, fraction: Fraction, centre_points: int, replicates: int,
               blocks: int, seed: int | None, mixer: Mixer | None, group: bool) -> Plan:
    names = region.names
    product_of = lambda mask, by=" * ": by.join(names[j] for j in members(mask))  # noqa: E731
    replicates = as_runs("replicates", replicates, at_least=1)
    blocks = as_runs("blocks", blocks, at_least=1)
    coded = fraction.columns()
    block = share_replicates(len(coded), replicates, blocks)
    confounded: list[int] = []
    if block is None and blocks % replicates == 0:
        confounded = best_blocks(fraction, blocks // replicates)
        within = block_numbers(fraction, confounded)
        block = np.concatenate([within + r * (blocks // replicates) for r in range(replicates)])
    elif block is None:
        raise InputError("blocks", blocks, f"{count(replicates, 'replicate')} cannot be divided "
                         "so", "Let one number be a multiple of the other")
    p = len(fraction.generators)
    details: dict[str, Any] = {
        "title": (f"Fractional factorial 2^({fraction.k}−{p}), resolution "
                  f"{roman(fraction.resolution)}" if p else f"Full factorial 2^{fraction.k}"),
        "generators": [f"{names[j]} = {'-' if sign < 0 else ''}{product_of(mask)}"
                       for j, mask, sign in fraction.generators],
        "defining_words": [{"factors": [names[j] for j in members(w)], "sign": s}
                           for w, s in fraction.words],
        "resolution": fraction.resolution,
        "word_lengths": list(fraction.word_lengths),
        "block_generators": [[names[j] for j in members(mask)] for mask in confounded],
        "exhaustive": fraction.exhaustive,
    }
    remarks = []
    if not fraction.exhaustive:
        remarks.append("The search for generators could not look at every choice: a fraction of "
                       "less aberration may exist.")
    if any(sign < 0 for _, _, sign in fraction.generators):
        remarks.append("Not the principal fraction: the signs of the generators are "
                       + ", ".join(details["generators"]) + ".")
    if confounded:
        shortest = sorted({min((m ^ w for w in [0, *(w for w, _ in fraction.words)]),
                               key=lambda e: (e.bit_count(), members(e)))
                           for m in span(confounded)}, key=lambda e: (e.bit_count(), members(e)))
        listed = [" × ".join(region[names[j]].label for j in members(e)) for e in shortest]
        remarks.append("Confounded with blocks and not to be told from differences between them: "
                       + join(listed[:7]) + (", ..." if len(listed) > 7 else "")
                       + (" (and what they are aliased with)." if p else "."))
    terms = [INTERCEPT, *(Term(n) for n in names),
             *(Term(names[i], names[j]) for i, j in clear_pairs(fraction, confounded))]
    return finish(region, region.decode(np.vstack([coded] * replicates)), block, terms,
                   "fractional factorial" if p else "full factorial", centre_points, replicates,
                   blocks, seed, mixer, group, details, remarks)


def share_replicates(size: int, replicates: int, blocks: int) -> np.ndarray | None:
    """Block of each run, whole replicates of `size` runs to a block; None where that fails."""
    if as_runs("replicates", replicates, at_least=1) % as_runs("blocks", blocks, at_least=1):
        return None
    return np.repeat(np.arange(replicates) % blocks + 1, size)


def finish(region: Region, rows: pd.DataFrame, block: np.ndarray, terms: Sequence[Term],
            family: str, centre_points: int, replicates: int, blocks: int, seed: int | None,
            mixer: Mixer | None, group: bool, details: dict[str, Any],
            remarks: list[str]) -> Plan:
    """Centre points added to a factorial's rows, and the whole made a plan."""
    centre_points = as_runs("centre_points", centre_points)
    middle, said = centre_rows(region, centre_points)
    where = [b + 1 for b, n in enumerate(spread(centre_points, blocks)) for _ in range(n)]
    if centre_points and not any(has_middle(f) for f in region.factors):
        raise InputError("centre_points", centre_points, "no factor has a middle setting",
                         "Leave them out, or replicate")
    return assemble(
        region, pd.concat([rows, middle], ignore_index=True) if centre_points else rows,
        point=["factorial"] * len(rows) + ["centre"] * centre_points,
        block=np.concatenate([block, where]).astype(int), terms=terms, family=family, seed=seed,
        mixer=mixer, group_hard_to_change=group,
        details={**details, "replicates": replicates, "centre_points": centre_points},
        remarks=[*remarks, *said])


def check_two_levels(region: Region) -> None:
    """Refuse categorical factors of more than two levels."""
    for f in region.factors:
        if not f.is_numeric and len(f.levels) > 2:
            raise InputError(f"factor '{f.name}', levels", f.levels, "a two-level plan takes "
                             "categorical factors of two levels only",
                             "Choose two of the levels, or use a mixed-levels, full factorial or "
                             "optimal plan")


def _level_counts(region: Region, levels: int | Mapping[str, int]) -> dict[str, int]:
    given = dict(levels) if isinstance(levels, Mapping) else {}
    for name in given:
        region[name]
    out = {}
    for f in region.factors:
        if f.is_numeric:
            asked = given.get(f.name, 2 if isinstance(levels, Mapping) else levels)
            out[f.name] = _possible(f, as_count(f"levels of '{f.name}'", asked, at_least=2))
        else:
            out[f.name] = len(f.levels)
    return out


def _possible(f: Factor, asked: int) -> int:
    if f.kind == "ordinal" and asked > len(f.levels):
        raise InputError(f"levels of '{f.name}'", asked, f"it has {len(f.levels)} settable levels",
                         "Ask for no more than it has")
    return asked
