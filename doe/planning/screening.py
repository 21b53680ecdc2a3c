"""Screening plans whose size is a multiple of four, not only a power of two.

References
----------
Plackett, R. L. & Burman, J. P. (1946). The design of optimum multifactorial experiments.
*Biometrika* 33, 305–325.
Box, G. E. P. & Wilson, K. B. (1951). *Journal of the Royal Statistical Society B* 13, 1–45
(adding the mirror image of every run).
Hamada, M. & Wu, C. F. J. (1992). Analysis of designed experiments with complex aliasing.
*Journal of Quality Technology* 24, 130–137.
"""

from __future__ import annotations

import numpy as np

from doe.errors import InputError
from doe.factors import Region
from doe.mixer import Mixer
from doe.planning.factorial import check_two_levels, finish, share_replicates
from doe.planning.plan import Plan
from doe.planning.structure import as_count
from doe.terms import standard_terms
from doe.wording import count, join

__all__ = ["plackett_burman"]

_SIZES = (12, 20, 24)


def plackett_burman(region: Region, *, runs: int | None = None, mirrored: bool = False,
                    centre_points: int = 0, replicates: int = 1, blocks: int = 1,
                    seed: int | None = None, mixer: Mixer | None = None,
                    group_hard_to_change: bool = False) -> Plan:
    """A two-level plan in 12, 20 or 24 runs for main effects.

    Main effects are independent of each other, but each is shifted a little by many two-factor
    interactions. Sizes that are powers of two are left to the fractional factorial, of which
    the aliases are simpler.

    Parameters
    ----------
    region : Region
        2 to 23 factors with two levels, or ranges of which the ends are used.
    runs : {12, 20, 24}, optional
        Of one replicate, before mirroring; the smallest that carries the factors if not given.
    mirrored : bool
        Add every run with all factors at their other end: twice the runs, and main effects
        clear of two-factor interactions.
    centre_points, replicates, seed, mixer, group_hard_to_change
        As in `doe.planning.factorial.full_factorial`.
    blocks : int
        As many as whole replicates can be divided among; 2 for a mirrored plan parts the runs
        from their mirror images.

    Raises
    ------
    InputError
        If the factors do not fit, or an option cannot be used.
    """
    from pyDOE3 import pbdesign

    check_two_levels(region)
    k = len(region)
    sizes = [n for n in _SIZES if k < n]
    if k < 2 or not sizes:
        raise InputError("factors", k, "a Plackett–Burman plan here takes 2 to 23",
                         "Change the factors, or use a full factorial or an optimal plan")
    runs = sizes[0] if runs is None else as_count("runs", runs)
    if runs not in sizes:
        raise InputError("runs", runs, f"that is no size of a Plackett–Burman plan for "
                         f"{count(k, 'factor')}", "Use " + join(sizes, "or")
                         + "; for 8, 16 or 32 runs use a fractional factorial")
    coded = pbdesign(runs - 1)[:, :k]
    half = np.ones(runs, int)
    if mirrored:
        coded, half = np.vstack([coded, -coded]), np.repeat([1, 2], runs)
    block = share_replicates(len(coded), replicates, blocks)
    if block is None and mirrored and blocks == 2:
        block = np.tile(half, replicates)
    elif block is None:
        raise InputError("blocks", blocks, f"{count(replicates, 'replicate')} cannot be divided "
                         "so", "Give as many blocks as replicates"
                         + ("" if mirrored else ", or two for a mirrored plan"))
    title = f"Plackett–Burman in {runs} runs" + (" and their mirror images" if mirrored else "")
    return finish(region, region.decode(np.vstack([coded] * replicates)), block,
                  standard_terms(region, "linear"), "Plackett–Burman", centre_points, replicates,
                  blocks, seed, mixer, group_hard_to_change,
                  {"title": title, "mirrored": bool(mirrored)}, [])
