"""What every request passes before anything else sees it, and what every answer carries.

In this order: the name the server was called by (a page elsewhere must not reach it through a name of its own), where the
request comes from (other sites' pages may open a page here, nothing else), who is signed in, how much is sent, and for
changes the token that only pages of this server know. Programs that send neither cookies nor an origin have no borrowed
rights and need no token.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import AsyncIterator, Callable, Iterable
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qs, quote

from anyio.to_thread import run_sync
from python_multipart.exceptions import MultipartParseError
from python_multipart.multipart import MultipartParser, parse_options_header
from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request, cookie_parser
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from midstance.errors import MidstanceError, NotAllowedError
from midstance.web.config import MOST_BODY_BYTES, MOST_PICTURE_BYTES
from midstance.web.problems import SignInError, answer, log, status_of, wants_problem
from midstance.web.security import Guard, bench_of, host_name, too_large

if TYPE_CHECKING:
    from midstance.web.app import Workbench

SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
CSP = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' blob: data:",
        "media-src 'self' blob:",
        "font-src 'self'",
        "connect-src 'self'",
        "form-action 'self'",
        "frame-src 'self'",
        "frame-ancestors 'self'",
        "base-uri 'none'",
        "manifest-src 'self'",
    )
)
#: For files made of people's data, which a browser shows in a frame: no scripts, no requests, no forms.
SANDBOX_CSP = "sandbox; default-src 'none'; img-src data:; style-src 'unsafe-inline'; font-src data:; frame-ancestors 'self'"
HEADERS = {
    "Content-Security-Policy": CSP,
    "X-Content-Type-Options": "nosniff",
    # Not "no-referrer": with it browsers send "Origin: null" with this server's own forms.
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "X-Frame-Options": "SAMEORIGIN",
    "Permissions-Policy": "accelerometer=(), camera=(), display-capture=(), geolocation=(), gyroscope=(), magnetometer=(), "
    "microphone=(), payment=(), usb=()",
    # People's health data: nothing is kept unless an answer says otherwise.
    "Cache-Control": "no-store",
}
#: What may be had without signing in.
OPEN = re.compile(r"/signin|/api/signin|/static/.*|/favicon\.ico")
#: Where more than a small body is taken; the functions there count for themselves.
STREAMED = re.compile(r"(/api)?/sessions/[0-9a-f]{16}/films|/guide/check")
PICTURES = re.compile(r"/api/lens")
#: How much of a form with files is looked at for its token, which must come first.
FORM_HEAD_BYTES = 64 * 1024


class Gate:
    """The middleware."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it here."""
        if scope["type"] != "http":
            if scope["type"] == "websocket":  # there are none
                await send({"type": "websocket.close", "code": 1008})
                return
            await self.app(scope, receive, send)
            return
        bench = bench_of(scope)
        headers = Headers(scope=scope)
        cookies = cookie_parser(headers.get("cookie", ""))
        nonce = cookies.get(bench.cookies.csrf, "")
        guard = Guard(bench.secret, nonce if re.fullmatch(r"[A-Za-z0-9_-]{32}", nonce) else "", None)
        scope["midstance.guard"] = guard
        scope.setdefault("state", {})["account"] = None
        started = False

        async def guarded(message: Message) -> None:
            nonlocal started
            if message["type"] == "http.response.start":
                started = True
                out = MutableHeaders(raw=message.setdefault("headers", []))
                for name, value in HEADERS.items():
                    out.setdefault(name, value)
                if guard.made:
                    out.append("Set-Cookie", bench.cookies.header(bench.cookies.csrf, guard.cookie))
                if bench.config.tls:
                    out.setdefault("Strict-Transport-Security", "max-age=31536000")
            await send(message)

        try:
            self._check_host(bench, headers)
            self._check_site(scope, headers)
            bearer = await self._check_login(bench, scope, headers, cookies, guard)
            receive = await self._check_body(bench, scope, headers, guard, receive, bearer=bearer)
            await self.app(scope, receive, guarded)
        except Exception as error:
            if started:
                raise
            request = Request(scope)
            if isinstance(error, SignInError) and not wants_problem(scope["path"]) and scope["method"] in ("GET", "HEAD"):
                query = scope["query_string"].decode("latin-1")
                there = quote(scope["path"] + (f"?{query}" if query else ""), safe="/")
                response: Response = RedirectResponse(f"/signin?next={there}", 303)
            elif isinstance(error, MidstanceError):
                response = answer(request, status_of(error), error)
            else:
                log.error("%s %s failed", scope["method"], scope["path"], exc_info=error)
                unknown = MidstanceError(
                    "something went wrong in the program; nothing was changed",
                    next_step="try again; if it happens again, the server's own messages say more",
                )
                response = answer(request, 500, unknown)
            await response(scope, receive, guarded)

    def _check_host(self, bench: Workbench, headers: Headers) -> None:
        hosts = headers.getlist("host")
        if len(hosts) != 1 or host_name(hosts[0]) not in bench.names:
            raise NotAllowedError(
                "the server isn't called by this name",
                where="Host",
                allowed=", ".join(sorted(bench.names)),
                next_step="open it by one of these names, or start it with the address you use as its --host",
            )

    def _check_site(self, scope: Scope, headers: Headers) -> None:
        site = headers.get("sec-fetch-site")
        method, origin = scope["method"], headers.get("origin")
        own = f"{scope['scheme']}://{headers.get('host', '')}".lower()
        opens_page = (
            method in ("GET", "HEAD")
            and headers.get("sec-fetch-mode") == "navigate"
            and headers.get("sec-fetch-dest") == "document"
            and not wants_problem(scope["path"])
        )
        foreign = site not in (None, "same-origin", "none") and not opens_page
        if foreign or (origin is not None and origin.lower() != own and not opens_page):
            raise NotAllowedError(
                "another site's page asked for this",
                where="Origin",
                allowed="requests from this server's own pages",
                next_step="open the workbench itself",
            )

    async def _check_login(
        self, bench: Workbench, scope: Scope, headers: Headers, cookies: dict[str, str], guard: Guard
    ) -> bool:
        """Find out who is signed in; return whether that came with the request itself rather than from a cookie."""
        scheme, _, given = headers.get("authorization", "").partition(" ")
        bearer = scheme.lower() == "bearer" and bool(given.strip())
        key = given.strip() if bearer else cookies.get(bench.cookies.login)
        if re.fullmatch(r"/static/.*", scope["path"]) or not await run_sync(bench.needs_login):
            return False
        account = await run_sync(bench.account_of, key) if key and len(key) <= 200 else None
        if account is not None:
            guard.key = key
            scope["state"]["account"] = account
        elif not OPEN.fullmatch(scope["path"]):
            raise SignInError(
                "nobody is signed in", where=scope["path"], allowed="people with an account", next_step="sign in"
            )
        return bearer and account is not None

    async def _check_body(
        self, bench: Workbench, scope: Scope, headers: Headers, guard: Guard, receive: Receive, *, bearer: bool
    ) -> Receive:
        """Limit what is sent, check the token of changes, and return where the body is to be read from."""
        method, path = scope["method"], scope["path"]
        streamed = bool(STREAMED.fullmatch(path)) and method == "POST"
        most = bench.config.most_film_bytes + FORM_HEAD_BYTES if streamed else MOST_BODY_BYTES
        if PICTURES.fullmatch(path):
            most = 20 * MOST_PICTURE_BYTES
        length = headers.get("content-length", "")
        if length and (not length.isascii() or not length.isdigit() or int(length) > most):
            raise too_large(most)
        kind = headers.get("content-type", "")
        form = kind.split(";")[0].strip().lower()
        browser = any(name in headers for name in ("origin", "sec-fetch-site", "cookie"))
        needs_token = method not in SAFE_METHODS and browser and not bearer
        token = headers.get("x-csrf-token", "")
        taken: list[Message] = []
        if not streamed and not PICTURES.fullmatch(path) and method not in ("GET", "HEAD"):
            size = 0
            async for message in _messages(receive):
                taken.append(message)
                size += len(message.get("body", b""))
                if size > most:
                    raise too_large(most)
        if needs_token and not token and form in ("application/x-www-form-urlencoded", "multipart/form-data"):
            if streamed or PICTURES.fullmatch(path):
                taken = await _head(receive)
            head = b"".join(m.get("body", b"") for m in taken)
            token = _urlencoded(head) if form.endswith("urlencoded") else _multipart(head, kind)
        if needs_token and not guard.holds(token):
            raise NotAllowedError(
                "the page this came from is out of date",
                where="csrf",
                allowed="the token of a page of this server (form field csrf, header X-CSRF-Token)",
                next_step="load the page again, and send it again",
            )
        return _replay(taken, receive)


async def _messages(receive: Receive) -> AsyncIterator[Message]:
    while True:
        message = await receive()
        yield message
        if message["type"] != "http.request" or not message.get("more_body", False):
            return


async def _head(receive: Receive) -> list[Message]:
    taken, size = [], 0
    async for message in _messages(receive):
        taken.append(message)
        size += len(message.get("body", b""))
        if size >= FORM_HEAD_BYTES:
            break
    return taken


def _replay(taken: Iterable[Message], receive: Receive) -> Receive:
    left = deque(taken)

    async def next_message() -> Message:
        return left.popleft() if left else await receive()

    return next_message


def _urlencoded(body: bytes) -> str:
    try:
        return parse_qs(body.decode("utf-8"), max_num_fields=1000).get("csrf", [""])[0]
    except ValueError:
        return ""


def _multipart(head: bytes, kind: str) -> str:
    """Return the field ``csrf`` from the beginning of a form with files."""
    boundary = parse_options_header(kind.encode("latin-1"))[1].get(b"boundary", b"")
    found: list[bytes] = []
    state: dict[str, Any] = {"field": b"", "value": b"", "name": b"", "header": b""}

    def header_end() -> None:
        if state["field"].lower() == b"content-disposition":
            state["name"] = parse_options_header(state["header"])[1].get(b"name", b"")
        state["field"], state["header"] = b"", b""

    def add(key: str) -> Callable[[bytes, int, int], None]:
        def more(data: bytes, start: int, end: int) -> None:
            state[key] += data[start:end]

        return more

    def begin() -> None:
        state.update(field=b"", value=b"", name=b"", header=b"")

    def part_data(data: bytes, start: int, end: int) -> None:
        if state["name"] == b"csrf":
            state["value"] += data[start:end]

    def part_end() -> None:
        if state["name"] == b"csrf":
            found.append(state["value"])

    try:
        parser = MultipartParser(
            boundary,
            {
                "on_part_begin": begin,
                "on_part_data": part_data,
                "on_part_end": part_end,
                "on_header_field": add("field"),
                "on_header_value": add("header"),
                "on_header_end": header_end,
            },
        )
        parser.write(head)
    except (MultipartParseError, ValueError):
        pass
    return found[0].decode("utf-8", "replace") if found else ""
