"""Names, tokens, cookies and sign-ins: what the gate (:mod:`midstance.web.gate`) goes by."""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import os
import re
import secrets
import socket
import threading
import time
from collections import OrderedDict, deque
from collections.abc import Callable
from typing import TYPE_CHECKING, cast
from urllib.parse import urlsplit

import attrs
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import Scope

from midstance.errors import NotAllowedError
from midstance.records.home import Home
from midstance.web.config import Config
from midstance.web.problems import TooLargeError, TooManyError

if TYPE_CHECKING:
    from midstance.web.app import Workbench

#: Sign-ins that failed from one address before it must wait, and for how long they count, s.
MOST_FAILURES, FAILURES_S = 10, 300.0


def server_secret(home: Home) -> bytes:
    """Return the secret that tokens are signed with; made at first use, readable by its owner only."""
    path = home.root / "server.key"
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        kept = path.read_bytes()
        if len(kept) >= 32:
            return kept
        path.unlink()  # half-written when the machine stopped
        return server_secret(home)
    secret = secrets.token_bytes(32)
    with os.fdopen(handle, "wb") as file:
        file.write(secret)
    return secret


def names_of(config: Config) -> frozenset[str]:
    """Return the host names and addresses this server answers to, in lower case and without port."""
    names = {"127.0.0.1", "localhost", "[::1]", *(n.lower() for n in config.names)}
    if not config.local_only:
        names.add(f"[{config.host}]" if ":" in config.host else config.host.lower())
        host = socket.gethostname()
        names |= {host.lower(), f"{host.lower()}.local", socket.getfqdn().lower()}
        try:
            found = {str(info[4][0]).split("%")[0] for info in socket.getaddrinfo(host, None)}
        except OSError:
            found = set()
        names |= {f"[{a}]" if ":" in a else a for a in found | _outward()}
    return frozenset(n for n in names if n and n not in ("0.0.0.0", "[::]"))


def _outward() -> set[str]:
    """Return the address this machine has on its network; nothing is sent to find it."""
    found = set()
    for family, far in ((socket.AF_INET, "192.0.2.1"), (socket.AF_INET6, "2001:db8::1")):
        try:
            with socket.socket(family, socket.SOCK_DGRAM) as probe:
                probe.connect((far, 9))
                found.add(str(probe.getsockname()[0]))
        except OSError:
            continue
    return found


def host_name(header: str) -> str:
    """Return the name of a ``Host`` header without its port; empty when it isn't one."""
    match = re.fullmatch(r"(\[[0-9a-f:.]+\]|[a-z0-9._-]+)(:[0-9]{1,5})?", header.strip().lower())
    if not match:
        return ""
    name = match[1].rstrip(".")
    if name.startswith("["):
        try:
            return f"[{ipaddress.IPv6Address(name[1:-1])}]"
        except ValueError:
            return ""
    return name


@attrs.define
class Guard:
    """What is known of one request: the browser's token and who is signed in. In ``scope["midstance.guard"]``."""

    secret: bytes
    cookie: str
    key: str | None
    made: bool = False

    def token(self) -> str:
        """Return the token for this browser's forms and scripts; the browser is given its cookie with the answer."""
        if not self.cookie:
            self.cookie, self.made = secrets.token_urlsafe(24), True
        return self._of(self.cookie)

    def holds(self, token: str) -> bool:
        """Tell whether a token belongs to this browser and login."""
        return bool(self.cookie) and hmac.compare_digest(self._of(self.cookie).encode(), token.encode("utf-8", "replace"))

    def _of(self, cookie: str) -> str:
        login = hashlib.sha256((self.key or "").encode()).digest()
        return hmac.new(self.secret, b"csrf\0" + cookie.encode() + b"\0" + login, hashlib.sha256).hexdigest()


@attrs.frozen
class Cookies:
    """Names and marks of the two cookies. Browsers don't tell ports apart, so the names hold the port."""

    port: int
    tls: bool

    @property
    def csrf(self) -> str:
        """Name of the one that belongs to the token."""
        return f"{'__Host-' if self.tls else ''}midstance-{self.port}-page"

    @property
    def login(self) -> str:
        """Name of the one that holds the key of a login."""
        return f"{'__Host-' if self.tls else ''}midstance-{self.port}-login"

    def header(self, name: str, value: str, *, max_age_s: int | None = None) -> str:
        """Return the ``Set-Cookie`` header."""
        age = "" if max_age_s is None else f"; Max-Age={max_age_s}"
        return f"{name}={value}; Path=/; HttpOnly; SameSite=Strict{'; Secure' if self.tls else ''}{age}"


class Failures:
    """Counts sign-ins that failed, by address."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._at: OrderedDict[str, deque[float]] = OrderedDict()

    def check(self, address: str) -> None:
        """Stop when the address must wait."""
        with self._lock:
            times = self._recent(address)
            if len(times) >= MOST_FAILURES:
                wait = FAILURES_S - (self._clock() - times[0])
                raise TooManyError(
                    "too many sign-ins that failed",
                    allowed=f"{MOST_FAILURES} in {FAILURES_S / 60:g} minutes",
                    next_step=f"wait {max(1, round(wait / 60))} min and try again",
                    wait_s=wait,
                )

    def note(self, address: str) -> None:
        """Note one that failed."""
        with self._lock:
            self._recent(address).append(self._clock())
            self._at.move_to_end(address)
            while len(self._at) > 10_000:
                self._at.popitem(last=False)

    def _recent(self, address: str) -> deque[float]:
        times = self._at.setdefault(address, deque(maxlen=MOST_FAILURES))
        while times and self._clock() - times[0] > FAILURES_S:
            times.popleft()
        return times


def bench_of(scope: Scope) -> Workbench:
    """Return what the server holds, from a request."""
    return cast("Workbench", scope["app"].state.workbench)


def sign_in(request: Request, name: str, password: str) -> str:
    """Check name and password and return the key of a new login; ``keep_login`` gives it to the browser.

    Raises
    ------
    NotAllowedError, TooManyError
        Wrong, or too often wrong from this address.
    """
    from midstance.records import accounts

    bench = bench_of(request.scope)
    address = request.client.host if request.client else ""
    bench.failures.check(address)
    try:
        with bench.database.writing() as db:
            return str(accounts.sign_in(db, name, password))
    except NotAllowedError:
        bench.failures.note(address)
        raise


def keep_login(request: Request, response: Response, key: str) -> None:
    """Give the browser the key of its login, and let it forget the token of before."""
    from midstance.records import accounts

    cookies = bench_of(request.scope).cookies
    response.headers.append("Set-Cookie", cookies.header(cookies.login, key, max_age_s=accounts.LOGIN_DAYS * 86400))
    response.headers.append("Set-Cookie", cookies.header(cookies.csrf, "", max_age_s=0))


def sign_out(request: Request, response: Response) -> None:
    """End the login here and in the browser."""
    from midstance.records import accounts

    bench = bench_of(request.scope)
    key = cast(Guard, request.scope["midstance.guard"]).key
    if key:
        with bench.database.writing() as db:
            accounts.sign_out(db, key)
    for name in (bench.cookies.login, bench.cookies.csrf):
        response.headers.append("Set-Cookie", bench.cookies.header(name, "", max_age_s=0))
    response.headers["Clear-Site-Data"] = '"cache"'


def safe_next(target: str) -> str:
    """Return where to go after signing in: an address of this server, else its first page."""
    parts = urlsplit(target)
    fine = target.startswith("/") and not target.startswith(("//", "/\\")) and not parts.scheme and not parts.netloc
    return target if fine and "\\" not in target and target.isprintable() else "/"


def too_large(most: int) -> TooLargeError:
    """Return the error for more than ``most`` bytes."""
    size = f"{most / 1024**3:.3g} GB" if most >= 1024**3 else f"{most / 1024**2:.3g} MB"
    return TooLargeError(
        "this is more than is taken in one piece", where="Content-Length", allowed=f"up to {size}", next_step="send less"
    )
