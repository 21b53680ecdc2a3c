"""JupyterLab in a real Chromium, driven as a person would drive it."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.error import URLError
from urllib.request import urlopen

import pytest

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
SETTINGS = {
    # Lab draws only the cells in sight unless told otherwise, and a test looks at all of them.
    "notebook-extension/tracker": '{"windowingMode": "none"}',
    "apputils-extension/notification": '{"fetchNews": "false", "checkForUpdates": false}',
}
SIZE = {"width": 1500, "height": 1300}
READY = 60_000  # ms; a cold start on two busy cores


@contextmanager
def lab_page(root: Path) -> Iterator:
    """A JupyterLab server over `root`; yields ``open_notebook(name) -> page``.

    Every call shows the notebook in the same browser page, and ``open_notebook(name,
    beside=True)`` in one more. Settings that change what the kernel does stay at their defaults.
    """
    if BROWSER is None:
        if os.environ.get("STUDY_BROWSER_REQUIRED"):
            pytest.fail("no Chromium found, but STUDY_BROWSER_REQUIRED is set")
        pytest.skip("no Chromium on this machine")
    from playwright.sync_api import sync_playwright

    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    home = root / ".jupyter_home"
    environment = {**os.environ, "JUPYTER_CONFIG_DIR": str(home / "config"),
                   "JUPYTER_DATA_DIR": str(home / "data"),
                   "JUPYTER_RUNTIME_DIR": str(home / "runtime")}
    for name, text in SETTINGS.items():
        file = home / "settings" / "@jupyterlab" / f"{name}.jupyterlab-settings"
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(text)
    environment["JUPYTERLAB_SETTINGS_DIR"] = str(home / "settings")
    log = (root / "lab.log").open("w")
    server = subprocess.Popen(
        [sys.executable, "-m", "jupyterlab", "--no-browser", "--allow-root", f"--port={port}",
         "--ServerApp.token=local", f"--ServerApp.root_dir={root}", "--LabApp.news_url=None",
         "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate"],
        env=environment, stdout=log, stderr=subprocess.STDOUT)
    address = f"http://127.0.0.1:{port}"
    try:
        _wait_for(f"{address}/api?token=local", server, root / "lab.log")
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(
                executable_path=BROWSER,
                args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"])
            first = browser.new_page(viewport=SIZE)

            def open_notebook(name: str, *, beside: bool = False):
                page = browser.new_page(viewport=SIZE) if beside else first
                page.goto(f"{address}/doc/tree/{name}?token=local&reset")
                page.wait_for_selector("text=/\\| Idle/", timeout=READY)
                return page

            yield open_notebook
            browser.close()
    finally:
        server.terminate()
        server.wait(20)
        log.close()


def menu(page, name: str, entry: str) -> None:
    """Choose an entry of Lab's menu bar."""
    page.click(f".lm-MenuBar-itemLabel:text-is('{name}')")
    page.click(f".lm-Menu-itemLabel:text-is('{entry}')")


def run_all(page) -> None:
    """Run every cell and wait until the last one has finished without an error."""
    page.click(".jp-Notebook .jp-CodeCell .cm-content >> nth=0")
    page.keyboard.press("Escape")
    menu(page, "Run", "Run All Cells")
    all_ran(page)


def restart_and_run_all(page) -> None:
    """Start the kernel anew and run every cell in it."""
    menu(page, "Kernel", "Restart Kernel and Run All Cells…")
    page.click(".jp-Dialog button:has-text('Restart')")
    # The prompts of the earlier kernel go first, so that they are not taken for those to come.
    page.wait_for_function(
        """() => [...document.querySelectorAll('.jp-CodeCell .jp-InputPrompt')]
                .some(p => !/\\[\\d+\\]/.test(p.textContent))""", timeout=READY)
    all_ran(page)


def all_ran(page) -> None:
    """Wait until every cell has run; none has written an error."""
    page.wait_for_function(
        """() => {
            const prompts = [...document.querySelectorAll('.jp-CodeCell .jp-InputPrompt')];
            return prompts.length && prompts.every(p => /\\[\\d+\\]/.test(p.textContent));
        }""", timeout=2 * READY)
    errors = page.locator('[data-mime-type="application/vnd.jupyter.stderr"]').all_text_contents()
    assert not errors, errors


def _wait_for(address: str, server: subprocess.Popen, log: Path) -> None:
    limit = time.monotonic() + READY / 1000
    while True:
        try:
            urlopen(address)
            return
        except URLError:
            if server.poll() is not None or time.monotonic() > limit:
                pytest.fail("JupyterLab did not start:\n" + log.read_text()[-3000:])
            time.sleep(0.1)
