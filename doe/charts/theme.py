"""The one look of all charts: colours, sizes, template, titles.

The template is put on each figure; plotly's own default is left as it is.

The three series colours are the high-contrast set of Tol (2021), made to be told apart
with any colour vision and after conversion to grey; here each also has a marker and a dash
of its own. The colour scale falls evenly in CIE lightness along one hue, so it keeps its
order in grey, and stays light enough for dark figures to be read on it.

References
----------
Tol, P. (2021). Colour schemes. SRON technical note SRON/EPS/TN/09-002, issue 3.2.
"""

from __future__ import annotations

from typing import NamedTuple

import plotly.graph_objects as go

from doe.charts.text import BREAK, lines

__all__ = [
    "BLUE", "COLOUR_SCALE", "FAINT", "FONT_SIZE", "GREY", "INK", "PALE", "RED", "SERIES", "SHADE",
    "SMALL", "TEMPLATE", "WIDE", "WIDTH", "YELLOW", "Series", "dress", "heading",
    "panel_note", "ruler", "tint",
]

BLUE, RED, YELLOW = "#004488", "#BB5566", "#DDAA33"
INK, GREY, FAINT = "#1A1A1A", "#6E6E6E", "#E4E4E4"
PALE, SHADE = "#7F7F7F", "#E4E4E4"  # the palest stroke, and what is outside the limits

COLOUR_SCALE = tuple(
    (i / 8, colour) for i, colour in enumerate((
        "#F3F7F8", "#DAE6EF", "#C1D5E6", "#A8C4DC", "#91B3D3",
        "#7AA2CA", "#6391C1", "#4C80B7", "#3170AE")))

# 640 px at 96 px an inch is the text width of an A4 page upright with 20 mm margins, and
# 960 px that of one on its side; both stand in a notebook cell.
WIDTH, WIDE = 640, 960
FONT_SIZE, SMALL, TITLE_SIZE = 13, 11, 16
_FONT = "'Helvetica Neue', Arial, 'Liberation Sans', sans-serif"
_BASELINE = 28  # of the title's first line, px from the top
_LINE = 1.3  # plotly's line height, as a multiple of the first line's font size


class Series(NamedTuple):
    """How one of several series is drawn, so that colour is never the only sign."""

    colour: str
    symbol: str
    dash: str
    glyph: str


SERIES = (
    Series(BLUE, "circle", "solid", "●"),
    Series(RED, "square", "dash", "■"),
    Series(YELLOW, "diamond", "dot", "◆"),
    Series(INK, "triangle-up", "dashdot", "▲"),
    Series("#6699CC", "cross", "longdash", "✚"),
    Series(GREY, "triangle-down", "longdashdot", "▼"),
)

_AXIS = {
    "automargin": True, "exponentformat": "power", "minexponent": 4, "gridcolor": FAINT,
    "gridwidth": 1, "linecolor": GREY, "linewidth": 1, "showline": True, "tickcolor": GREY,
    "ticklen": 4, "ticks": "outside", "title": {"font": {"size": FONT_SIZE}, "standoff": 8},
    "tickfont": {"size": SMALL + 1}, "zeroline": False,
}

TEMPLATE = go.layout.Template(layout={
    "colorway": [s.colour for s in SERIES],
    "colorscale": {"sequential": COLOUR_SCALE, "sequentialminus": COLOUR_SCALE},
    "font": {"family": _FONT, "size": FONT_SIZE, "color": INK},
    "title": {"font": {"size": TITLE_SIZE, "color": INK}, "x": 0, "xanchor": "left",
              "xref": "container", "yanchor": "top", "yref": "container", "pad": {"l": 14}},
    "paper_bgcolor": "white", "plot_bgcolor": "white",
    "xaxis": _AXIS, "yaxis": _AXIS,
    "scene": {axis: {"backgroundcolor": "white", "gridcolor": FAINT, "linecolor": GREY,
                     "tickfont": {"size": SMALL}, "exponentformat": "power", "minexponent": 4,
                     "zeroline": False} for axis in ("xaxis", "yaxis", "zaxis")},
    "legend": {"orientation": "h", "x": 0, "xanchor": "left", "y": 1, "yanchor": "bottom",
               "yref": "paper", "font": {"size": SMALL + 1}},
    "hoverlabel": {"bgcolor": "white", "bordercolor": GREY, "align": "left", "namelength": -1,
                   "font": {"color": INK, "size": SMALL + 1}},
    "hovermode": "closest", "showlegend": True,
    "margin": {"l": 60, "r": 20, "t": 60, "b": 50},
    "separators": ".\u202f",
})


def tint(colour: str, opacity: float) -> str:
    """`colour` (``#rrggbb``) as plotly's ``rgba()`` with the given opacity."""
    red, green, blue = (int(colour[i:i + 2], 16) for i in (1, 3, 5))
    return f"rgba({red},{green},{blue},{opacity:g})"


def heading(title: str, subtitle: str = "", width: int = WIDTH) -> tuple[str, int]:
    """The title's markup, broken to the width, and the height it needs in px.

    Both texts are plain; they are escaped here.
    """
    room = width - 36
    top = lines(title, room, 1.06 * TITLE_SIZE)  # bold runs wider
    below = lines(subtitle, room, FONT_SIZE) if subtitle else []
    text = f"<b>{BREAK.join(top)}</b>"
    if below:
        text += (f'{BREAK}<span style="font-size:{FONT_SIZE}px;color:{GREY}">'
                 f"{BREAK.join(below)}</span>")
    return text, round(_BASELINE + 8 + _LINE * TITLE_SIZE * (len(top) + len(below) - 1))


def dress(figure: go.Figure, title: str, subtitle: str = "", *, width: int = WIDTH,
          height: int = 400, above: int = 12) -> go.Figure:
    """Give a figure its template, size and heading; returns the figure.

    Parameters
    ----------
    title, subtitle : str
        Plain text. The title says the finding, the subtitle what was held or assumed.
    width, height : int
        Size in px; the height is that of everything below the heading.
    above : int
        Room between heading and plot in px, for a legend or panel headings.
    """
    text, needed = heading(title, subtitle, width)
    whole = height + needed
    figure.update_layout(template=TEMPLATE, width=width, height=whole, margin={"t": needed + above},
                         title={"text": text, "y": 1 - _BASELINE / whole})
    return figure


def ruler(figure: go.Figure, *, x: float | None = None, y: float | None = None, row: int, col: int,
          line: dict) -> dict:
    """A line across one panel at `x` or `y`, as a shape for the layout.

    Added all at once, shapes take a fraction of the time of plotly's `add_hline` in a loop.
    """
    panel = figure.get_subplot(row, col)
    across, up = (axis.plotly_name.replace("axis", "") for axis in panel)
    ends = {"x0": x, "x1": x, "y0": 0, "y1": 1} if y is None else {"x0": 0, "x1": 1, "y0": y,
                                                                  "y1": y}
    return {"type": "line", **ends, "line": line,
            "xref": across if y is None else f"{across} domain",
            "yref": up if x is None else f"{up} domain"}


def panel_note(figure: go.Figure, text: str, *, row: int = 1, col: int = 1, x: float = 0,
               y: float = 1, anchor: str = "left", inside: bool = False, size: int = SMALL + 1,
               colour: str = INK) -> None:
    """Put markup at a corner of one panel, in shares of the panel; above it unless `inside`."""
    figure.add_annotation(text=text, row=row, col=col, x=x, y=y, xref="x domain",
                          yref="y domain", xanchor=anchor, align=anchor, showarrow=False,
                          yanchor="top" if inside else "bottom", yshift=0 if inside else 4,
                          font={"size": size, "color": colour})
