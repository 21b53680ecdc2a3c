"""Residuals along each factor and block: what the model leaves there, in level and in spread.

References
----------
Brown, M. B. & Forsythe, A. B. (1974). Robust tests for the equality of variances. *Journal of the
American Statistical Association* 69, 364–367.
Kruskal, W. H. & Wallis, W. A. (1952). Use of ranks in one-criterion variance analysis. *Journal of
the American Statistical Association* 47, 583–621.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from scipy import stats

from doe import wording
from doe.analysis.diagnostics import outlier_limit
from doe.charts.diagnostics import common_limit, judged, nothing, points
from doe.charts.multiples import PANEL, name_axis, panels, title_lines
from doe.charts.scales import value_axis
from doe.charts.text import escape, wrap
from doe.charts.theme import GREY, RED, SMALL, dress, ruler
from doe.factors import Factor

__all__ = ["residuals_by_factor"]

_SAME = 0.05  # half-ranges within which settings count as one level
_LEAST, _MOST = 3, 6  # runs a level, and levels, with which levels are compared


def residuals_by_factor(fit) -> go.Figure:
    """One panel a factor, and one for the blocks: studentised residuals along it.

    Parameters
    ----------
    fit : Fit, MixedFit or KindFit
        With ``diagnostics``.

    Differences in level (Kruskal & Wallis) and spread (Brown & Forsythe) between the levels of a
    factor are said if they are beyond chance at 5 %, allowing for all panels (Bonferroni). With
    fewer than two degrees of freedom for error the figure says that there is nothing to judge.
    """
    table = judged(fit)
    if table is None:
        return nothing(fit)
    places = _places(fit)
    columns = 3 if len(places) in (3, 5, 6) else min(4, len(places))
    figure, where, height = panels(len(places), columns,
                                   title_lines([f for f, _ in places], columns), 0)
    y, limit = table["studentised"], common_limit(outlier_limit(table))
    most = float(y.abs().max())
    lines = []
    for (factor, values), (row, col) in zip(places, where, strict=True):
        points(figure, fit, table, values, y, row, col)
        name_axis(figure, factor, row, col, columns)
        if factor.is_numeric:
            figure.update_xaxes(**value_axis([*values, factor.low, factor.high], pad=0.08),
                                row=row, col=col)
        lines.append(ruler(figure, y=0, row=row, col=col, line={"color": GREY, "width": 1}))
        if limit <= 1.35 * most:
            lines += [ruler(figure, y=side * limit, row=row, col=col,
                            line={"color": RED, "width": 1.5, "dash": "dash"}) for side in (-1, 1)]
        if col == 1:
            figure.update_yaxes(title_text=wrap(fit.residual_name, PANEL + 10, SMALL + 1, most=2),
                                title_font_size=SMALL + 1, row=row, col=1)
    figure.update_yaxes(**value_axis([*y, 0.0]))
    figure.update_layout(shapes=lines, showlegend=False)
    title = _finding(fit, table, places)
    note = fit.residual_note()
    said = "Marks: runs. The model should leave no trend and an even spread along every factor."
    return dress(figure, title, f"{said} {note}".strip(), height=height, above=14)


def _places(fit) -> list[tuple[Factor, pd.Series]]:
    """Each factor, then the blocks, with the place of each run along it."""
    data = fit.data.reset_index(drop=True)
    out = [(f, data[f.name].astype(float) if f.is_numeric else data[f.name].map(escape))
           for f in fit.region.factors]
    if fit.blocks is not None:
        blocks = fit.blocks.reset_index(drop=True).astype(str)
        levels = list(dict.fromkeys(fit.blocks.sort_values().astype(str)))
        out.append((Factor.categorical("block", levels), blocks.map(escape)))
    return out


def _finding(fit, table: pd.DataFrame, places: list[tuple[Factor, pd.Series]]) -> str:
    known = table["studentised"].notna().to_numpy()
    residual = table["studentised"].to_numpy()[known]
    inner = table["standardised"].to_numpy()[known]
    found = []
    for factor, values in places:
        level, spread = _differences(factor, values[known], residual, inner)
        for p, what in ((level, "level"), (spread, "spread")):
            if p < 0.05 / (2 * len(places)):
                found.append(f"the {what} of the residuals changes along {factor.label}")
    label = fit.response.label
    if not found:
        return f"The model of {label} leaves nothing along any factor"
    return f"{wording.capitalise(label)}: {'; '.join(found)}"


def _differences(factor: Factor, values: pd.Series, residual: np.ndarray,
                 inner: np.ndarray) -> tuple[float, float]:
    """p-values of differences in level and spread between the factor's levels; 1 if there are too
    few runs to tell."""
    key = (np.round(factor.code(values) / _SAME).astype(int) if factor.is_numeric
           else pd.factorize(values)[0])
    if not np.ptp(residual) > 0:
        return 1.0, 1.0
    groups = [np.flatnonzero(key == k) for k in np.unique(key)]
    groups = [g for g in groups if len(g) >= _LEAST]
    if not 2 <= len(groups) <= _MOST:
        if len(residual) < 2 * _LEAST or not factor.is_numeric:
            return 1.0, 1.0
        # Settings all along the range: a bend, by distance from the middle, and a trend in spread.
        code = factor.code(values)
        return (float(stats.spearmanr(np.abs(code), residual).pvalue),
                float(stats.spearmanr(code, np.abs(inner)).pvalue))
    with np.errstate(invalid="ignore", divide="ignore"):  # no spread at all: a missing p-value
        return (float(stats.kruskal(*(residual[g] for g in groups)).pvalue),
                float(stats.levene(*(inner[g] for g in groups), center="median").pvalue))
