"""Which plans there are for a region, and making one by its name."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from math import comb, prod

import pandas as pd

from doe.errors import InputError
from doe.factors import Region
from doe.planning.composite import small_composite
from doe.planning.definitive import definitive_screening
from doe.planning.doehlert import doehlert_shell
from doe.planning.factorial import fractional_factorial, full_factorial
from doe.planning.generators import clear_pairs
from doe.planning.hadamard import GREATEST_CONFERENCE
from doe.planning.layout import SPARE
from doe.planning.mixed import level_counts, mixed_levels, mixed_terms, usual_size
from doe.planning.optimal import optimal_plan
from doe.planning.plan import Plan
from doe.planning.regular import GREATEST_BASIC, GREATEST_K, Fraction, best_fraction, roman
from doe.planning.screening import plackett_burman
from doe.planning.split_plot import random_blocks, split_plot, usual_sizes
from doe.planning.structure import has_middle
from doe.planning.surface import box_behnken, central_composite
from doe.terms import exponents, standard_terms
from doe.wording import join

__all__ = ["FAMILIES", "make_plan", "options_of", "suggest_runs", "usual_centre_points"]

_LARGEST = 256
_TWO_LEVEL = ("full factorial", "fractional factorial", "Plackett–Burman")
_SOON = 60
"""An optimal plan for a model of at most so many coefficients is found within seconds."""

FAMILIES: dict[str, Callable[..., Plan]] = {
    "full factorial": full_factorial,
    "fractional factorial": fractional_factorial,
    "Plackett–Burman": plackett_burman,
    "definitive screening": definitive_screening,
    "mixed levels": mixed_levels,
    "central composite": central_composite,
    "small composite": small_composite,
    "Box–Behnken": box_behnken,
    "Doehlert": doehlert_shell,
    "split-plot": split_plot,
    "random blocks": random_blocks,
    "optimal": optimal_plan,
}
"""Plan families by name."""


def make_plan(region: Region, family: str, **options: object) -> Plan:
    """A plan of the family called so; the options are those of the family's function.

    Case and kind of dash do not matter in the name.

    Raises
    ------
    InputError
        If the family or an option is unknown, or an option cannot be used.
    """
    name, known = _called(family), options_of(family)
    for option in options:
        if option not in known:
            raise InputError(f"{name} plan, option", option, "no such option",
                             "Use: " + ", ".join(known))
    return FAMILIES[name](region, **options)


def options_of(family: str) -> list[str]:
    """Options that `make_plan` takes for the family called so.

    >>> options_of("split-plot")[:3]
    ['whole_plots', 'runs', 'ratio']
    """
    known = inspect.signature(FAMILIES[_called(family)]).parameters
    return [name for name in known if name != "region"]


def usual_centre_points(family: str, region: Region) -> dict[str, int]:
    """Centre points of a plan that has none of its own, as an option of `make_plan`.

    Three for two-level plans, for curvature and an estimate of error, where the region has a
    middle; none for others (common practice, no source).
    """
    middle = any(has_middle(f) for f in region.factors)
    return {"centre_points": 3} if middle and _called(family) in _TWO_LEVEL else {}


def _called(family: str) -> str:
    name = next((n for n in FAMILIES if _bare(n) == _bare(family)), None)
    if name is None:
        raise InputError("family", family, "no such family of plans",
                         "Use one of: " + ", ".join(FAMILIES))
    return name


def _bare(text: object) -> str:
    return str(text).casefold().replace("–", "-")


def suggest_runs(region: Region) -> pd.DataFrame:
    """Plans of fixed size that fit the region, the smallest first of each family, and optimal
    plans of the usual size, split plots among them if a factor is hard to change.

    Returns
    -------
    DataFrame
        ``family``, ``options`` (dict for `make_plan`), ``runs`` (usual centre points included),
        ``resolution`` (roman numerals, or empty), ``coefficients`` (of the model the plan is
        made for) and ``tells`` (in words).
    """
    region = Region(region.factors)  # constraints move points, but not their number
    k = len(region)
    rows: list[dict] = []
    two_level = all(f.is_numeric or len(f.levels) == 2 for f in region.factors)
    pairs = comb(k, 2)
    if two_level and 3 <= k <= GREATEST_K:
        for basic in range(2, min(k - 1, GREATEST_BASIC) + 1):
            fraction = best_fraction(k, basic)
            if fraction is None:
                continue
            clear = len(clear_pairs(fraction))
            rows.append(_row("fractional factorial", {"runs": fraction.runs}, fraction.runs,
                             1 + k + clear, _tells(fraction, clear, pairs),
                             roman(fraction.resolution)))
    if two_level and (8 <= k <= 11 or 16 <= k <= 47):  # else 8 or 16 runs carry them
        rows.append(_row("Plackett–Burman", {}, len(plackett_burman(region, seed=0)), 1 + k,
                         "main effects, each blurred a little by many two-factor interactions"))
    if two_level and (9 <= k <= 11 or 17 <= k <= 23):  # else as many runs of resolution IV
        mirrored = {"mirrored": True}
        rows.append(_row("Plackett–Burman", mirrored,
                         len(plackett_burman(region, seed=0, **mirrored)), 1 + k,
                         "main effects clear of two-factor interactions"))
    if two_level and sum(map(has_middle, region.factors)) >= 3 and k <= GREATEST_CONFERENCE - 2:
        for fake, note in ((0, ""), (2, ", with runs to spare for estimating error")):
            plan = definitive_screening(region, fake_factors=fake, seed=0)
            rows.append(_row("definitive screening", {"fake_factors": fake}, len(plan), 1 + k,
                             "main effects clear of all squares and two-factor interactions, and "
                             f"the largest few of these{note}"))
    if k >= 3 and any(len(f.levels) > 2 for f in region.factors):
        counts = level_counts(region)
        size, terms = usual_size(counts), mixed_terms(region, counts)
        rows.append(_row("mixed levels", {"runs": size}, size, len(exponents(region, terms)[1]),
                         "main effects of all levels, with squares of numeric factors"))
    every = prod(2 if f.is_numeric else len(f.levels) for f in region.factors)
    if every <= _LARGEST:
        plan = full_factorial(region, seed=0)
        columns = len(exponents(region, plan.terms)[1])
        rows.append(_row("full factorial", {}, every, columns,
                         "main effects and all interactions", "full"))
    quadratic = 1 + 2 * k + pairs
    if all(f.is_numeric and has_middle(f) for f in region.factors):
        if 3 <= k <= 7:
            rows.append(_row("Box–Behnken", {}, len(box_behnken(region, seed=0)), quadratic,
                             "curvature and two-factor interactions; no run at a corner"))
        if 2 <= k <= 8:
            rows.append(_row("Doehlert", {}, k * k + k + 3, quadratic,
                             "curvature and two-factor interactions; one factor at three "
                             "settings, one at five, any others at seven"))
        if 3 <= k <= 10:
            rows.append(_row("small composite", {}, len(small_composite(region, seed=0)),
                             quadratic, "curvature and two-factor interactions, with hardly a "
                             "run to spare"))
        if 2 <= k <= 10:
            for axial, note in (("face-centred", "at three settings of each factor"),
                                ("rotatable", "at five settings of each factor")):
                plan = central_composite(region, axial=axial, seed=0)
                rows.append(_row("central composite", {"axial": axial}, len(plan), quadratic,
                                 f"curvature and two-factor interactions, {note}"))
    rows += _optimal(region)
    if not rows:
        raise InputError("region, factors", region.names, "no plan of fixed size fits them",
                         "Use a full factorial with fewer levels, or an optimal plan")
    return pd.DataFrame(rows)


def _optimal(region: Region) -> list[dict]:
    """Optimal plans and split plots for the usual models, where they are soon found."""
    rows, before = [], 0
    hard = [f.label for f in region.factors if f.hard_to_change]
    for model in ("interactions", "quadratic"):
        terms = standard_terms(region, model)
        p = len(exponents(region, terms)[1])
        if before < p <= _SOON:
            tells = join(["main effects", *(["curvature"] if model == "quadratic" else []),
                          *(["two-factor interactions"] if len(region) > 1 else [])])
            rows.append(_row("optimal", {"model": model}, p + SPARE, p,
                             f"{tells}, together as closely as runs inside the limits allow"))
            if hard:
                plots, runs = usual_sizes(region, terms)
                rows.append(_row("split-plot", {"model": model}, runs, p,
                                 f"{tells}, with {join(hard)} set {plots} times only"))
        before = p
    return rows


def _row(family: str, options: dict, runs: int, coefficients: int, tells: str,
         resolution: str = "") -> dict:
    return {"family": family, "options": options, "runs": runs, "resolution": resolution,
            "coefficients": coefficients, "tells": tells}


def _tells(fraction: Fraction, clear: int, pairs: int) -> str:
    if fraction.resolution == 3:
        parts = ["main effects, if two-factor interactions are small"]
    elif clear == pairs:
        parts = ["main effects", "all two-factor interactions"]
    else:
        parts = ["main effects", f"{clear or 'none'} of {pairs} two-factor interactions"]
    return join(parts)
