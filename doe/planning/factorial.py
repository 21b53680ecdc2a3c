"""Full and fractional factorial plans."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from itertools import combinations, product
from typing import Any

import numpy as np
import pandas as pd

from doe.errors import InputError
from doe.factors import Factor, Region
from doe.mixer import Mixer
from doe.planning.plan import Plan
from doe.planning.regular import (
    GREATEST_BASIC,
    GREATEST_K,
    Fraction,
    best_blocks,
    best_fraction,
    members,
    roman,
    span,
)
from doe.planning.settle import feasible, settable
from doe.planning.structure import as_count, assemble, centre_rows, has_middle, spread
from doe.terms import INTERCEPT, Term, standard_terms
from doe.wording import count, join

__all__ = ["choose_fraction", "clear_pairs", "fractional_factorial", "full_factorial",
           "parse_generators"]

GREATEST_RUNS = 4096


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
    total = int(np.prod(list(counts.values())))
    if total * as_count("replicates", replicates, at_least=1) > GREATEST_RUNS:
        raise InputError("full factorial", total * replicates, f"that is more than "
                         f"{GREATEST_RUNS} runs", "Use a fractional factorial or an optimal plan")
    if all(n == 2 for n in counts.values()):
        return _two_level(region, Fraction(len(region), tuple(range(len(region)))),
                          centre_points, replicates, blocks, seed, mixer, group_hard_to_change)
    axes = [f.settings() if not f.is_numeric or counts[f.name] == len(f.levels)
            else np.linspace(f.low, f.high, counts[f.name]) for f in region.factors]
    mesh = np.meshgrid(*[np.arange(len(a)) for a in axes], indexing="ij")
    rows = pd.DataFrame({f.name: a[m.ravel(order="F")]
                         for f, a, m in zip(region.factors, axes, mesh, strict=True)})
    if replicates % as_count("blocks", blocks, at_least=1):
        raise InputError("blocks", blocks, f"{count(replicates, 'replicate')} of a plan with more "
                         "than two levels cannot be divided so", "Give as many blocks as "
                         "replicates, or use an optimal plan with blocks")
    block = np.repeat(np.arange(replicates) % blocks + 1, len(rows))
    terms = [t for t in standard_terms(region, "quadratic")
             if all(power == 1 or counts[name] > 2 for name, power in t.powers)]
    return _finish(region, pd.concat([rows] * replicates, ignore_index=True), block, terms,
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
    _level_counts(region, 2, two=True)
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
            fraction = _kindest(fraction, region, mixer)
    return _two_level(region, fraction, centre_points, replicates, blocks, seed, mixer,
                      group_hard_to_change)


def choose_fraction(k: int, runs: int | None = None, resolution: int | None = None) -> Fraction:
    """The fraction of k factors for that many runs, or the smallest of that resolution.

    Raises
    ------
    InputError
        If there is none.
    """
    full = Fraction(k, tuple(range(k)))
    if k > GREATEST_K:
        raise InputError("factors", k, f"fractions are made for at most {GREATEST_K} factors",
                         "Leave factors out or use an optimal plan")
    if runs is None:
        for basic in range(2, min(k - 1, GREATEST_BASIC) + 1):
            found = best_fraction(k, basic, resolution or 4)
            if found:
                return found
        if k > GREATEST_BASIC:
            raise InputError("resolution", resolution, f"no fraction of up to "
                             f"{1 << GREATEST_BASIC} runs reaches it with {k} factors",
                             "Ask for less, leave factors out or use an optimal plan")
        return full
    runs = as_count("runs", runs, at_least=1)
    basic = runs.bit_length() - 1
    if runs != 1 << basic or runs > full.runs or basic < 2:
        low = next(b for b in range(2, k + 1) if k <= (1 << b) - 1) if k > 1 else 1
        sizes = [1 << b for b in range(low, min(k, GREATEST_BASIC) + 1)]
        raise InputError("runs", runs, f"a two-level fraction of {count(k, 'factor')} has a power "
                         "of 2 of runs", "Use " + join(sizes, "or") + "; for more, replicate")
    if runs == full.runs:
        return full
    if basic > GREATEST_BASIC:
        raise InputError("runs", runs, f"fractions are made for up to {1 << GREATEST_BASIC} runs",
                         "Use fewer runs")
    found = best_fraction(k, basic, resolution or 3)
    if found is None:
        best = best_fraction(k, basic)
        reached = (f"with {count(k, 'factor')} the best is resolution {roman(best.resolution)}"
                   if best else f"that many runs carry at most {runs - 1} factors, not {k}")
        raise InputError("runs", runs, reached,
                         "Use more runs" + (" or ask for less resolution" if best else ""))
    return found


def parse_generators(generators: str | Iterable[str], region: Region) -> Fraction:
    """The fraction that generators such as ``"d = a * b * c"`` make.

    Factors may be joined by ``*``, ``×`` or ``:``; several generators in one text are parted
    by commas or semicolons.

    Raises
    ------
    InputError
        If a text is not of that form, names an unknown factor, or two factors would move
        together.
    """
    texts = re.split(r"[,;]", generators) if isinstance(generators, str) else list(generators)
    names, made = region.names, []
    for text in texts:
        match = re.fullmatch(r"\s*(\w+)\s*=\s*([-+−]?)([^=+−-]+)", text)
        if not match:
            raise InputError("generator", text, "this is not of the form 'd = a * b * c'",
                             "Write factor = product of factors, with a minus sign for the "
                             "other half")
        right = [n for part in re.split(r"[*×:]", match[3])
                 for n in _letters(part.strip(), names, text)]
        left = _letters(match[1], names, text)
        if len(left) != 1 or len(set(right)) != len(right):
            raise InputError("generator", text, "one factor is needed on the left, and each on "
                             "the right once", "Write it as 'd = a * b * c'")
        made.append((left[0], right, -1 if match[2] in ("-", "−") else 1))
    added = [left for left, _, _ in made]
    for left, right, _ in made:
        for name in [left] if added.count(left) > 1 else [n for n in right if n in added]:
            raise InputError("generator", f"{left} = {' * '.join(right)}",
                             f"{name} is itself set by a generator",
                             "Use factors on the right that stand on no left side, and each "
                             "factor on the left once")
    place = {name: j for j, name in enumerate(names)}
    fraction = Fraction(
        len(names), tuple(place[n] for n in names if n not in added),
        tuple((place[left], sum(1 << place[n] for n in right), sign)
              for left, right, sign in made))
    if fraction.resolution < 3:
        pair = [names[j] for j in members(fraction.words[0][0])]
        raise InputError("generators", generators, f"{join(pair)} would always move together",
                         "Use products of at least two factors, no two of them the same")
    return fraction


def _letters(part: str, names: list[str], whole: str) -> list[str]:
    if part in names:
        return [part]
    if part and all(letter in names for letter in part):
        return list(part)
    raise InputError(f"generator '{whole.strip()}'", part, "no such factor",
                     "Use the factors' names: " + ", ".join(names))


def _kindest(fraction: Fraction, region: Region, mixer: Mixer | None) -> Fraction:
    """The choice of generators' signs that leaves fewest points outside what can be run."""
    if fraction.k > 12:
        return fraction
    corners = region.decode(Fraction(fraction.k, tuple(range(fraction.k))).columns())
    inside = feasible(region, settable(region, corners, mixer), mixer)
    if inside.all():
        return fraction
    best, fewest = fraction, None
    for signs in product((1, -1), repeat=len(fraction.generators)):
        other = replace(fraction, generators=tuple(
            (position, mask, sign) for (position, mask, _), sign
            in zip(fraction.generators, signs, strict=True)))
        rows = ((other.columns() > 0) @ (1 << np.arange(fraction.k))).astype(int)
        outside = int((~inside[rows]).sum())
        if fewest is None or outside < fewest:
            best, fewest = other, outside
    return best


def _two_level(region: Region, fraction: Fraction, centre_points: int, replicates: int,
               blocks: int, seed: int | None, mixer: Mixer | None, group: bool) -> Plan:
    names = region.names
    product_of = lambda mask, by=" * ": by.join(names[j] for j in members(mask))  # noqa: E731
    replicates = as_count("replicates", replicates, at_least=1)
    blocks = as_count("blocks", blocks, at_least=1)
    coded = fraction.columns()
    if replicates % blocks == 0:
        confounded: list[int] = []
        block = np.repeat(np.arange(replicates) % blocks + 1, len(coded))
    elif blocks % replicates == 0:
        confounded = best_blocks(fraction, blocks // replicates)
        within = np.zeros(len(coded), int)
        for bit, mask in enumerate(confounded):
            within += (np.prod(coded[:, members(mask)], axis=1) > 0).astype(int) << bit
        block = np.concatenate([within + 1 + r * (blocks // replicates)
                                for r in range(replicates)])
    else:
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
    return _finish(region, region.decode(np.vstack([coded] * replicates)), block, terms,
                   "fractional factorial" if p else "full factorial", centre_points, replicates,
                   blocks, seed, mixer, group, details, remarks)


def clear_pairs(fraction: Fraction, confounded: Sequence[int] = ()) -> list[tuple[int, int]]:
    """Two-factor interactions aliased with no main effect, no other of them, and no block.

    Parameters
    ----------
    fraction : Fraction
    confounded : sequence of int
        Masks of effects that make up the blocks.

    Returns
    -------
    list of (int, int)
        Positions of the two factors.
    """
    words = [0] + [w for w, _ in fraction.words]
    blocks = set(span(confounded))
    out = []
    for i, j in combinations(range(fraction.k), 2):
        aliases = [(1 << i | 1 << j) ^ w for w in words]
        if sum(a.bit_count() <= 2 for a in aliases) == 1 and blocks.isdisjoint(aliases):
            out.append((i, j))
    return out


def _finish(region: Region, rows: pd.DataFrame, block: np.ndarray, terms: Sequence[Term],
            family: str, centre_points: int, replicates: int, blocks: int, seed: int | None,
            mixer: Mixer | None, group: bool, details: dict[str, Any],
            remarks: list[str]) -> Plan:
    centre_points = as_count("centre_points", centre_points)
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


def _level_counts(region: Region, levels: int | Mapping[str, int],
                  two: bool = False) -> dict[str, int]:
    given = dict(levels) if isinstance(levels, Mapping) else {}
    for name in given:
        region[name]
    out = {}
    for f in region.factors:
        if not f.is_numeric:
            if two and len(f.levels) > 2:
                raise InputError(f"factor '{f.name}', levels", f.levels, "a two-level plan takes "
                                 "categorical factors of two levels only",
                                 "Choose two of the levels, or use a full factorial or an optimal "
                                 "plan")
            out[f.name] = len(f.levels)
            continue
        asked = given.get(f.name, 2 if isinstance(levels, Mapping) else levels)
        out[f.name] = _possible(f, as_count(f"levels of '{f.name}'", asked, at_least=2))
    return out


def _possible(f: Factor, asked: int) -> int:
    if f.kind == "ordinal" and asked > len(f.levels):
        raise InputError(f"levels of '{f.name}'", asked, f"it has {len(f.levels)} settable levels",
                         "Ask for no more than it has")
    return asked
