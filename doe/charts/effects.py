"""Effects of a fit, in order of size and against what noise would do.

References
----------
Daniel, C. (1959). Use of half-normal plots in interpreting factorial two-level experiments.
*Technometrics* 1, 311–341.
Lenth, R. V. (1989). Quick and easy analysis of unreplicated factorials. *Technometrics* 31,
469–473.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import unescape

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from scipy import stats

from doe import wording
from doe.charts.marks import legend_height
from doe.charts.scales import quantity, to_noise, value_axis
from doe.charts.text import BREAK, bold, escape, lines, text_width, wrap
from doe.charts.theme import BLUE, FAINT, GREY, INK, RED, SMALL, WIDTH, dress
from doe.errors import InputError

__all__ = ["half_normal", "ordered_effects"]

_NAME_SIZE = SMALL + 1
_NAME_COLUMN = 190
_NUMBER_COLUMN = 90
_OUT_OF_SIGHT = 2.5  # a margin beyond so many times the largest effect would squeeze the rest


@dataclass(frozen=True)
class Effects:
    """Effects on the model's scale in order of size, and the yardstick they are held against.

    Attributes
    ----------
    table : DataFrame
        ``term, label, effect, low, high, active``, the largest first.
    unit_effect : float
        Standard error, or pseudo standard error, of a typical effect; may be missing.
    margins : tuple of (str, float)
        Sizes that noise would seldom pass; empty where the effects have none in common.
    yardstick : str
        What `unit_effect` is.
    """

    table: pd.DataFrame
    unit_effect: float
    margins: tuple[tuple[str, float], ...]
    yardstick: str
    log: bool
    unit: str

    @classmethod
    def of(cls, fit) -> Effects:
        """The effects of a fit, judged by Lenth's method where the fit offers it."""
        rows = fit.table[fit.table["term"] != "1"]
        if rows.empty:
            raise InputError("fit, terms", [str(t) for t in fit.terms],
                             "the model has no effects", "Fit at least one factor")
        log = fit.response.scale == "log"
        change = np.log if log else np.asarray
        table = pd.DataFrame({"term": rows["term"], "label": rows["label"], **{
            short: change(rows[name].to_numpy(float)) for short, name in
            (("effect", "effect"), ("low", "effect_low"), ("high", "effect_high"))}})
        unit_effect, margins, yardstick = np.nan, (), ""
        if fit.lenth is not None:
            judged = fit.lenth.table.set_index("term").loc[table["term"]]
            table["active"] = judged["active"].to_numpy()
            unit_effect, yardstick = fit.lenth.pse, "pseudo standard error"
            margins = (("margin for one effect", fit.lenth.pse * fit.lenth.critical),
                       ("margin for all", fit.lenth.pse * fit.lenth.critical_simultaneous))
        elif fit.df_error:
            half = (table["high"] - table["low"]) / 2
            # A factor of several categories is judged as a whole, as it is in the tables.
            table["active"] = rows["source"].isin({str(t) for t in fit.active})
            df = rows["df"] if "df" in rows else np.full(len(rows), float(fit.df_error))
            unit_effect = float((half / stats.t.ppf(0.975, df)).median())
            yardstick = "standard error"
            if half.max() <= 1.05 * half.min():
                margins = (("margin for one effect", float(half.median())),)
        else:
            table["active"] = False
        table = table.sort_values("effect", key=np.abs, ascending=False, ignore_index=True)
        sight = _OUT_OF_SIGHT * table["effect"].abs().max()
        return cls(table, unit_effect, tuple(m for m in margins if m[1] <= sight), yardstick, log,
                   "" if log else fit.response.unit)

    def natural(self, effects: object) -> np.ndarray:
        """Effects as they are drawn: changes, or on a log scale ratios."""
        values = np.asarray(effects, float)
        return np.exp(values) if self.log else values

    def say(self, effect: float) -> str:
        """An effect in words, to the decimals that its noise leaves meaningful."""
        if self.log:
            return f"×\u00a0{quantity(float(np.exp(effect)))}"
        return to_noise(effect, self.unit_effect, self.unit, self.table["effect"].abs().max())

    def axis_title(self, fit, what: str) -> str:
        """Title of an axis of effects, with the unit."""
        if self.log:
            return f"{what} on {fit.response.label}, low to high (ratio)"
        unit = f" ({fit.response.unit})" if fit.response.unit else ""
        return f"{what} on {fit.response.label}, low to high{unit}"


def half_normal(fit) -> go.Figure:
    """Half-normal plot: sizes of the effects against what noise alone would give.

    Effects of noise follow the line, whose slope is the (pseudo) standard error of an
    effect; those that noise would seldom reach carry their names.

    Parameters
    ----------
    fit : doe.analysis.fit.Fit

    Raises
    ------
    InputError
        If the model has no effects.
    """
    effects = Effects.of(fit)
    table = effects.table.iloc[::-1].reset_index(drop=True)
    n = len(table)
    # Expected half-normal order statistics at the usual (i − 1/2)/n positions (Daniel 1959).
    score = stats.halfnorm.ppf((np.arange(1, n + 1) - 0.5) / n)
    size = table["effect"].abs().to_numpy()
    reach = max(score[-1] * 1.12, 0.5)
    ends = np.array([0.0, reach])
    figure = go.Figure()
    if np.isfinite(effects.unit_effect):
        figure.add_trace(go.Scatter(
            x=ends, y=effects.natural(ends * effects.unit_effect), mode="lines", name="noise",
            line={"color": GREY, "width": 1.5}, hoverinfo="skip"))
    for (name, margin), dash in zip(effects.margins, ("dash", "dot"), strict=False):
        figure.add_trace(go.Scatter(
            x=ends, y=effects.natural([margin, margin]), mode="lines", name=name,
            line={"color": RED, "width": 1.5, "dash": dash}, hoverinfo="skip"))
    hover = _hover(effects, table)
    for active, name, marker in (
        (True, "stands out", {"symbol": "circle", "color": BLUE, "size": 10}),
        (False, "within noise", {"symbol": "circle-open", "color": GREY, "size": 9,
                                 "line": {"width": 1.5}})):
        keep = (table["active"] == active).to_numpy()
        if keep.any():
            figure.add_trace(go.Scatter(
                x=score[keep], y=effects.natural(size[keep]), mode="markers", marker=marker,
                name=name, text=[h for h, k in zip(hover, keep, strict=True) if k],
                hovertemplate="%{text}<extra></extra>", cliponaxis=False))
    top = 1.06 * max(size.max(), *(m for _, m in effects.margins), 0.0)
    axis = value_axis(effects.natural([0.0, top]), log=effects.log, pad=0.0)
    figure.update_yaxes(title_text=wrap(effects.axis_title(fit, "Size of effect"), 340), **axis)
    figure.update_xaxes(title_text="half-normal score", range=[0, reach])
    _name_active(figure, effects, table, score, top, reach)
    title, subtitle = _finding(fit, effects)
    return dress(figure, title, subtitle, height=430, above=legend_height(figure))


def _name_active(figure: go.Figure, effects: Effects, table: pd.DataFrame, score: np.ndarray,
                 top: float, reach: float) -> None:
    """Write the active effects' names beside their points, clear of points and other names.

    The points rise to the right, so there is room left of them and above.
    """
    wide, tall = (WIDTH - 110) / reach, 330 / top
    x, y = score * wide, table["effect"].abs().to_numpy() * tall
    taken = [(px - 6, px + 6, py - 6, py + 6) for px, py in zip(x, y, strict=True)]
    for i in reversed(np.flatnonzero(table["active"])):
        broken = lines(table["label"][i], max(x[i] - 16, 70), _NAME_SIZE, most=3)
        half = 0.65 * _NAME_SIZE * len(broken)
        width = max(text_width(unescape(line), _NAME_SIZE) for line in broken)
        others = [box for j, box in enumerate(taken) if j != i]

        def clear(side: int, up: float, i=i, half=half, width=width, others=others) -> bool:
            left = x[i] - 9 - width if side < 0 else x[i] + 9
            box = (left, left + width, y[i] + up - half, y[i] + up + half)
            return all(box[1] < o[0] or box[0] > o[1] or box[3] < o[2] or box[2] > o[3]
                       for o in others)

        tries = [(-1, 0.0), (-1, half), (1, 0.0), (-1, -half), (1, -half), (-1, 2 * half)]
        side, up = next((t for t in tries if clear(*t)), tries[0])
        left = x[i] - 9 - width if side < 0 else x[i] + 9
        taken.append((left, left + width, y[i] + up - half, y[i] + up + half))
        figure.add_annotation(
            x=score[i], y=(y[i] + up) / tall / (np.log(10) if effects.log else 1),
            text=BREAK.join(broken), xanchor="right" if side < 0 else "left", xshift=9 * side,
            align="right" if side < 0 else "left", showarrow=False,
            font={"size": _NAME_SIZE, "color": INK})


def ordered_effects(fit) -> go.Figure:
    """The effects in order of size, with 95 % confidence intervals and margins.

    Parameters
    ----------
    fit : doe.analysis.fit.Fit

    Raises
    ------
    InputError
        If the model has no effects.
    """
    effects = Effects.of(fit)
    table = effects.table
    at, base = effects.natural(table["effect"]), float(effects.natural(0.0))
    names = [lines(label, _NAME_COLUMN, _NAME_SIZE, most=3) for label in table["label"]]
    tall = np.array([max(26.0, 10 + 1.3 * _NAME_SIZE * len(name)) for name in names])
    row = np.cumsum(tall) - tall / 2  # px from the top, so that long names get room
    gap = np.full(len(row), np.nan)
    figure = go.Figure(go.Scatter(
        x=np.column_stack([np.full(len(row), base), at, gap]).ravel(),
        y=np.column_stack([row, row, gap]).ravel(), mode="lines", hoverinfo="skip",
        line={"color": FAINT, "width": 7}, showlegend=False))
    known = bool(np.isfinite(table["low"]).all())
    hover = _hover(effects, table)
    for active, name, marker, colour in (
        (True, "stands out", {"symbol": "circle", "color": BLUE, "size": 10}, BLUE),
        (False, "within noise", {"symbol": "circle", "color": "white", "size": 9,
                                 "line": {"width": 1.5, "color": GREY}}, GREY)):
        keep = (table["active"] == active).to_numpy()
        if not keep.any():
            continue
        low, high = (effects.natural(table[side][keep]) for side in ("low", "high"))
        figure.add_trace(go.Scatter(
            x=at[keep], y=row[keep], mode="markers", marker=marker, name=name,
            error_x={"type": "data", "array": high - at[keep], "arrayminus": at[keep] - low,
                     "symmetric": False, "thickness": 1.5, "width": 5, "color": colour,
                     "visible": known},
            text=[h for h, k in zip(hover, keep, strict=True) if k],
            hovertemplate="%{text}<extra></extra>"))
    bottom = float(tall.sum())
    figure.add_vline(x=base, line={"color": INK, "width": 1})
    for (name, margin), dash in zip(effects.margins, ("dash", "dot"), strict=False):
        line = effects.natural([-margin, margin, np.nan])
        figure.add_trace(go.Scatter(
            x=[line[0], line[0], None, line[1], line[1]], y=[0, bottom, None, 0, bottom],
            mode="lines", line={"color": RED, "width": 1.5, "dash": dash}, name=name,
            hoverinfo="skip"))
    drawn = [base, *at, *(effects.natural([s * m for s in (-1, 1) for _, m in effects.margins]))]
    if known:
        drawn += [*effects.natural(table["low"]), *effects.natural(table["high"])]
    column = max(text_width(line, _NAME_SIZE) for name in names for line in name)
    figure.update_yaxes(tickvals=row, ticktext=[BREAK.join(name) for name in names],
                        range=[bottom, 0], showgrid=False, ticks="", showline=False)
    figure.update_xaxes(title_text=wrap(effects.axis_title(fit, "Effect"),
                                        WIDTH - column - _NUMBER_COLUMN - 60),
                        **value_axis(drawn, log=effects.log))
    for y, effect, active in zip(row, table["effect"], table["active"], strict=True):
        figure.add_annotation(x=1, xref="paper", y=y, text=escape(effects.say(effect)),
                              xanchor="right", xshift=_NUMBER_COLUMN, showarrow=False,
                              font={"size": _NAME_SIZE, "color": INK if active else GREY})
    title, subtitle = _finding(fit, effects, whiskers=known)
    above = legend_height(figure, WIDTH - column - _NUMBER_COLUMN - 40)
    dress(figure, title, subtitle, height=round(bottom) + above + 66, above=above)
    return figure.update_layout(margin={"r": _NUMBER_COLUMN + 14})


def _hover(effects: Effects, table: pd.DataFrame) -> list[str]:
    out = []
    for row in table.itertuples():
        text = f"{bold(row.label)}{BREAK}effect {escape(effects.say(row.effect))}"
        if np.isfinite(row.low):
            text += (f"{BREAK}95 % interval {escape(effects.say(row.low))} to "
                     f"{escape(effects.say(row.high))}")
        out.append(text)
    return out


def _finding(fit, effects: Effects, whiskers: bool = False) -> tuple[str, str]:
    """Title and subtitle: what stands out, by which yardstick."""
    table, label = effects.table, fit.response.label
    active, n = int(table["active"].sum()), len(table)
    first = wording.capitalise(table["label"][0])
    by = effects.say(table["effect"][0])
    if not np.isfinite(effects.unit_effect):
        title = (f"{first} has the largest effect on {label} ({by}), but nothing is left to judge "
                 "noise by")
    elif active == 0:
        title = f"No effect on {label} stands out of noise; the largest is {by}"
    elif active == 1:
        rest = "the only effect fitted" if n == 1 else "the other effects are within noise"
        title = f"{first} drives {label} ({by}); {rest}"
    else:
        title = f"{first} drives {label} ({by}); {active} of {n} effects stand out"
    said = []
    if effects.yardstick:
        by = ("the spread of the effects themselves" if effects.yardstick.startswith("pseudo")
              else _degrees(fit))
        size = (f"×\u00a0{quantity(float(np.exp(effects.unit_effect)))}" if effects.log
                else quantity(effects.unit_effect, effects.unit))
        said.append(f"Noise is judged by {by}: {effects.yardstick} of an effect {size}.")
    if whiskers:
        said.append("Whiskers: 95\u00a0% confidence intervals.")
    said += _readings(fit, table)
    return title, " ".join(said)


def _degrees(fit) -> str:
    """The degrees of freedom that effects are tested with; of a mixed model, each its own."""
    if "df" not in fit.table:
        return f"{wording.count(fit.df_error, 'degree')} of freedom for error"
    df = fit.table.loc[fit.table["term"] != "1", "df"]
    low, high = wording.short(df.min(), 2), wording.short(df.max(), 2)
    return f"{low if low == high else f'{low} to {high}'} effective degrees of freedom"


def _readings(fit, table: pd.DataFrame) -> list[str]:
    """How effects that are not a change from low to high are to be read."""
    out = []
    if any(p > 1 for t in fit.terms for _, p in t.powers):
        out.append("Squares: from the centre to either end.")
    if any(not f.is_numeric and len(f.levels) > 2 for f in fit.region.factors
           if any(f.name in t.names for t in fit.terms)):
        out.append("Categories: from the mean of all levels, and judged together.")
    return out
