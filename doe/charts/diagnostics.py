"""What the residuals say: one panel each for shape, spread, order and influence.

References
----------
Atkinson, A. C. (1981). Two graphical displays for outlying and influential observations in
regression. *Biometrika* 68, 13–20. (simulated envelope)
Cook, R. D. (1977). Detection of influential observation in linear regression.
*Technometrics* 19, 15–18.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from pandas.api.types import is_numeric_dtype
from plotly.subplots import make_subplots
from scipy import stats

from doe import wording
from doe.analysis.anova import Anova
from doe.analysis.diagnostics import FULL_LEVERAGE, LARGE_COOK, beyond_noise, outlier_limit
from doe.analysis.sentences import named_runs
from doe.charts.scales import quantity, value_axis
from doe.charts.text import BREAK, bold, escape, wrap
from doe.charts.theme import BLUE, GREY, INK, RED, SMALL, dress, panel_note, tint

__all__ = ["envelope", "residual_panel"]

_SEED, _DRAWS = 1981, 2000
_BAND = 0.95
_NAMED = 4  # more marked runs than this are not named beside their points
_CLOSE = (0.25, 0.08)
"""Shares of the axes within which the names of two points would cover each other."""


def residual_panel(fit, *, draws: int = _DRAWS, seed: int = _SEED) -> go.Figure:
    """Residuals by normal scores, fitted value, run order, and leverage against influence.

    Parameters
    ----------
    fit : Fit, MixedFit or KindFit
        With ``diagnostics``.
    draws, seed : int
        Of the simulated envelope; the seed is kept in the figure's ``layout.meta``.

    With fewer than two degrees of freedom for error the figure says that there is nothing
    to judge, and is otherwise empty.
    """
    table = judged(fit)
    if table is None:
        return nothing(fit)
    n, limit = int((~table["settled"]).sum()), common_limit(outlier_limit(table))
    figure = make_subplots(2, 2, horizontal_spacing=0.13, vertical_spacing=0.2)
    known = table[~table["settled"]].sort_values("studentised").reset_index(drop=True)
    low, high = envelope(fit, draws=draws, seed=seed)
    outside = (known["studentised"] < low) | (known["studentised"] > high)
    score = known["normal_score"]
    figure.add_scatter(
        x=[*score, *score[::-1]], y=[*low, *high[::-1]], fill="toself", mode="lines",
        line={"width": 0}, fillcolor=tint(GREY, 0.2), hoverinfo="skip", row=1, col=1)
    points(figure, fit, known, score, known["studentised"], 1, 1)
    fitted = np.exp(table["fitted"]) if _log(table) else table["fitted"]
    points(figure, fit, table, fitted, table["studentised"], 1, 2)
    ordered = table.sort_values("order")
    figure.add_scatter(x=ordered["order"], y=ordered["studentised"], mode="lines",
                       line={"color": GREY, "width": 1}, hoverinfo="skip", row=2, col=1)
    points(figure, fit, ordered, ordered["order"], ordered["studentised"], 2, 1)
    # Rounding apart, equal leverage is one place along the axis.
    points(figure, fit, table, table["leverage"].round(9), table["cooks_distance"], 2, 2)
    most = float(table["studentised"].abs().fillna(0.0).max())
    for row, col in ((1, 1), (1, 2), (2, 1)):
        figure.add_hline(y=0, line={"color": GREY, "width": 1}, row=row, col=col)
        if limit <= 1.35 * most:
            for side in (-1, 1):
                figure.add_hline(y=side * limit, row=row, col=col,
                                 line={"color": RED, "width": 1.5, "dash": "dash"})
    if table["cooks_distance"].fillna(0.0).max() > 0.6 * LARGE_COOK:
        figure.add_hline(y=LARGE_COOK, row=2, col=2,
                         line={"color": RED, "width": 1.5, "dash": "dash"})
    _axes(figure, fit, table, fitted, [*known["studentised"], *low, *high])
    title, subtitle = _finding(fit, table, int(outside.sum()), n)
    figure.update_layout(showlegend=False, meta={"envelope": {"seed": seed, "draws": draws}})
    return dress(figure, title, subtitle, height=560, above=30)


def judged(fit) -> pd.DataFrame | None:
    """The diagnostics with which runs are settled, far off, heavy and to be marked, and what
    hovering over each says; None if there is nothing to judge."""
    table = fit.diagnostics.reset_index(drop=True)
    table.attrs = dict(fit.diagnostics.attrs)
    if _left(fit) < 2 or table["studentised"].isna().all():
        return None
    table["settled"] = table["leverage"] >= FULL_LEVERAGE
    table["far"] = beyond_noise(table)
    table["heavy"] = table["cooks_distance"] > LARGE_COOK
    # Where a third of the runs would be marked, the fault is the model's, not theirs.
    table["marked"] = (table["far"] | table["heavy"]) & (
        (table["far"] | table["heavy"]).sum() <= max(1, len(table) / 3))
    table["text"] = _texts(fit, table)
    return table


def _left(fit) -> int:
    """Rows beyond the number of coefficients."""
    return len(fit.data) - len(fit.columns.owner)


def _log(table: pd.DataFrame) -> bool:
    return table.attrs.get("scale") == "log"


def common_limit(limits: np.ndarray) -> float:
    """The limit of all runs; infinite if theirs differ, as between levels of a split plot."""
    known = limits[np.isfinite(limits)]
    return float(known[0]) if len(known) and np.ptp(known) < 0.05 * known[0] else np.inf


def nothing(fit) -> go.Figure:
    """A figure that says why there is nothing to judge."""
    left = wording.count(max(0, _left(fit)), "degree")
    figure = go.Figure()
    figure.update_xaxes(visible=False)
    figure.update_yaxes(visible=False)
    return dress(figure, f"The residuals of {fit.response.label} cannot be judged",
                 f"{wording.capitalise(left)} of freedom left for error: the model passes through "
                 "or nearly through every run. Fit fewer terms or add runs.", height=20)


def envelope(fit, *, draws: int = _DRAWS, seed: int = _SEED) -> tuple[np.ndarray, np.ndarray]:
    """Where ordered studentised residuals lie in 95 % of simulated studies (Atkinson 1981).

    Normal noise is put through the fit's own model columns (weighted as its runs are), so that the
    residuals' lack of independence in small plans is accounted for.

    Returns
    -------
    low, high : ndarray
        One value a run that the fit is not forced through, in order of size.
    """
    tails = (1 - _BAND) / 2
    ordered = np.sort(fit.simulated_residuals(draws, seed), axis=1)
    low, high = np.quantile(ordered, [tails, 1 - tails], axis=0)
    return low, high


def _names(runs: pd.Series, x: pd.Series, y: pd.Series,
           spans: tuple[float, float]) -> list[str]:
    """What stands beside each point; the first of those close together names them all."""
    groups: list[list[int]] = []
    for i in range(len(runs)):
        near = next((g for g in groups
                     if abs(x.iloc[i] - x.iloc[g[0]]) < _CLOSE[0] * spans[0]
                     and abs(y.iloc[i] - y.iloc[g[0]]) < _CLOSE[1] * spans[1]), None)
        if near is None:
            groups.append([i])
        else:
            near.append(i)
    out = [""] * len(runs)
    for group in groups:
        named = [str(runs.iloc[i]) for i in group]
        text = f"run{'s' if len(named) > 1 else ''} {wording.join(named)}"
        out[group[0]] = wrap(text, 70 if len(named) == 1 else 110, SMALL, most=1)
    return out


def points(figure: go.Figure, fit, table: pd.DataFrame, x: pd.Series, y: pd.Series, row: int,
            col: int) -> None:
    """The runs; those marked are named, beside the point on the side that has room."""
    marked = table["marked"].to_numpy(bool)
    hover = table["text"].to_numpy()
    left = (x.rank(pct=True) > 0.5).to_numpy()
    place = x if is_numeric_dtype(x) else pd.Series(pd.factorize(x)[0], x.index)
    for keep, marker in ((~marked, {"symbol": "circle", "color": BLUE, "size": 8}),
                         (marked, {"symbol": "square", "color": RED, "size": 9})):
        if not keep.any():
            continue
        beside = {"mode": "markers"}
        if marked[keep].any() and marked.sum() <= _NAMED:
            beside = {"mode": "markers+text", "textfont": {"size": SMALL, "color": INK},
                      "text": _names(table["run"][keep], place[keep], y[keep],
                                     (np.ptp(place), np.ptp(y))),
                      "textposition": [f"middle {'left' if side else 'right'}"
                                       for side in left[keep]]}
        figure.add_scatter(x=x[keep], y=y[keep], customdata=hover[keep], cliponaxis=False,
                           marker=marker | {"line": {"color": "white", "width": 1}}, **beside,
                           hovertemplate="%{customdata}<extra></extra>", row=row, col=col)


def _texts(fit, table: pd.DataFrame) -> np.ndarray:
    change = np.exp if _log(table) else np.asarray
    row, rows = wording.capitalise(table.attrs.get("row", "run")), []
    beyond = table["beyond"] if "beyond" in table else [""] * len(table)
    for r, side in zip(table.itertuples(), beyond, strict=True):
        measured, fitted = (quantity(float(change(v)), fit.response.unit)
                            for v in (r.observed, r.fitted))
        rows.append(BREAK.join([
            bold(f"{row} {r.run}"), escape(f"measured {side} {measured}"),
            escape(f"fitted {fitted}"),
            f"{fit.residual_name} {wording.digits(r.studentised, 2)}",
            f"leverage {wording.digits(r.leverage, 2)}, Cook's distance "
            f"{wording.digits(r.cooks_distance, 2)}"]))
    return np.array(rows, object)


def _axes(figure: go.Figure, fit, table: pd.DataFrame, fitted: pd.Series, drawn: list) -> None:
    small = {"title_font_size": SMALL + 1, "title_standoff": 6}
    spread = value_axis(drawn)
    of_runs = table.attrs.get("row", "run") == "run"
    for row, col, x, y in ((1, 1, "normal score", fit.residual_name),
                           (1, 2, wrap(f"fitted {fit.fitted_title}", 270, SMALL + 1, most=2),
                            fit.residual_name),
                           (2, 1, "place in run order" if of_runs else table.attrs["row"],
                            fit.residual_name),
                           (2, 2, "leverage", "Cook's distance")):
        figure.update_xaxes(title_text=x, showgrid=False, row=row, col=col, **small)
        figure.update_yaxes(title_text=y, row=row, col=col, **small,
                            **(spread if (row, col) != (2, 2) else {}))
    figure.update_xaxes(row=1, col=2, **value_axis(fitted, log=_log(table)))
    figure.update_xaxes(row=2, col=2, **value_axis(table["leverage"].round(9)))
    highest = max(table["cooks_distance"].fillna(0.0).max(), 1e-3)
    figure.update_yaxes(row=2, col=2, range=[0, 1.12 * highest])
    for row, col, text in ((1, 1, "Shape (wanted: inside the band)"),
                           (1, 2, "Spread (wanted: even, no bend)"),
                           (2, 1, "Time (wanted: no drift or waves)" if of_runs else "One by one"),
                           (2, 2, "Influence (wanted: no run far above)")):
        panel_note(figure, text, row=row, col=col)


def _finding(fit, table: pd.DataFrame, outside: int, n: int) -> tuple[str, str]:
    row = table.attrs.get("row", "run")
    far, heavy = (list(table.loc[table[k] & table["marked"], "run"]) for k in ("far", "heavy"))
    found = []
    anova = getattr(fit, "anova", None)
    lack, bend = ((anova.lack_of_fit, anova.curvature) if isinstance(anova, Anova)
                  else (None, None))
    if bend is not None and bend.p < 0.05:
        found.append("the centre points lie off the model (curvature)")
    elif lack is not None and lack.p < 0.05:
        found.append("the model misses more than repeated runs explain")
    if far:
        found.append(f"{named_runs(far, row)} {'lies' if len(far) == 1 else 'lie'} further from "
                     "the model than noise explains")
    if heavy:
        found.append(f"the fit leans on {named_runs(heavy, row)}")
    if not far and not heavy and (table["far"] | table["heavy"]).any():
        found.append("so few degrees of freedom are left that most runs steer the fit")
    serial = fit.serial_correlation
    if serial is not None and serial.p < 0.05:
        found.append("residuals next to each other in time are "
                     + ("alike" if serial.statistic < 2 else "opposed"))
    free = table[~table["settled"]]
    if len(free) >= 8 and free["fitted"].nunique() > 3:
        trend = stats.spearmanr(free["fitted"], free["standardised"].abs())
        if trend.pvalue < 0.01:
            found.append(f"spread {'grows' if trend.statistic > 0 else 'shrinks'} with the fitted "
                         "value")
    # Of n ordered residuals about one in twenty leaves a 95 % band by chance.
    if outside > max(1, stats.binom.ppf(0.99, n, 1 - _BAND)) and not found:
        found.append("residuals are not normal in shape")
    label = fit.response.label
    title = (f"Nothing in the residuals of {label} speaks against the model" if not found
             else f"{wording.capitalise(label)}: " + "; ".join(found))
    said = [_noise(table), fit.residual_note(), "Grey band: 95\u00a0% of simulated studies with "
            "normal noise, each point by itself."]
    settled = table.loc[table["settled"], "run"]
    if len(settled):
        said.append(f"The fit passes through {named_runs(settled, row)} whatever was measured, so "
                    "no residual is drawn.")
    return title, " ".join(filter(None, said))


def _noise(table: pd.DataFrame) -> str:
    """What the noise is judged by."""
    df = table["df"].to_numpy()
    if np.isinf(df).all():
        return ""
    low, high = np.nanmin(df), np.nanmax(df)
    if high - low < 0.05:
        return f"{low:.3g} {'degree' if low == 1 else 'degrees'} of freedom for error."
    return f"{low:.2g} to {high:.2g} effective degrees of freedom for error."
