"""Which fraction of the two-level factorial to run: by size, by resolution, or the user's own."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import combinations, product

import numpy as np

from doe.errors import InputError
from doe.factors import Region
from doe.mixer import Mixer
from doe.planning.regular import (
    GREATEST_BASIC,
    GREATEST_K,
    Fraction,
    best_fraction,
    members,
    roman,
    span,
)
from doe.planning.settle import feasible, settable
from doe.planning.structure import as_runs
from doe.wording import count, join

__all__ = ["choose_fraction", "clear_pairs", "kindest_half", "parse_generators"]


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
    runs = as_runs("runs", runs, at_least=1)
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
    # Called as `suggest_runs` does, so that a search made once is not made again.
    found = best_fraction(k, basic, resolution) if resolution else best_fraction(k, basic)
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


def kindest_half(fraction: Fraction, region: Region, mixer: Mixer | None) -> Fraction:
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
