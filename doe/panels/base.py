"""What every panel shares: frame, status line, and a picture for readers without a kernel."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Callable, Iterable
from functools import wraps
from html import escape

import ipywidgets as widgets
import plotly.graph_objects as go

from doe.charts.refresh import refresh
from doe.charts.still import picture
from doe.errors import InputError
from doe.tables import FONT, STYLE, Sentences

__all__ = ["Panel", "label", "labelled", "reports_errors"]

CONTROLS_WIDTH = "340px"


class Panel:
    """Controls on the left, what follows from them on the right.

    Attributes
    ----------
    box : ipywidgets.Widget
        The whole panel; a notebook shows it when the panel stands last in a cell.
    figure : plotly.graph_objects.FigureWidget
    words : ipywidgets.HTML
        The finding in sentences.
    status : ipywidgets.HTML
        The outcome of the last thing done.
    """

    def __init__(self) -> None:
        self.figure = go.FigureWidget()
        self.words = widgets.HTML().add_class("panel-words")
        self.details = widgets.HTML()
        self.status = widgets.HTML()
        self.box: widgets.Widget = widgets.VBox()

    def arrange(self, controls: Iterable[widgets.Widget]) -> None:
        """Put the controls beside the words, figure and details."""
        left = widgets.VBox([*controls, self.status],
                            layout=widgets.Layout(width=CONTROLS_WIDTH, min_width=CONTROLS_WIDTH,
                                                  padding="0 16px 0 0"))
        right = widgets.VBox([widgets.HTML(STYLE), self.words, self.figure, self.details],
                             layout=widgets.Layout(flex="1 1 auto", min_width="0"))
        self.box = widgets.HBox([left, right], layout=widgets.Layout(align_items="flex-start"))

    def draw(self, figure: go.Figure) -> None:
        """Show the figure in place of the last one."""
        refresh(self.figure, figure)

    def tell(self, sentences: Iterable[str]) -> None:
        """Show a finding in sentences; plain text."""
        self.words.value = Sentences(sentences)._repr_html_()

    def say(self, text: str, *, wrong: bool = False) -> None:
        """Show the outcome of what was just done; plain text."""
        colour, mark = ("#BB5566", "Not done: ") if wrong else ("#004488", "")
        self.status.value = (f'<div role="status" style="{FONT};border-left:4px solid {colour};'
                             f'padding:2px 8px;margin:6px 0">{mark}{escape(text)}</div>')

    def _repr_mimebundle_(self, **kwargs) -> dict:
        bundle = dict(self.box._repr_mimebundle_(**kwargs))
        png = picture(self.figure) if self.figure.data else None
        if png is not None:
            bundle["image/png"] = b64encode(png).decode()
        return bundle


def reports_errors(action: Callable) -> Callable:
    """Show an `InputError` of a panel's method in its status line instead of a traceback."""
    @wraps(action)
    def guarded(panel: Panel, *args, **kwargs):
        try:
            return action(panel, *args, **kwargs)
        except InputError as error:
            panel.say(str(error), wrong=True)
            return None
    return guarded


def label(text: str, width: str = "auto") -> widgets.HTML:
    """Plain text beside or above controls; longer ones take several lines."""
    return widgets.HTML(f'<span style="{FONT};font-size:13px;display:inline-block;'
                        f'line-height:1.35">{escape(text)}</span>',
                        layout=widgets.Layout(width=width))


def labelled(text: str, widget: widgets.Widget, width: str = "100%") -> widgets.Widget:
    """The widget below a full-length label, which ipywidgets would cut off beside it."""
    return widgets.VBox([label(text), widget],
                        layout=widgets.Layout(margin="0 0 4px 0", width=width))
