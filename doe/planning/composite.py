"""Composite plans with hardly more runs than the quadratic model has coefficients."""

from __future__ import annotations

from doe.factors import Region
from doe.mixer import Mixer
from doe.planning.plan import Plan
from doe.planning.surface import central_composite

__all__ = ["small_composite"]


def small_composite(region: Region, *, axial: str | float = "face-centred",
                    scale: str = "inside", centre_points: int | None = None,
                    replicates: int = 1, blocks: int = 1, seed: int | None = None,
                    mixer: Mixer | None = None, group_hard_to_change: bool = False) -> Plan:
    """A central composite plan whose cube only just carries the two-factor interactions.

    10, 16, 22, 28, 38, 48, 58 and 68 runs for 3 to 10 factors, and centre points (Hartley 1959;
    Draper & Lin 1990). For when runs are dear: main effects and interactions lean on each other,
    hardly a run is left to show lack of fit, and one that goes wrong cannot be spared.

    Parameters
    ----------
    region : Region
        Three to ten numeric factors, each with a setting between its ends.
    axial : {"face-centred", "spherical", "orthogonal", "orthogonal blocks"} or float
        As in `doe.planning.surface.central_composite`; the plan cannot be rotatable.
    scale, centre_points, replicates, seed, mixer, group_hard_to_change
        As in `doe.planning.surface.central_composite`.
    blocks : {1, 2}
        2: the cube, then the axial points.

    Raises
    ------
    InputError
        If a factor does not fit or an option cannot be used.
    """
    return central_composite(region, axial=axial, scale=scale, cube="small",
                             centre_points=centre_points, replicates=replicates, blocks=blocks,
                             seed=seed, mixer=mixer, group_hard_to_change=group_hard_to_change)
