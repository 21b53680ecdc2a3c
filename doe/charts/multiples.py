"""Small multiples: one panel a factor, sharing the axis of what is shown along it."""

from __future__ import annotations

from collections.abc import Sequence

import plotly.graph_objects as go
from plotly.subplots import make_subplots

from doe.charts.scales import number
from doe.charts.text import escape, lines, wrap
from doe.charts.theme import SMALL, WIDTH
from doe.factors import Factor

__all__ = ["PANEL", "ROW", "name_axis", "panels", "room", "title_lines"]

PANEL = 170  # px, height
ROW = 16     # px, a line of small text


def panels(count: int, columns: int, below: int, head: int) -> tuple[go.Figure, list, int]:
    """Subplots with room for `below` lines of axis title and `head` lines of heading, their
    places, and the height of it all under the figure's heading."""
    rows = -(-count // columns)
    gap = 36 + ROW * (below + head)
    place = [(i // columns + 1, i % columns + 1) for i in range(count)]
    figure = make_subplots(
        rows, columns, shared_yaxes=True, horizontal_spacing=0.12 / columns,
        vertical_spacing=gap / (rows * PANEL + (rows - 1) * gap) if rows > 1 else 0,
        specs=[[{} if (r, c) in place else None for c in range(1, columns + 1)]
               for r in range(1, rows + 1)])
    bottom = 34 + ROW * below
    figure.update_layout(margin_b=bottom)
    return figure, place, 14 + ROW * head + rows * PANEL + (rows - 1) * gap + bottom


def room(columns: int) -> float:
    """Width of a panel in px."""
    return (WIDTH - 80) / columns - 16


def title_lines(factors: Sequence[Factor], columns: int) -> int:
    """The most lines that the factors' titles and ticks take below an axis."""
    return max(len(lines(f.title, room(columns), SMALL + 1, most=3))
               + (0 if f.is_numeric else 2) for f in factors)


def name_axis(figure: go.Figure, factor: Factor, row: int, col: int, columns: int) -> None:
    """Title, ticks and range of an axis along a factor."""
    wide = room(columns)
    axis = {"title_text": wrap(factor.title, wide, SMALL + 1, most=3), "row": row, "col": col,
            "title_font_size": SMALL + 1, "showgrid": False, "automargin": False}
    if factor.is_numeric:
        ticks = [factor.low, factor.centre, factor.high]
        axis |= {"tickvals": ticks, "ticktext": [number(v) for v in ticks],
                 "range": [factor.low - 0.16 * factor.half_range,
                           factor.high + 0.16 * factor.half_range]}
    else:
        axis |= {"type": "category", "tickvals": [escape(v) for v in factor.levels],
                 "tickangle": 0, "ticktext": [wrap(v, wide / len(factor.levels), SMALL, most=3)
                                              for v in factor.levels]}
    figure.update_xaxes(**axis)
