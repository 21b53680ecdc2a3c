"""What every panel shares: frame, status line, and a picture for readers without a kernel.

JupyterLab hands the messages of widgets to a second thread of the kernel, so a callback may run
while a cell does, or while another panel's callback does. Whatever a control sets off therefore
goes through `Panel.guard`, one at a time for each panel.
"""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from functools import wraps
from html import escape
from threading import RLock

import ipywidgets as widgets
import plotly.graph_objects as go

from doe.charts.still import live, picture
from doe.charts.theme import WIDE, WIDTH
from doe.errors import InputError
from doe.tables import FONT, STYLE, Sentences

__all__ = ["Panel", "label", "labelled", "reports_errors"]

CONTROLS_WIDTH = "340px"
PLOT_EDGE = 8  # px that the notebook puts round an output
# Charts have a width of their own; where there is less room they are shown smaller, not cut off.
PLOT_STYLE = "<style>.panel-plot {container-type: inline-size; overflow: hidden}" + "".join(
    f".panel-plot-{width} .js-plotly-plot {{flex: none; width: {width}px; overflow: visible;"
    " transform-origin: 0 0}" + "".join(
        f"@container (max-width: {width * (tenths + 1) // 10 - 1}px) {{.panel-plot-{width} "
        f".js-plotly-plot {{transform: scale({tenths / 10})}}}}" for tenths in range(9, 2, -1))
    for width in (WIDTH, WIDE)) + "</style>"


class Panel:
    """Controls on the left, what follows from them on the right.

    Attributes
    ----------
    box : ipywidgets.Widget
        The whole panel; a notebook shows it when the panel stands last in a cell.
    figure : plotly.graph_objects.Figure
        The chart now shown.
    plot : ipywidgets.Output
        Where it is shown.
    words : ipywidgets.HTML
        The finding in sentences.
    status : ipywidgets.HTML
        The outcome of the last thing done.
    fresh : bool
        False while the panel does not show the study as it stands; nothing is written then.
    """

    def __init__(self) -> None:
        self.fresh = True
        self._lock = RLock()
        self._depth = 0
        self._quiet = False
        self._kept = ""
        self.figure = go.Figure()
        self.plot = widgets.Output().add_class("panel-plot")
        self.words = widgets.HTML().add_class("panel-words")
        self.details = widgets.HTML(layout=widgets.Layout(overflow="auto"))
        self.status = widgets.HTML()
        self.box: widgets.Widget = widgets.VBox()

    def arrange(self, controls: Iterable[widgets.Widget]) -> None:
        """Put the controls beside the words, figure and details; the status line comes last if
        it is not among them."""
        controls = [*controls]
        left = widgets.VBox(controls if self.status in controls else [*controls, self.status],
                            layout=widgets.Layout(width=CONTROLS_WIDTH, min_width=CONTROLS_WIDTH,
                                                  padding="0 16px 0 0"))
        style = widgets.HTML(STYLE + PLOT_STYLE)
        right = widgets.VBox([style, self.words, self.plot, self.details],
                             layout=widgets.Layout(flex="1 1 auto", min_width="0"))
        self.box = widgets.HBox([left, right], layout=widgets.Layout(align_items="flex-start"))

    def draw(self, figure: go.Figure | None) -> None:
        """Show the figure in place of the last one; None shows none.

        Each figure is drawn afresh, as an output of the notebook. A figure patched in place
        keeps what plotly.js does not clear, and a widget that brings plotly.js along with every
        figure takes longer to start than the two seconds it is given on a busy machine.
        """
        self.figure = go.Figure() if figure is None else figure
        # The height is kept while one figure gives way to the next, so that nothing jumps.
        height = self.figure.layout.height
        for width in (WIDTH, WIDE):
            change = self.plot.add_class if self.figure.layout.width == width else (
                self.plot.remove_class)
            change(f"panel-plot-{width}")
        self.plot.layout.height = f"{height + PLOT_EDGE}px" if height else None
        self.plot.outputs = () if figure is None else (
            {"output_type": "display_data", "metadata": {}, "data": live(figure)},)

    def tell(self, sentences: Iterable[str]) -> None:
        """Show a finding in sentences; plain text."""
        self.words.value = Sentences(sentences)._repr_html_()

    def say(self, text: str, *, wrong: bool = False, asks: bool = False) -> None:
        """Show the outcome of what was just done, or what is asked before; plain text."""
        colour, mark = (("#BB5566", "Not done: ") if wrong else
                        ("#DDAA33", "Please check: ") if asks else ("#004488", ""))
        self.status.value = (f'<div role="status" style="{FONT};border-left:4px solid {colour};'
                             f'padding:2px 8px;margin:6px 0">{mark}{escape(text)}</div>')

    # ---- what controls set off

    def on_change(self, controls: widgets.Widget | Iterable[widgets.Widget],
                  action: Callable) -> None:
        """Call ``action(change)``, guarded, when a control's value changes, but not `quietly`."""
        def changed(change) -> None:
            with self.guard():
                if not self._quiet:
                    action(change)
        for control in [controls] if isinstance(controls, widgets.Widget) else controls:
            control.observe(changed, "value")

    def on_click(self, button: widgets.Button, action: Callable) -> None:
        """Call ``action()``, guarded, when the button is pressed."""
        def pressed(_button) -> None:
            with self.guard():
                action()
        button.on_click(pressed)

    @contextmanager
    def guard(self) -> Iterator[None]:
        """Hold the panel's lock and report what fails in the status line.

        The outermost guard reports, so that an action stops where a part of it fails. It keeps
        an `InputError` to itself; anything else is a defect and is raised further, for the
        cell that called, or for the notebook's log.
        """
        with self._lock:
            self._depth += 1
            outermost = self._depth == 1
            if outermost:
                self._kept = ""
            try:
                yield
            except InputError as error:
                if not outermost:
                    raise
                self._say_failed(str(error))
            except Exception as error:
                if outermost:
                    self._say_failed(f"an unexpected error, {type(error).__name__}: {error}. Where "
                                     "it happened stands in the notebook's log (View, Show Log "
                                     "Console).")
                raise
            finally:
                self._depth -= 1

    @contextmanager
    def quietly(self) -> Iterator[None]:
        """Set controls without what `on_change` would call."""
        with self._lock:
            before, self._quiet = self._quiet, True
            try:
                yield
            finally:
                self._quiet = before

    @contextmanager
    def refreshing(self) -> Iterator[None]:
        """Show the study as it stands; if that fails the panel is not `fresh`."""
        self.fresh = False
        yield
        self.fresh = True

    def check_fresh(self) -> None:
        """Refuse to write from a panel that does not show the study as it stands."""
        if not self.fresh:
            raise InputError("panel", "not refreshed", "the study could not be shown the last "
                             "time", "Refresh the panel, or run its cell again")

    def kept(self, text: str) -> None:
        """Note what is in the file by now, so that a failure after it does not hide it."""
        self._kept = text
        self.say(text)

    def _say_failed(self, text: str) -> None:
        if not self.fresh:
            text += (" What the panel shows may be out of date; nothing is written from it until "
                     "it is refreshed.")
        if self._kept:
            self.say(f"{self._kept} But then: {text}")
        else:
            self.say(text, wrong=True)

    def _repr_mimebundle_(self, **kwargs) -> dict:
        bundle = dict(self.box._repr_mimebundle_(**kwargs))
        with self._lock:
            png = picture(self.figure) if self.figure.data else None
        if png is not None:
            bundle["image/png"] = b64encode(png).decode()
        return bundle


def reports_errors(action: Callable) -> Callable:
    """Guard a panel's method, for those who call it from a cell; see `Panel.guard`."""
    @wraps(action)
    def guarded(panel: Panel, *args, **kwargs):
        with panel.guard():
            return action(panel, *args, **kwargs)
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
