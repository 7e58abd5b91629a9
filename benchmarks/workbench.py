"""How fast the workbench is in a browser, with records as they are after years, and how much memory its server takes.

    python benchmarks/workbench.py [--film FILM] [--steps 200] [--database URL]

Printed: the first page in a browser that has nothing of it yet; the steps of the film viewer, from a key's press to the
picture on the canvas; from sending a correction to the answer with all measures anew; the pages with lists, from asking to
the whole answer; the server's resident memory (Linux) when it has just started, when it was browsed, and with a film
corrected. The server runs in a process of its own, on a data folder of its own, with no other work; reading the film comes
before all that and isn't measured. The film is the demo's side film unless another one is given. Needs the packages of
midstance[test] and a Chromium.
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import httpx
from playwright.sync_api import Browser, sync_playwright

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / "tests" / name) for name in ("browser", "web", "records")]

from served import DEMO, Served  # noqa: E402
from test_many_sessions import fill  # noqa: E402

from midstance.records.home import Home  # noqa: E402
from midstance.records.schema import open_records  # noqa: E402

READING_S = 600.0
#: Notes when a picture that a key asked for stands on the canvas.
WATCH = """() => {
  const viewer = document.querySelector("[data-viewer]").viewer;
  let pressed = null;
  window.steps = [];
  addEventListener("keydown", () => { pressed = performance.now(); }, { capture: true });
  viewer.watchers.push(() => {
    if (pressed !== null && viewer.frame !== window.before) window.steps.push(performance.now() - pressed);
    window.before = viewer.frame;
    pressed = null;
  });
  window.before = viewer.frame;
}"""


def spread(values_ms: Sequence[float]) -> str:
    """Return median and 95 % of times in words."""
    ordered = sorted(values_ms)
    high = ordered[min(len(ordered) - 1, round(0.95 * (len(ordered) - 1)))]
    return f"median {statistics.median(ordered):.0f} ms, 95 % {high:.0f} ms, longest {ordered[-1]:.0f} ms (n {len(ordered)})"


def hand_in(http: httpx.Client, film: Path, speed_mps: float) -> tuple[str, str]:
    """Add a runner and a session with the film, and wait until it is read; returns the ids of session and film."""
    runner = http.post("/api/runners", json={"name": "Benchmark", "height_m": 1.7}).json()["id"]
    about = {"held_on": "2026-05-03", "speed_mps": speed_mps}
    session = http.post(f"/api/runners/{runner}/sessions", json=about).json()["id"]
    with film.open("rb") as content:
        given = {"view": "side", "name": film.name}
        made = http.post(f"/api/sessions/{session}/films", params=given, content=iter(lambda: content.read(1 << 20), b""))
    made.raise_for_status()
    id, until = made.json()["id"], time.monotonic() + READING_S
    while not (now := http.get(f"/api/films/{id}").json())["read"]:
        if now["problem"] or time.monotonic() > until:
            sys.exit(f"the film can't be read: {now['problem'] or now['job']}")
        time.sleep(0.2)
    return session, id


def first_page(browser: Browser, url: str, times: int = 7) -> list[float]:
    """Return how long the first page takes to be loaded with all that belongs to it, ms."""
    out = []
    for _ in range(times):
        context = browser.new_context(viewport={"width": 1440, "height": 900})
        page = context.new_page()
        page.goto(url, wait_until="load")
        out.append(float(page.evaluate("performance.getEntriesByType('navigation')[0].loadEventEnd")))
        context.close()
    return out


def steps(browser: Browser, url: str, count: int) -> dict[str, list[float]]:
    """Step through the film by key; returns times from press to picture, ms, for steps on and back."""
    context = browser.new_context(viewport={"width": 1440, "height": 900})
    page = context.new_page()
    page.goto(url)
    page.wait_for_selector("[data-viewer][data-ready]")
    frames = page.evaluate("document.querySelector('[data-viewer]').viewer.film.count")
    page.evaluate(WATCH)
    out = {}
    for name, key in (("on", "ArrowRight"), ("back", "ArrowLeft")):
        page.evaluate("window.steps.length = 0")
        for n in range(1, min(count, frames - 2) + 1):
            page.keyboard.press(key)
            until = time.monotonic() + 10
            while page.evaluate("window.steps.length") < n and time.monotonic() < until:
                time.sleep(0.002)
        out[name] = page.evaluate("window.steps")
    context.close()
    return out


def corrections(http: httpx.Client, film: str, count: int = 20) -> list[float]:
    """Set landmarks and events right; returns how long each answer takes, ms."""
    reading = http.get(f"/api/films/{film}/reading").json()
    landed = [e for e in reading["events"] if e["kind"] == "initial_contact"][1:-1]
    out = []
    for n in range(count):
        event = landed[n % len(landed)]
        body: dict[str, Any] = {"kind": "event", "event": "initial_contact", "side": event["side"]}
        body["time_s"] = event["time_s"] + 0.004 * (1 + n % 3)
        if n % 2:
            body = {"kind": "landmark", "landmark": "left_knee", "time_s": reading["time_s"][20 + n]}
            body |= {"x_px": reading["width"] / 2 + n, "y_px": reading["height"] / 2}
        start = time.perf_counter()
        answer = http.post(f"/api/films/{film}/corrections", json=body)
        took = 1000 * (time.perf_counter() - start)
        if answer.status_code == 201:
            out.append(took)
    return out


def lists(http: httpx.Client, runner: str) -> dict[str, float]:
    """Return how long pages with lists take, ms, median of nine requests."""
    after = ""
    for _ in range(25):  # half-way down
        after = http.get("/api/sessions", params={"most": 200, "after": after}).json()["next"] or after
    out = {}
    for path in (
        "/runners", "/runners?query=ada", "/sessions", f"/sessions?after={after}", "/sessions?query=hall",
        f"/runners/{runner}", "/work", "/api/sessions?most=200", "/api/jobs?most=500",
    ):  # fmt: skip
        times = []
        for _ in range(9):
            start = time.perf_counter()
            http.get(path).raise_for_status()
            times.append(1000 * (time.perf_counter() - start))
        out[path.replace(after, "…").replace(runner, "…")] = statistics.median(times)
    return out


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--film", type=Path, default=DEMO / "side.mp4", help="a film from the side")
    parser.add_argument("--speed", type=float, default=2.6, help="the runner's speed in it, m/s")
    parser.add_argument("--steps", type=int, default=200)
    parser.add_argument("--database", help="URL of an empty database; a file in the data folder if left out")
    given = parser.parse_args()
    chromium = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
    if chromium is None:
        sys.exit("no Chromium on this machine")
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder) / "data"
        database = open_records(Home(home), given.database)
        runner = fill(database)
        database.close()
        served = Served(home, workers=1, database_url=given.database)
        try:
            served.start()
            with httpx.Client(base_url=served.url, timeout=60, trust_env=False) as http:
                session, film = hand_in(http, given.film, given.speed)
                served.stop()  # a server that has done nothing yet
                served.start()
                print(f"load of the machine {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
                print(f"memory: {served.memory_mb():.0f} MB when it has started", end="; ", flush=True)
                with sync_playwright() as playwright:
                    arguments = ["--no-sandbox"] if os.geteuid() == 0 else []
                    browser = playwright.chromium.launch(executable_path=chromium, args=arguments)
                    first = first_page(browser, f"{served.url}/runners")
                    took = lists(http, runner)
                    print(f"{served.memory_mb():.0f} MB after lists", end="; ", flush=True)
                    stepped = steps(browser, f"{served.url}/films/{film}", given.steps)
                    http.get(f"/sessions/{session}/measures").raise_for_status()
                    corrected = corrections(http, film)
                    print(f"{served.memory_mb():.0f} MB after the film was stepped through and corrected")
                    browser.close()
        finally:
            served.stop()
    print(f"first page: {spread(first)}")
    for way, times_ms in stepped.items():
        print(f"one picture {way}: {spread(times_ms)}")
    print(f"a correction, until all is measured anew: {spread(corrected)}")
    print("lists, median: " + ", ".join(f"{path} {ms:.0f} ms" for path, ms in took.items()))


if __name__ == "__main__":
    main()
