"""Fractions of factorials with different numbers of levels.

References
----------
Hedayat, A. S., Sloane, N. J. A. & Stufken, J. (1999). *Orthogonal Arrays*. Springer.
Cook, R. D. & Nachtsheim, C. J. (1980). A comparison of algorithms for constructing exact
D-optimal designs. *Technometrics* 22, 315–324.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import lcm, prod

import numpy as np
import pandas as pd

from doe.errors import InputError
from doe.factors import Factor, Region
from doe.mixer import Mixer
from doe.planning.arrays import fitting_array
from doe.planning.factorial import finish, share_replicates
from doe.planning.optimal import optimal_plan
from doe.planning.plan import Plan
from doe.planning.settle import feasible, settable
from doe.planning.structure import as_count, as_runs, as_seed
from doe.terms import Term, standard_terms
from doe.wording import join, percent

__all__ = ["level_counts", "mixed_levels", "mixed_terms", "usual_size"]

Axes = Mapping[str, np.ndarray]
Found = tuple[pd.DataFrame, np.ndarray, dict, list[str]]
"""Settings, block of each, details of the plan, remarks."""

_LEVELS = 3
_DEAR = 3
"""An orthogonal array is taken unasked up to so many times as many runs as effects."""


def mixed_levels(region: Region, *, runs: int | None = None,
                 levels: int | Mapping[str, int] = _LEVELS, centre_points: int = 0,
                 replicates: int = 1, blocks: int = 1, seed: int | None = None,
                 mixer: Mixer | None = None, group_hard_to_change: bool = False) -> Plan:
    """Some of all combinations of the factors' levels, for main effects and squares.

    Where there is an orthogonal array of the size and all its runs can be made, it is taken:
    main effects are then independent of each other. Otherwise the runs are those combinations
    that make |X'X| largest for a model with an effect of every level, found by exchange
    (`doe.planning.optimal`).

    Parameters
    ----------
    region : Region
    runs : int, optional
        Of one replicate, without centre points; `usual_size` if not given.
    levels : int or mapping of factor to int
        Levels of the numeric factors, evenly spaced; 3 if not given, 2 for those that a
        mapping does not name; never more than an ordinal factor has. Categorical factors take
        all of theirs.
    centre_points, replicates, seed, mixer, group_hard_to_change
        As in `doe.planning.factorial.full_factorial`.
    blocks : int
        Whole replicates are divided among blocks where that goes up; otherwise block is one
        more factor of the array, or of the search.

    Returns
    -------
    Plan
        The model has main effects, and the squares of numeric factors with three levels or
        more.

    Raises
    ------
    InputError
        If an option cannot be used, or the runs cannot carry the model.
    """
    seed, counts = as_seed(seed), level_counts(region, levels)
    blocks = as_runs("blocks", blocks, at_least=1)
    whole = share_replicates(1, replicates, blocks) is not None
    extra = [] if whole else [blocks]
    p = _coefficients(counts, extra)
    total, size = prod(counts.values()), usual_size(counts, extra)
    if total <= p:
        raise InputError("factors", region.names, f"their levels make {total} combinations, and "
                         f"effects of all levels take {p} runs{' with the blocks' * bool(extra)}",
                         "Use a full factorial or an optimal plan")
    runs = size if runs is None else as_runs("runs", runs)
    if not p <= runs < total:
        raise InputError("runs", runs, f"effects of all levels take {p} runs, and a full "
                         f"factorial has {total}", f"Ask for {p} to {total - 1} runs, or use a "
                         "full factorial or an optimal plan")
    axes = _axes(region, counts)
    settings, block, details, remarks = (
        _from_array(region, axes, counts, runs, extra, mixer)
        or _searched(region, axes, runs, blocks if extra else 1, seed, mixer))
    if not extra:
        block = share_replicates(runs, replicates, blocks)
    title = "Mixed-level fraction " + "×".join(str(n) for n in counts.values())
    return finish(region, pd.concat([settings] * replicates, ignore_index=True),
                  np.tile(block, replicates) if extra else block, mixed_terms(region, counts),
                  "mixed levels", centre_points, replicates, blocks, seed, mixer,
                  group_hard_to_change,
                  {"title": title, "levels": counts, **details}, remarks)


def level_counts(region: Region, levels: int | Mapping[str, int] = _LEVELS) -> dict[str, int]:
    """How many levels each factor takes; see `mixed_levels`.

    Raises
    ------
    InputError
        If a number is below 2, a name unknown, or all factors have two levels.
    """
    given = dict(levels) if isinstance(levels, Mapping) else {}
    for name in given:
        _ = region[name]
    out = {}
    for f in region.factors:
        asked = as_count(f"levels of '{f.name}'",
                         given.get(f.name, 2 if isinstance(levels, Mapping) else levels),
                         at_least=2)
        out[f.name] = min(asked, len(f.levels)) if f.kind == "ordinal" else (
            asked if f.is_numeric else len(f.levels))
    if max(out.values()) == 2:
        raise InputError("levels", out, "all factors have two levels", "Use a fractional factorial "
                         "or a Plackett–Burman plan")
    return out


def mixed_terms(region: Region, counts: Mapping[str, int]) -> tuple[Term, ...]:
    """Mean, main effects, and squares of numeric factors with three levels or more."""
    return tuple(t for t in standard_terms(region, "quadratic")
                 if t.order < 2 or (len(t.powers) == 1 and counts[t.names[0]] > 2))


def usual_size(counts: Mapping[str, int], extra: Sequence[int] = ()) -> int:
    """Runs if none are asked for: two or more beyond the effects of levels.

    Those of an orthogonal array, if at most three times as many as there are effects;
    otherwise as few as let every level occur equally often.

    Parameters
    ----------
    counts : mapping of factor to int
        As from `level_counts`.
    extra : sequence of int
        Number of blocks, if block is a factor of the fraction.
    """
    p, total = _coefficients(counts, extra), prod(counts.values())
    array = fitting_array([*counts.values(), *extra], least=p + 2)
    if array is not None and len(array) < min(total, _DEAR * p + 1):
        return len(array)
    step = lcm(*counts.values(), *extra)
    even = step * -(-(p + 2) // step)
    return even if even < total else max(p, min(p + 2, total - 1))


def _coefficients(counts: Mapping[str, int], extra: Sequence[int]) -> int:
    return 1 + sum(s - 1 for s in [*counts.values(), *extra])


def _axes(region: Region, counts: Mapping[str, int]) -> Axes:
    """Settable levels of each factor."""
    out = {}
    for f in region.factors:
        number = counts[f.name]
        if not f.is_numeric or number == len(f.levels):
            axis = np.asarray(f.levels, float if f.is_numeric else object)
        else:
            axis = f.snap(np.linspace(f.low, f.high, number))
        if len(set(axis)) < number:
            raise InputError(f"levels of '{f.name}'", number, "its increment leaves fewer "
                             "different settings", "Ask for fewer levels or widen the range")
        out[f.name] = axis
    return out


def _from_array(region: Region, axes: Axes, counts: Mapping[str, int], runs: int,
                extra: Sequence[int], mixer: Mixer | None) -> Found | None:
    array = fitting_array([*counts.values(), *extra], runs)
    if array is None:
        return None
    settings = _settings(region, axes, array)
    if not feasible(region, settable(region, settings, mixer), mixer).all():
        return None
    block = array[:, -1] + 1 if extra else np.ones(runs, int)
    return settings, block, {"array": True, "efficiency": 1.0}, [
        f"An orthogonal array of {runs} runs: any two levels of any two factors meet equally "
        "often, so main effects are independent of each other. How far two-factor interactions "
        "shift them is for the appraisal to say."]


def _searched(region: Region, axes: Axes, runs: int, blocks: int, seed: int,
              mixer: Mixer | None) -> Found:
    # Levels as categories: an effect for each keeps all of them in use, equally if possible.
    levels = Region(tuple(Factor.categorical(n, map(str, range(len(axes[n]))))
                          for n in region.names))

    def natural(table: pd.DataFrame) -> pd.DataFrame:
        return _settings(region, axes, table[region.names].to_numpy().astype(int))

    def allowed(table: pd.DataFrame) -> np.ndarray:
        return feasible(region, settable(region, natural(table), mixer), mixer)

    bounded = bool(region.constraints) or mixer is not None
    try:
        best = optimal_plan(levels, runs=runs, model="linear", blocks=blocks, seed=seed,
                            allowed=allowed if bounded else None)
    except InputError as error:
        if not bounded or error.field not in ("region", "terms"):
            raise
        raise InputError("levels", {n: len(a) for n, a in axes.items()}, "the limits leave too few "
                         "of their combinations to tell the effects of all levels apart",
                         "Use an optimal plan, which may take other settings, or relax a limit"
                         ) from None
    found = best.runs.sort_values("standard", ignore_index=True)
    efficiency = best.details["efficiency"]
    said = [f"The best {runs} combinations of levels that {best.details['starts_done']} starts of "
            f"an exchange found: per run {percent(efficiency, 3)} of the D-efficiency that "
            + ("any choice within the limits" if bounded else "an orthogonal array")
            + " could have, for main effects of levels."]
    uneven = [f"{region[n].label} {'/'.join(map(str, times))}" for n in region.names
              if len(set(times := found[n].value_counts().tolist())) > 1]
    if uneven:
        said.append("Levels do not all occur equally often: " + join(uneven) + " times.")
    return (natural(found), found["block"].to_numpy(),
            {"array": False, "efficiency": efficiency}, said)


def _settings(region: Region, axes: Axes, levels: np.ndarray) -> pd.DataFrame:
    return pd.DataFrame({n: axes[n][levels[:, j]] for j, n in enumerate(region.names)})
