"""Figures as still pictures, for readers without a kernel or a browser that runs scripts."""

from __future__ import annotations

import json
from base64 import b64encode
from functools import lru_cache

import plotly.graph_objects as go

__all__ = ["Still", "live", "picture"]


@lru_cache(maxsize=1)
def _drawer():
    """A picture drawer that keeps its browser open, or None where none can be had."""
    try:
        import kaleido
        from choreographer.browsers import Chromium
    except ImportError:
        return None
    if Chromium.find_browser(skip_local=False) is None:
        return None
    kaleido.start_sync_server(silence_warnings=True)
    return kaleido


def picture(figure: go.Figure, scale: float = 1.5) -> bytes | None:
    """The figure as PNG, or None where the packages or the browser for it are missing."""
    drawer = _drawer()
    if drawer is None:
        return None
    return drawer.calc_fig_sync(go.Figure(figure).to_dict(), opts={"format": "png", "scale": scale})


def live(figure: go.Figure) -> dict:
    """The figure as the notebook draws it, by mime type, with its title as plain text."""
    return {"text/plain": figure.layout.title.text or "figure",
            "application/vnd.plotly.v1+json": json.loads(figure.to_json())}


class Still:
    """A figure that shows itself live where it can and as a picture everywhere else."""

    def __init__(self, figure: go.Figure) -> None:
        self.figure = figure

    def _repr_mimebundle_(self, **kwargs) -> dict:
        bundle = live(self.figure)
        png = picture(self.figure)
        if png is not None:
            bundle["image/png"] = b64encode(png).decode()
        return bundle
