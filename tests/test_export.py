"""Exported notebooks: whoever wrote them, nothing in them runs, calls out or breaks the page."""

from __future__ import annotations

import base64
import json
import os
import re
import subprocess
import sys
from html.parser import HTMLParser
from itertools import cycle, islice
from pathlib import Path

import nbformat
import pandas as pd
import pytest
from browser import chromium, misdeeds
from hypothesis import given
from hypothesis import strategies as st
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output, new_raw_cell
from vectors import RUN, VECTORS

from doe.errors import InputError
from doe.pages import content_policy
from doe.report import export_notebook
from doe.report.sanitise import plain_styles, sanitise, shows_something
from doe.tables import STYLE, Sentences, Table, html_table

PNG = ("iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNk+M9QDwADhgGAWjR9awAAAABJRU5"
       "ErkJggg==")
UNARMED = {  # by themselves, or in this browser: they are for what mends or reads them badly
    "runs: script in two", "runs: math and glyphs", "calls: picture in a drawing kept elsewhere",
    "leaves: refresh with a script"}

FORBIDDEN = {"script", "link", "base", "iframe", "object", "embed", "form", "svg", "math", "meta",
             "style", "template", "video", "audio", "input", "button"}


@pytest.fixture(scope="module")
def browser():
    with chromium() as opened:
        yield opened


def exported(book, folder: Path, name: str = "a") -> str:
    path = folder / f"{name}.ipynb"
    path.write_text(book if isinstance(book, str) else nbformat.writes(book), "utf-8", "replace")
    return export_notebook(path, overwrite=True).read_text("utf-8")


def shows(*outputs, **metadata):
    """A notebook with these outputs in a cell each."""
    return new_notebook(metadata=metadata, cells=[
        new_code_cell("1", outputs=[o], execution_count=1) for o in outputs])


def display(data: dict, **metadata):
    return new_output("display_data", data=data, metadata=metadata)


def page(body: str, head: str = "") -> str:
    return f"<!doctype html><html><head>{head}</head><body>{body}</body></html>"


# ---- the sanitiser


@pytest.mark.browser
def test_the_vectors_are_live(browser, tmp_path):
    """What follows would prove nothing if they ran nowhere."""
    did = misdeeds(browser, {k: page(v) for k, v in VECTORS.items()}, tmp_path / "raw")
    assert len(VECTORS) >= 60
    assert set(VECTORS) - set(did) <= UNARMED


@pytest.mark.browser
def test_the_sanitiser_holds_by_itself(browser, tmp_path):
    assert misdeeds(browser, {k: page(sanitise(v)) for k, v in VECTORS.items()},
                    tmp_path / "clean") == {}


@pytest.mark.browser
def test_the_policy_holds_by_itself(browser, tmp_path):
    """But for leaving the page, which no policy of a page forbids."""
    head = f'<meta http-equiv="Content-Security-Policy" content="{content_policy()}">'
    assert misdeeds(browser, {k: page(v, head) for k, v in VECTORS.items()
                              if not k.startswith("leaves")}, tmp_path / "policy") == {}


class Parts(HTMLParser):
    """Tags, attributes and text of some HTML, however its entities are written."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.found: list = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag, attrs):
        kept = {k: re.sub(r"[\"'\s]", "", v or "").rstrip(";") for k, v in attrs}
        self.found.append((tag, kept))

    def handle_endtag(self, tag):
        self.found.append(tag)

    def handle_data(self, data):
        if self.found and isinstance(self.found[-1], list):
            self.found[-1][0] += data
        else:
            self.found.append([data])


def tags(html: str) -> list[tuple]:
    return [p for p in Parts(html).found if isinstance(p, tuple)]


WORDS = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0\r"))


@given(st.lists(st.tuples(WORDS, st.floats(allow_nan=True)), max_size=4), WORDS, WORDS)
def test_our_own_tables_come_through_as_they_are(rows, heading, caption):
    frame = pd.DataFrame(rows, columns=["name", "x"])
    html = html_table(frame, {"name": heading, "x": "x"}, caption=caption,
                      marked=[True] * len(frame))
    assert Parts(sanitise(html)).found == Parts(html).found


@given(st.lists(WORDS.filter(str.strip), min_size=1, max_size=3), WORDS)
def test_our_own_sentences_and_their_styles_come_through(sentences, title):
    html = Sentences(sentences, title)._repr_html_()
    assert Parts(sanitise(html)).found == Parts(html).found


@given(st.binary(max_size=60), st.sampled_from(["png", "jpeg", "gif", "webp", "svg+xml"]))
def test_pictures_come_through(content, kind):
    source = f"data:image/{kind};base64,{base64.b64encode(content).decode()}"
    assert f'src="{source}"' in sanitise(f'<p><img src="{source}" alt="a" width="7"></p>')


@given(st.text())
def test_what_is_clean_stays_so(text):
    once = sanitise(text)
    assert sanitise(once) == once
    assert not re.search(r"<[^>]*\son\w+\s*=", once)


def test_style_sheets_stay_unless_they_fetch():
    assert plain_styles(STYLE) == [STYLE.removeprefix("<style>").removesuffix("</style>")]
    for bad in ("@import 'x';", "a {background: url(x)}", "a {b: u\\72l(x)}", "a {b: src('x')}",
                "a {b: image-set('x' 1x)}", "@font-face {}"):
        assert plain_styles(f"<style>{bad}</style><style>b > i {{color: red}}</style>") == [
            "b > i {color: red}"]


def test_what_shows_nothing_is_known():
    assert not shows_something(sanitise(f"<div id='a'><script>{RUN}</script>\n</div>"))
    assert shows_something("<p>a</p>")
    assert shows_something('<img src="data:image/png;base64,AA">')


# ---- whole notebooks


def hostile_books(vector: str) -> dict:
    """A notebook for each place where text or markup can stand."""
    svg = f'<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9">{vector}</svg>'
    encoded = base64.b64encode(vector.encode("utf-8", "replace")).decode()
    old = {"nbformat": 3, "nbformat_minor": 0, "metadata": {"name": vector}, "worksheets": [{
        "metadata": {}, "cells": [
            {"cell_type": "heading", "level": 1, "metadata": {}, "source": [vector]},
            {"cell_type": "markdown", "metadata": {}, "source": [vector]},
            {"cell_type": "code", "language": "python", "collapsed": False, "metadata": {},
             "prompt_number": 1, "input": [vector], "outputs": [
                 {"output_type": "display_data", "metadata": {}, "html": [vector],
                  "svg": [svg], "javascript": [RUN], "latex": [vector], "text": [vector]},
                 {"output_type": "stream", "stream": "stdout", "text": [vector]}]}]}]}
    return {
        "html": shows(display({"text/html": vector, "text/plain": "x"})),
        "markdown output": shows(display({"text/markdown": vector})),
        "svg": shows(display({"image/svg+xml": svg})),
        "svg alone": shows(display({"image/svg+xml": vector})),
        "latex": shows(display({"text/latex": f"$$ {vector} $$"})),
        "javascript": shows(display({"application/javascript": RUN, "text/plain": vector})),
        "pdf": shows(display({"application/pdf": encoded, "text/plain": vector})),
        "png that is none": shows(display({"image/png": vector})),
        "jpeg that is none": shows(display({"image/jpeg": vector})),
        "mermaid": shows(display({"text/vnd.mermaid": vector})),
        "a kind of its own": shows(display({f"application/{vector}": vector})),
        "plain": shows(display({"text/plain": vector})),
        "stream": shows(new_output("stream", name="stderr", text=f"\x1b[31m{vector}\x1b[0m")),
        "error": shows(new_output("error", ename=vector, evalue=vector, traceback=[
            f"\x1b[0;31m{vector}\x1b[0m", f"\x1b[38;2;1;2;3m{vector}"])),
        "names of files": shows(display({"image/png": PNG}, filenames={"image/png": vector})),
        "size of a picture": shows(display({"image/png": PNG}, **{"image/png": {
            "width": vector, "height": vector, "unconfined": vector}})),
        "code": new_notebook(cells=[new_code_cell(vector, execution_count=1, outputs=[
            new_output("stream", text="x")])]),
        "markdown": new_notebook(cells=[new_markdown_cell(vector), *shows(
            display({"text/plain": "x"})).cells]),
        "links and pictures of markdown": new_notebook(cells=[new_markdown_cell(
            f"[a](javascript:{RUN}) ![b]({vector}) [c]: <{vector}>\n\n<javascript:{RUN}>\n\n"
            f"```{vector}\n{vector}\n```\n\n$a<b> {vector}$"), *shows(
                display({"text/plain": "x"})).cells]),
        "raw": new_notebook(cells=[
            new_raw_cell(vector, metadata={"raw_mimetype": "text/html"}), new_raw_cell(vector),
            *shows(display({"text/plain": "x"})).cells]),
        "attachment": new_notebook(cells=[new_markdown_cell(
            "![a](attachment:a.png) ![b](attachment:b.svg)", attachments={
                "a.png": {"text/html": encoded}, "b.svg": {"image/svg+xml": encoded}}),
            *shows(display({"text/plain": "x"})).cells]),
        "title": shows(display({"text/plain": "x"}), title=vector),
        "language": shows(display({"text/plain": "x"}), language_info={
            "name": vector, "pygments_lexer": vector, "codemirror_mode": vector,
            "file_extension": vector, "mimetype": vector}),
        "kernel": shows(display({"text/plain": "x"}), kernelspec={
            "name": vector, "display_name": vector, "language": vector}),
        "widgets": shows(display({"application/vnd.jupyter.widget-view+json": {
            "model_id": vector, "version_major": 2, "version_minor": 0}}), widgets={
                "application/vnd.jupyter.widget-state+json": {
                    "version_major": 2, "version_minor": 0, "state": {
                        vector: {"model_name": "HTMLModel", "model_module": vector,
                                 "state": {"value": vector}}}}}),
        "tags": new_notebook(cells=[new_code_cell(
            "1", execution_count=1, metadata={"tags": [vector.replace(",", "") or "a"]},
            outputs=[new_output("stream", text="x")])]),
        "format 3": json.dumps(old),
    }


@pytest.mark.browser
def test_nothing_in_a_notebook_runs_or_calls(browser, tmp_path):
    """Each place with some of the vectors, so that every vector stands in many places."""
    vectors, pages = cycle(VECTORS.values()), {}
    for turn in range(4):
        for place in hostile_books(""):
            some = "\n\n".join(islice(vectors, 7))
            pages[f"{place} {turn}"] = exported(hostile_books(some)[place], tmp_path)
    assert misdeeds(browser, pages, tmp_path / "books") == {}


def test_no_script_or_address_is_left(tmp_path):
    for name, book in hostile_books("\n\n".join(VECTORS.values())).items():
        html = exported(book, tmp_path)
        head, _, body = html.partition("<body")
        assert "<script" not in html, name
        assert "default-src 'none'" in head.replace("&#39;", "'"), name
        for style in re.findall(r"<style>(.*?)</style>", head, re.DOTALL):
            assert not re.search(r"@import|url\(\s*['\"]?http", style), name
        for tag, attributes in tags(body):
            assert tag not in FORBIDDEN, (name, tag)
            for key, value in attributes.items():
                assert not key.startswith("on"), (name, tag, key)
                assert key not in ("srcset", "srcdoc", "background", "action"), (name, tag, key)
                assert key != "src" or value.startswith("data:image/"), (name, value)
                assert key != "href" or not value.startswith(("java", "data")), (name, value)


def test_what_needs_no_script_is_shown(tmp_path):
    table = Table(pd.DataFrame({"x": [0.125]}))
    html = exported(shows(
        display({"text/html": table._repr_html_(), "text/plain": "t"}),
        display({"image/png": PNG}), display({"text/markdown": "**bold** words"}),
        display({"text/latex": "$$x^2$$"}),
        display({"image/svg+xml": '<svg xmlns="http://www.w3.org/2000/svg"/>'}),
        new_output("error", ename="E", evalue="v", traceback=["\x1b[0;31mE\x1b[0m: v < 1"])),
        tmp_path)
    assert '<td class="number">0.125</td>' in html
    assert html.count("table.study.study caption") == 1
    assert f"data:image/png;base64,{PNG}" in html
    assert "<strong>bold</strong>" in html
    assert "$$x^2$$" in html
    assert "data:image/svg+xml;base64," in html
    assert re.search(r'class="ansi-red-fg">E</span>: v &lt; 1', html)


def test_what_cannot_be_shown_is_told(tmp_path):
    html = exported(shows(display({"application/pdf": "AA", "application/javascript": "1"})),
                    tmp_path)
    assert "Not shown here: application/javascript, application/pdf." in html


def test_a_table_that_is_all_script_gives_way_to_its_picture(tmp_path):
    html = exported(shows(display({"text/html": f"<div><script>{RUN}</script></div>",
                                   "image/png": PNG})), tmp_path)
    assert PNG in html


def test_pictures_beside_the_notebook_are_put_in_and_no_others(tmp_path):
    home = tmp_path / "home"
    (home / "pictures").mkdir(parents=True)
    for place in (home / "pictures" / "a b.png", tmp_path / "secret.png"):
        place.write_bytes(base64.b64decode(PNG))
    (home / "data.csv").write_text("a")
    (home / "link.png").symlink_to(tmp_path / "secret.png")
    sources = ["pictures/a%20b.png", "../secret.png", "link.png", str(tmp_path / "secret.png"),
               "data.csv", "none.png", "x" * 5000 + ".png", "a%00.png"]
    cells = [new_markdown_cell(f'<img src="{s}" alt="{i}">') for i, s in enumerate(sources)]
    html = exported(new_notebook(cells=[*cells, *shows(display({"text/plain": "x"})).cells]), home)
    html = html[html.index("<body"):]
    assert html.count("data:image/png;base64,") == 1
    assert re.search(r'<img[^>]*alt="0"[^>]*src="data:|<img[^>]*src="data:[^>]*alt="0"', html)


def test_a_title_of_its_own_is_text(tmp_path):
    html = exported(shows(display({"text/plain": "x"}), title="a < b & c"), tmp_path)
    assert "<title>a &lt; b &amp; c (notebook)</title>" in html


# ---- what is no notebook, and places that cannot be written to


def broken_books() -> dict[str, bytes]:
    good = json.loads(nbformat.writes(shows(display({"text/plain": "x"}))))

    def without(*keys) -> bytes:
        book = json.loads(json.dumps(good))
        inner = book
        for key in keys[:-1]:
            inner = inner[key]
        del inner[keys[-1]]
        return json.dumps(book).encode()

    old = {"nbformat": 3, "nbformat_minor": 0, "metadata": {}, "worksheets": [{"cells": [{}]}]}
    return {
        "empty": b"", "cut": json.dumps(good).encode()[:200], "binary": bytes(range(256)),
        "picture": base64.b64decode(PNG), "zip": b"PK\x03\x04" + bytes(60), "words": b"hello",
        "number": b"1", "list": b"[]", "text": b'"a"', "null": b"null", "nothing": b"{}",
        "other": b'{"cells": []}', "format in words": b'{"nbformat": "4", "cells": []}',
        "format 99": json.dumps(good | {"nbformat": 99}).encode(),
        "format 1": b'{"nbformat": 1, "cells": []}', "format 0": b'{"nbformat": 0}',
        "format -4": json.dumps(good | {"nbformat": -4}).encode(),
        "no cells": without("cells"), "no metadata": without("metadata"),
        "no source": without("cells", 0, "source"), "no type": without("cells", 0, "cell_type"),
        "no outputs": without("cells", 0, "outputs"),
        "no kind of output": without("cells", 0, "outputs", 0, "output_type"),
        "no data": without("cells", 0, "outputs", 0, "data"),
        "cells in words": json.dumps(good | {"cells": "a"}).encode(),
        "cell in words": json.dumps(good | {"cells": ["a"]}).encode(),
        "metadata in words": json.dumps(good | {"metadata": "a"}).encode(),
        "format 3 without fields": json.dumps(old).encode(),
        "format 3 without sheets": b'{"nbformat": 3, "nbformat_minor": 0, "metadata": {}}',
        "deep": b"[" * 100_000, "deep notebook": b'{"nbformat": 4, "a": ' + b"[" * 100_000,
    }


@pytest.mark.parametrize("name", broken_books())
def test_what_is_no_notebook_is_refused_in_a_sentence(name, tmp_path):
    path = tmp_path / "a.ipynb"
    path.write_bytes(broken_books()[name])
    with pytest.raises(InputError) as caught:
        export_notebook(path)
    said = str(caught.value)
    assert "\n" not in said
    assert len(said) < 500
    assert not list(tmp_path.glob("*.html"))


@given(st.dictionaries(st.sampled_from(["nbformat", "nbformat_minor", "metadata", "cells"]),
                       st.recursive(st.none() | st.integers(-1, 5) | st.text(max_size=3),
                                    lambda x: st.lists(x, max_size=2) | st.dictionaries(
                                        st.sampled_from(["cell_type", "source", "outputs", "data",
                                                         "metadata", "output_type"]), x,
                                        max_size=4), max_leaves=6)))
def test_any_json_is_taken_or_refused(tmp_path_factory, content):
    path = tmp_path_factory.mktemp("json") / "a.ipynb"
    path.write_text(json.dumps(content))
    with pytest.raises(InputError):  # none of these was ever run
        export_notebook(path)


@pytest.mark.parametrize("make", [lambda p: p.mkdir(), lambda p: None], ids=["folder", "nothing"])
def test_a_folder_or_nothing_is_refused(make, tmp_path):
    make(tmp_path / "a.ipynb")
    with pytest.raises(InputError, match=r"this is a folder|cannot be read"):
        export_notebook(tmp_path / "a.ipynb")


def test_only_exported_notebooks_are_replaced(tmp_path):
    book = shows(display({"text/plain": "x"}))
    exported(book, tmp_path)
    export_notebook(tmp_path / "a.ipynb")
    (tmp_path / "a.html").write_text("<title>x: development report</title>")
    with pytest.raises(InputError, match="is no notebook as HTML"):
        export_notebook(tmp_path / "a.ipynb")
    export_notebook(tmp_path / "a.ipynb", overwrite=True)
    assert "cupstudy: notebook" in (tmp_path / "a.html").read_text("utf-8")


def test_a_notebook_is_no_report_whatever_its_title(tmp_path):
    from doe.report.build import TITLE_END

    html = exported(shows(display({"text/plain": TITLE_END}), title=f"x{TITLE_END}"), tmp_path)
    assert TITLE_END not in html
    html = exported(shows(display({"text/plain": "x"}), title="x: development report"), tmp_path)
    assert TITLE_END not in html


def test_any_words_can_be_written(tmp_path):
    """Half of a character beyond 16 bits, which JSON can hold and no file can."""
    book = nbformat.writes(shows(display({"text/plain": "aXb"}), title="aXb"))
    assert "a?b" in exported(book.replace("aXb", r"a\ud800b"), tmp_path)


def test_the_command_line_says_it_in_a_sentence(tmp_path):
    (tmp_path / "a.ipynb").write_bytes(bytes(range(256)))
    done = subprocess.run([sys.executable, "-m", "doe", "export", str(tmp_path / "a.ipynb")],
                          capture_output=True, text=True, check=False, cwd=tmp_path,
                          env={**os.environ, "COLUMNS": "200"})
    assert done.returncode == 2
    assert "Traceback" not in done.stderr + done.stdout
    assert "no text, and so no notebook" in " ".join((done.stderr + done.stdout).split())
