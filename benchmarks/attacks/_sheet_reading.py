"""What a sheet says, read without the project's own reader: pandas and openpyxl split it up."""

from __future__ import annotations

import io
import math
import re
from dataclasses import dataclass, field

import openpyxl
import pandas as pd

__all__ = ["READINGS", "Row", "contradictions", "rows_of_text", "rows_of_workbook"]

# Headings are compared without regard to case.
READINGS = {"voids": ("voids (%)", "%"), "coarsest_lump": ("coarsest lump (µm)", "µm"),
            "end_temperature": ("end temperature (°c)", "°C")}
ACHIEVED = {"revolution": "achieved revolution (rpm)", "time": "achieved time (s)",
            "pressure": "achieved absolute pressure (kpa)"}
PLANNED = ("revolution (rpm)", "rotation ratio", "time (s)", "absolute pressure (kpa)")
BLANK = {"", "-", "–", "—", "−", "n/a", "na", "n.a.", "missing", "not measured"}
SPACES = " \u00a0\u202f\u2009'’"
ALL = 10**9


@dataclass
class Row:
    """A row of a sheet: texts by heading, and what a number among them can mean."""

    texts: dict[str, str]
    meanings: dict[str, list[float]] = field(default_factory=dict)
    is_number_as_remark: bool = False


def rows_of_text(data: bytes, mark: str) -> list[Row]:
    """The rows below the headings of a CSV; none if it makes no sense."""
    for encoding in ("utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"):
        if encoding == "utf-16" and not data.startswith((b"\xff\xfe", b"\xfe\xff")):
            continue
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        for separator in ",;\t":
            try:
                table = pd.read_csv(io.StringIO(text, newline=""), sep=separator, header=None,
                                    names=range(80), dtype=str, keep_default_na=False,
                                    na_filter=False, skip_blank_lines=False, index_col=False)
            except (pd.errors.ParserError, ValueError):
                continue
            rows = table.to_numpy().tolist()
            head = next((i for i, row in enumerate(rows) if "run" in map(_plain, row)), None)
            if head is not None:
                return [_row(rows[head], row, mark) for row in rows[head + 1:]
                        if not row[0].startswith("# ")]
    return []


def rows_of_workbook(data: bytes, shown: dict[str, str]) -> list[Row]:
    """The same of a workbook; `shown` says what a number format shows."""
    book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True)
    for sheet in book.worksheets:
        sheet.reset_dimensions()  # what it says of its own extent may be wrong
        rows = list(sheet.iter_rows())
        head = next((i for i, row in enumerate(rows) if any(c.value == "run" for c in row)), None)
        if head is None:
            continue
        names = [str(c.value or "") for c in rows[head]]
        out = []
        for row in rows[head + 1:]:
            found = _row(names, ["" if c.value is None else str(c.value) for c in row], ".")
            for name, c in zip(names, row, strict=False):
                if isinstance(c.value, (int, float)) and not isinstance(c.value, bool):
                    heading = _plain(name)
                    how = shown.get(c.number_format, "plain")
                    found.is_number_as_remark |= heading == "remark"
                    found.meanings[heading] = _as_shown(c.value, how, heading)
                    found.texts[heading] = "<" * (how == "<") + str(c.value)
            out.append(found)
        return out
    return []


def _as_shown(value: float, how: str, heading: str) -> list[float]:
    """The number that a person sees in the unit of the heading; none if it is in another."""
    unit = heading.rpartition("(")[2].rstrip(")") if "(" in heading else ""
    if how == "100 %":
        return [100 * value] if unit == "%" else []
    if how == "mm below 1":
        how = "µm" if value >= 1 else "mm"
    return [value] if how in ("plain", "<", unit) else []


def _row(names: list[str], cells: list[str], mark: str) -> Row:
    texts: dict[str, str] = {}
    for name, cell in zip(map(_plain, names), cells, strict=False):
        if name and (cell.strip() or name not in texts):  # of two columns, the one in use
            texts[name] = cell
    return Row(texts, {n: _meanings(c, mark) for n, c in texts.items()})


def _plain(heading: str) -> str:
    return " ".join(heading.split()).lower()


def _meanings(text: str, mark: str) -> list[float]:
    """What a text can mean as a number; where both marks make one, the file's own decides."""
    text = re.sub(r"\s*(%|µm|μm|um|°C|℃|s|sec|rpm|r/min|kPa)$", "", text.strip())
    text = text.lstrip("<").strip().replace("−", "-")
    found = {m: _number(text, m, other) for m, other in ((".", ","), (",", "."))}
    good = {m: v for m, v in found.items() if not math.isnan(v)}
    return [good[mark]] if mark in good else list(good.values())


def _number(text: str, mark: str, other: str) -> float:
    if not text.isascii() and not all(c.isascii() or c in SPACES for c in text):
        return math.nan
    body, _, power = text.lower().partition("e")
    whole, _, rest = body.partition(mark)
    sign, whole = (whole[:1], whole[1:]) if whole[:1] in ("+", "-") else ("", whole)
    groups = re.split(f"[{re.escape(SPACES + other)}]", whole)
    if len(groups) > 1 and not (len(groups[0]) in (1, 2, 3)
                                and all(len(g) == 3 for g in groups[1:])):
        return math.nan
    if "_" in text:
        return math.nan
    try:
        return float(f"{sign}{''.join(groups)}.{rest or '0'}e{power or '0'}")
    except ValueError:
        return math.nan


def contradictions(rows: list[Row], records: dict, planned: dict[int, dict[str, float]]
                   ) -> list[str]:
    """What stands in the study and not in the sheet, or the other way round.

    `records` has, by run and attempt, readings with their marks, settings and remark.
    """
    out, seen = [], set()
    for row in rows:
        numbers = {n: v[0] for n, v in row.meanings.items() if v}
        filled = {name: row.texts.get(heading, "") for name, (heading, _) in READINGS.items()}
        filled = {name: text for name, text in filled.items() if text.strip().lower() not in BLANK}
        if "run" not in numbers:
            if filled:
                out.append(f"readings without a run were passed over: {filled}")
            continue
        run = int(numbers["run"])
        attempt = int(numbers.get("attempt", 0)) or max(
            (a for r, a in records if r == run), default=1)
        if not filled and (run, attempt) not in records:
            continue
        if (run, attempt) not in records:
            out.append(f"run {run}, attempt {attempt} was lost")
            continue
        seen.add((run, attempt))
        kept = records[run, attempt]
        out += [f"run {run}: {name} = {text!r} was lost" for name, text in filled.items()
                if name not in kept["readings"]]
        for name, (value, sign) in kept["readings"].items():
            heading = READINGS[name][0]
            text = filled.get(name)
            if text is None or not _among(value, row.meanings.get(heading, ())):
                out.append(f"run {run}: {name} is kept as {value!r}, the sheet says {text!r}")
            elif (sign == "<") != text.strip().startswith("<"):
                out.append(f"run {run}: {name} is kept with {sign!r}, the sheet says {text!r}")
        out += [f"run {run}: {name} was achieved as {kept['settings'][name]!r}, the sheet says "
                f"{row.texts.get(heading)!r}" for name, heading in ACHIEVED.items()
                if name in kept["settings"]
                and not _among(kept["settings"][name], row.meanings.get(heading, ()))]
        out += [f"run {run}: {heading} was planned as {planned[run][heading]!r} and taken as "
                f"{row.texts[heading]!r}" for heading in PLANNED
                if row.texts.get(heading, "").strip().lower() not in BLANK
                and not _among(planned[run][heading], row.meanings[heading], 0.51)]
        remark = row.texts.get("remark", "").replace("'", "")
        said = kept["remark"].replace("'", "")
        if remark.strip() and not row.is_number_as_remark and remark not in (
                said, said.replace("\r\n", "\n")):
            out.append(f"run {run}: the remark {remark[:50]!r} is kept as {kept['remark'][:50]!r}")
    return out + [f"run {r}, attempt {a} stands in no row" for r, a in records.keys() - seen]


def _among(value: float, meanings, slack: float = 0.0) -> bool:
    return any(math.isclose(value, m, rel_tol=1e-12, abs_tol=slack) for m in meanings)
