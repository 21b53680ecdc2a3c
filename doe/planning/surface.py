"""Response-surface plans: central composite and Box–Behnken.

References
----------
Box, G. E. P. & Wilson, K. B. (1951). On the experimental attainment of optimum conditions.
*Journal of the Royal Statistical Society B* 13, 1–45.
Box, G. E. P. & Hunter, J. S. (1957). Multi-factor experimental designs for exploring response
surfaces. *Annals of Mathematical Statistics* 28, 195–241.
Box, G. E. P. & Behnken, D. W. (1960). Some new three level designs for the study of
quantitative variables. *Technometrics* 2, 455–475.
NIST/SEMATECH e-Handbook of Statistical Methods, 5.3.3.6.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from math import sqrt
from typing import Any

import numpy as np
import pandas as pd

from doe.errors import InputError, as_choice, as_number
from doe.factors import Region, to_increment
from doe.mixer import Mixer
from doe.planning.cubes import SmallCube, small_cube
from doe.planning.factorial import share_replicates
from doe.planning.generators import choose_fraction
from doe.planning.plan import Plan
from doe.planning.regular import (
    Fraction,
    best_blocks,
    block_numbers,
    members,
    roman,
    span,
)
from doe.planning.settle import outside_mixer, rank, settable
from doe.planning.structure import as_runs, assemble, has_middle, spread
from doe.terms import standard_terms
from doe.wording import count, digits, join

__all__ = ["axial_distance", "box_behnken", "central_composite"]

AXIAL = ("rotatable", "face-centred", "inscribed", "spherical", "orthogonal", "orthogonal blocks")
GREATEST_CUBE = 256

_POSITIVE = ("revolution", "time", "pressure")


def axial_distance(kind: str, *, factors: int, cube: int, cube_centre: int = 0,
                   axial_centre: int = 0, replicates: int = 1) -> float:
    """Distance of the axial points from the centre, the cube at ±1.

    Parameters
    ----------
    kind : {"rotatable", "face-centred", "inscribed", "spherical", "orthogonal", \
"orthogonal blocks"}
        * rotatable (and inscribed, which scales it): F^(1/4); the prediction variance depends
          on the distance from the centre alone (Box & Hunter 1957).
        * face-centred: 1.
        * spherical: √k; all points but the centre on one sphere.
        * orthogonal: squares uncorrelated with each other,
          α² = (√(F N) − F) / 2 with N = F + 2k + n₀ (Box & Wilson 1951).
        * orthogonal blocks: α² = F (2k + n₀ₐ) / (2 (F + n₀_c)), so that an axial block does not
          disturb the model (Box & Hunter 1957).
    factors : int
        k.
    cube : int
        F, cube points in one replicate.
    cube_centre, axial_centre : int
        n₀_c and n₀ₐ, centre points run with the cube and with the axial points; n₀ together.
    replicates : int
        Of cube and axial points alike.
    """
    as_choice("axial", kind, AXIAL)
    k, F, r = factors, cube, replicates
    if kind == "face-centred":
        return 1.0
    if kind == "spherical":
        return sqrt(k)
    if kind == "orthogonal":
        total = r * (F + 2 * k) + cube_centre + axial_centre
        return sqrt((sqrt(r * F * total) - r * F) / (2 * r))
    if kind == "orthogonal blocks":
        return sqrt(F * (2 * k * r + axial_centre) / (2 * (F * r + cube_centre)))
    return F ** 0.25


def central_composite(region: Region, *, axial: str | float = "rotatable",
                      scale: str = "inside", cube: str = "fraction",
                      centre_points: int | None = None, replicates: int = 1, blocks: int = 1,
                      seed: int | None = None, mixer: Mixer | None = None,
                      group_hard_to_change: bool = False) -> Plan:
    """Two-level cube, axial points and centre points, for a full quadratic model.

    Parameters
    ----------
    region : Region
        At least two factors, all numeric, each with a setting between its ends.
    axial : str or float
        A kind of `axial_distance`, or the distance itself (1 or more).
    scale : {"inside", "beyond"}
        Where axial points are further out than the cube: "inside" shrinks the whole plan so
        that they lie at the factors' limits; "beyond" keeps the cube at the limits and widens
        the region of the plan to the axial points.
    cube : {"fraction", "full", "small"}
        "fraction" takes the smallest fraction of resolution V or more; "small" is for
        `doe.planning.composite.small_composite`.
    centre_points : int, optional
        In all. By default 5, or 3 for a face-centred plan; with blocks as many in each, at
        least 2.
    replicates : int
        Of cube and axial points.
    blocks : int
        1; or 2 and more: the axial points in the last, the cube in the others (1, 2, 4, ...).
    seed, mixer, group_hard_to_change
        As in `doe.planning.factorial.full_factorial`.

    Raises
    ------
    InputError
        If a factor does not fit, blocks would hide terms of the model, or axial points beyond
        the limits cannot be set.
    """
    as_choice("scale", scale, ("inside", "beyond"))
    as_choice("cube", cube, ("fraction", "full", "small"))
    _check_numeric(region, "central composite", 2)
    replicates = as_runs("replicates", replicates, at_least=1)
    blocks = as_runs("blocks", blocks, at_least=1)
    k = len(region)
    fraction = _cube(k, cube)
    if centre_points is None:
        centre_points = 3 if axial == "face-centred" else 5
        if blocks > 1:
            centre_points = blocks * max(2, -(-centre_points // blocks))
    centre_points = as_runs("centre_points", centre_points)
    middle = spread(centre_points, blocks)
    kind = axial if isinstance(axial, str) else "given"
    if cube == "small" and (kind in ("rotatable", "inscribed") or blocks > 2):
        name, value = ("blocks", blocks) if blocks > 2 else ("axial", axial)
        raise InputError(name, value, "a small composite plan cannot be rotatable, nor its cube "
                         "divided", "Use blocks=2 at most, and axial='face-centred' or a distance")
    if kind == "orthogonal blocks" and blocks == 1:
        raise InputError("axial", axial, "the plan has one block", "Give blocks=2 or more")
    if kind == "inscribed" and scale == "beyond":
        raise InputError("scale", scale, "an inscribed plan lies inside by its definition",
                         "Use axial='rotatable' with scale='beyond'")
    if kind == "given":
        alpha = as_number("axial", axial, at_least=1)
    else:
        beside = middle[-1] if blocks > 1 else 0
        alpha = axial_distance(kind, factors=k, cube=fraction.runs, axial_centre=beside,
                               cube_centre=centre_points - beside, replicates=replicates)
    corners = fraction.columns()
    within = _cube_blocks(fraction, blocks - 1)
    star = np.vstack([s * alpha * np.eye(k)[j] for j in range(k) for s in (-1, 1)])
    coded = np.vstack([corners] * replicates + [star] * replicates
                      + [np.zeros((centre_points, k))])
    point = (["factorial"] * len(corners) * replicates + ["axial"] * len(star) * replicates
             + ["centre"] * centre_points)
    block = np.concatenate([np.tile(within, replicates), np.full(len(star) * replicates, blocks),
                            np.repeat(np.arange(1, blocks + 1), middle)]).astype(int)
    reach, remarks = max(1.0, alpha), []
    if reach > 1 and scale == "beyond":
        region, said = _widened(region, reach, mixer)
        remarks.append(said)
    elif reach > 1:
        remarks.append(f"The plan is scaled so that the axial points lie at the factors' limits: "
                       f"the cube spans ±{1 / reach:.3f} of the half-ranges.")
    elif alpha < 1:
        remarks.append(f"The axial points lie inside the cube, at ±{alpha:.3f}.")
    family = "small composite" if cube == "small" else "central composite"
    details: dict[str, Any] = {
        "title": (f"{family.capitalize()} "
                  f"({kind if kind != 'given' else f'axial distance {alpha:g}'})"),
        "axial": kind, "axial_distance": alpha, "scale": scale if reach > 1 else "inside",
        "cube_runs": fraction.runs, "cube_resolution": fraction.resolution,
        "generators": [f"{region.names[j]} = " + " * ".join(region.names[i] for i in members(m))
                       for j, m, _ in fraction.generators],
        "replicates": replicates, "centre_points": centre_points,
    }
    if cube == "small":
        remarks.append(_small_remark(coded / reach, fraction.runs))
    elif fraction.generators:
        remarks.append(f"The cube is a 2^({k}−{len(fraction.generators)}) fraction of resolution "
                       f"{roman(fraction.resolution)}, so every term of the quadratic model can "
                       "still be estimated.")
    if blocks > 1:
        remarks.append(_block_remark(coded, block))
    return assemble(region, region.decode(coded / reach), point=point, block=block,
                    terms=standard_terms(region, "quadratic"), family=family, seed=seed,
                    mixer=mixer, group_hard_to_change=group_hard_to_change, details=details,
                    remarks=remarks)


def _cube(k: int, kind: str) -> Fraction | SmallCube:
    if kind == "small":
        return small_cube(k)
    fraction = (choose_fraction(k, resolution=5) if kind == "fraction" and k > 4
                else Fraction(k, tuple(range(k))))
    if fraction.runs > GREATEST_CUBE:
        raise InputError("factors", k, f"the cube would have {fraction.runs} points",
                         "Use fewer factors or an optimal plan")
    return fraction


def _cube_blocks(fraction: Fraction, blocks: int) -> np.ndarray:
    if blocks < 2:
        return np.ones(fraction.runs, int)
    sizes = [1 << i for i in range(1, len(fraction.basic))]
    if blocks not in sizes or _hides_a_pair(fraction, blocks):
        clear = [1, *(s for s in sizes if not _hides_a_pair(fraction, s))]
        raise InputError("blocks", blocks + 1, "the axial points are one block, and "
                         f"{fraction.runs} cube points in {blocks} blocks "
                         + ("would hide a two-factor interaction" if blocks in sizes else
                            "cannot be made"),
                         "Use " + join([s + 1 for s in clear], "or") + " blocks"
                         + (", or cube='full'" if fraction.generators else ""))
    return block_numbers(fraction, best_blocks(fraction, blocks))


def _hides_a_pair(fraction: Fraction, blocks: int) -> bool:
    """True if so many blocks confound an effect of one or two factors."""
    try:
        masks = best_blocks(fraction, blocks)
    except InputError:
        return True
    words = [0] + [w for w, _ in fraction.words]
    return any((e ^ w).bit_count() <= 2 for e in span(masks) for w in words)


def _block_remark(coded: np.ndarray, block: np.ndarray) -> str:
    squares = coded**2
    means = np.array([squares[block == b].mean(axis=0) for b in np.unique(block)])
    gap = float(np.ptp(means, axis=0).max())
    parts = f"{count(int(block.max()) - 1, 'block')} of cube points, then one of axial points"
    if gap < 1e-9:
        return f"{parts}. Blocks are orthogonal to the model: they cost it nothing but runs."
    return (f"{parts}. Blocks are not quite orthogonal to the squares (block means of a square "
            f"differ by {gap:.2g}, the cube at ±1); axial='orthogonal blocks' makes them so.")


def _small_remark(coded: np.ndarray, cube: int) -> str:
    k = coded.shape[1]
    a, b = np.triu_indices(k, 1)
    X = np.hstack([np.ones((len(coded), 1)), coded, coded[:, a] * coded[:, b], coded**2])
    said = (f"The cube has {cube} points for {len(a)} two-factor interactions: in it alone they "
            "are aliased with main effects, which the axial points tell apart.")
    if rank(X) < X.shape[1]:
        return said
    error = np.sqrt(np.diag(np.linalg.inv(X.T @ X)))[1:]
    return (f"{said} A coefficient has a standard error of up to {digits(error[:k].max(), 2)} "
            f"(main effects) and {digits(error[k:-k].max(), 2)} (interactions) times the standard "
            "deviation of a run.")


def _widened(region: Region, reach: float, mixer: Mixer | None) -> tuple[Region, str]:
    factors, said = [], []
    for f in region.factors:
        low, high = (round(f.centre + s * reach * f.half_range, 12) for s in (-1, 1))
        remedy = "Use scale='inside', or narrow the factor's range"
        if f.kind == "ordinal":
            raise InputError(f"factor '{f.name}', levels", f.levels, "axial points beyond the "
                             "outermost levels cannot be set", remedy)
        if f.increment:
            # The axial points must be settable, so that they do not fall short of their place.
            low, high = (float(to_increment(v, f.increment)) for v in (low, high))
        positive = any(f.name == q or f.name.endswith("_" + q) for q in _POSITIVE)
        if (low <= 0 and positive) or (low < 0 and f.name.endswith("rotation_ratio")):
            raise InputError(f"factor '{f.name}', low", f.low, "the lower axial point would be "
                             f"{low:g} {f.unit}".rstrip(), remedy)
        factors.append(replace(f, low=low, high=high))
        said.append(f"{f.label} {low:.4g} to {high:.4g} {f.unit}".rstrip())
    wide = region.replace(factors)
    if mixer is not None:
        centre = wide.centre()
        for f in factors:
            ends = pd.concat([centre, centre], ignore_index=True).assign(**{f.name: [f.low,
                                                                                     f.high]})
            bad = outside_mixer(settable(wide, ends, mixer), mixer)
            if bad:
                raise InputError(f"factor '{f.name}', axial points", (f.low, f.high),
                                 "the mixer cannot be set to them (" + join(bad) + ")",
                                 "Use scale='inside', or narrow the factor's range")
    return wide, ("Axial points lie beyond the ranges given; the plan's region is now "
                  + "; ".join(said) + ". Make sure that these settings are safe.")


# ---- Box–Behnken -----------------------------------------------------------------------

# Which factors vary together; the groups of one inner list make up one orthogonal block.
# 3 to 5 factors: all pairs. 6 and 7: Box & Behnken (1960), each factor in as many triples as
# any other; pairs would take 60 and 84 runs where 48 and 56 do.
_SETS: dict[int, list[list[tuple[int, ...]]]] = {
    3: [[(0, 1), (0, 2), (1, 2)]],
    4: [[(0, 1), (2, 3)], [(0, 3), (1, 2)], [(0, 2), (1, 3)]],
    5: [[(0, 1), (1, 2), (2, 3), (3, 4), (0, 4)], [(0, 2), (2, 4), (1, 4), (1, 3), (0, 3)]],
    6: [[(0, 1, 3), (1, 2, 4), (2, 3, 5), (0, 3, 4), (1, 4, 5), (0, 2, 5)]],
    7: [[(3, 4, 5), (0, 5, 6), (1, 4, 6), (0, 1, 3), (2, 3, 6), (0, 2, 4), (1, 2, 5)]],
}
_CENTRE = {3: 3, 4: 3, 5: 6, 6: 6, 7: 6}


def box_behnken(region: Region, *, centre_points: int | None = None, replicates: int = 1,
                blocks: int = 1, seed: int | None = None, mixer: Mixer | None = None,
                group_hard_to_change: bool = False) -> Plan:
    """Three-level plan on the edges of the cube, for a full quadratic model (Box & Behnken 1960).

    No run has all factors at their limits. 12, 24, 40, 48 and 56 runs for 3, 4, 5, 6 and 7
    factors, and centre points.

    Parameters
    ----------
    region : Region
        Three to seven numeric factors, each with a setting between its ends.
    centre_points : int, optional
        In all; by default as published: 3 up to four factors, 6 above.
    replicates : int
        Of the edge points.
    blocks : int
        As many orthogonal blocks as published (4 factors: 3; 5, 6, 7: 2), or such as whole
        replicates can be divided among.
    seed, mixer, group_hard_to_change
        As in `doe.planning.factorial.full_factorial`.

    Raises
    ------
    InputError
        If factors or blocks do not fit.
    """
    _check_numeric(region, "Box–Behnken", 3, 7)
    k = len(region)
    replicates = as_runs("replicates", replicates, at_least=1)
    blocks = as_runs("blocks", blocks, at_least=1)
    edges, part = _edges(k)
    parts = int(part.max()) + 1
    block = share_replicates(len(edges), replicates, blocks)
    if block is None and blocks == parts:
        block = np.tile(part, replicates) + 1
    elif block is None:
        possible = sorted({1, parts, *(d for d in range(2, replicates + 1)
                                       if replicates % d == 0)})
        raise InputError("blocks", blocks, f"{count(replicates, 'replicate')} of a Box–Behnken "
                         f"plan in {k} factors cannot be divided so",
                         "Use " + join(possible, "or"))
    if centre_points is None:
        centre_points = max(_CENTRE[k], blocks)
    centre_points = as_runs("centre_points", centre_points)
    if not centre_points:
        raise InputError("centre_points", centre_points, "without them the mean and the squares "
                         "cannot be told apart", "Give at least 1; 3 or more are usual")
    middle = np.repeat(np.arange(1, blocks + 1), spread(centre_points, blocks))
    coded = np.vstack([edges] * replicates + [np.zeros((centre_points, k))])
    remarks = []
    if blocks > 1 and centre_points % blocks:
        remarks.append(f"{centre_points} centre points do not divide evenly among {blocks} "
                       "blocks, so blocks are not quite orthogonal to the squares.")
    return assemble(region, region.decode(coded),
                    point=["edge"] * len(edges) * replicates + ["centre"] * centre_points,
                    block=np.concatenate([block, middle]).astype(int),
                    terms=standard_terms(region, "quadratic"), family="Box–Behnken", seed=seed,
                    mixer=mixer, group_hard_to_change=group_hard_to_change,
                    details={"title": "Box–Behnken", "replicates": replicates,
                             "centre_points": centre_points}, remarks=remarks)


def _edges(k: int) -> tuple[np.ndarray, np.ndarray]:
    """Edge points of one replicate, ±1 and 0, and the orthogonal block each falls in."""
    rows, part = [], []
    for b, sets in enumerate(_SETS[k]):
        for group in sets:
            for signs in product((-1.0, 1.0), repeat=len(group)):
                row = np.zeros(k)
                row[list(group)] = signs
                rows.append(row)
                # Triples are split by the sign of their product, which no term of the model has.
                part.append(b if len(group) == 2 else int(np.prod(signs) > 0))
    return np.array(rows), np.array(part)


def _check_numeric(region: Region, family: str, least: int, most: int | None = None) -> None:
    if len(region) < least or (most and len(region) > most):
        limits = f"{least} to {most}" if most else f"{least} or more"
        raise InputError("factors", len(region), f"a {family} plan takes {limits}",
                         "Change the factors, or use an optimal plan")
    for f in region.factors:
        if not f.is_numeric:
            raise InputError(f"factor '{f.name}'", f.kind, f"a {family} plan takes numeric "
                             "factors only", "Hold it at one level, or use an optimal plan")
        if not has_middle(f):
            raise InputError(f"factor '{f.name}', levels", f.levels, "it has no setting between "
                             "its ends, so its square cannot be estimated",
                             "Add a level, or use a factorial plan")
