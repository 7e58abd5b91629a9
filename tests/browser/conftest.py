"""A real server on a free port with a data folder of its own, and a real Chromium that looks at it."""

from __future__ import annotations

import os
import shutil
import socket
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import uvicorn
from playwright.sync_api import Browser, Page, Response, sync_playwright

sys.path.insert(0, str(Path(__file__).parent))

from browsing import Bench

from midstance.web.app import create_app
from midstance.web.config import Config

NAMES = ("chromium", "chromium-browser", "google-chrome")
#: How long the server may take to answer for the first time, s.
START_S = 20.0


def chromium_path() -> str | None:
    """Return where a Chromium is installed, None where there is none."""
    return next((path for path in map(shutil.which, NAMES) if path), None)


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Give a headless Chromium of the system; none is downloaded."""
    path = chromium_path()
    if path is None:
        if "chromium" in os.environ.get("MIDSTANCE_TEST_REQUIRE", ""):
            pytest.fail("MIDSTANCE_TEST_REQUIRE asks for chromium, and none of these is installed: " + ", ".join(NAMES))
        pytest.skip("no Chromium on this machine (looked for " + ", ".join(NAMES) + ")")
    with sync_playwright() as playwright:
        # As root Chromium refuses its own sandbox; the pages are ours.
        arguments = ["--no-sandbox"] if os.geteuid() == 0 else []
        launched = playwright.chromium.launch(executable_path=path, args=arguments)
        yield launched
        launched.close()


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    """Give a fresh page, and fail when a script of it failed."""
    context = browser.new_context(viewport={"width": 1440, "height": 900})
    shown = context.new_page()
    faults: list[str] = []
    shown.on("pageerror", lambda error: faults.append(str(error)))
    # The browser notes every answer that isn't a success; the API's own "no" is no fault of a script.
    refused = "Failed to load resource"
    shown.on("console", lambda m: faults.append(m.text) if m.type == "error" and not m.text.startswith(refused) else None)

    def answered(response: Response) -> None:
        if response.status >= (500 if "/api/" in response.url else 400):
            faults.append(f"{response.status} {response.url}")

    shown.on("response", answered)
    yield shown
    context.close()
    assert not faults, f"scripts of the page failed: {faults}"


@pytest.fixture(scope="session")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """Give a server in this process; jobs wait (there are no workers), so that tests decide what is prepared."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    config = Config(home=tmp_path_factory.mktemp("data"), port=port, workers=0, fresh=True)
    app = create_app(config)
    server = uvicorn.Server(uvicorn.Config(app, host="127.0.0.1", port=port, log_level="warning", ws="none", lifespan="on"))
    thread = threading.Thread(target=server.run, name="server", daemon=True)
    thread.start()
    until = time.monotonic() + START_S
    while not server.started:
        if time.monotonic() > until or not thread.is_alive():
            pytest.fail(f"the server did not start within {START_S:g} s")
        time.sleep(0.02)
    state: Any = app.state
    yield Bench(f"http://127.0.0.1:{port}", config.home, state.workbench)
    server.should_exit = True
    thread.join(10)
