"""The phone door: a second, tiny server on the local network that takes films for one session and does nothing else.

It listens only while it is open. Whoever reads the code off the coach's screen gets a key, in a cookie, that is good for
handing in films for that session until the door closes; nothing can be read through it but the names of what that phone
handed in. The workbench itself stays on this machine.
"""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

import attrs
import uvicorn

from midstance.errors import ConflictError, MidstanceError, NotAllowedError, OptionError, RecordsError
from midstance.web.files import clean_name
from midstance.web.phone_app import MOST_WRONG, Arrival, DoorBench, phone_app
from midstance.web.phone_lan import is_near

if TYPE_CHECKING:
    from midstance.records.database import Database
    from midstance.web.config import Config

#: How long the door stays open, min, and how long films that are on their way then may take to arrive, s.
OPEN_MIN = 15
GRACE_S = 600.0
#: Wait after the first wrong code, s.
WRONG_WAIT_S = 1.0
#: Entries of what came in that are kept for showing.
MOST_SHOWN = 50


@attrs.frozen
class DoorState:
    """What the coach sees of the door while it is open.

    ``code`` is None once it was used; ``phones`` counts the phones that were let in. ``closing`` says that nothing new is
    taken and the door waits for films on their way.
    """

    session_id: str
    url: str
    code: str | None
    seconds_left: float
    phones: int
    closing: bool
    arrivals: tuple[dict[str, Any], ...]

    @property
    def link(self) -> str:
        """The address with the code, for the picture to scan; what stands after # is not sent to the server."""
        return f"{self.url}#{self.code}" if self.code else self.url


@attrs.define
class _Open:
    """One time that the door is open."""

    session_id: str
    by: str
    address: str
    port: int
    until: float
    server: uvicorn.Server
    thread: threading.Thread
    code: str | None = None
    pairings: list[str] = attrs.Factory(list)
    keys: dict[str, str] = attrs.Factory(dict)
    wrong: int = 0
    closing: bool = False
    arrivals: list[Arrival] = attrs.Factory(list)

    @property
    def url(self) -> str:
        """The address to open on the phone."""
        return f"http://{self.address}:{self.port}/"

    @property
    def sending(self) -> bool:
        """Whether a film is on its way."""
        return any(a.state == "sending" for a in self.arrivals)


class PhoneDoor:
    """Opens and closes the phone server. Safe to use from several threads; one session at a time.

    Parameters
    ----------
    config, database, wake : of the workbench.
    port : where to listen; 0 takes any free port, as do taken ones.
    clock : seconds that only rise.
    allow : which addresses may be listened at.
    """

    def __init__(
        self,
        config: Config,
        database: Database,
        wake: Callable[[], None],
        *,
        port: int = 0,
        minutes: float = OPEN_MIN,
        wrong_wait_s: float = WRONG_WAIT_S,
        clock: Callable[[], float] = time.monotonic,
        allow: Callable[[str], bool] = is_near,
    ) -> None:
        self._config, self._database, self._wake = config, database, wake
        self._port, self._minutes, self._clock, self._allow = port, minutes, clock, allow
        self.wrong_wait_s = wrong_wait_s
        self._lock = threading.RLock()
        self._open: _Open | None = None
        self._timer: threading.Timer | None = None
        #: Why the door closed last, for the coach; "" after it was closed by hand or is open.
        self.closed_because = ""

    # --- the coach's side

    def open(self, session_id: str, *, by: str, address: str) -> DoorState:
        """Start listening at an address of this machine and return the state with the code.

        Raises
        ------
        OptionError
            The address isn't one of a private network.
        ConflictError
            The door is open for another session.
        RecordsError
            Nothing can listen there.
        """
        if not self._allow(address):
            raise OptionError(
                f"{clean_name(address)[:40]} is not an address on a private network",
                where="address",
                allowed="this machine's own address on the network that the phone is in too",
                next_step="choose one of the list; connect this machine to the network first if there is none",
            )
        with self._lock:
            if self._open is not None and not self._gone(self._open):
                if self._open.session_id != session_id:
                    raise ConflictError(
                        "the phone door is open for another session",
                        where=f"session {self._open.session_id}",
                        allowed="one session at a time",
                        next_step="close it there first",
                    )
                return self._state(self._open)
            self._stop(0.0)
            listener = self._listen(address)
            now = _Open(
                session_id=session_id,
                by=by,
                address=address,
                port=int(listener.getsockname()[1]),
                until=self._clock() + 60 * self._minutes,
                server=uvicorn.Server(uvicorn.Config(app=lambda: None)),  # put in place below
                thread=threading.Thread(),
            )
            try:
                self._add_code(now)
            except BaseException:
                listener.close()
                raise
            bench = DoorBench(self._config, self._database, self._wake)
            now.server = uvicorn.Server(
                uvicorn.Config(
                    phone_app(self, bench, f"{address}:{now.port}"),
                    log_level="critical",
                    access_log=False,
                    server_header=False,
                    proxy_headers=False,
                    ws="none",
                    lifespan="off",
                    limit_concurrency=40,
                    timeout_keep_alive=10,
                    timeout_graceful_shutdown=2,
                    h11_max_incomplete_event_size=16 * 1024,
                )
            )
            now.thread = threading.Thread(
                target=now.server.run, kwargs={"sockets": [listener]}, name="phone door", daemon=True
            )
            self._open, self.closed_because = now, ""
            now.thread.start()
            self._wait_at(60 * self._minutes, self._time_is_up)
            return self._state(now)

    def new_code(self) -> DoorState | None:
        """Make another code, for a further phone; the one before can't be used any more. None when the door is closed."""
        with self._lock:
            if self._open is None or self._open.closing:
                return None
            self._add_code(self._open)
            return self._state(self._open)

    def state(self, session_id: str | None = None) -> DoorState | None:
        """Return the state; None when the door is closed, or open for another session than the one named."""
        with self._lock:
            now = self._open
            if now is None or self._gone(now) or (session_id is not None and now.session_id != session_id):
                return None
            return self._state(now)

    def close(self, because: str = "") -> None:
        """Stop listening at once; films on their way are broken off and nothing of them is kept."""
        with self._lock:
            self._stop(5.0, because)

    # --- the phone's side, called by the application below

    def let_in(self, code: str) -> str | None:
        """Use a code; returns the key, or None when it is wrong. Counts wrong ones."""
        from midstance.records import pairings

        with self._lock:
            now = self._open
            if now is None or now.closing:
                return None
            key: str | None = None
            with contextlib.suppress(NotAllowedError), self._database.writing() as db:
                # What a wrong code changes in the records is kept too: the exception is caught outside.
                key = pairings.use_code(db, code)
            if key is not None:
                with self._database.reading() as db:
                    pairing = pairings.pairing_of(db, key)
                    fits = pairing is not None and pairing.session_id == now.session_id
                if fits:
                    now.keys[key] = f"phone {len(now.keys) + 1}"
                    now.code = None
                    return key
            now.wrong += 1
            return None

    def wrong_left(self) -> int:
        """Return how many wrong codes are still let pass."""
        with self._lock:
            return 0 if self._open is None else max(0, MOST_WRONG - self._open.wrong)

    def who_is(self, key: str) -> tuple[str, str] | None:
        """Return (session, name of the phone) of a key; None when it isn't good any more."""
        from midstance.records import pairings

        with self._lock:
            now = self._open
            if now is None or not key or key not in now.keys:
                return None
            session_id, name = now.session_id, now.keys[key]
        with self._database.reading() as db:
            pairing = pairings.pairing_of(db, key)
            if pairing is None or pairing.session_id != session_id:
                return None
        return session_id, name

    def arriving(self, name: str, view: str, phone: str, whole: int | None) -> Arrival:
        """Note that a film comes in.

        Raises
        ------
        NotAllowedError
            The door is closing.
        """
        with self._lock:
            now = self._open
            if now is None or now.closing:
                raise NotAllowedError(
                    "the door is closed",
                    where="phone",
                    allowed="films while it is open",
                    next_step="ask the coach to open it again",
                )
            arrival = Arrival(name, view, phone, whole=whole)
            now.arrivals.append(arrival)
            del now.arrivals[:-MOST_SHOWN]
            return arrival

    def arrived(self) -> None:
        """Close when time was up and nothing more is on its way."""
        with self._lock:
            if self._open is not None and self._open.closing and not self._open.sending:
                self._stop(0.0, "time was up")

    def arrivals_of(self, phone: str) -> list[dict[str, Any]]:
        """Return what one phone handed in."""
        with self._lock:
            return [] if self._open is None else [a.as_dict() for a in self._open.arrivals if a.phone == phone]

    def seconds_left(self) -> float:
        """Return how long the door stays open, s."""
        with self._lock:
            return 0.0 if self._open is None else max(0.0, self._open.until - self._clock())

    def by(self) -> str:
        """Return who opened the door."""
        with self._lock:
            return "" if self._open is None else self._open.by

    # --- inside

    def _listen(self, address: str) -> socket.socket:
        ports = (self._port, 0) if self._port else (0,)
        fault: OSError | None = None
        for port in ports:
            listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
            try:
                if port:
                    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
                listener.bind((address, port))
                listener.listen(64)
                return listener
            except OSError as error:
                listener.close()
                fault = error
        raise RecordsError(
            f"nothing can listen there ({fault.strerror if fault else ''})",
            where=address,
            allowed="an address of this machine",
            next_step="connect to the network again and choose the address from the list",
        )

    def _add_code(self, now: _Open) -> None:
        from midstance.records import pairings

        minutes = max(1, -(-int(now.until - self._clock()) // 60))
        with self._database.writing() as db:
            if now.code is not None and now.pairings:
                pairings.end_pairing(db, now.pairings[-1], by=now.by)
            pairing, code = pairings.open_pairing(db, now.session_id, by=now.by, minutes=minutes)
            db.flush()
            now.pairings.append(str(pairing.id))
        now.code = code

    def _state(self, now: _Open) -> DoorState:
        return DoorState(
            session_id=now.session_id,
            url=now.url,
            code=now.code,
            seconds_left=max(0.0, now.until - self._clock()),
            phones=len(now.keys),
            closing=now.closing,
            arrivals=tuple({**a.as_dict(), "film_id": a.film_id} for a in reversed(now.arrivals)),
        )

    def _gone(self, now: _Open) -> bool:
        return not now.thread.is_alive()

    def _wait_at(self, seconds: float, then: Callable[[], None]) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self._timer = threading.Timer(seconds, then)
        self._timer.daemon = True
        self._timer.start()

    def _time_is_up(self) -> None:
        with self._lock:
            now = self._open
            if now is None:
                return
            now.code = None
            if now.sending and not now.closing:
                now.closing = True  # what is on its way may arrive; nothing new is taken
                self._wait_at(GRACE_S, self._time_is_up)
            else:
                self._stop(0.0, "time was up")

    def _stop(self, wait_s: float, because: str = "") -> None:
        now, self._open = self._open, None
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        if now is None:
            return
        self.closed_because = because
        if now.sending:
            _break_off(now.server)
        now.server.should_exit = True
        from midstance.records import pairings

        for pairing in now.pairings:
            with contextlib.suppress(MidstanceError), self._database.writing() as db:
                pairings.end_pairing(db, pairing, by=now.by)
        if wait_s and now.thread is not threading.current_thread():
            # The server's own thread may wait for the lock to note how a film ended.
            self._lock.release()
            try:
                now.thread.join(wait_s)
            finally:
                self._lock.acquire()


def _break_off(server: uvicorn.Server) -> None:
    """Cut all connections soon; films on their way then end as when a phone goes away, and what was said still arrives."""

    def cut() -> None:
        for connection in list(server.server_state.connections):
            transport = getattr(connection, "transport", None)
            if transport is not None:
                transport.abort()

    for listening in getattr(server, "servers", []):
        with contextlib.suppress(RuntimeError):  # its loop has ended already
            loop = listening.get_loop()
            loop.call_soon_threadsafe(loop.call_later, 0.2, cut)


def paired(code: str) -> Iterator[str]:
    """Give a code in groups of four, as people read it."""
    for i in range(0, len(code), 4):
        yield code[i : i + 4]
