"""Run sheets filled in at random, and spoilt: bytes, cells, rows, encodings, XML, archives."""

from __future__ import annotations

import csv
import io
import random
import re
import struct
import warnings
import zipfile
from collections.abc import Callable
from pathlib import Path

from doe.sheets import write_csv, write_xlsx
from doe.study import Study

__all__ = ["SHOWN", "Sheets"]

ENTRIES = {"voids (%)": lambda r: f"{r.uniform(0.02, 5):.2f}",
           "coarsest lump (µm)": lambda r: f"{r.uniform(5, 90):.1f}",
           "end temperature (°C)": lambda r: f"{r.uniform(20, 60):.1f}",
           "achieved time (s)": lambda r: str(r.randint(30, 200)) if r.random() < 0.2 else "",
           "operator": lambda r: r.choice(["R. Ito", "Müller", ""]),
           "remark": lambda r: r.choice(["", "warm", "fine; cup 3", "a, b", "5 µm, −1 °C"])}
HOSTILE = [
    "1e300", "-1e300", "1e-300", "1e999", "-1e999", "-0", "+0", "1_000", "٣", "１２", "1 234,5",
    "1'234.5", "1.234", "1,234", "12,5", "12.5", "NaN", "nan", "inf", "-Infinity", "∞", "TRUE",
    "true", "0x1F", "0b1", "1e", "--5", "5-", "1/2", "3-Feb", "2026-02-03", "12:30", "=1+1", "+5",
    "=IF(1,\"\")", "#N/A", "#DIV/0!", "", " ", "\u00a0", "n/a", "-", "?", "<0", "<0.01", "<0.02",
    "<5", ">5", "< 0,01", "≤3", "~4", "5 %", "5%", "12 mm", "12 µm", "0.043 mm", "38 °C", "38 °F",
    "9" * 400, "x" * 140_000, "7" * 140_000, "\0", "0.4\0", "4\n", "4;5", "4,5,6", "4\t5", '"4"',
    "'4", "''4", "''=4", "fine;@SUM(1+1)|cmd", "=cmd|' /C calc'!A0", "<script>", "\ufeff4",
    "4\u200b", "\u202e4", "void", "done", "planned", "5.", ".5", "1e5", "1E-2", "0.1e1", "०.५",
    "1,23,456", "1.234.567", "12 34", "1 e 5", "2" * 58, "\ud7ff", "\U0001f600"]
ENCODINGS = ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252", "latin-1",
             "utf-32", "utf-7", "cp437", "mac-roman", "shift_jis"]
SHOWN = {'0.00" mm"': "", '0.0" µm"': "µm", "0%": "100 %", "0.0,": "", ";;;": "", "yyyy-mm-dd": "",
         '"<"0.0': "<", "0.00E+00": "plain", "#,##0.0": "plain", "[h]:mm": "", '0.0" %"': "%",
         "0.0;[Red]0.0": "plain", '[<1]0.0" mm";0.0" µm"': "mm below 1"}
"""Number formats, and what they show; "" for what no column of the sheet can take."""
CELL = re.compile(rb'<c r="([A-Z]+)(\d+)"([^>]*?)(?:/>|>(.*?)</c>)', re.DOTALL)
RUNS = "xl/worksheets/sheet1.xml"
PARTS = (RUNS, "xl/workbook.xml", "xl/styles.xml",
         "xl/_rels/workbook.xml.rels", "[Content_Types].xml", "xl/worksheets/sheet2.xml",
         "_rels/.rels")
READ = (RUNS, "xl/worksheets/sheet2.xml", "xl/styles.xml")
"""The parts that say what the runs are; a reader of general use fails on damage to the others."""


class Sheets:
    """Spoilt sheets of a study.

    Parameters
    ----------
    study : Study
    folder : Path
        For the sheets that they are made from.
    """

    def __init__(self, study: Study, folder: Path) -> None:
        self.rows = {}
        for mark, separator in ((".", ","), (",", ";")):
            path = write_csv(study, folder / f"base{ord(mark)}.csv", decimal=mark)
            text = path.read_text("utf-8-sig")
            self.rows[mark] = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator))
        self.head = {mark: next(i for i, row in enumerate(rows) if row[0] == "run")
                     for mark, rows in self.rows.items()}
        with zipfile.ZipFile(write_xlsx(study, folder / "base.xlsx")) as archive:
            self.parts = {n: archive.read(n) for n in archive.namelist()}
        self._add_formats()
        self.letters = {}
        for name in re.finditer(rb'<c r="([A-Z]+)8"[^>]*?><is><t>(.*?)</t>', self.parts[RUNS]):
            self.letters[name[2].decode()] = name[1]

    def _add_formats(self) -> None:
        styles = self.parts["xl/styles.xml"]
        own = "".join(f'<numFmt numFmtId="{900 + i}" formatCode="{_escaped(code)}"/>'
                      for i, code in enumerate(SHOWN)).encode()
        styles = re.sub(rb"<numFmts[^>]*>", lambda m: m[0] + own, styles)
        known = styles[styles.index(b"<cellXfs"):styles.index(b"</cellXfs>")].count(b"<xf ")
        self.styles = {known + i: code for i, code in enumerate(SHOWN)}
        added = b"".join(b'<xf numFmtId="%d"/>' % (900 + i) for i in range(len(SHOWN)))
        self.parts["xl/styles.xml"] = styles.replace(b"</cellXfs>", added + b"</cellXfs>")
        assert own in styles

    def mended(self, data: bytes, read: tuple[str, ...] = READ) -> bytes:
        """A workbook with every part as it was but those that say what the runs are."""
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            return _packed(self.parts | {n: archive.read(n) for n in read
                                         if n in archive.namelist()})

    # ---- CSV

    def text(self, rng: random.Random) -> tuple[bytes, str, str]:
        """A spoilt CSV, its decimal mark, and what was done to it."""
        mark = rng.choice([".", ".", ","])
        rows, head = [list(row) for row in self.rows[mark]], self.head[mark]
        for row in rows[head + 1:-1]:
            if rng.random() < 0.7:
                for heading, make in ENTRIES.items():
                    value = make(rng)
                    row[rows[head].index(heading)] = (
                        value.replace(".", mark) if value[:1].isdigit() else value)
        what = [f"decimal {mark!r}"]
        separator, encoding, quoting = ("," if mark == "." else ";"), "utf-8-sig", csv.QUOTE_MINIMAL
        for change in rng.sample([self._cells, self._rows, self._columns, self._above],
                                 rng.choice([0, 1, 1, 2])):
            what.append(change(rng, rows, head))
        if rng.random() < 0.3:
            encoding, separator = rng.choice(ENCODINGS), rng.choice(",;\t|")
            quoting = rng.choice([csv.QUOTE_MINIMAL, csv.QUOTE_ALL])
            what.append(f"{encoding}, {separator!r}")
        out = io.StringIO(newline="")
        csv.writer(out, delimiter=separator, quoting=quoting, escapechar=None,
                   lineterminator=rng.choice(["\r\n", "\n", "\r"])).writerows(rows)
        data = out.getvalue().encode(encoding, "replace")
        if rng.random() < 0.35:
            data, how = _spoilt_bytes(rng, data)
            what.append(how)
        return data, mark, "; ".join(what)

    def _cells(self, rng: random.Random, rows: list[list[str]], head: int) -> str:
        said = []
        for _ in range(rng.choice([1, 1, 1, 3])):
            row = rng.randrange(head + 1, len(rows) - 1)
            heading = rng.choice([*ENTRIES, *ENTRIES, *rows[head]])
            value = rng.choice(HOSTILE)
            if heading in rows[head] and len(rows[row]) > rows[head].index(heading):
                rows[row][rows[head].index(heading)] = value
                said.append(f"{heading} of row {row + 1} = {value[:20]!r}")
        return ", ".join(said)

    def _rows(self, rng: random.Random, rows: list[list[str]], head: int) -> str:
        how = rng.randrange(6)
        row = rng.randrange(head + 1, len(rows) - 1)
        if how == 0:
            body = rows[head + 1:-1]
            rng.shuffle(body)
            rows[head + 1:-1] = body
        elif how == 1:
            rows.insert(row, list(rows[row]))
        elif how == 2:
            del rows[row]
        elif how == 3:
            rows[row] = rows[row][:rng.randrange(len(rows[row]))]
        elif how == 4:
            a, b = (rng.randrange(len(rows[row])) for _ in "ab")
            rows[row][a], rows[row][b] = rows[row][b], rows[row][a]
        else:
            rows[row] += [rng.choice(HOSTILE) for _ in range(rng.choice([1, 3, 900]))]
        return f"rows, way {how}"

    def _columns(self, rng: random.Random, rows: list[list[str]], head: int) -> str:
        how = rng.randrange(4)
        order = list(range(len(rows[head])))
        if how == 0:
            rng.shuffle(order)
        elif how == 1:
            order.insert(rng.randrange(len(order)), rng.choice(order))
        elif how == 2:
            del order[rng.randrange(len(order))]
        else:
            rows[head][rng.choice(order)] = rng.choice(["gloss", "voids (ppm)", "", "run",
                                                        *HOSTILE])
        for row in rows[head:-1]:
            row[:] = [row[i] if i < len(row) else "" for i in order]
        return f"columns, way {how}"

    def _above(self, rng: random.Random, rows: list[list[str]], head: int) -> str:
        how = rng.randrange(4)
        if how == 0:
            rows[rng.randrange(head)] = [rng.choice(HOSTILE)]
        elif how == 1:
            rows[:head] = [[re.sub("sheet mark: .", "sheet mark: 9", c) for c in row]
                           for row in rows[:head]]
        elif how == 2:
            rows[-1] = [rng.choice(["# end", "", *HOSTILE])]
        else:
            rows[:0] = [[rng.choice(HOSTILE)] for _ in range(rng.choice([1, 400]))]
        return f"above and below, way {how}"

    # ---- XLSX

    def workbook(self, rng: random.Random) -> tuple[bytes, str]:
        """A spoilt workbook, and what was done to it."""
        parts = dict(self.parts)
        what = []
        entries = {}
        for row in range(9, 15):
            if rng.random() < 0.7:
                entries |= {(self.letters[heading], b"%d" % row): make(rng)
                            for heading, make in ENTRIES.items()}
        hostile = {}
        for _ in range(rng.choice([0, 1, 1, 2])):
            row = rng.randrange(9, rng.choice([15, 15, 15, 25]))
            heading = rng.choice([*[*ENTRIES] * 6, *self.letters])
            hostile[self.letters[heading], b"%d" % row], said = self._hostile_cell(rng)
            what.append(f"{heading} of row {row} is {said}")

        def filled(cell: re.Match) -> bytes:
            place = cell[1], cell[2]
            if place in hostile:
                return hostile[place].replace(b"@@", b'r="%s%s"' % place)
            if not entries.get(place):
                return cell[0]
            value, style = entries[place], re.sub(rb't="[^"]*"', b"", cell[3])
            where = b'<c r="%s%s" %s' % (*place, style)
            return (where + b"><v>%s</v></c>" % value.encode() if value[0].isdigit() and value[-1]
                    .isdigit() else where + b' t="inlineStr"><is><t>%s</t></is></c>'
                    % value.encode())

        parts[RUNS] = CELL.sub(filled, parts[RUNS])
        if rng.random() < 0.35:
            what.append(self._xml(rng, parts))
        data, said = self._archive(rng, parts) if rng.random() < 0.2 else (_packed(parts), "")
        if rng.random() < 0.2:
            data, how = _spoilt_bytes(rng, data)
            said += how
        return data, "; ".join([*what, said])

    def _hostile_cell(self, rng: random.Random) -> tuple[bytes, str]:
        text = rng.choice(HOSTILE)
        number = rng.choice(["0.43", "35", "0.043", "12.5", "38.2", "2", "1.75", "0", "-5", "-0",
                             "1e300", "1e999", "1_0", "٣", "nan", "0x1", "1,5", "", "5e-324",
                             "12345", "0.3333333333333333"])
        style = rng.choice(list(self.styles))
        cell, said = rng.choice([
            (b"<c @@><v>%s</v></c>" % number.encode(), f"number {number}"),
            *[(b'<c @@ s="%d"><v>%s</v></c>' % (style, number.encode()),
               f"{number} as {self.styles[style]}")] * 8,
            (b'<c @@ t="inlineStr"><is><t>%s</t></is></c>' % _escaped(text).encode(), text[:20]),
            (b'<c @@ t="str"><f>A1</f><v>%s</v></c>' % _escaped(text).encode(), text[:20]),
            (b'<c @@ t="str"><f>A1</f><v></v></c>', "a formula with an empty text"),
            (b"<c @@><f>A1</f></c>", "a formula without a value"),
            (b"<c @@><f>A1</f><v>%s</v></c>" % number.encode(), f"a formula with {number}"),
            (b'<c @@ t="b"><v>1</v></c>', "true"), (b'<c @@ t="e"><v>#N/A</v></c>', "an error"),
            (b'<c @@ t="d"><v>2026-02-03T10:00:00</v></c>', "a date"),
            (b'<c @@ t="s"><v>%s</v></c>' % number.encode(), f"shared text {number}"),
            (b'<c @@ s="99999"><v>4</v></c>', "of no style"), (b'<c @@ t="zz"><v>4</v></c>', "zz"),
            (b'<c @@ t="inlineStr"><is><r><t>0.</t></r><r><t>5</t></r></is></c>', "0.5 in pieces"),
            (b"<c @@><v>4</v><v>5</v></c>", "4 and 5"), (b"<c @@><v>4<x>5</x>6</v></c>", "4 5 6")])
        return cell, said

    def _xml(self, rng: random.Random, parts: dict[str, bytes]) -> str:
        name = rng.choice([RUNS, RUNS, RUNS, *PARTS])
        whole = parts[name]
        tags = list(re.finditer(rb"<[^<>]*>", whole))
        tag, other = rng.choice(tags), rng.choice(tags)
        how = rng.randrange(12)
        if how == 0:
            whole = whole[:tag.start()] + whole[tag.end():]
        elif how == 1:
            whole = whole[:tag.end()] + tag[0] * rng.choice([1, 3, 5000]) + whole[tag.end():]
        elif how == 2:
            whole = whole[:tag.start()] + other[0] + whole[tag.end():]
        elif how == 3:
            whole = b'<!DOCTYPE a [<!ENTITY b "' + b"4" * 99 + b'">]>' + whole.replace(
                b"<v>", b"<v>&b;", 1)
        elif how == 4:
            whole = re.sub(rb'<row r="(\d+)"', lambda m: b'<row hidden="1" r="%d"' % (
                int(m[1]) + rng.choice([0, 0, 0, 1, -1, 10**6])), whole)
        elif how == 5:
            reference = rng.choice([b"A60:XFD1048576", b"A1:XFD1048576", b"M9:M12", b"L10:N10",
                                    b"A", b"", b"XFE1:A0", b"M9:M12:M14"])
            whole = whole.replace(b"<mergeCell ", b'<mergeCell ref="%s"/><mergeCell ' % reference,
                                  1)
        elif how == 6:
            whole = whole.decode().encode(rng.choice(["utf-16", "utf-16-le", "latin-1", "utf-32"]),
                                          "replace")
        elif how == 7:
            whole = whole[:tag.start()] + rng.choice([
                b"\0", b"<!--" + b"x" * 400_000 + b"-->", b"<x>" * 20_000, b"&#0;", b"]]>",
                b"<?php ?>", b" " * 10**6, b"<x/>" * 300_000, b"\xff"]) + whole[tag.start():]
        elif how == 8:
            at = rng.randrange(len(whole))
            whole = whole[:at] + bytes([rng.randrange(256)]) + whole[at + 1:]
        elif how == 9:
            digits = rng.choice(list(re.finditer(rb'"(\d+)"', whole)) or [tag])
            whole = whole[:digits.start()] + b'"%d"' % rng.choice(
                [0, 1, 2, 7, 14, 22, 10**6, 10**30, -1]) + whole[digits.end():]
        elif how == 10:
            rows = re.findall(rb"<row .*?</row>", whole, re.DOTALL)
            if len(rows) > 12:
                a, b = rng.sample(rows[8:], 2)
                whole = whole.replace(a, b"@a@").replace(b, a).replace(b"@a@", b)
        else:
            whole = whole.replace(b"spreadsheetml/2006", b"spreadsheetml/2007")
        parts[name] = whole
        return f"{name}: way {how} at {tag[0][:40]!r}"

    def _archive(self, rng: random.Random, parts: dict[str, bytes]) -> tuple[bytes, str]:
        how = rng.randrange(9)
        name = rng.choice(PARTS)
        if how == 0:
            del parts[name]
        elif how == 1:
            parts[name.upper()] = parts[name]
        elif how == 2:
            parts |= {f"x/{i}": b"" for i in range(rng.choice([10, 1100]))}
        elif how == 3:
            parts[RUNS] = parts[RUNS].replace(b"</sheetData>", b" " * 2**22 + b"</sheetData>")
        elif how == 4:
            parts[rng.choice(["../a.xml", "/a.xml", "C:/a.xml", "a\\b.xml", "xl/media/a.zip"])] = (
                _packed(parts))
        elif how == 5:
            parts[name], parts[RUNS] = parts[RUNS], parts[name]
        data = _packed(parts, rng.choice([zipfile.ZIP_DEFLATED, zipfile.ZIP_STORED,
                                          zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
                       if how == 6 else zipfile.ZIP_DEFLATED)
        if how == 7:
            with (warnings.catch_warnings(action="ignore"),
                  zipfile.ZipFile(file := io.BytesIO(data), "a") as archive):
                archive.writestr(zipfile.ZipInfo(name), parts[name][:-5])
            data = file.getvalue()
        elif how == 8:
            size = struct.pack("<I", len(parts[name]))
            said = rng.choice([0, 10, 2**20, 2**31, 2**32 - 1])
            data = data.replace(size, struct.pack("<I", said))
        return data, f"archive, way {how} with {name}"


def _packed(parts: dict[str, bytes], packing: int = zipfile.ZIP_DEFLATED) -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", packing) as archive:
        for name, data in parts.items():
            archive.writestr(name, data)
    return file.getvalue()


def _escaped(text: str) -> str:
    for sign, name in (("&", "&amp;"), ("<", "&lt;"), (">", "&gt;"), ('"', "&quot;"), ("\0", "")):
        text = text.replace(sign, name)
    return text


def _spoilt_bytes(rng: random.Random, data: bytes) -> tuple[bytes, str]:
    ways: list[Callable[[int, int], bytes]] = [
        lambda a, b: data[:a] + bytes([rng.randrange(256)]) + data[a + 1:],
        lambda a, b: data[:a] + data[a + 1:],
        lambda a, b: data[:a] + bytes([rng.randrange(256)]) + data[a:],
        lambda a, b: data[:a],
        lambda a, b: data[:a] + data[b:],
        lambda a, b: data[:b] + data[a:],
        lambda a, b: data[:a] + b"\0" * rng.choice([1, 5000]) + data[a:],
        lambda a, b: data[:a] + rng.randbytes(20) + data[a:],
        lambda a, b: data[:a] + rng.choice([b'"', b"'", b",", b";", b"\n", b"\r", b"\xb5", b"\t"])
        + data[a:],
    ]
    way = rng.randrange(len(ways))
    a, b = sorted(rng.randrange(len(data)) for _ in "ab")
    if rng.random() < 0.5:
        b = min(a + rng.randrange(30), len(data))
    return ways[way](a, b), f"bytes, way {way} at {a} and {b}"
