"""What a phone sees of the phone door: a page for the code, a page for films, and nothing else.

The application asks the door (``phone.py``) who may come in; it holds no rights of its own.
"""

from __future__ import annotations

import asyncio
import re
import secrets
from collections.abc import AsyncIterator, Callable
from typing import TYPE_CHECKING, Any, cast
from urllib.parse import parse_qs

import anyio
import attrs
from anyio.to_thread import run_sync
from starlette.applications import Starlette
from starlette.background import BackgroundTask
from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from midstance.errors import MidstanceError, NotAllowedError, OptionError
from midstance.web.deps import STATIC, templates
from midstance.web.files import VIEWS, clean_name, take_stream
from midstance.web.gate import HEADERS
from midstance.web.problems import document, log, status_of

if TYPE_CHECKING:
    from midstance.records.database import Database
    from midstance.web.app import Workbench
    from midstance.web.config import Config
    from midstance.web.phone import PhoneDoor

#: Wrong codes after which the door closes; each makes the next wait longer.
MOST_WRONG = 5
#: Films that come in side by side; more wait.
AT_ONCE = 2
COOKIE = "midstance_phone"
MOST_FORM_BYTES = 2048
#: Everything that is served as a file, by the name it is asked for.
FILES: dict[str, tuple[tuple[str, ...], str]] = {
    "phone.css": (("style/tokens.css", "phone/phone.css"), "text/css; charset=utf-8"),
    "pair.js": (("phone/pair.js",), "text/javascript; charset=utf-8"),
    "upload.js": (("phone/upload.js",), "text/javascript; charset=utf-8"),
}


#: Browsers heed this one only over TLS, and complain about it otherwise.
_HEADERS = {k: v for k, v in HEADERS.items() if k != "Cross-Origin-Opener-Policy"}


@attrs.define
class Arrival:
    """One film that a phone handed in: how far it is and how it ended."""

    name: str
    view: str
    phone: str
    bytes: int = 0
    whole: int | None = None
    state: str = "sending"
    problem: str = ""
    film_id: str = ""

    def as_dict(self) -> dict[str, Any]:
        """Return it as plain values, without ids."""
        share = min(1.0, self.bytes / self.whole) if self.whole else None
        return {
            "name": self.name,
            "view": self.view,
            "state": self.state,
            "problem": self.problem,
            "bytes": self.bytes,
            "share": 1.0 if self.state == "received" else share,
        }


class DoorBench:
    """What taking a film needs of the workbench, with a waiting line of its own: the phone server has its own event loop."""

    def __init__(self, config: Config, database: Database, wake: Callable[[], None]) -> None:
        self.config, self.database, self.wake = config, database, wake
        self.uploads: anyio.CapacityLimiter | None = None


def phone_app(door: PhoneDoor, bench: DoorBench, host: str) -> ASGIApp:
    """Return the tiny application. ``host`` is the only ``Host`` it answers to."""
    wrong = asyncio.Lock()

    def key_of(request: Request) -> str:
        key = request.cookies.get(COOKIE, "")
        return key if len(key) <= 200 else ""

    async def known(request: Request) -> tuple[str, str] | None:
        return await run_sync(door.who_is, key_of(request))

    async def start(request: Request) -> Response:
        if await known(request):
            return RedirectResponse("/films", 303)
        return _page("phone_pair.html", fault="")

    async def pair(request: Request) -> Response:
        code = _code(await _small_body(request))
        # One try at a time, so that many at once gain nothing.
        async with wrong:
            if door.wrong_left() <= 0:
                return _page("phone_closed.html", status=403)
            key = await run_sync(door.let_in, code)
            left = door.wrong_left()
            if key is None and left > 0:
                await asyncio.sleep(door.wrong_wait_s * (MOST_WRONG - left))
        if key is not None:
            answer = RedirectResponse("/films", 303)
            # The cookie ends with the door; films on their way then don't need it any more.
            answer.headers.append(
                "Set-Cookie",
                f"{COOKIE}={key}; Path=/; HttpOnly; SameSite=Strict; Max-Age={max(1, int(door.seconds_left()))}",
            )
            return answer
        if left <= 0:
            close = BackgroundTask(run_sync, lambda: door.close("too many wrong codes"))
            return _page("phone_closed.html", status=403, background=close)
        return _page(
            "phone_pair.html", status=403, fault=f"That is not the code. {left} more {'try' if left == 1 else 'tries'}."
        )

    async def films(request: Request) -> Response:
        me = await known(request)
        if me is None:
            return RedirectResponse("/", 303)
        minutes = max(1, round(door.seconds_left() / 60))
        return _page("phone_films.html", minutes=minutes, most_gb=bench.config.most_film_bytes / 1024**3)

    async def take(request: Request) -> Response:
        me = await known(request)
        if me is None:
            raise NotAllowedError(
                "this phone isn't connected any more",
                where="phone",
                allowed="phones that gave a code",
                next_step="scan the code again",
            )
        session_id, phone = me
        view, name = request.query_params.get("view", ""), clean_name(request.query_params.get("name", ""))
        if view not in VIEWS:
            raise OptionError("no view was chosen", where="view", allowed=", ".join(VIEWS), next_step="choose one first")
        if bench.uploads is None:
            bench.uploads = anyio.CapacityLimiter(AT_ONCE)
        length = request.headers.get("content-length", "")
        arrival = door.arriving(name or "film", view, phone, int(length) if length.isdigit() else None)
        try:
            film = await take_stream(
                cast("Workbench", bench),
                _counted(request, arrival),
                session_id,
                view=view,
                name=name,
                by=f"{door.by()}, {phone}"[:80],
            )
            arrival.state, arrival.film_id = "received", str(film.id)
        except MidstanceError as error:
            arrival.state, arrival.problem = "not taken", error.what
            raise
        except BaseException:
            arrival.state, arrival.problem = "not taken", "it broke off"
            raise
        finally:
            if door.state() is None or arrival.state != "sending":
                with anyio.CancelScope(shield=True):
                    await run_sync(door.arrived)
        return JSONResponse(arrival.as_dict(), 201)

    async def state(request: Request) -> Response:
        me = await known(request)
        if me is None:
            return JSONResponse({"open": False}, 403)
        arrivals = await run_sync(door.arrivals_of, me[1])
        return JSONResponse({"open": True, "seconds_left": round(door.seconds_left()), "films": arrivals})

    async def file(request: Request) -> Response:
        entry = FILES.get(request.path_params["name"])
        if entry is None:
            return _page("phone_nothing.html", status=404)
        parts, kind = entry
        body = b"\n".join([await run_sync((STATIC / part).read_bytes) for part in parts])
        return Response(body, media_type=kind, headers={"Cache-Control": "no-cache"})

    async def icon(request: Request) -> Response:
        return Response(status_code=204)

    async def nothing(request: Request, error: Exception) -> Response:
        return _page("phone_nothing.html", status=404)

    app = Starlette(
        routes=[
            Route("/", start),
            Route("/pair", pair, methods=["POST"]),
            Route("/films", films),
            Route("/films", take, methods=["POST"]),
            Route("/state", state),
            Route("/file/{name}", file),
            Route("/favicon.ico", icon),
        ],
        exception_handlers={404: nothing, 405: nothing, MidstanceError: _told, Exception: _failed},
    )
    return _Guard(app, host)


class _Guard:
    """Answers only by the right name, takes changes only from its own pages, and turns errors into answers."""

    def __init__(self, app: ASGIApp, host: str) -> None:
        self._app, self._host = app, host

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it here."""
        if scope["type"] != "http":
            return
        headers = Headers(scope=scope)
        started = False

        async def guarded(message: Message) -> None:
            nonlocal started
            if message["type"] == "http.response.start":
                started = True
                out = MutableHeaders(raw=message.setdefault("headers", []))
                for name, value in _HEADERS.items():
                    out.setdefault(name, value)
            await send(message)

        try:
            if headers.getlist("host") != [self._host]:
                raise NotAllowedError("this isn't the address of the phone door", where="Host", allowed=self._host)
            if scope["method"] not in ("GET", "HEAD"):
                # Browsers name the page that a change comes from; a change without it is none of ours.
                if headers.get("origin") != f"http://{self._host}":
                    raise NotAllowedError(
                        "another site's page asked for this", where="Origin", allowed="this door's own pages"
                    )
            elif (
                headers.get("sec-fetch-site") not in (None, "same-origin", "none")
                and headers.get("sec-fetch-dest") != "document"
            ):
                raise NotAllowedError("another site's page asked for this", where="Origin", allowed="this door's own pages")
            await self._app(scope, receive, guarded)
        except MidstanceError as error:
            await (await _told(Request(scope), error))(scope, receive, guarded)
        except Exception as error:
            # The answer is on its way already; what is left is to say it here.
            log.error("the phone door failed", exc_info=error)
            if not started:
                await (await _failed(Request(scope), error))(scope, receive, guarded)


async def _told(request: Request, error: Exception) -> Response:
    assert isinstance(error, MidstanceError)
    status = status_of(error)
    return JSONResponse(document(status, error), status, media_type="application/problem+json")


async def _failed(request: Request, error: Exception) -> Response:
    unknown = MidstanceError("something went wrong; nothing was kept", next_step="try again")
    return JSONResponse(document(500, unknown), 500, media_type="application/problem+json")


async def _counted(request: Request, arrival: Arrival) -> AsyncIterator[bytes]:
    try:
        async for block in request.stream():
            arrival.bytes += len(block)
            yield block
    except ClientDisconnect as gone:
        raise OptionError("the film broke off", where="film", allowed="the whole film", next_step="send it again") from gone
    if arrival.whole is not None and arrival.bytes < arrival.whole:
        raise OptionError("the film broke off", where="film", allowed="the whole film", next_step="send it again")


async def _small_body(request: Request) -> bytes:
    body = b""
    async for block in request.stream():
        body += block
        if len(body) > MOST_FORM_BYTES:
            raise OptionError(
                "this is not a code", where="code", allowed="the eight letters and digits on the coach's screen"
            )
    return body


def _code(body: bytes) -> str:
    """Return the code of a form as it was meant: capital letters, no blanks or dashes."""
    try:
        text = parse_qs(body.decode("ascii"), max_num_fields=5).get("code", [""])[0]
    except ValueError:
        return ""
    return re.sub(r"[\s-]", "", text).upper()[:16]


def _page(name: str, *, status: int = 200, background: BackgroundTask | None = None, **context: Any) -> HTMLResponse:
    # A fresh mark keeps nothing cached between two times that the door is open.
    page = templates.env.get_template(name).render(mark=secrets.token_hex(4), **context)
    return HTMLResponse(page, status, background=background)
