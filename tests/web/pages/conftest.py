"""Pages as a browser asks for them."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from page_checks import Page, check_page
from web_client import Browser

Get = Callable[..., Page]
Post = Callable[..., Any]


@pytest.fixture
def get(client: Any) -> Get:
    """Ask for a page and hold it to what all pages must be."""

    def ask(path: str, status: int = 200) -> Page:
        answer = client.get(path)
        assert answer.status_code == status, answer.text[:2000]
        assert answer.headers["content-type"].startswith("text/html")
        return check_page(answer.text)

    return ask


@pytest.fixture
def post(client: Any) -> Post:
    """Send a form as a browser does, with the page's token first; a redirect isn't followed."""
    opened: list[Browser] = []

    def send(path: str, **fields: str) -> Any:
        if not opened:  # not before: other fixtures are programs without cookies
            opened.append(Browser(client))
        headers = {"Origin": opened[0].headers["Origin"], "Sec-Fetch-Site": "same-origin"}
        return client.post(
            path, data={"csrf": opened[0].token, **fields}, headers=headers, follow_redirects=False
        )

    return send
