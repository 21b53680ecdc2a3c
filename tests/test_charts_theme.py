"""The look: readable in grey, escaped, explicit, never a wall of digits."""

import re

import chart_cases as cases
import numpy as np
import plotly.graph_objects as go
import plotly.io as pio
import pytest

from doe import Response, charts
from doe.charts import scales, text, theme


def lightness(colour: str) -> float:
    """CIE 1976 lightness of an sRGB colour (IEC 61966-2-1), which grey printing keeps."""
    share = np.array([int(colour[i:i + 2], 16) for i in (1, 3, 5)]) / 255
    linear = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
    y = float(linear @ (0.2126, 0.7152, 0.0722))
    return 116 * np.cbrt(y) - 16 if y > 0.008856 else 903.3 * y


def test_series_colours_are_the_published_ones():
    # Tol's high-contrast set, as the package tol-colors 2.2.0 carries it.
    assert [theme.BLUE, theme.YELLOW, theme.RED] == ["#004488", "#DDAA33", "#BB5566"]


def test_series_are_apart_in_grey():
    first = sorted(lightness(s.colour) for s in theme.SERIES[:4])
    assert np.diff(first).min() > 18
    assert first[-1] < 80  # and the lightest stands out from white paper


def test_no_two_series_share_marker_or_dash():
    for part in ("symbol", "dash", "glyph", "colour"):
        values = [getattr(s, part) for s in theme.SERIES]
        assert len(set(values)) == len(values)


def test_colour_scale_falls_evenly_in_lightness():
    steps = np.diff([lightness(colour) for _, colour in theme.COLOUR_SCALE])
    assert (steps < -4).all()
    assert steps.min() > 1.4 * steps.max()  # no step half as large again as another
    assert [p for p, _ in theme.COLOUR_SCALE] == list(np.linspace(0, 1, len(theme.COLOUR_SCALE)))


def test_dark_figures_can_be_read_on_every_fill():
    # WCAG 2.1, 1.4.3: contrast of large text at least 3 to 1.
    def luminance(colour):
        return ((lightness(colour) + 16) / 116) ** 3
    worst = min(luminance(colour) for _, colour in theme.COLOUR_SCALE)
    assert (worst + 0.05) / (luminance(theme.INK) + 0.05) > 3


def test_what_stands_out_differs_from_noise_in_shape_and_lightness():
    figure = charts.ordered_effects(cases.screening_fit())
    loud, quiet = (cases.trace(figure, n).marker for n in ("stands out", "within noise"))
    assert loud.color != quiet.color
    assert quiet.color == "white"


def test_no_chart_is_left_out_of_these_tests():
    drawing = {n for n in charts.__all__ if n not in ("TEMPLATE", "Still", "picture")}
    assert drawing == {n.removesuffix("_log") for n in cases.every_chart()}
    assert tuple(cases.every_chart()) == cases.CHARTS
    assert tuple(cases.nasty_charts()) == cases.NASTY_CHARTS


@pytest.mark.parametrize("name", cases.CHARTS)
def test_every_chart_carries_the_template_and_leaves_the_default_alone(name):
    before = pio.templates.default
    figure = cases.every_chart()[name]
    assert isinstance(figure, go.Figure)
    assert figure.layout.template.layout.colorway[0] == theme.BLUE
    assert figure.layout.paper_bgcolor is None  # from the template, not spread over the figure
    assert figure.layout.template.layout.paper_bgcolor == "white"
    assert figure.layout.width in (theme.WIDTH, theme.WIDE)
    assert pio.templates.default == before == "plotly"


@pytest.mark.parametrize("name", cases.CHARTS)
def test_titles_are_findings_with_words_and_numbers(name):
    title = cases.plain_title(cases.every_chart()[name])
    assert len(title.split()) >= 4
    assert title[0].isupper() or title[0].isdigit()
    assert "nan" not in title.lower()


@pytest.mark.parametrize("name", cases.NASTY_CHARTS)
def test_user_text_is_shown_letter_by_letter(name):
    figure = cases.nasty_charts()[name]
    plain = figure.to_plotly_json()
    scene = cases.texts(plain["layout"].pop("scene", {}))
    every = cases.texts(plain)
    assert any("&lt;script&gt;" in t for t in every)
    for t in every:
        assert "%{y} $" not in t
        assert "$z$" not in t
    for t in every + scene:
        for tag in ("<script", "<b>a", "<i>u", "<u>v"):
            assert tag not in t
    for t in scene:  # a 3-D scene draws entities as they stand
        assert "&" not in t.replace("& ", "")


def test_escape_leaves_nothing_that_plotly_reads():
    assert text.escape("a<b>&{x}$y$") == "a&lt;b&gt;&amp;&#123;x}&#36;y&#36;"
    assert text.escape("two\n lines ") == "two lines"


def test_wrap_keeps_every_word_and_the_width():
    said = "the largest agglomerate on the fineness-of-grind gauge after one night of rest"
    broken = text.lines(said, 200, 13)
    assert " ".join(broken) == said
    assert all(text.text_width(line, 13) <= 200 for line in broken)
    assert len(text.lines(said, 120, 13, most=2)) == 2
    assert text.lines(said, 120, 13, most=2)[-1].endswith("…")
    assert "".join(text.lines("x" * 200, 100, 13)) == "x" * 200


def test_wrap_never_cuts_an_entity():
    for line in text.lines("<" * 60, 100, 13):
        assert set(line.split(";")) <= {"&lt", ""}


@pytest.mark.parametrize("scale", [1e-6, 1e6])
def test_no_walls_of_digits(scale):
    response = Response("y", unit="Pa·s", label="yield")
    fit = cases.screening_fit(response, scale=scale)
    figures = [charts.half_normal(fit), charts.ordered_effects(fit), charts.main_effects(fit),
               charts.interactions(fit), charts.contour(fit, "revolution", "time"),
               charts.leeway([fit]), charts.curve(fit, "time"),
               charts.run_progress(fit.data, response)]
    for figure in figures:
        plain = figure.to_plotly_json()
        shown = cases.texts(plain["layout"]) + [t for d in plain["data"] for t in cases.texts(
            {k: d.get(k) for k in ("text", "name", "customdata")})]
        for t in shown:
            assert not re.search(r"\d{7}|\.\d{6}|\de[-+]\d", t), t


@pytest.mark.parametrize(("low", "high"), [(0, 1), (-3.2, 17), (1e-6, 4e-6), (2.2e6, 9e6)])
def test_levels_are_round_and_inside(low, high):
    at = scales.levels(low, high)
    assert 4 <= len(at) <= 14
    assert min(at) >= low - 1e-12
    assert max(at) <= high * (1 + 1e-12)
    assert np.allclose(np.diff(at), at[1] - at[0])
    mantissa = float(f"{at[1] - at[0]:e}".split("e")[0])
    assert min(abs(mantissa - m) for m in (1, 2, 2.5, 5)) < 1e-6


@pytest.mark.parametrize(("low", "high"), [(1.2, 1.9), (0.003, 4.0), (5.0, 5e6)])
def test_log_axes_have_plain_numbers_inside_the_range(low, high):
    axis = scales.value_axis([low, high], log=True)
    assert axis["type"] == "log"
    ticks = np.array(axis["tickvals"])
    assert len(ticks) >= 2
    assert (np.log10(ticks) >= axis["range"][0]).all()
    assert (np.log10(ticks) <= axis["range"][1]).all()
    assert 10 ** axis["range"][0] <= low < high <= 10 ** axis["range"][1]


def test_numbers_lose_no_whole_digits():
    assert scales.number(1125.0) == "1125"
    assert scales.number(0.342105) == "0.3421"
    assert scales.number(20.0) == "20"
    assert scales.quantity(1.93e-5, "mol/L").replace("\u00a0", " ") == "1.93 × 10⁻⁵ mol/L"
    assert scales.span(1.27e-4, 2.53e-4).replace("\u00a0", " ") == "(1.27 to 2.53) × 10⁻⁴"
    assert scales.to_noise(-16.9123, 0.863, "µm").replace("\u00a0", " ") == "−16.9 µm"
