"""Measurements as they come in, run by run."""

from __future__ import annotations

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from doe import wording
from doe.charts.marks import legend_height, legend_mark, limit_lines
from doe.charts.scales import quantity, value_axis
from doe.charts.text import BREAK, bold, escape, wrap
from doe.charts.theme import BLUE, FAINT, GREY, INK, RED, SMALL, dress
from doe.responses import Response

__all__ = ["run_progress"]


def run_progress(data: pd.DataFrame, response: Response, *, total: int | None = None) -> go.Figure:
    """Measured values in the order in which the runs were done, with specification limits.

    Parameters
    ----------
    data : DataFrame
        As `doe.study.Study.table`: ``run``, the response, and if there are any ``order``,
        ``block``, ``attempt``, ``point``. Runs not measured are counted, not drawn.
    response : Response
    total : int, optional
        Number of runs planned.
    """
    order = data["order"] if "order" in data else pd.Series(np.arange(1, len(data) + 1),
                                                            data.index)
    table = data.assign(_at=order.astype(float)).sort_values("_at")
    table = table[table[response.name].notna()]
    y = table[response.name].to_numpy(float)
    log = response.scale == "log" and bool((y > 0).all())
    meets = np.array([response.meets(v) for v in y], bool)
    centre = (table["point"] == "centre").to_numpy() if "point" in table else np.zeros(len(y), bool)
    limits = limit_lines(response)
    figure = go.Figure()
    figure.add_trace(go.Scatter(x=table["_at"], y=y, mode="lines", hoverinfo="skip",
                                line={"color": GREY, "width": 1}, showlegend=False))
    hover = _texts(table, response)
    for keep, name, symbol, colour in (
        (meets & ~centre, "within limits" if limits else "run", "circle", BLUE),
        (meets & centre, "centre, within limits" if limits else "centre", "circle-dot", BLUE),
        (~meets & ~centre, "outside limits", "square", RED),
        (~meets & centre, "centre, outside limits", "square-dot", RED)):
        if keep.any():
            figure.add_trace(go.Scatter(
                x=table["_at"][keep], y=y[keep], mode="markers", name=name, text=hover[keep],
                hovertemplate="%{text}<extra></extra>", cliponaxis=False,
                marker={"symbol": symbol, "size": 10, "color": colour,
                        "line": {"color": "white", "width": 1}}))
    last = max(total or 0, int(table["_at"].max()) if len(table) else 0, 1)
    for limit in limits:
        style = {"color": RED, "width": 2, "dash": limit.dash}
        figure.add_hline(y=limit.value, line=style)
        legend_mark(figure, escape(limit.text), mode="lines", line=style)
    _blocks(figure, table)
    figure.update_yaxes(title_text=wrap(response.title, 260),
                        **value_axis([*y, *(n.value for n in limits)] or [0.0, 1.0], log=log))
    if response.grades:
        figure.update_yaxes(range=[0.7, len(response.grades) + 0.3],
                            tickvals=list(range(1, len(response.grades) + 1)),
                            ticktext=[escape(f"{i} {g}" if len(g) <= 16 else str(i))
                                      for i, g in enumerate(response.grades, 1)])
    figure.update_xaxes(title_text="place in the order of runs", range=[0.4, last + 0.6],
                        showgrid=False, dtick=max(1, round(last / 12)), tick0=1)
    title, subtitle = _finding(data, response, y, meets, total)
    return dress(figure, title, subtitle, height=340, above=legend_height(figure))


def _texts(table: pd.DataFrame, response: Response) -> np.ndarray:
    rows = []
    for row in table.to_dict("records"):
        attempt = row.get("attempt", 1)
        name = f"Run {row['run']}" if "run" in row else f"Place {row['_at']:g}"
        text = [bold(name + (f", attempt {attempt}" if attempt not in (1, None) else "")),
                escape(quantity(row[response.name], response.unit))]
        rows.append(BREAK.join(text))
    return np.array(rows, object)


def _blocks(figure: go.Figure, table: pd.DataFrame) -> None:
    """A faint line and a name where a new block begins."""
    if "block" not in table or table["block"].nunique() < 2:
        return
    block, at = table["block"].to_numpy(), table["_at"].to_numpy()
    for i in range(len(block)):
        if i and block[i] != block[i - 1]:
            figure.add_vline(x=(at[i] + at[i - 1]) / 2, line={"color": FAINT, "width": 2},
                             layer="below")
        if not i or block[i] != block[i - 1]:
            figure.add_annotation(x=at[i], y=1, yref="paper", text=f"block {escape(block[i])}",
                                  showarrow=False, xanchor="left", yanchor="top", xshift=-6,
                                  font={"size": SMALL, "color": INK})


def _finding(data: pd.DataFrame, response: Response, y: np.ndarray, meets: np.ndarray,
             total: int | None) -> tuple[str, str]:
    label = wording.capitalise(response.label)
    done = len(y)
    # A void run that is repeated is one of the planned runs, not one more.
    runs = data.loc[data[response.name].notna(), "run"].nunique() if "run" in data else done
    of = f"{runs} of {total} runs" if total else wording.count(done, "run")
    if not done:
        return f"{label}: nothing measured yet", f"{total} runs planned." if total else ""
    best = {"minimise": y.min(), "maximise": y.max(),
            "target": y[np.abs(y - (response.target or 0)).argmin()]}[response.goal]
    word = {"minimise": "lowest", "maximise": "highest", "target": "nearest to target"}
    lead = f"{label}: {of} measured"
    if limit_lines(response):
        return (f"{lead}, {int(meets.sum()) or 'none'} within limits",
                f"Wanted: {response.specification}. {wording.capitalise(word[response.goal])} so "
                f"far: {quantity(float(best), response.unit)}.")
    return f"{lead}, {word[response.goal]} {quantity(float(best), response.unit)}", ""
