"""The page of one panel, served by `stiffen page` and open in Debian's chromium, for tests."""

import os
import shutil
import signal
import subprocess
import sys
import time
from contextlib import contextmanager

import pytest

BROWSER = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
LID = """\
# a lid of the trike's load tub
[panel]
name = "tub lid"
material = "5754-H111"
gauges = [0.8, 1.0]
outline = [[0, 0], [300, 0], [300, 200], [0, 200]]
tools = "starter"

[[support]]
kind = "edge"
along = "outline"
in_plane = "free"

[[load]]
case = "wind"
kind = "pressure"
value = 0.0001

[[demand]]
kind = "deflection"
case = "wind"
limit = 0.1

[[demand]]
kind = "frequency"
limit = 120           # does not drum
"""
PLACE = """([x, y]) => {
  const m = document.getElementById("sheet").getScreenCTM();
  return [m.a * x + m.e, -m.d * y + m.f];
}"""
# the page draws a change in the next frame; a second frame ends after that drawing
DRAWN = "new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done(true))))"


@contextmanager
def served(file, *options, errors=None):
    """The process of `stiffen page` and its address; ended as by Ctrl-C."""
    command = [sys.executable, "-m", "stiffen", "page", str(file), "--no-browser", *options]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=errors, text=True, env=dict(os.environ)) as process:
        try:
            line = process.stdout.readline()
            assert "http://127.0.0.1:" in line, line
            yield process, line.split()[-1]
        finally:
            if process.poll() is None:
                process.send_signal(signal.SIGINT)
            process.stdout.read()
            process.wait(20)


class Page:
    """A browser page: what a hand does, in plan mm, and what the page shows."""

    def __init__(self, page):
        self.page = page
        self.errors = []
        page.on("pageerror", lambda error: self.errors.append(f"{error} {error.stack}"))
        page.on("console", self._hear)

    def _hear(self, message):
        if (
            message.type in ("error", "warning") and "WebSocket" not in message.text
        ):  # the server may be gone on purpose
            self.errors.append(f"console: {message.text} {message.location}")

    def open(self, address):
        self.page.goto(address)
        self.page.wait_for_selector("#rack .die")
        self.until("app.layout !== null")

    def app(self, what):
        """A part of what the page knows, as plain data."""
        return self.page.evaluate(f"JSON.parse(JSON.stringify(stiffenPage.app.{what} ?? null))")

    def at(self, point):
        return self.page.evaluate(PLACE, list(point))

    def take(self, die):
        self.page.click(f'#rack .die:has(small:text-is("{die}"))')

    def press(self, point):
        self.page.mouse.move(*self.at(point))
        self.page.mouse.down()

    def move(self, point, steps=4):
        self.page.mouse.move(*self.at(point), steps=steps)

    def drag(self, start, end, steps=6):
        self.press(start)
        self.move(end, steps)
        self.page.mouse.up()

    def until(self, condition, seconds=60):
        """Wait for a condition on `app`, in JavaScript, and until the page has drawn it.

        The page's policy forbids Playwright's own way to wait.
        """
        code = f"(() => {{ const app = globalThis.stiffenPage?.app; return Boolean(app && ({condition})); }})()"
        eventually(lambda: self.page.evaluate(code), seconds)
        self.page.evaluate(DRAWN)

    def settled(self):
        """Wait until every release is answered, and the last position has its complete quick answer."""
        self.until("app.waiting === 0 && app.quick?.n === app.n && !app.quick.pending")

    def judged(self):
        """Wait until the shell has judged what is shown."""
        self.until("app.judged?.key === app.key && app.waiting === 0", 120)

    def margins(self):
        return [one["margin"] for one in self.app("quick.values")]


@contextmanager
def opened(address, **options):
    """The page in a browser."""
    if BROWSER is None:
        pytest.skip("no chromium here")
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=BROWSER, args=["--no-sandbox"])
        page = Page(browser.new_page(**{"viewport": {"width": 1280, "height": 720}, **options}))
        page.open(address)
        yield page
        assert page.errors == [], page.errors
        browser.close()


def eventually(condition, seconds=20):
    """Wait until a condition holds."""
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "did not come true"
        time.sleep(0.05)
