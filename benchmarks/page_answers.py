"""How soon the page answers a drag, measured in a real browser (chromium, driven by Playwright).

A bead is dragged to and fro for some seconds on each panel, a position every 50 ms.  Printed: milliseconds from the
moment a position is sent to the first answer (the demand and hold that decide) and to the complete one, as they arrive
in the browser, and the processor time of the worker.  Positions that a newer one overtook before their answer are not
among them; their number is told.  Goals: first answer within 300 ms, complete within 1000 ms, for 95 of 100.

    python benchmarks/page_answers.py               # two minutes
    python benchmarks/page_answers.py --seconds 5
"""

from __future__ import annotations

import argparse
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

EXAMPLES = Path(__file__).parents[1] / "examples"
PANELS = ("battery_hatch", "floor_pan")
BEADS = 4
GOALS = {"first": 300.0, "complete": 1000.0}
TO_SCREEN = """([x, y]) => {
  const m = document.getElementById("sheet").getScreenCTM();
  return [m.a * x + m.e, -m.d * y + m.f];
}"""


def percentile(values: list[float], share: float) -> float:
    """The value below which a share of the values lies; NaN without values."""
    return sorted(values)[min(len(values) - 1, int(share * len(values)))] if values else float("nan")


def measure(name: str, seconds: float, browser_path: str) -> dict:
    """Drag a bead on one panel; what the page has measured."""
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory() as folder:
        for file in EXAMPLES.iterdir():
            if file.suffix in (".toml", ".dxf"):
                shutil.copy(file, folder)
        command = [sys.executable, "-m", "stiffen", "page", f"{folder}/{name}.toml", "--no-browser"]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server, sync_playwright() as playwright:
            address = server.stdout.readline().split()[-1]
            browser = playwright.chromium.launch(executable_path=browser_path, args=["--no-sandbox"])
            page = browser.new_page(viewport={"width": 1280, "height": 720})
            page.goto(address)
            page.wait_for_selector("#rack .die:nth-child(2)")
            wait_for(page, "stiffenPage.app.quick && !stiffenPage.app.quick.pending")
            low, high = page.evaluate("[0, 1].map((k) => Math.max(...stiffenPage.app.panel.outline.map((p) => p[k])))")
            page.click("#rack .die:nth-child(2)")
            for k in range(BEADS):
                y = high * (k + 1) / (BEADS + 1)
                drag(page, (0.2 * low, y), (0.6 * low, y))
            wait_for(page, "!stiffenPage.app.waiting && stiffenPage.app.judged?.key === stiffenPage.app.key", 600)
            for key in ("first", "complete", "firstCpu", "completeCpu"):
                page.evaluate(f"stiffenPage.speeds.{key}.length = 0")
            begun = page.evaluate("stiffenPage.app.n")
            sweep(page, (0.3 * low, high / (BEADS + 1)), 0.08 * high, seconds)
            wait_for(page, "stiffenPage.app.quick.n === stiffenPage.app.n && !stiffenPage.app.quick.pending")
            speeds = page.evaluate("stiffenPage.speeds") | {"sent": page.evaluate("stiffenPage.app.n") - begun}
            browser.close()
            server.send_signal(signal.SIGINT)
    return speeds


def wait_for(page, condition: str, seconds: float = 60.0) -> None:
    """Poll a condition; the page's own policy forbids strings as code, and so Playwright's way to wait."""
    end = time.monotonic() + seconds
    while not page.evaluate(f"Boolean({condition})"):
        if time.monotonic() > end:
            raise TimeoutError(condition)
        time.sleep(0.05)


def drag(page, start, end) -> None:
    """A drag from place to place in plan, mm."""
    page.mouse.move(*page.evaluate(TO_SCREEN, list(start)))
    page.mouse.down()
    page.mouse.move(*page.evaluate(TO_SCREEN, list(end)), steps=5)
    page.mouse.up()


def sweep(page, start, reach: float, seconds: float) -> None:
    """Drag what lies at a place up and down by some mm, a position every 50 ms."""
    x, y = page.evaluate(TO_SCREEN, list(start))
    _, top = page.evaluate(TO_SCREEN, [start[0], start[1] + reach])
    page.mouse.move(x, y)
    page.mouse.down()
    end, k = time.monotonic() + seconds, 0
    while time.monotonic() < end:
        k += 1
        share = abs((k % 40) - 20) / 20
        page.mouse.move(x, y + (top - y) * (1 - share))
        time.sleep(0.05)
    page.mouse.up()


def main() -> None:
    parser = argparse.ArgumentParser(description="Measure how soon the page answers a drag.")
    parser.add_argument("--seconds", type=float, default=20.0, help="of dragging on each panel (default 20)")
    args = parser.parse_args()
    browser = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
    if browser is None:
        sys.exit("no chromium here")
    print(f"{os.cpu_count()} processors; load average {os.getloadavg()[0]:.1f} at the start")
    print("panel         | answer   | count |  median ms |    p95 ms | goal ms | worker's CPU ms (median)")
    for name in PANELS:
        speeds = measure(name, args.seconds, browser)
        for kind, goal in GOALS.items():
            wall, cpu = speeds[kind], speeds[f"{kind}Cpu"]
            shares = f"{percentile(wall, 0.5):10.0f} | {percentile(wall, 0.95):9.0f}"
            print(f"{name:13s} | {kind:8s} | {len(wall):5d} | {shares} | {goal:7.0f} | {percentile(cpu, 0.5):6.0f}")
        print(f"{name:13s} | {speeds['sent']} positions sent, {speeds['sent'] - len(speeds['first'])} overtaken")
    print(f"load average {os.getloadavg()[0]:.1f} at the end")


if __name__ == "__main__":
    main()
