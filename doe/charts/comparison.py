"""Plans side by side: precision over the region, and power."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import plotly.graph_objects as go

from doe import wording
from doe.charts.marks import legend_height
from doe.charts.scales import quantity
from doe.charts.text import escape, wrap
from doe.charts.theme import GREY, INK, SERIES, WIDTH, dress
from doe.errors import InputError
from doe.planning.comparison import Comparison
from doe.planning.fraction_of_region import FractionOfRegion
from doe.responses import Response

__all__ = ["compared_power", "region_fractions"]

_ENOUGH = 0.90


def region_fractions(curves: FractionOfRegion | Mapping[str, FractionOfRegion] | Comparison,
                     ) -> go.Figure:
    """Standard error of a predicted mean over the fraction of the region; a line a plan.

    A flat, low line is wanted: it predicts equally well everywhere.

    Parameters
    ----------
    curves : FractionOfRegion, mapping of plans' names to such, or Comparison

    Raises
    ------
    InputError
        If no plan can predict.
    """
    missing: list[str] = []
    if isinstance(curves, Comparison):
        missing = [n for n in curves.appraisals if n not in curves.curves]
        names, curves = list(curves.appraisals), curves.curves
    elif isinstance(curves, FractionOfRegion):
        names, curves = ["this plan"], {"this plan": curves}
    else:
        names = list(curves)
    if not curves:
        raise InputError("plans", names, "none of them can estimate the model, so none predicts",
                         "Compare them for a smaller model")
    if len(curves) > len(SERIES):
        raise InputError("plans", names, f"at most {len(SERIES)} can be told apart",
                         "Leave some out")
    figure = go.Figure()
    styles = dict(zip(names, SERIES, strict=False))
    for name, curve in curves.items():
        style, x = styles[name], 100 * curve.table["share"]
        y = curve.table["standard_error"]
        figure.add_trace(go.Scatter(
            x=x, y=y, mode="lines", name=escape(name), cliponaxis=False,
            showlegend=len(curves) > 1,
            line={"color": style.colour, "dash": style.dash, "width": 2.5},
            hovertemplate="%{x:.0f} % of the region: at most %{y:.2f}<extra>" + escape(name)
                          + "</extra>"))
        figure.add_trace(go.Scatter(
            x=[100.0], y=[y.iloc[-1]], mode="markers", showlegend=False, cliponaxis=False,
            marker={"symbol": style.symbol, "size": 9, "color": style.colour},
            hovertemplate="greatest found: %{y:.2f}<extra>" + escape(name) + "</extra>"))
    figure.add_vline(x=100 * _ENOUGH, line={"color": GREY, "width": 1, "dash": "dot"})
    figure.update_xaxes(title_text="share of the region (%)", range=[0, 101],
                        tickvals=[0, 20, 40, 60, 80, 90, 100])
    top = max(float(c.table["standard_error"].iloc[-1]) for c in curves.values())
    figure.update_yaxes(title_text="standard error of a predicted mean, at most<br>"
                                   "(standard deviations of a run)", range=[0, 1.06 * top])
    title, subtitle = _finding(curves, missing)
    return dress(figure, title, subtitle, height=390,
                 above=legend_height(figure) if len(curves) > 1 else 14)


def _finding(curves: Mapping[str, FractionOfRegion], missing: list[str]) -> tuple[str, str]:
    at = {name: float(np.sqrt(np.quantile(c.variances, _ENOUGH))) for name, c in curves.items()}
    best = min(at, key=at.get)
    share = wording.percent(_ENOUGH)
    said = [f"Model fitted after all {curves[best].runs} runs." if len(curves) == 1 else
            "Runs: " + wording.join(f"{n} ({c.runs})" for n, c in curves.items()) + ".",
            "The mark at the end is the greatest found anywhere."]
    if missing:
        said.append(f"Not drawn, as {'it' if len(missing) == 1 else 'they'} cannot estimate the "
                    f"model: {wording.join(missing)}.")
    if len(curves) == 1:
        title = (f"Over {share} of the region a predicted mean has a standard error of at most "
                 f"{wording.digits(at[best], 2)} standard deviations of a run")
        return title, " ".join(said)
    others = [v for n, v in at.items() if n != best]
    if min(others) < 1.02 * at[best]:
        equal = [n for n, v in at.items() if v < 1.02 * at[best]]
        title = (f"{wording.capitalise(wording.join(equal))} predict equally well over {share} of "
                 f"the region: standard error at most {wording.digits(at[best], 2)} standard "
                 "deviations of a run")
    else:
        rest = wording.join([wording.digits(v, 2) for v in sorted(others)])
        title = (f"{wording.capitalise(best)} predicts best over {share} of the region: standard "
                 f"error at most {wording.digits(at[best], 2)} standard deviations of a run, "
                 f"against {rest}")
    return title, " ".join(said)


def compared_power(comparison: Comparison, response: Response | None = None, *,
                   wanted: float = 0.80) -> go.Figure:
    """Chance of finding the worst main effect over its size; a line a plan.

    Parameters
    ----------
    comparison : Comparison
    response : Response, optional
        Whose standard deviation was given to the comparison; without it effects are multiples
        of the standard deviation. On a log scale, effects are shown as ratios.
    wanted : float
        The power to draw a line at.

    Raises
    ------
    InputError
        If no plan can test its main effects.
    """
    power = comparison.power
    if power.empty:
        raise InputError("plans", list(comparison.table.index), "none can test its main effects",
                         "Plan more runs, or compare for a smaller model")
    log = response is not None and response.scale == "log"
    shown = np.exp if log else np.asarray
    figure, least = go.Figure(), {}
    names = list(comparison.table.index)
    styles = dict(zip(names, SERIES, strict=False))
    for name, part in power.groupby("plan", sort=False):
        style = styles[name]
        sizes, chance = part["effect"].to_numpy(float), part["power"].to_numpy(float)
        figure.add_trace(go.Scatter(
            x=shown(sizes), y=100 * chance, mode="lines", name=escape(name),
            line={"color": style.colour, "dash": style.dash, "width": 2.5},
            hovertemplate="effect %{x:.3~r}: found with %{y:.0f} %<extra>" + escape(name)
                          + "</extra>"))
        if chance[-1] >= wanted:
            least[name] = float(np.interp(wanted, chance, sizes))
            figure.add_trace(go.Scatter(
                x=[float(shown(least[name]))], y=[100 * wanted], mode="markers", showlegend=False,
                marker={"symbol": style.symbol, "size": 11, "color": style.colour,
                        "line": {"color": "white", "width": 1}},
                hovertemplate="%{x:.3~r} with %{y:.0f} %<extra>" + escape(name) + "</extra>"))
    figure.add_hline(y=100 * wanted, layer="below", line={"color": GREY, "width": 1, "dash": "dot"})
    if log:
        axis, unit = f"Main effect, low to high, on {response.label} (ratio)", ""
    elif response is None:
        axis = "Main effect, low to high (standard deviations of a run)"
        unit = "standard deviations"
        if comparison.sd != 1:
            axis, unit = "Main effect, low to high (unit of the response)", ""
    else:
        axis, unit = f"Main effect, low to high, on {response.title}", response.unit
    figure.update_xaxes(title_text=wrap(axis, WIDTH - 90), tickfont_color=INK)
    figure.update_yaxes(title_text="chance of finding it (%)", range=[0, 102],
                        tickvals=[0, 20, 40, 60, 80, 100])
    missing = [n for n in names if n not in set(power["plan"])]
    said = ["The worst main effect of each plan, two-sided test."]
    if comparison.sd != 1 and response is not None:
        said.append("Standard deviation of a run assumed: "
                    + (wording.percent(comparison.sd) if log else
                       quantity(comparison.sd, response.unit)) + ".")
    if missing:
        said.append(f"Not drawn, as nothing is left to test with: {wording.join(missing)}.")
    table = comparison.table
    for name in table.index[table["estimable"] < table["coefficients"]].difference(missing):
        lost = int(table.loc[name, "coefficients"] - table.loc[name, "estimable"])
        said.append(f"{wording.capitalise(name)} cannot estimate "
                    f"{wording.count(lost, 'other coefficient')} of the model.")
    share = f"{100 * wanted:g}\u00a0%"
    if not least:
        title = f"No plan finds a main effect of the sizes shown with {share} power"
    else:
        best = min(least, key=least.get)
        size = {n: (f"a factor of {quantity(float(np.exp(v)))}" if log else quantity(v, unit))
                for n, v in least.items()}
        title = (f"{wording.capitalise(best)} finds main effects from {size[best]} with {share} "
                 "power")
        rest = [f"{n} from {size[n]}" for n in sorted(least, key=least.get) if n != best]
        title += f"; {wording.join(rest)}" if rest else ""
        later = [n for n in names if n not in least and n not in missing]
        title += f"; {wording.join(later)} only larger ones than shown" if later else ""
    return dress(figure, title, " ".join(said), height=390, above=legend_height(figure))
