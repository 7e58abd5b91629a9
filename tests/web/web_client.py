"""What tests of the server share: a program's requests, a browser's requests, problem documents."""

from __future__ import annotations

import re
import warnings
from pathlib import Path
from typing import Any

import midstance.assess.demo

with warnings.catch_warnings():
    # Newer Starlette would rather have another library below its test client; either does.
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

__all__ = ["ADDRESS", "DEMO", "Browser", "TestClient", "problem"]

ADDRESS = "http://127.0.0.1:8320"
DEMO = Path(midstance.assess.demo.__file__).parent


class Browser:
    """A browser with a page of the server open: sends what browsers send, and the page's token."""

    def __init__(self, client: TestClient) -> None:
        self.client = client
        page = client.get("/nothing", headers={"Sec-Fetch-Site": "none", "Sec-Fetch-Mode": "navigate"})
        self.token = re.search(r'name="csrf" content="([0-9a-f]{64})"', page.text)[1]  # type: ignore[index]
        self.headers = {"Origin": ADDRESS, "Sec-Fetch-Site": "same-origin", "X-CSRF-Token": self.token}

    def send(self, method: str, path: str, **more: Any) -> Any:
        headers = self.headers | more.pop("headers", {})
        return self.client.request(method, path, headers={k: v for k, v in headers.items() if v is not None}, **more)


def problem(answer: Any, status: int) -> dict[str, Any]:
    """Check that an answer is a problem document with this status, and return it."""
    assert answer.status_code == status, answer.text[:600]
    assert answer.headers["content-type"] == "application/problem+json"
    body: dict[str, Any] = answer.json()
    assert body["status"] == status
    assert body["what"]
    assert body["detail"]
    assert "Traceback" not in answer.text
    return body
