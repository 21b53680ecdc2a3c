"""Doehlert's uniform shell: a quadratic model from runs evenly spread over a sphere.

References
----------
Doehlert, D. H. (1970). Uniform shell designs. *Applied Statistics* 19, 231–239.
"""

from __future__ import annotations

from itertools import product

import numpy as np

from doe.errors import InputError
from doe.factors import Factor, Region
from doe.mixer import Mixer
from doe.planning.factorial import share_replicates
from doe.planning.plan import Plan
from doe.planning.settle import rank, settle
from doe.planning.structure import as_runs, assemble, has_middle, spread
from doe.terms import standard_terms
from doe.wording import count, digits, join

__all__ = ["doehlert_shell", "shell"]

_GREATEST = 10


def shell(k: int) -> np.ndarray:
    """The points at distance 1 from the centre, all differences of a simplex's corners.

    Corner 0 is the origin; corner i has the coordinates 1/√(2j(j + 1)) for j < i and
    √((i + 1)/(2i)) for j = i, so that all edges have length 1.

    Returns
    -------
    ndarray, shape (k² + k, k)
        Every point's neighbours, the centre among them, are at distance 1.
    """
    corners = np.zeros((k + 1, k))
    for j in range(1, k + 1):
        corners[j, j - 1] = np.sqrt((j + 1) / (2 * j))
        corners[j + 1:, j - 1] = 1 / np.sqrt(2 * j * (j + 1))
    return np.array([a - b for i, a in enumerate(corners) for j, b in enumerate(corners) if i != j])


def doehlert_shell(region: Region, *, order: list[str] | None = None, centre_points: int = 3,
                   replicates: int = 1, blocks: int = 1, seed: int | None = None,
                   mixer: Mixer | None = None, group_hard_to_change: bool = False) -> Plan:
    """k² + k runs evenly spread over a sphere, and centre points, for a full quadratic model.

    One factor is run at five settings, one at three, the others at seven. The sphere is
    stretched so that every factor reaches its limits.

    Parameters
    ----------
    region : Region
        Two to ten numeric factors, each with a setting between its ends.
    order : list of str, optional
        All factors by number of settings wanted: the first is run at five, the last at three,
        those between at seven. By default a factor that is hard to change or has few levels
        comes last, a second such one first.
    centre_points : int
        In all; at least one.
    replicates : int
        Of the shell.
    blocks : int
        Such as whole replicates can be divided among.
    seed, mixer, group_hard_to_change
        As in `doe.planning.factorial.full_factorial`.

    Raises
    ------
    InputError
        If a factor does not fit or an option cannot be used.
    """
    k = _check(region)
    names = _order(region) if order is None else list(order)
    if sorted(names) != sorted(region.names):
        raise InputError("order", order, "it must name every factor once",
                         "Use " + ", ".join(region.names))
    centre_points = as_runs("centre_points", centre_points)
    if not centre_points:
        raise InputError("centre_points", centre_points, "without them the mean and the squares "
                         "cannot be told apart", "Give at least 1; 3 or more are usual")
    points = shell(k)
    points = points / points.max(axis=0)
    points = points[:, [names.index(n) for n in region.names]]
    block = share_replicates(len(points), replicates, blocks)
    if block is None:
        raise InputError("blocks", blocks, f"{count(replicates, 'replicate')} of a shell cannot be "
                         "divided so", "Give as many blocks as replicates, or one")
    middle = np.repeat(np.arange(1, blocks + 1), spread(centre_points, blocks))
    coded = np.vstack([points] * replicates + [np.zeros((centre_points, k))])
    ideal = region.decode(coded)
    actual = region.encode(settle(region, ideal, mixer).settings)
    return assemble(region, ideal,
                    point=["shell"] * len(points) * replicates + ["centre"] * centre_points,
                    block=np.concatenate([block, middle]).astype(int),
                    terms=standard_terms(region, "quadratic"), family="Doehlert", seed=seed,
                    mixer=mixer, group_hard_to_change=group_hard_to_change,
                    details={"title": "Doehlert shell", "order": names, "replicates": replicates,
                             "centre_points": centre_points},
                    remarks=_settings(region, names, actual), settled_remarks=True)


def _check(region: Region) -> int:
    k = len(region)
    if not 2 <= k <= _GREATEST:
        raise InputError("factors", k, f"a Doehlert shell takes 2 to {_GREATEST}",
                         "Change the factors, or use an optimal plan")
    for f in region.factors:
        if not has_middle(f):
            raise InputError(f"factor '{f.name}'", f.levels, "it has no setting between its ends, "
                             "so its square cannot be estimated",
                             "Hold it at one level, or use an optimal plan")
    return k


def _order(region: Region) -> list[str]:
    def scarcity(f: Factor) -> tuple[bool, float]:
        return f.hard_to_change, -len(f.levels) if f.levels else -np.inf

    scarce = [f.name for f in sorted(region.factors, key=scarcity, reverse=True)
              if f.hard_to_change or f.levels][:2]
    free = [n for n in region.names if n not in scarce]
    return scarce[1:] + free + scarce[:1]


def _settings(region: Region, names: list[str], coded: np.ndarray) -> list[str]:
    different = {n: len(np.unique(coded[:, region.names.index(n)].round(9))) for n in names}
    groups = {size: [region[n].label for n in region.names if different[n] == size]
              for size in sorted(set(different.values()))}
    parts = [f"{join(labels)} at {size} settings" for size, labels in groups.items()]
    said = [f"The runs set {join(parts)}."]
    corners = np.array(list(product((-1.0, 1.0), repeat=coded.shape[1])))
    X = _quadratic(coded)
    if rank(X) < X.shape[1] or (np.abs(coded) > 1 - 1e-9).all(axis=1).any():
        return said
    inverse = np.linalg.inv(X.T @ X)
    error = [np.sqrt((f @ inverse * f).sum(axis=1).max()) for f in (X, _quadratic(corners))]
    return [*said,
            "No run is at a corner of the ranges: there a predicted mean is extrapolated, with a "
            f"standard error of up to {digits(error[1], 2)} times the standard deviation of a "
            f"run, against {digits(error[0], 2)} at the runs."]


def _quadratic(points: np.ndarray) -> np.ndarray:
    a, b = np.triu_indices(points.shape[1])
    return np.hstack([np.ones((len(points), 1)), points, points[:, a] * points[:, b]])
