"""A figure on screen is brought up to date in place."""

import chart_cases as cases
import numpy as np
import pandas as pd
import plotly.graph_objects as go
import pytest

from doe import Response, charts


def plain(figure: go.Figure) -> tuple[list, list]:
    """Data and layout; what plotly clears it leaves as an empty dict, which draws nothing."""
    data = [t.to_plotly_json() for t in figure.data]
    return tuple([{k: v for k, v in d.items() if k != "uid" and not same(v, {})} for d in part]
                 for part in (data, [figure.layout.to_plotly_json()]))


def same(a: object, b: object) -> bool:
    if isinstance(a, dict):
        return isinstance(b, dict) and a.keys() == b.keys() and all(same(a[k], b[k]) for k in a)
    if isinstance(a, (list, tuple, np.ndarray)):
        return len(a) == len(b) and all(same(x, y) for x, y in zip(a, b, strict=True))
    return a == b or (a != a and b != b)


class Messages:
    """Counts what a widget sends to the page."""

    def __init__(self, widget: go.FigureWidget, monkeypatch: pytest.MonkeyPatch) -> None:
        self.sent: list[str] = []
        for kind in ("update", "restyle", "relayout", "addTraces", "deleteTraces", "moveTraces"):
            name = f"_send_{kind}_msg"
            original = getattr(widget, name)

            def spy(*args, kind=kind, original=original, **kwargs):
                self.sent.append(kind)
                return original(*args, **kwargs)

            monkeypatch.setattr(widget, name, spy)


def contour(time: float) -> go.Figure:
    return charts.contour(cases.surface_fit(), "revolution", "rotation_ratio", {"time": time})


@pytest.mark.parametrize("name", cases.CHARTS)
def test_a_widget_becomes_any_other_chart(name):
    widget = go.FigureWidget(contour(180))
    new = cases.every_chart()[name]
    charts.refresh(widget, new)
    assert same(plain(widget), plain(new))


def test_the_same_chart_with_new_numbers_travels_in_one_message(monkeypatch):
    fit = cases.surface_fit()
    here = {"revolution": 1100.0, "rotation_ratio": 0.5, "time": 180.0}
    widget = go.FigureWidget(charts.predictions_by_factor([fit], here))
    kept = widget.data
    messages = Messages(widget, monkeypatch)
    new = charts.predictions_by_factor([fit], here | {"time": 240.0})
    charts.refresh(widget, new)
    assert messages.sent == ["update"]
    assert widget.data == kept  # the same traces, not their replacements
    assert same(plain(widget), plain(new))


def test_traces_come_and_go_unseen(monkeypatch):
    widget = go.FigureWidget(charts.ordered_effects(cases.screening_fit()))
    messages = Messages(widget, monkeypatch)
    seen = []
    add = widget._send_addTraces_msg
    monkeypatch.setattr(widget, "_send_addTraces_msg",
                        lambda data: (seen.extend(d["visible"] for d in data), add(data)))
    new = contour(180)
    charts.refresh(widget, new)
    assert messages.sent == ["addTraces", "update", "deleteTraces"]
    assert seen
    assert not any(seen)
    assert all(t.visible is None for t in widget.data)


def test_nothing_is_sent_for_what_stays(monkeypatch):
    widget = go.FigureWidget(contour(180))
    updates = []
    monkeypatch.setattr(widget, "_send_update_msg", lambda *a, **k: updates.append((a, k)))
    messages = Messages(widget, monkeypatch)
    charts.refresh(widget, contour(180))
    assert not updates
    assert set(messages.sent) <= {"update"}


def test_what_is_gone_from_the_new_figure_goes():
    widget = go.FigureWidget(charts.run_progress(cases.surface_data(), cases.SIZE))
    assert widget.layout.shapes
    new = go.Figure(go.Scatter(x=[1, 2], y=[3, 4]))
    charts.refresh(widget, new)
    assert not widget.layout.shapes
    assert not widget.layout.title.text
    assert len(widget.data) == 1
    assert widget.data[0].marker.color is None


def test_callbacks_outlive_the_refresh():
    widget = go.FigureWidget(contour(180))
    called = []
    last = next(t for t in widget.data if t.name == "run elsewhere")
    last.on_click(lambda *a: called.append(a))
    charts.refresh(widget, contour(181))
    assert last in widget.data
    assert last._click_callbacks


def test_the_new_figure_is_left_as_it_was():
    new = contour(240)
    before = plain(new)
    charts.refresh(go.FigureWidget(contour(180)), new)
    assert same(plain(new), before)


def test_plain_figures_can_be_refreshed_too():
    figure, new = go.Figure(), contour(200)
    charts.refresh(figure, new)
    assert same(plain(figure), plain(new))


def test_grades_have_their_names_on_the_axis():
    look = Response("look", kind="ordinal", grades=("streaky", "a <b>", "good"), lower=3)
    data = pd.DataFrame({"run": [1, 2, 3], "look": [1, 2, 3]})
    axis = charts.run_progress(data, look).layout.yaxis
    assert tuple(axis.tickvals) == (1, 2, 3)
    assert axis.ticktext[0] == "1 streaky"
    assert "<b>" not in axis.ticktext[1]
