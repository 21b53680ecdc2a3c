"""How a recipe's predictions stand against the specifications."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from doe import wording
from doe.charts.marks import interval_marks, limit_lines, outside, strip_heading
from doe.charts.scales import quantity, value_axis
from doe.charts.text import escape
from doe.charts.theme import SMALL, WIDTH, dress, panel_note
from doe.decision.surface import same_region

__all__ = ["conformance"]

_ROW, _ROW_GAP = 36, 54  # px


def conformance(recipe, fits: Sequence) -> go.Figure:
    """A recipe's predictions against the specifications, one row a response.

    Thick: confidence interval of the mean. Thin: interval for one run.

    Parameters
    ----------
    recipe : doe.decision.recipe.Recipe
    fits : sequence of Fit
        Those the recipe was chosen with.
    """
    same_region(fits)
    table = recipe.table.set_index("response").loc[[f.response.name for f in fits]]
    n = len(fits)
    figure = make_subplots(n, 1, vertical_spacing=_ROW_GAP / (n * _ROW + (n - 1) * _ROW_GAP)
                           if n > 1 else 0)
    shaded: list[dict] = []
    for i, (fit, row) in enumerate(zip(fits, table.itertuples(), strict=True), 1):
        response = fit.response
        known = np.isfinite(row.low)
        drawn = [row.predicted, *([row.low, row.high] if known else []),
                 *(n.value for n in limit_lines(response))]
        axis = value_axis(drawn, log=response.scale == "log" and min(drawn) > 0, pad=0.12)
        figure.update_xaxes(row=i, col=1, showgrid=True, tickfont_size=SMALL, **axis)
        at = pd.Series({"mean": row.predicted, "mean_low": row.mean_low,
                        "mean_high": row.mean_high, "low": row.low, "high": row.high})
        panel = figure.get_subplot(i, 1)
        across, up = (a.plotly_name.replace("axis", "") for a in panel)
        figure.add_traces([trace.update({"xaxis": across, "yaxis": up})
                           for trace in interval_marks(at, 0, escape(row.meets))])
        shaded += outside(response, axis, xref=across, yref=f"{up} domain")
        figure.update_yaxes(row=i, col=1, range=[-1, 1], showticklabels=False, ticks="",
                            showgrid=False, showline=False)
        panel_note(figure, strip_heading(response, WIDTH - 200), row=i, col=1)
        panel_note(figure, escape(quantity(row.predicted, response.unit)), row=i, col=1, x=1,
                   anchor="right")
    figure.update_layout(showlegend=False, shapes=shaded)
    said = ("Dot: predicted mean; thick: its "
            f"{100 * recipe.level:g}\u00a0% confidence interval; thin: interval for one run; "
            "shaded: out of specification.")
    return dress(figure, _conformance_finding(table, recipe.level), said, above=34,
                 height=70 + n * _ROW + (n - 1) * _ROW_GAP)


def _conformance_finding(table: pd.DataFrame, level: float) -> str:
    inside = table[table["specification"] != "no limits"]
    n, on_mean = len(inside), int(inside["mean_inside"].sum())
    one_run = sum(known is True for known in inside["interval_inside"])
    if not n:
        return "No response has specification limits"
    if on_mean < n:
        short = inside.loc[~inside["mean_inside"].astype(bool), "label"]
        return f"The recipe misses the specification of {wording.join(short)}"
    interval = f"the {100 * level:g}\u00a0% interval for one run"
    if one_run == n:
        return f"Every response meets its specification, {interval} included"
    if not inside["interval_inside"].notna().any():
        return "Every predicted mean meets its specification; no interval for one run is known"
    return (f"Every predicted mean meets its specification; {interval} lies within it for "
            + (f"{one_run} of {n} responses" if one_run else "none"))
