"""What size of effect a plan would find on a count or a share."""

from __future__ import annotations

import plotly.graph_objects as go

from doe import wording
from doe.charts.marks import legend_height
from doe.charts.scales import quantity, value_axis
from doe.charts.text import escape, wrap
from doe.charts.theme import BLUE, GREY, WIDTH, dress
from doe.responses import Response

__all__ = ["detectable_ratio"]


def detectable_ratio(power, response: Response) -> go.Figure:
    """Chance that an effect is found over its size, a ratio; with the simulation's error.

    Parameters
    ----------
    power : doe.planning.ratio_power.RatioPower
    response : Response
        The count or share.
    """
    table, wanted = power.table, 100 * power.wanted
    figure = go.Figure(go.Scatter(
        x=table["ratio"], y=100 * table["power"], mode="lines+markers",
        name="simulated, with 95\u00a0% interval", line={"color": BLUE, "width": 2.5},
        marker={"size": 8, "color": BLUE},
        error_y={"type": "data", "symmetric": False, "color": BLUE, "thickness": 1.5,
                 "array": 100 * (table["high"] - table["power"]),
                 "arrayminus": 100 * (table["power"] - table["low"])},
        hovertemplate="× %{x:.3~r}: found with %{y:.0f} %<extra></extra>"))
    if power.least is not None:
        figure.add_trace(go.Scatter(
            x=[power.least], y=[wanted], mode="markers", name="found with the power wanted",
            marker={"symbol": "diamond", "size": 12, "color": BLUE,
                    "line": {"color": "white", "width": 1}},
            hovertemplate="× %{x:.3~r} with %{y:.0f} %<extra></extra>"))
    figure.add_hline(y=wanted, line={"color": GREY, "width": 1, "dash": "dot"})
    what = "mean" if power.kind == "count" else "odds"
    figure.update_xaxes(title_text=wrap(f"Effect of {power.label}, low to high, on the {what} of "
                                        f"{response.label} (ratio)", WIDTH - 90),
                        **value_axis(table["ratio"].tolist(), log=True, pad=0.02))
    figure.update_yaxes(title_text="chance of finding it (%)", range=[0, 102],
                        tickvals=[0, 20, 40, 60, 80, 100])
    label = wording.capitalise(response.label)
    title = (f"{label}: a main effect is found with {wanted:g}\u00a0% power where it multiplies "
             f"the {what} by {quantity(power.least)} or more" if power.least is not None else
             f"{label}: no main effect looked at here is found with {wanted:g}\u00a0% power")
    centre = (f"mean count {quantity(power.baseline)}" if power.kind == "count"
              else f"share {wording.percent(power.baseline)}")
    return dress(figure, title, f"Assumed at the centre: {centre}. Likelihood-ratio test at "
                 f"{100 * power.alpha:g}\u00a0% of {escape(power.label)}, the least precise main "
                 f"effect; {power.draws} simulated studies a point.",
                 height=400, above=legend_height(figure))
