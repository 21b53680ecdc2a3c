"""What size of effect a plan would find."""

from __future__ import annotations

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from doe import wording
from doe.charts.marks import legend_height
from doe.charts.scales import held_unit, number, quantity, value_axis
from doe.charts.text import escape, wrap
from doe.charts.theme import GREY, SERIES, WIDTH, dress
from doe.errors import InputError
from doe.planning.power import least_noncentrality, power_of
from doe.responses import Response

__all__ = ["detectable_effects"]

_POINTS = 61
_MOST_LINES = 4
KINDS = ("main effects", "interactions", "squares")


def detectable_effects(appraisal, response: Response | None = None) -> go.Figure:
    """Power curves: the chance that an effect of some size is found, a line a kind of term.

    Parameters
    ----------
    appraisal : doe.planning.appraisal.Appraisal
    response : Response, optional
        Whose standard deviation was assumed; without it effects are multiples of it.

    Raises
    ------
    InputError
        If the plan estimates no effect.
    """
    groups = _groups(appraisal)
    if not groups:
        raise InputError("appraisal", len(appraisal.table), "no effect can be estimated",
                         "Plan more runs, or a model with fewer terms")
    log = response is not None and response.scale == "log"
    unit = "" if log else "standard deviations" if response is None else response.unit
    reach = max(step * least_noncentrality(df, 0.99, appraisal.alpha) for step, df in groups)
    sizes = np.linspace(0, reach, _POINTS)
    shown = np.exp if log else np.asarray
    figure = go.Figure()
    for ((step, df), name), style in zip(groups.items(), SERIES * len(groups), strict=False):
        power = [power_of(size / step, df, appraisal.alpha) for size in sizes]
        least = step * least_noncentrality(df, appraisal.wanted_power, appraisal.alpha)
        figure.add_trace(go.Scatter(
            x=shown(sizes), y=100 * np.array(power), mode="lines", name=escape(name),
            line={"color": style.colour, "dash": style.dash, "width": 2.5},
            hovertemplate="effect %{x:.3~r}: found with %{y:.0f} %<extra></extra>"))
        figure.add_trace(go.Scatter(
            x=[float(shown(least))], y=[100 * appraisal.wanted_power], mode="markers",
            marker={"symbol": style.symbol, "size": 11, "color": style.colour,
                    "line": {"color": "white", "width": 1}}, showlegend=False,
            hovertemplate="%{x:.3~r} with %{y:.0f} %<extra></extra>"))
    figure.add_hline(y=100 * appraisal.wanted_power, line={"color": GREY, "width": 1,
                                                           "dash": "dot"})
    what = "Effect, low to high" + (" or centre to end for squares"
                                    if any("squares" in n for n in groups.values()) else "")
    if log:
        axis = f"{what}, on {response.label} (ratio)"
    elif response is None:
        axis = f"{what} (standard deviations of a run)"
    else:
        axis = f"{what}, on {response.title}"
    figure.update_xaxes(title_text=wrap(axis, WIDTH - 90),
                        **value_axis(shown(np.array([0.0, reach])), log=log, pad=0.0))
    figure.update_yaxes(title_text="chance of finding it (%)", range=[0, 102],
                        tickvals=[0, 20, 40, 60, 80, 100])
    title, subtitle = _finding(appraisal, groups, log, unit, response)
    return dress(figure, title, subtitle, height=400, above=legend_height(figure))


def _groups(appraisal) -> dict[tuple[float, float], str]:
    """Terms of the same precision together: (standard error of an effect, df) to their name; the
    least precise of each kind where these would be many.

    Without degrees of freedom for error the standard deviation is taken as known.
    """
    table = appraisal.table[appraisal.table["estimable"]
                            & (appraisal.table["effect_is"] != "overall mean")]
    found: dict[tuple[float, float], list] = {}
    worst: dict[str, tuple[float, float]] = {}
    for row in table.itertuples():
        df = float(row.error_df) if row.error_df > 0 else np.inf
        least = row.detectable_effect if row.error_df > 0 else row.detectable_if_sd_known
        step = least / least_noncentrality(df, appraisal.wanted_power, appraisal.alpha)
        key = next((k for k in found if k[1] == df and abs(k[0] / step - 1) < 0.02), (step, df))
        found.setdefault(key, []).append(row)
        worst[_kind(row)] = max(worst.get(_kind(row), (0.0, df)), (step, df))
    if len(found) > _MOST_LINES:
        return {key: wording.join(f"{kind}, the worst" for kind in KINDS if worst.get(kind) == key)
                for key in sorted(set(worst.values()))}
    kinds = pd.Series([_kind(r) for r in table.itertuples()])
    return {key: _name(rows, kinds) for key, rows in
            sorted(found.items(), key=lambda item: item[0][0])}


def _kind(row) -> str:
    if "**" in row.term:
        return "squares"
    return "interactions" if ":" in row.term else "main effects"


def _name(rows: list, kinds: pd.Series) -> str:
    own = pd.Series([_kind(r) for r in rows]).value_counts()
    parts = []
    for kind in KINDS:
        if not own.get(kind):
            continue
        if own[kind] == (kinds == kind).sum():
            parts.append(kind)
        else:
            names = [r.label for r in rows if _kind(r) == kind]
            parts.append(wording.join(names) if len(names) < 3 else f"{len(names)} {kind}")
    return wording.join(parts)


def _finding(appraisal, groups: dict, log: bool, unit: str, response: Response | None
             ) -> tuple[str, str]:
    (step, df), name = next(((k, v) for k, v in groups.items() if "main effects" in v),
                            next(iter(groups.items())))
    least = step * least_noncentrality(df, appraisal.wanted_power, appraisal.alpha)
    size = (f"a factor of {quantity(float(np.exp(least)))}" if log else quantity(least, unit))
    share = f"{100 * appraisal.wanted_power:g}\u00a0%"
    on = f" on {response.label}" if response is not None else ""
    if np.isinf(df):
        title = ("Nothing is left to estimate noise from: only with a known standard deviation "
                 f"would {name} of {size}{on} be found with {share} power")
    else:
        name = name.replace(", the worst", "")
        title = f"{wording.capitalise(name)} of {size} or more{on} are found with {share} power"
    said = [f"Two-sided test at {100 * appraisal.alpha:g}\u00a0%."]
    if response is not None:
        sd = (wording.percent(appraisal.sd) if log
              else f"{number(appraisal.sd)}{held_unit(unit)}")
        said.append(f"Standard deviation of a run assumed: {sd}.")
    if np.isfinite(df):
        said.append(f"{wording.count(int(df), 'degree')} of freedom for error.")
    return title, " ".join(said)
