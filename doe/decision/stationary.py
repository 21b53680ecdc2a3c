"""Where a second-order surface is level, and the path of steepest gain of a first-order one.

References
----------
Box, G. E. P. & Wilson, K. B. (1951). On the experimental attainment of optimum conditions.
*Journal of the Royal Statistical Society B* 13(1), 1–45.
Bisgaard, S. & Ankenman, B. (1996). Standard errors for the eigenvalues in second-order
response surface models. *Technometrics* 38(3), 238–246.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import stats

from doe.decision.search import best_mean
from doe.decision.surface import Surface, held_columns, settings_text
from doe.errors import InputError, as_number
from doe.factors import Region
from doe.mixer import Mixer
from doe.wording import capitalise, digits, join, quantity

__all__ = ["Canonical", "StationaryPoint", "SteepestPath", "canonical", "stationary_point",
           "steepest_path"]

FLAT = 0.05
"""Share of the greatest curvature below which an axis counts as flat; common practice, no
source."""


@dataclass(frozen=True)
class Canonical:
    """A second-order polynomial read along its principal axes, in coded units.

    Parameters
    ----------
    location : ndarray, shape (k,), or None
        Stationary point; None if the surface has none (it rises for ever along a flat axis).
    value : float
        Of the polynomial there; NaN if there is none.
    eigenvalues : ndarray, shape (k,)
        Curvatures, the greatest in size first.
    axes : ndarray, shape (k, k)
        One column an axis, of unit length, its greatest entry positive.
    """

    location: np.ndarray | None
    value: float
    eigenvalues: np.ndarray
    axes: np.ndarray


def canonical(intercept: float, linear, quadratic) -> Canonical:
    """Canonical analysis of ``intercept + linear·x + x·quadratic·x`` (Box & Wilson 1951).

    Parameters
    ----------
    intercept : float
    linear : array_like, shape (k,)
    quadratic : array_like, shape (k, k)
        Symmetric: coefficients of squares on the diagonal, half those of products off it.
    """
    b, B = np.asarray(linear, float), np.asarray(quadratic, float)
    if B.shape != (len(b), len(b)) or not np.allclose(B, B.T):
        raise InputError("quadratic", B.shape, "it is not a symmetric matrix of the factors",
                         "Put squares on the diagonal and half of each product's coefficient "
                         "on both sides of it")
    values, axes = np.linalg.eigh(B)
    order = np.argsort(-np.abs(values), kind="stable")
    values, axes = values[order], axes[:, order]
    largest = axes[np.abs(axes).argmax(axis=0), range(len(b))]
    axes = axes * np.where(largest < 0, -1.0, 1.0)
    level = np.abs(values) <= 1e-10 * max(np.abs(values).max(), np.abs(b).max(), 1e-300)
    slope = axes.T @ b
    if np.any(level & (np.abs(slope) > 1e-10 * max(1e-300, np.abs(b).max()))):
        return Canonical(None, np.nan, values, axes)
    along = np.zeros_like(slope)
    along[~level] = -slope[~level] / (2 * values[~level])
    location = axes @ along
    return Canonical(location, float(intercept + b @ location / 2), values, axes)


@dataclass(frozen=True)
class StationaryPoint:
    """Canonical analysis of a fitted second-order model.

    Parameters
    ----------
    table : DataFrame
        One row a principal axis: ``eigenvalue``, its ``standard_error``, ``low`` and ``high``
        (confidence limits), ``shape`` ("hill", "valley", "flat"), and the axis's share of each
        factor, in coded units. Eigenvalues are on the scale the model was fitted on.
    coded, settings : dict
        Location in coded and in natural units; empty if there is none. Not rounded to what
        the mixer can be set to.
    value : float
        Predicted response there, on its own scale (median if the scale is log).
    kind : {"maximum", "minimum", "saddle", "ridge"}
    inside : bool
        Whether it may be run.
    best : dict
        Setting inside the region with the best predicted mean, natural units.
    best_value : float
    fixed : dict
        Factors held.
    sentence : str
    """

    table: pd.DataFrame
    coded: dict
    settings: dict
    value: float
    kind: str
    inside: bool
    best: dict
    best_value: float
    fixed: dict
    sentence: str


def stationary_point(fit, *, fixed: Mapping[str, object] | None = None, level: float = 0.95,
                     mixer: Mixer | None = None, seed: int = 1) -> StationaryPoint:
    """Canonical analysis of a fit with squares or products.

    Parameters
    ----------
    fit : Fit
    fixed : mapping, optional
        Factors held at a setting; every categorical factor in the model must be.
    level : float
        Confidence level of the eigenvalues' limits, which follow from the model's
        covariance to first order, as in Bisgaard & Ankenman (1996).
    mixer : Mixer, optional
        Then the best setting inside the region is one that it can be set to.
    seed : int
        Of the search for that setting.

    Raises
    ------
    InputError
        If the model has no second-order terms, or terms beyond second order.
    """
    surface, region = Surface.of(fit), fit.region
    fixed = _held(surface, region, fixed)
    names, (b0, b, B), spread = _polynomial(surface, region, fixed)
    if not np.any(B):
        raise InputError(f"fit of '{fit.response.name}'", [str(t) for t in fit.terms],
                         "the model has no squares and no products, so no stationary point",
                         "Use steepest_path, or fit a second-order model")
    found = canonical(b0, b, B)
    table, shapes = _axes(found, spread, names, level)
    kind = _kind(shapes)
    coded, settings, value, inside = {}, {}, np.nan, False
    if found.location is not None:
        coded = dict(zip(names, found.location.tolist(), strict=True))
        settings = {f.name: (float(f.decode([coded[f.name]])[0]) if f.name in coded
                             else fixed.get(f.name, f.centre if f.is_numeric else f.levels[0]))
                    for f in region.factors}
        value = float(surface.response_scale(found.value))
        inside = bool(region.contains(pd.DataFrame([settings]))[0])
    best, best_value = best_mean(fit, fixed=fixed, mixer=mixer, seed=seed)
    table.attrs["units"] = dict.fromkeys(names, "coded")
    sentence = _stationary_sentence(fit, region, names, kind, shapes, settings, value, inside,
                                    best, best_value, fixed)
    return StationaryPoint(table, coded, settings, value, kind, inside, best, best_value, fixed,
                           sentence)


def _held(surface: Surface, region: Region, fixed) -> dict:
    fixed = dict(fixed or {})
    for name in fixed:
        _ = region[name]
    for f in region.factors:
        if not f.is_numeric and f.name not in fixed and f.name in surface.names:
            raise InputError(f"factor '{f.name}', fixed", None, "a categorical factor has no "
                             "stationary point", f"Hold it, e.g. fixed={{'{f.name}': "
                             f"'{f.levels[0]}'}}")
    return fixed


def _polynomial(surface: Surface, region: Region, fixed: Mapping):
    """Factors left free, coefficients in them, and what their covariance follows from."""
    cells = held_columns(region, fixed)                       # coded values of the held columns
    free = [n for n in region.encoded_names if n not in cells and n in surface.names]
    if not free:
        raise InputError("fixed", dict(fixed), "no numeric factor of the model is left free",
                         "Hold fewer factors")
    k = len(free)
    column = {n: j for j, n in enumerate(region.encoded_names)}
    held = np.array([cells.get(n, 1.0) for n in region.encoded_names])
    weights = np.prod(held ** surface.powers, axis=1)
    powers = surface.powers[:, [column[n] for n in free]]
    order = powers.sum(axis=1)
    if np.any((order > 2) & (surface.beta != 0) & (weights != 0)):
        raise InputError("model", "terms beyond second order", "canonical analysis covers "
                         "second-order models only", "Fit a second-order model, or hold a "
                         "factor of the long product")
    b0 = float(weights[order == 0] @ surface.beta[order == 0])
    b, B = np.zeros(k), np.zeros((k, k))
    place = np.zeros((len(order), k, k))              # d B / d beta, for the eigenvalues' errors
    for i, (p, w) in enumerate(zip(powers, weights, strict=True)):
        if p.sum() == 1:
            b[p.argmax()] += w * surface.beta[i]
        elif p.sum() == 2:
            j, m = np.repeat(np.arange(k), p)
            place[i, j, m] += w / 2
            place[i, m, j] += w / 2
    B = np.tensordot(surface.beta, place, axes=1)
    return free, (b0, b, B), (place, surface.covariance, surface.df)


def _axes(found: Canonical, spread, names, level) -> tuple[pd.DataFrame, list[str]]:
    place, covariance, df = spread
    values, axes = found.eigenvalues, found.axes
    slopes = np.einsum("ja,ijm,ma->ai", axes, place, axes)   # d eigenvalue / d beta
    if covariance is None:
        errors = half = np.full(len(values), np.nan)
    else:
        errors = np.sqrt(np.einsum("ai,ij,aj->a", slopes, covariance, slopes).clip(0))
        half = stats.t.ppf((1 + level) / 2, df) * errors
    small = np.abs(values) < FLAT * np.abs(values).max()
    flat = small | (np.nan_to_num(half) >= np.abs(values))
    shapes = ["flat" if f else "hill" if v < 0 else "valley"
              for f, v in zip(flat, values, strict=True)]
    table = pd.DataFrame({"axis": range(1, len(values) + 1), "eigenvalue": values,
                          "standard_error": errors, "low": values - half,
                          "high": values + half, "shape": shapes})
    for j, name in enumerate(names):
        table[name] = axes[j]
    return table, shapes


def _kind(shapes: list[str]) -> str:
    if "hill" in shapes and "valley" in shapes:
        return "saddle"
    if "flat" in shapes:
        return "ridge"
    return "maximum" if shapes[0] == "hill" else "minimum"


def _stationary_sentence(fit, region, names, kind, shapes, settings, value, inside, best,
                         best_value, fixed) -> str:
    response, unit = fit.response, fit.response.unit
    flat, axes = shapes.count("flat"), len(shapes)
    name = capitalise(response.label)
    if flat == axes:
        text = (f"{name}: no curvature can be told from noise, so neither a maximum nor a minimum "
                "is established.")
    elif not settings:
        text = (f"{name} has no stationary point: along a flat axis it keeps changing in one "
                "direction.")
    elif inside:
        what = f"a {kind}" if kind != "ridge" else "a stationary ridge"
        text = (f"{name} is level at {settings_text(region, settings, names)}: {what} of "
                f"{quantity(value, unit)}, inside the region.")
    else:
        what = f"a {kind}" if kind != "ridge" else "a rising ridge"
        text = (f"{name} has {what} whose stationary point lies outside the region that was "
                "studied, so it is an extrapolation and no setting to run.")
    if 0 < flat < axes:
        text += (f" {flat} of its {axes} axes cannot be told from flat: settings along "
                 f"{'it' if flat == 1 else 'them'} do about equally well.")
    wanted = {"minimise": "minimum", "maximise": "maximum"}.get(response.goal)
    if not inside or kind != wanted:
        text += (f" The best predicted mean inside the region is {quantity(best_value, unit)}, at "
                 f"{settings_text(region, best, names)}.")
    if fixed:
        text += f" Held: {settings_text(region, fixed, list(fixed))}."
    return text


@dataclass(frozen=True)
class SteepestPath:
    """Settings in the direction in which a first-order surface gains fastest.

    Parameters
    ----------
    table : DataFrame
        ``step`` (0 is the centre), ``distance`` (coded units from the centre), the factors in
        settable natural units, predicted ``mean``, ``mean_low``, ``mean_high``, ``low``,
        ``high`` and ``extrapolated``.
    direction : dict
        Unit vector in coded units.
    sentence : str
    """

    table: pd.DataFrame
    direction: dict = field(default_factory=dict)
    sentence: str = ""


def steepest_path(fit, steps: int = 8, *, fixed: Mapping[str, object] | None = None,
                  mixer: Mixer | None = None, level: float = 0.95) -> SteepestPath:
    """Path of steepest ascent (descent for a response to be minimised), Box & Wilson (1951).

    It starts at the centre, follows the first-order coefficients in coded units, and ends
    where it leaves the region.

    Parameters
    ----------
    fit : Fit
        Its products and squares, if any, bend the predictions but not the path.
    steps : int
        Number of steps from the centre to the edge of the region.
    fixed : mapping, optional
        Factors held; every categorical factor in the model must be.
    mixer : Mixer, optional
        Then settings are rounded to what it can be set to.
    level : float
        Of the intervals.
    """
    if isinstance(steps, bool) or not isinstance(steps, (int, np.integer)):
        raise InputError("steps", steps, "a number of steps is whole", "Give a whole number")
    as_number("steps", float(steps), at_least=1)
    surface, region = Surface.of(fit), fit.region
    fixed = _held(surface, region, fixed)
    names, (b0, b, _), _ = _polynomial(surface, region, fixed)
    length = float(np.linalg.norm(b))
    if length == 0:
        raise InputError(f"fit of '{fit.response.name}'", [str(t) for t in fit.terms],
                         "no first-order coefficient differs from 0, so there is no direction",
                         "Fit a model with main effects")
    sign = {"maximise": 1.0, "minimise": -1.0}.get(fit.response.goal)
    if sign is None:
        here = float(surface.response_scale(b0))
        sign = 1.0 if fit.response.target >= here else -1.0
    direction = sign * b / length
    line = np.linspace(0.0, 1.0, 4001)[:, None] * direction / np.abs(direction).max()
    natural = _natural(region, names, line, fixed)
    settings = mixer.snap(natural, region) if mixer else region.snap(natural)
    # Rounding to increments can push a point across a constraint: the last one before it serves.
    reached = np.logical_and.accumulate(region.contains(natural))
    good = np.flatnonzero(reached & region.contains(settings))
    if not len(good):
        raise InputError("region", "centre", "the centre breaks a constraint, so no path starts "
                         "there", "Change the constraints or hold other settings")
    wanted = np.linspace(good[0], good[-1], steps + 1)
    rows = good[np.searchsorted(good, wanted + 1e-9, side="right") - 1]
    path, settings = line[rows], settings.iloc[rows].reset_index(drop=True)
    table = pd.concat([
        pd.DataFrame({"step": range(steps + 1), "distance": np.linalg.norm(path, axis=1)}),
        settings, fit.predict(settings, level=level).reset_index(drop=True)], axis=1)
    table.attrs["units"] = {f.name: f.unit for f in region.factors if f.is_numeric} | {
        "distance": "coded"}
    return SteepestPath(table, dict(zip(names, direction.tolist(), strict=True)),
                        _path_sentence(fit, region, names, direction, table))


def _natural(region: Region, names, coded: np.ndarray, fixed: Mapping) -> pd.DataFrame:
    out = {}
    for f in region.factors:
        if f.name in names:
            out[f.name] = f.decode(coded[:, names.index(f.name)])
        else:
            value = fixed.get(f.name, f.centre if f.is_numeric else f.levels[0])
            out[f.name] = [value] * len(coded)
    return pd.DataFrame(out)


def _path_sentence(fit, region, names, direction, table) -> str:
    response, order = fit.response, np.argsort(-np.abs(direction))
    moves = [f"{region[names[j]].label} {'up' if direction[j] > 0 else 'down'}"
             for j in order if abs(direction[j]) > 0.1]
    first, last = table.iloc[0], table.iloc[-1]
    text = (f"From the centre to the edge of the region, with {join(moves)}, the predicted "
            f"mean of {response.label} goes from {digits(first['mean'])} to "
            f"{quantity(last['mean'], response.unit)}.")
    if last["mean_low"] <= first["mean"] <= last["mean_high"]:
        text += (" This gain is within the confidence interval of the mean at its end, so the "
                 "direction is not established.")
    return text + " Beyond the edge, settings would be an extrapolation to be tried by runs."
