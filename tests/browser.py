"""Pages in a real Chromium: whether anything on them runs or calls out that should not."""

from __future__ import annotations

import shutil
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest
from vectors import OUTSIDE

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
TOLD = "it ran in "
# Works inside every frame, and needs no permission of the page.
WATCH = """
(() => {
    const told = () => console.log(`TOLD${window.name || parent.name}`);
    for (const name of ['alert', 'confirm', 'prompt', 'print', 'open']) window[name] = told;
    const look = setInterval(() => {
        if (document.title === 'ran') { clearInterval(look); told(); }
    }, 40);
    window.addEventListener('load', () => setTimeout(() => {
        for (const e of document.querySelectorAll('*'))
            for (const kind of ['mouseover', 'pointerenter', 'focus', 'toggle'])
                e.dispatchEvent(new Event(kind));
        for (const e of document.querySelectorAll('a, button, input, summary'))
            e.dispatchEvent(new MouseEvent('click', {bubbles: true, cancelable: true}));
    }, 200));
})();
""".replace("TOLD", TOLD)


@contextmanager
def chromium() -> Iterator:
    """A browser; the test is skipped where there is none."""
    if CHROMIUM is None:
        pytest.skip("no Chromium on this machine")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=CHROMIUM, args=[
            "--no-sandbox", "--disable-gpu", "--disable-background-networking"])
        yield opened
        opened.close()


class _Outside(ThreadingHTTPServer):
    """Stands for all that lies elsewhere, and keeps what it is asked for."""

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), _Answer)
        self.asked: list[str] = []


class _Answer(BaseHTTPRequestHandler):
    def do_GET(self) -> None:
        self.server.asked.append(self.path)
        self.send_error(404)

    do_POST = do_GET  # noqa: N815

    def log_message(self, *args) -> None:
        pass


def misdeeds(browser, pages: Mapping[str, str], folder: Path, *, wait: int = 1500
             ) -> dict[str, set[str]]:
    """Open each page in a frame, touch all that is on it, and tell by name what it did.

    "ran" stands for a dialog or a changed title, "called" for anything asked of the address
    `vectors.OUTSIDE`, where a server takes note of it.
    """
    folder.mkdir(exist_ok=True)
    names, found = list(pages), {}
    outside = _Outside()
    threading.Thread(target=outside.serve_forever, daemon=True).start()
    for i, html in enumerate(pages.values()):
        address = f"127.0.0.1:{outside.server_port}/{i}/"
        (folder / f"{i}.html").write_text(html.replace(OUTSIDE, address), "utf-8", "replace")
    (folder / "all.html").write_text("".join(  # all in sight: a browser lets others wait
        f'<iframe name="{i}" src="{i}.html" width="80" height="80"></iframe>'
        for i in range(len(names))), "utf-8")

    def did(place: str, what: str) -> None:
        found.setdefault(names[int(place)] if place.isdigit() else place, set()).add(what)

    page = browser.new_page(viewport={"width": 1800, "height": 1200})
    page.add_init_script(WATCH)
    page.on("console", lambda m: m.text.startswith(TOLD) and did(m.text[len(TOLD):], "ran"))
    page.on("dialog", lambda d: d.dismiss())
    page.goto((folder / "all.html").as_uri(), timeout=90_000)
    page.wait_for_timeout(wait)
    page.close()
    outside.shutdown()
    outside.server_close()
    for path in outside.asked:
        did(path.split("/")[1], "called")
    return found
