"""Bring a figure on screen up to date in place."""

from __future__ import annotations

from typing import Any

import numpy as np
import plotly.graph_objects as go

__all__ = ["refresh"]

_OWN = ("uid", "type")


def refresh(figure: go.Figure, new: go.Figure) -> None:
    """Make `figure` show what `new` shows, sending only what differs.

    With a ``FigureWidget`` on screen everything that can be seen changes in one message, so
    nothing flickers and the view keeps its place on the page: traces that come in are sent
    unseen before it, and those that go are dropped unseen after it.

    Parameters
    ----------
    figure : plotly.graph_objects.Figure or FigureWidget
        Changed in place.
    new : plotly.graph_objects.Figure
        Left as it is.
    """
    kept = 0
    for old_trace, new_trace in zip(figure.data, new.data, strict=False):
        if old_trace.type != new_trace.type:
            break
        kept += 1
    going, coming = figure.data[kept:], new.data[kept:]
    if coming:
        figure.add_traces([go.Figure(trace).data[0].update(visible=False) for trace in coming])
    stay = (*figure.data[:kept], *figure.data[kept + len(going):])
    with figure.batch_update():
        for old_trace, new_trace in zip(stay, new.data, strict=True):
            _assign(old_trace, new_trace)
        for trace in going:
            trace.visible = False
        _assign(figure.layout, new.layout)
    if going:
        figure.data = stay


def _assign(old: Any, new: Any) -> None:
    before, after = old.to_plotly_json(), new.to_plotly_json()
    for key in [*before, *(k for k in after if k not in before)]:
        if key not in _OWN and not _same(before.get(key), after.get(key)):
            old[key] = after.get(key)


def _same(a: Any, b: Any) -> bool:
    if isinstance(a, dict) and isinstance(b, dict):
        return a.keys() == b.keys() and all(_same(a[k], b[k]) for k in a)
    if isinstance(a, (list, tuple, np.ndarray)) and isinstance(b, (list, tuple, np.ndarray)):
        return len(a) == len(b) and all(_same(p, q) for p, q in zip(a, b, strict=True))
    if isinstance(a, (float, np.floating)) and isinstance(b, (float, np.floating)):
        return a == b or (a != a and b != b)
    return type(a) is type(b) and a == b
