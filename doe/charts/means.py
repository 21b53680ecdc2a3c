"""What each factor does, alone and together with another: the model, and the runs beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from doe import wording
from doe.charts.multiples import PANEL, ROW, name_axis, panels, room, title_lines
from doe.charts.scales import (
    held_unit,
    hover_format,
    number,
    quantity,
    say_setting,
    to_noise,
    value_axis,
)
from doe.charts.text import BREAK, bold, escape, lines, text_width, wrap
from doe.charts.theme import SERIES, SMALL, Series, dress, panel_note, tint
from doe.errors import InputError, as_choice
from doe.factors import Factor
from doe.terms import Term

__all__ = ["interactions", "main_effects"]

_POINTS = 41
_SAME = 0.05  # half-ranges within which settings count as one level
_RUNS = "marks: means of the runs, moved by the model to the line's settings"


@dataclass(frozen=True)
class Line:
    """The model along one factor, others held, and the runs beside it.

    Attributes
    ----------
    table : DataFrame
        ``at, mean, low, high``; missing where the setting cannot be run.
    means : DataFrame
        ``at, mean, runs``: runs of one level together (geometric mean on a log scale).
    """

    factor: Factor
    table: pd.DataFrame
    means: pd.DataFrame
    style: Series

    @classmethod
    def along(cls, fit, factor: Factor, at: dict, style: Series = SERIES[0]) -> Line:
        """The other factors at `at`, or else mid-range or averaged over their categories."""
        values = (np.linspace(factor.low, factor.high, _POINTS) if factor.is_numeric
                  else np.array(factor.levels, object))
        settings = _held(fit, factor, values, at)
        table = _model(fit, settings, factor, at)
        table[~fit.region.contains(settings)] = np.nan
        table.insert(0, "at", values)
        return cls(factor, table, cls._run_means(fit, factor, at), style)

    @staticmethod
    def _run_means(fit, factor: Factor, at: dict) -> pd.DataFrame:
        here = np.ones(len(fit.data), bool)
        for name, level in at.items():
            here &= _is_at(fit.region[name], fit.data[name], level)
        data = fit.data[here]
        if data.empty:
            return pd.DataFrame(columns=["at", "mean", "runs"])
        values = data[factor.name].to_numpy()
        # What the model cannot explain of a run, put on the line: the run as it would
        # have come out there.
        line = _model(fit, _held(fit, factor, values, at), factor, at)["mean"].to_numpy(float)
        residual = fit.diagnostics["residual"].to_numpy(float)[here]
        log = fit.response.scale == "log"
        moved = np.log(line) + residual if log else line + residual
        key = (np.round(factor.code(values) / _SAME).astype(int) if factor.is_numeric
               else values.astype(str))
        rows = []
        for k in dict.fromkeys(key):
            mean = moved[key == k].mean()
            rows.append({"at": values[key == k].astype(float).mean() if factor.is_numeric else k,
                         "mean": float(np.exp(mean) if log else mean),
                         "runs": int((key == k).sum())})
        return pd.DataFrame(rows)

    @property
    def drawn(self) -> list[float]:
        """Every value that the axis has to hold."""
        return [*self.table["mean"], *self.means["mean"]]

    @property
    def ends(self) -> pd.DataFrame:
        """First and last setting along the line that can be run."""
        return self.table[self.table["mean"].notna()].iloc[[0, -1]]


def _held(fit, factor: Factor, values: np.ndarray, at: dict) -> pd.DataFrame:
    table = pd.DataFrame({f.name: [at.get(f.name, f.centre if f.is_numeric else f.levels[0])]
                          * len(values) for f in fit.region.factors})
    table[factor.name] = values
    return table


def _model(fit, settings: pd.DataFrame, factor: Factor, at: dict) -> pd.DataFrame:
    free = [f for f in fit.region.factors
            if not f.is_numeric and f.name != factor.name and f.name not in at]
    return fit.contrast(fit.average_rows(settings, free)).rename(columns={"change": "mean"})


def _is_at(factor: Factor, values: pd.Series, level: object) -> np.ndarray:
    if not factor.is_numeric:
        return (values == level).to_numpy()
    return np.abs(factor.code(values) - factor.code([level])[0]) <= _SAME


def main_effects(fit) -> go.Figure:
    """One panel a factor: the model with the others at mid-range, and the runs beside it.

    Parameters
    ----------
    fit : doe.analysis.fit.Fit

    Raises
    ------
    InputError
        If no factor is in the model.
    """
    factors = [f for f in fit.region.factors if any(f.name in t.names for t in fit.terms)]
    if not factors:
        raise InputError("fit, terms", [str(t) for t in fit.terms], "no factor is in the model",
                         "Fit at least one factor")
    columns = 3 if len(factors) in (5, 6) else min(4, len(factors))
    found = [Line.along(fit, f, {}) for f in factors]
    figure, place, height = panels(len(factors), columns, title_lines(factors, columns), 0)
    drawn: list[float] = []
    for line, (row, col) in zip(found, place, strict=True):
        _draw(figure, line, fit, row, col, band=True)
        drawn += [*line.drawn, *line.table["low"], *line.table["high"]]
        name_axis(figure, line.factor, row, col, columns)
    _response_axes(figure, fit, drawn, place)
    band = "; band: 95\u00a0% confidence interval" if fit.df_error else ""
    said = [f"Line: model, the other factors at mid-range{band}; {_RUNS}."]
    together = [t.label(fit.region) for t in fit.active if len(t.names) > 1]
    if together:
        said.append(f"Factors act together ({wording.join(together)}): no line here holds alone.")
    return dress(figure, _main_finding(fit, found), " ".join(said), height=height, above=14)


def interactions(fit, pairs: Sequence[tuple[str, str]] | None = None, *,
                 most: int = 6) -> go.Figure:
    """One panel a pair of factors: does the effect of one depend on the other?

    Parameters
    ----------
    fit : doe.analysis.fit.Fit
    pairs : sequence of (str, str), optional
        Which factor runs along the axis and which has a line a level; by default the
        two-factor interactions of the model, the largest first.
    most : int
        Greatest number of panels drawn by default.

    Raises
    ------
    InputError
        If a factor is unknown, or the model has no two-factor interaction.
    """
    left_out = 0
    if pairs is None:
        pairs = _pairs(fit)
        if not pairs:
            raise InputError("fit, terms", [str(t) for t in fit.terms],
                             "the model has no two-factor interaction",
                             "Fit a model with interactions, or name the pairs to draw")
        pairs, left_out = pairs[:most], max(0, len(pairs) - most)
    for pair in pairs:
        for name in pair:
            as_choice("pairs, factor", name, tuple(fit.region.names))
    pairs = [(fit.region[across], fit.region[by]) for across, by in pairs]
    columns = 2 if len(pairs) in (2, 4) else min(3, len(pairs))
    found = [[Line.along(fit, x, {by.name: level}, style)
              for level, style in zip(_levels(by), SERIES, strict=False)] for x, by in pairs]
    headings = [_key(by, columns) for _, by in pairs]
    head = max(len(h) for h in headings)
    figure, place, height = panels(len(pairs), columns,
                                    title_lines([x for x, _ in pairs], columns), head)
    drawn: list[float] = []
    for (x, _), many, heading, (row, col) in zip(pairs, found, headings, place, strict=True):
        for line in many:
            _draw(figure, line, fit, row, col, band=False)
            drawn += line.drawn
        panel_note(figure, BREAK.join(heading), row=row, col=col)
        name_axis(figure, x, row, col, columns)
    _response_axes(figure, fit, drawn, place)
    said = ["Lines: model at the settings named above each panel, the other factors at mid-range; "
            f"{_RUNS}. Parallel lines: no interaction."]
    if left_out:
        said.append(f"{wording.count(left_out, 'smaller interaction')} not drawn.")
    return dress(figure, _interaction_finding(fit, pairs, found), " ".join(said), height=height,
                 above=14 + ROW * head)


def _levels(factor: Factor) -> list:
    if factor.is_numeric:
        return [factor.low, factor.high]
    return list(factor.levels[:len(SERIES)])


def _key(by: Factor, columns: int) -> list[str]:
    """Heading of a panel: the factor that has a line a level, and the levels' marks."""
    out = lines(by.title, room(columns), SMALL + 1, most=2)
    used = np.inf
    for level, style in zip(_levels(by), SERIES, strict=False):
        shown = number(level) if by.is_numeric else str(level)
        wide = text_width(shown, SMALL + 1) + 26
        mark = (f'<span style="color:{style.colour}">{style.glyph}</span> '
                f"{wrap(shown, room(columns) - 14, SMALL + 1, most=1)}")
        if used + wide > room(columns):
            out.append(mark)
            used = wide
        else:
            out[-1] += f"\u2002{mark}"
            used += wide
    return out


def _draw(figure: go.Figure, line: Line, fit, row: int, col: int, band: bool) -> None:
    factor, table, style = line.factor, line.table, line.style
    known = band and bool(table["low"].notna().any())
    at = table["at"] if factor.is_numeric else [escape(v) for v in table["at"]]
    stroke = {"color": style.colour, "dash": style.dash, "width": 2}
    hover = f"%{{x}} {escape(factor.unit)}{BREAK}model: %{{y:{hover_format(table['mean'])}}}"
    common = {"showlegend": False, "row": row, "col": col}
    if known and factor.is_numeric:
        inside = table[table["low"].notna()]
        figure.add_scatter(
            x=[*inside["at"], *inside["at"][::-1]], y=[*inside["low"], *inside["high"][::-1]],
            fill="toself", mode="lines", line={"width": 0}, fillcolor=tint(style.colour, 0.16),
            hoverinfo="skip", **common)
    whisker = {"type": "data", "array": table["high"] - table["mean"], "symmetric": False,
               "arrayminus": table["mean"] - table["low"], "thickness": 1.5, "width": 5,
               "color": style.colour, "visible": known and not factor.is_numeric}
    figure.add_scatter(
        x=at, y=table["mean"], mode="lines" if factor.is_numeric else "lines+markers",
        line=stroke, error_y=whisker, hovertemplate=hover + "<extra></extra>",
        marker={"symbol": "line-ew", "size": 12, "line": {"width": 2, "color": style.colour}},
        name="model", **common)
    text = [BREAK.join([bold("mean of " + wording.count(int(n), "run")),
                        escape(say_setting(factor, a)), escape(quantity(m, fit.response.unit))])
            for a, m, n in line.means.itertuples(index=False)]
    figure.add_scatter(
        x=line.means["at"] if factor.is_numeric else [escape(v) for v in line.means["at"]],
        y=line.means["mean"], mode="markers", text=text, hovertemplate="%{text}<extra></extra>",
        cliponaxis=False, name="runs",
        marker={"symbol": style.symbol, "size": 8, "color": "white",
                "line": {"width": 1.8, "color": style.colour}}, **common)


def _response_axes(figure: go.Figure, fit, drawn: list[float], place: list) -> None:
    figure.update_yaxes(**value_axis(drawn, log=fit.response.scale == "log"))
    for row, col in place:
        if col == 1:
            figure.update_yaxes(title_text=wrap(fit.response.title, PANEL + 10, SMALL + 1, most=3),
                                title_font_size=SMALL + 1, row=row, col=1)


def _main_finding(fit, found: Sequence[Line]) -> str:
    label, unit = fit.response.label, fit.response.unit
    if not fit.active and (fit.df_error or fit.lenth is not None):
        return f"No factor moves {label} beyond noise"
    scale = np.log if fit.response.scale == "log" else np.asarray
    line = max(found, key=lambda n: np.ptp(scale(n.table["mean"].dropna().to_numpy(float))))
    factor = wording.capitalise(line.factor.label)
    mean = line.table["mean"].dropna().to_numpy(float)
    step = np.diff(mean)
    if line.factor.is_numeric and (np.all(step >= 0) or np.all(step <= 0)):
        first, last = line.ends["at"]
        return (f"{factor} moves {label} most: from {quantity(mean[0], unit)} at {number(first)} "
                f"to {quantity(mean[-1], unit)} at {number(last)}{held_unit(line.factor.unit)}")
    return (f"{factor} moves {label} most: between {quantity(mean.min(), unit)} and "
            f"{quantity(mean.max(), unit)} over its settings")


def _pairs(fit) -> list[tuple[str, str]]:
    size = fit.table.groupby("source")["coefficient"].apply(lambda c: c.abs().max())
    found = [(a, b) for a, b in combinations(fit.region.names, 2) if Term(a, b) in fit.terms]
    return sorted(found, key=lambda p: -size[str(Term(*p))])


def _interaction_finding(fit, pairs: Sequence[tuple[Factor, Factor]],
                         found: Sequence[Sequence[Line]]) -> str:
    label = fit.response.label
    active = [i for i, (x, by) in enumerate(pairs) if Term(x.name, by.name) in fit.active]
    if not active:
        return f"No pair of factors clearly acts together on {label}: lines parallel within noise"
    (x, by), many = pairs[active[0]], found[active[0]]
    others = len(active) - 1
    more = f"; {wording.count(others, 'more pair')} likewise" if others else ""
    start = f"The effect of {x.label} on {label} depends on {by.label}"
    if not x.is_numeric or any(line.table["mean"].isna().all() for line in many):
        return start + more
    log = fit.response.scale == "log"
    said, sizes = [], []
    for line in many:
        first, last = line.ends["mean"].to_numpy(float)
        sizes.append(last / first if log else last - first)
    for line, level, size in zip(many, _levels(by), sizes, strict=True):
        words = (f"×\u00a0{quantity(size)}" if log else
                 to_noise(size, fit.sigma, fit.response.unit, max(map(abs, sizes))))
        place = f"{number(level)}{held_unit(by.unit)}" if by.is_numeric else level
        cut = line.ends["at"].iloc[1]
        up_to = "" if cut == x.high else f" (up to {number(cut)}{held_unit(x.unit)})"
        said.append(f"{words} at {place}{up_to}")
    return f"{start}: {', '.join(said)}{more}"
