"""A run sheet as a file: CSV here, XLSX and HTML in their own modules."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
import pandas as pd
from pandas.api.types import is_numeric_dtype

from doe.errors import InputError, as_choice
from doe.files import keep_file
from doe.sheets.facts import (
    INVENTED,
    MARK,
    how_to_fill,
    limits_in_words,
    sheet_cautions,
    sheet_facts,
    sheet_mark,
)
from doe.sheets.grid import COMMENT, END
from doe.sheets.layout import Column, columns, sheet_table, tidy
from doe.sheets.parsing import protect
from doe.study import Study

__all__ = ["keep_sheet", "table_csv", "write_csv", "write_sheet"]


def write_sheet(study: Study, path: str | Path, *, overwrite: bool = False) -> Path:
    """Write the study's run sheet; the name's ending decides the kind.

    Parameters
    ----------
    study : Study
    path : str or Path
        Ends in ``.csv``, ``.xlsx`` or ``.html``.
    overwrite : bool
        Replace a file that is there already; it may be one that was filled in.

    Returns
    -------
    Path

    Raises
    ------
    InputError
        If the study has no plan, the ending is another, the file exists or cannot be written.
    """
    path = Path(path)
    kind = path.suffix.lower()
    if kind == ".csv":
        return write_csv(study, path, overwrite=overwrite)
    if kind == ".xlsx":
        from doe.sheets.workbook import write_xlsx

        return write_xlsx(study, path, overwrite=overwrite)
    if kind in (".html", ".htm"):
        from doe.sheets.printable import sheet_html

        return keep_sheet(path, sheet_html(study), overwrite)
    raise InputError("run sheet, file name", path.name, "its ending is none of .csv, .xlsx, .html",
                     "Choose one of them: .xlsx to fill in, .html to print, .csv for anything else")


def write_csv(study: Study, path: str | Path, *, decimal: str = ".",
              overwrite: bool = False) -> Path:
    """Write the study's run sheet as CSV in UTF-8.

    Lines that start with "# " say what the sheet belongs to and what to heed; `read_sheet`
    needs the one with the mark. Text that a spreadsheet could take for a formula,
    whatever it separates cells by, has an apostrophe there, which reading takes away again.

    Parameters
    ----------
    study : Study
    path : str or Path
    decimal : {".", ","}
        Decimal mark; with a comma the cells are separated by semicolons, as spreadsheets
        set to such a language expect it.
    overwrite : bool
        Replace a file that is there already.

    Raises
    ------
    InputError
    """
    as_choice("decimal", decimal, (".", ","))
    layout, table = columns(study), sheet_table(study)
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter="," if decimal == "." else ";", lineterminator="\r\n")
    for line in _comments(study, layout):
        writer.writerow([protect(COMMENT + line)])
    writer.writerow([protect(c.heading) for c in layout])
    texts = [_texts(c, table, decimal) for c in layout]
    writer.writerows(zip(*texts, strict=True))
    writer.writerow([END])
    # With a byte order mark, spreadsheets do not take UTF-8 for something else.
    return keep_sheet(path, out.getvalue().encode("utf-8-sig"), overwrite)


def table_csv(table: pd.DataFrame) -> str:
    """A table as CSV, numbers to six digits; no text of it can start a formula."""
    safe = table.rename(columns=lambda name: protect(str(name)))
    for name in safe.columns[[not is_numeric_dtype(t) for t in safe.dtypes]]:
        safe[name] = [protect(v) if isinstance(v, str) else v for v in safe[name]]
    return safe.to_csv(index=False, float_format="%.6g", lineterminator="\n")


def _comments(study: Study, layout: list[Column]) -> list[str]:
    brief = study.brief
    out = [f"Run sheet: {tidy(brief.title)}"]
    if brief.invented:
        out.append(INVENTED)
    out.append(f"{MARK}: {sheet_mark(study)} (keep this line)")
    out += [f"{topic}: {text}" for topic, text in sheet_facts(study).items()]
    out += how_to_fill(study)
    for c in layout:
        if c.response is not None:
            points = [f"method: {tidy(c.response.method)}" if c.response.method else "",
                      f"specification: {c.response.specification}", *limits_in_words(c.response)]
            out.append(f"Measurement {c.heading}: " + "; ".join(p for p in points if p))
    out += [f"CAUTION {i}. {text}" for i, text in enumerate(sheet_cautions(study), 1)]
    return out


def _texts(c: Column, table: pd.DataFrame, decimal: str) -> list[str]:
    values = table[c.key]
    if not c.is_number:
        return [protect(v) for v in values]
    if c.role in ("achieved", "measurement"):
        # Every digit that was entered, so that reading it back is no change.
        out = ["" if v != v else repr(v).removesuffix(".0") for v in values.tolist()]
        for i, mark in table.attrs["qualifiers"].get(c.key, {}).items():
            out[i] = mark + out[i]
    else:
        out = [f"{v:.{c.decimals or 0}f}" for v in np.asarray(values, float).tolist()]
    return [t.replace(".", decimal) for t in out] if decimal != "." else out


def keep_sheet(path: str | Path, data: bytes | str, overwrite: bool) -> Path:
    """Write a run sheet; one that is there already only gives way if told to."""
    return keep_file(path, data, what="run sheet", overwrite=overwrite,
                     why=", and it may have been filled in")
