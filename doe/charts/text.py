"""User text made safe and broken into lines for plotly, which reads a kind of HTML.

Plotly takes ``<b>``, ``<a href>`` and entities in every text it draws, ``%{...}`` in hover
templates, and ``$...$`` as mathematics where the page has MathJax. Labels, units and remarks
come from people, so each passes through here on its way into a figure, once.
"""

from __future__ import annotations

import re
from html import unescape

__all__ = ["BREAK", "bold", "escape", "lines", "text_width", "wrap", "wrap_in_scene"]

BREAK = "<br>"
_BLANKS = re.compile(r"[ \t\r\n\f\v]+")  # and not the no-break space, which holds units to numbers
_SPECIAL = str.maketrans({"&": "&amp;", "<": "&lt;", ">": "&gt;", "$": "&#36;", "{": "&#123;"})

# Widths of characters in Helvetica and the faces drawn to its measure, in parts of the font
# size, rounded up by group; all others count as `_USUAL`.
_USUAL = 0.56
_WIDTHS = {c: w for w, group in (
    (0.24, "ijl'|"), (0.29, " ftI.,:;!/()[]-"), (0.36, "r\"*"), (0.51, "ckvxyzs"),
    (0.68, "ABEKPSVXY&F"), (0.74, "CDHNRUTZLJ"), (0.80, "GOQw"), (0.86, "mM%"), (1.0, "W@—…"),
) for c in group}


def escape(text: object) -> str:
    """`text` so that plotly shows it letter by letter, on one line."""
    return _BLANKS.sub(" ", str(text)).strip(" ").translate(_SPECIAL)


def bold(text: object) -> str:
    """Escaped `text` in bold."""
    return f"<b>{escape(text)}</b>"


def text_width(text: str, size: float) -> float:
    """About how many px `text` takes at a font size."""
    return size * sum(_WIDTHS.get(c, _USUAL) for c in text)


def lines(text: object, width: float, size: float = 13, most: int | None = None) -> list[str]:
    """`text` in escaped lines of at most `width` px; beyond `most` lines it ends in an ellipsis.

    A word longer than a line is cut.
    """
    out: list[str] = []
    for word in filter(None, _BLANKS.split(str(text))):
        if out and text_width(f"{out[-1]} {word}", size) <= width:
            out[-1] += f" {word}"
            continue
        while text_width(word, size) > width and len(word) > 1:
            cut = next(i for i in range(len(word), 0, -1)
                       if i == 1 or text_width(word[:i], size) <= width)
            out.append(word[:cut])
            word = word[cut:]
        out.append(word)
    if most is not None and len(out) > most:
        last = out[most - 1]
        while last and text_width(last + "…", size) > width:
            last = last[:-1]
        out = [*out[:most - 1], last.rstrip() + "…"]
    return [escape(line) for line in out]


def wrap(text: object, width: float, size: float = 13, most: int | None = None) -> str:
    """`text` escaped and broken to about `width` px, for axis titles, ticks and headings."""
    return BREAK.join(lines(text, width, size, most))


def wrap_in_scene(text: object, width: float, size: float = 13) -> str:
    """As `wrap`, for the axes of a 3-D scene: these read tags but no entities."""
    return BREAK.join(unescape(line).replace("<", "<\u200b") for line in lines(text, width, size))
