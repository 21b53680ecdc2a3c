"""Tables and sentences for reading: units in the headings, sensible digits, user text escaped."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from html import escape

import numpy as np
import pandas as pd

from doe.errors import as_choice
from doe.wording import MINUS, decimals_for, digits, fixed, p_value

__all__ = ["FONT", "SOFT", "Sentences", "Table", "html_table"]

# In a notebook the words take the colours of its theme, which may be dark.
FONT = ("font:14px/1.5 'Helvetica Neue',Arial,'Liberation Sans',sans-serif;"
        "color:var(--jp-ui-font-color1,#1a1a1a)")
SOFT = "color:var(--jp-ui-font-color2,#555)"
NUMBERS = ("column", "each", "exact")
# The class is named twice to outweigh the style that JupyterLab gives to every table.
STYLE = """
<style>
table.study.study {border-collapse: collapse; font: 13px/1.4 'Helvetica Neue', Arial,
  'Liberation Sans', sans-serif; margin: 6px 0; color: #1a1a1a; background: #fff}
table.study.study caption {text-align: left; color: var(--jp-ui-font-color2, #555);
  padding: 2px 0 4px}
table.study.study th {text-align: left; font-weight: 600; border-bottom: 2px solid #1a1a1a;
  padding: 3px 10px 3px 0; vertical-align: bottom; white-space: normal}
table.study.study td {border-bottom: 1px solid #e4e4e4; padding: 3px 10px 3px 0;
  vertical-align: top; text-align: left}
table.study.study tbody tr:nth-child(n), table.study.study tbody tr:nth-child(n):hover {
  background: #fff}
table.study.study .number {text-align: right; font-variant-numeric: tabular-nums}
table.study.study td.number {white-space: nowrap}
table.study.study tr.marked td {font-weight: 600}
</style>
""".strip()


class Table:
    """A DataFrame as it should be read, in a notebook and in a report.

    Parameters
    ----------
    frame : DataFrame
        ``frame.attrs["units"]`` may map columns to units, which then stand in the headings.
    columns : mapping or sequence, optional
        Columns to show, in order; a mapping gives their headings.
    caption : str
        Plain text above the table.
    marked : sequence of bool, optional
        Rows to set in bold.
    n : int
        Significant digits.
    numbers : {"column", "each", "exact"}
        "column" gives a column's numbers the same decimals, "each" every number its own (for
        columns that mix units), "exact" all the digits there are.
    """

    def __init__(self, frame: pd.DataFrame,
                 columns: Mapping[str, str] | Sequence[str] | None = None, *,
                 caption: str = "", marked: Sequence[bool] | None = None, n: int = 3,
                 numbers: str = "column") -> None:
        self.frame, self.columns, self.caption = frame, columns, caption
        self.marked, self.n, self.numbers = marked, n, as_choice("numbers", numbers, NUMBERS)

    def _repr_html_(self) -> str:
        return STYLE + html_table(self.frame, self.columns, caption=self.caption,
                                  marked=self.marked, n=self.n, numbers=self.numbers)

    def __repr__(self) -> str:
        headings, cells = _cells(self.frame, self.columns, self.n, self.numbers)
        return pd.DataFrame(dict(enumerate(c for c, _ in cells))).set_axis(
            headings, axis=1).to_string(index=False)


class Sentences:
    """A finding in sentences: the first stands out, the others are a list.

    Parameters
    ----------
    sentences : iterable of str
        Plain text; empty ones are left out.
    title : str
        Plain text above them.
    """

    def __init__(self, sentences: Iterable[str], title: str = "") -> None:
        self.sentences, self.title = [s for s in sentences if s], title

    def _repr_html_(self) -> str:
        texts = [escape(s) for s in self.sentences]
        title = f"<h4>{escape(self.title)}</h4>" if self.title else ""
        lead = f'<p style="margin:4px 0"><b>{texts[0]}</b></p>' if texts else ""
        rest = "".join(f"<li>{t}</li>" for t in texts[1:])
        rest = rest and f'<ul style="margin:2px 0 8px;padding-left:20px">{rest}</ul>'
        return (f'<div class="study-words" style="{FONT};max-width:900px">{title}{lead}{rest}'
                "</div>")

    def __repr__(self) -> str:
        return "\n".join([*([self.title] if self.title else []),
                          *(f"• {s}" for s in self.sentences)])


def html_table(frame: pd.DataFrame, columns: Mapping[str, str] | Sequence[str] | None = None, *,
               caption: str = "", marked: Sequence[bool] | None = None, n: int = 3,
               numbers: str = "column") -> str:
    """The table as an HTML element of class ``study``, without its style sheet."""
    headings, cells = _cells(frame, columns, n, numbers)
    kinds = [' class="number"' if numeric else "" for _, numeric in cells]
    out = ['<table class="study">']
    if caption:
        out.append(f"<caption>{escape(caption)}</caption>")
    out.append("<thead><tr>" + "".join(f"<th{kind}>{escape(h)}</th>" for h, kind in
                                       zip(headings, kinds, strict=True)) + "</tr></thead><tbody>")
    for i in range(len(frame)):
        row = "".join(f"<td{kind}>{escape(texts[i])}</td>" for (texts, _), kind in
                      zip(cells, kinds, strict=True))
        mark = ' class="marked"' if marked is not None and list(marked)[i] else ""
        out.append(f"<tr{mark}>{row}</tr>")
    out.append("</tbody></table>")
    return "".join(out)


def _cells(frame: pd.DataFrame, columns, n: int, numbers: str
           ) -> tuple[list[str], list[tuple[list[str], bool]]]:
    if columns is None:
        columns = {c: str(c).replace("_", " ") for c in frame.columns}
    elif not isinstance(columns, Mapping):
        columns = {c: str(c).replace("_", " ") for c in columns}
    units = frame.attrs.get("units", {})
    headings = [heading + (f" ({units[c]})" if units.get(c) else "")
                for c, heading in columns.items()]
    return headings, [_column(frame[c], n, numbers) for c in columns]


def _column(values: pd.Series, n: int, how: str) -> tuple[list[str], bool]:
    if values.dtype == bool:
        return [("yes" if v else "no") for v in values], False
    numeric = pd.api.types.is_numeric_dtype(values)
    if not numeric:
        return ["" if v is None or (isinstance(v, float) and np.isnan(v))
                else digits(v, n) if isinstance(v, float) else str(v) for v in values], False
    if str(values.name) in ("p", "p_value") or str(values.name).startswith("p_"):
        return [p_value(v).removeprefix("p ").removeprefix("= ") if v == v else ""
                for v in values], True
    numbers = values.to_numpy(float, na_value=np.nan)
    if how == "exact":
        return [f"{v:.10g}".replace("-", MINUS) if v == v else "" for v in numbers], True
    finite = numbers[np.isfinite(numbers)]
    if finite.size and (finite == np.round(finite)).all() and np.abs(finite).max() < 1e7:
        return [fixed(v, 0) if np.isfinite(v) else "" for v in numbers], True
    sizes = np.abs(finite[finite != 0])
    # One number of decimals down the column lets the eye compare; where the sizes span more
    # than four decades it would blank the small or flood the large, so each stands alone.
    even = sizes.size and sizes.max() < 1e4 * sizes.min() and 1e-5 <= sizes.max() < 1e7
    if how == "column" and even:
        # Enough for the middle of the column, and for the smallest not to read as 0.
        places = min(max(decimals_for(float(np.median(sizes)), n),
                         decimals_for(float(sizes.min()), 1)), 6)
        return [fixed(v, places) if np.isfinite(v) else "" for v in numbers], True
    return [digits(v, n) if v == v else "" for v in numbers], True
