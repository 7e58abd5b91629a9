"""Files that come in and go out. What comes in is streamed to disk and known by its content, not by the name it has."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

import anyio
import anyio.from_thread
from anyio.to_thread import run_sync
from fastapi import Request
from fastapi.responses import FileResponse
from python_multipart.exceptions import MultipartParseError
from python_multipart.multipart import MultipartParser, parse_options_header
from starlette.requests import ClientDisconnect
from starlette.types import Receive, Scope, Send

from midstance.errors import OptionError
from midstance.records.tables import FilmRow
from midstance.web.problems import WrongTypeError
from midstance.web.security import too_large

if TYPE_CHECKING:
    from midstance.web.app import Workbench

VIEWS = ("side", "side_far", "rear", "front")
#: How much of a film is looked at to tell what it is.
SNIFFED_BYTES = 1024
#: Most films that come in at the same time; more wait.
MOST_AT_ONCE = 8
MAX_NAME = 120
#: Brands of still pictures in the container that films use too.
_PICTURE_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"mif1", b"avif", b"avis", b"msf1", b"crx ")
_FIRST_BOXES = (b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot")


def film_suffix(head: bytes) -> str | None:
    """Return the suffix of the film container that the first bytes are of; None when it is none that is taken."""
    if len(head) >= 12 and head[4:8] in _FIRST_BOXES:
        if head[4:8] == b"ftyp" and head[8:12] in _PICTURE_BRANDS:
            return None
        return ".mov" if head[4:8] != b"ftyp" or head[8:10] == b"qt" else ".mp4"
    if head[:4] == b"\x1a\x45\xdf\xa3":
        return ".webm" if b"webm" in head[:64] else ".mkv"
    if head[:4] == b"RIFF" and head[8:12] == b"AVI ":
        return ".avi"
    for offset, step in ((0, 188), (4, 192)):  # transport streams repeat their mark
        if len(head) > offset + 3 * step and all(head[offset + i * step] == 0x47 for i in range(4)):
            return ".ts"
    if head[:4] in (b"\x00\x00\x01\xba", b"\x00\x00\x01\xb3"):
        return ".mpg"
    if head[:8] == b"\x30\x26\xb2\x75\x8e\x66\xcf\x11":
        return ".wmv"
    if head[:4] == b"FLV\x01":
        return ".flv"
    return None


def no_film() -> WrongTypeError:
    """Return the error for something that isn't a film."""
    return WrongTypeError(
        "this is not a film",
        where="film",
        allowed="MP4, MOV, M4V, MKV, WebM, AVI or MPEG, as the camera wrote it",
        next_step="choose the film itself; a picture, or a link to a film, can't be measured",
    )


def clean_name(name: str) -> str:
    """Return a name that came with a film, fit to be shown: no folders, no control characters, not too long."""
    last = re.split(r"[/\\]", name)[-1]
    unseen = ("Cc", "Cf", "Cs", "Cn", "Zl", "Zp")
    kept = "".join(c for c in unicodedata.normalize("NFC", last) if unicodedata.category(c) not in unseen)
    return kept.strip().strip(".")[:MAX_NAME].strip()


def disposition(name: str, kind: str = "attachment") -> str:
    """Return a ``Content-Disposition`` header (RFC 6266, 8187) whatever the name holds."""
    name = clean_name(name) or "file"
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode()
    plain = re.sub(r"[^A-Za-z0-9 ._()-]", "_", plain).strip(" .") or "file"
    extended = f"; filename*=UTF-8''{quote(name, safe='')}" if plain != name else ""
    return f'{kind}; filename="{plain}"{extended}'


def check_view(view: str) -> str:
    """Return the view when it is one.

    Raises
    ------
    OptionError
        It isn't.
    """
    if view not in VIEWS:
        raise OptionError(
            f"there is no view “{clean_name(view)}”", where="view", allowed=", ".join(VIEWS), next_step="choose one"
        )
    return view


async def take_stream(
    bench: Workbench, chunks: AsyncIterator[bytes], session_id: str, *, view: str, name: str, by: str
) -> FilmRow:
    """Take a film into a session: stream it into the media store, note it, and have it prepared and read.

    Nothing is left when it breaks off, is too large or is no film.

    Raises
    ------
    NotFoundError, OptionError, WrongTypeError, TooLargeError, RecordsError
        Why it isn't taken.
    """
    check_view(view)
    await run_sync(_check_session, bench, session_id)
    head = b""
    async for chunk in chunks:
        head += chunk
        if len(head) >= SNIFFED_BYTES:
            break
    if film_suffix(head) is None:
        raise no_film()
    most = bench.config.most_film_bytes
    if len(head) > most:
        raise too_large(most)

    async def following() -> bytes | None:
        return await anext(chunks, None)

    def blocks() -> Iterator[bytes]:
        size = len(head)
        yield head
        while (block := anyio.from_thread.run(following)) is not None:
            size += len(block)
            if size > most:
                raise too_large(most)
            if block:
                yield block

    def take() -> FilmRow:
        return keep_film(bench, blocks(), session_id, view=view, name=name, by=by)

    return await run_sync(take, limiter=_limiter(bench), abandon_on_cancel=False)


def keep_film(bench: Workbench, blocks: Iterator[bytes], session_id: str, *, view: str, name: str, by: str) -> FilmRow:
    """Store a film's bytes, note it in the session and queue the work on it."""
    from midstance.records import films
    from midstance.records.media import MediaStore
    from midstance.workers.queue import queue_film

    store = MediaStore(bench.config.home)
    stored = store.take(blocks, most_bytes=bench.config.most_film_bytes)
    try:
        with bench.database.writing() as db:  # both or none: a film that nothing is queued for would lie there for ever
            film = films.add_film(
                db,
                session_id,
                sha256=stored.sha256,
                bytes=stored.bytes,
                view=view,
                name=clean_name(name),
                by=by,
                store=store,
            )
            queue_film(db, film, by=by)
    except BaseException:
        films.drop_unused(bench.database, store, stored.sha256)
        raise
    bench.wake()
    return film


def _check_session(bench: Workbench, session_id: str) -> None:
    from midstance.records import sessions

    with bench.database.reading() as db:
        sessions.get_session(db, session_id)


def _limiter(bench: Workbench) -> anyio.CapacityLimiter:
    # Made in the server's own loop; films that come slowly must not use up the threads that pages need.
    if bench.uploads is None:
        bench.uploads = anyio.CapacityLimiter(MOST_AT_ONCE)
    return bench.uploads


async def take_body(request: Request, session_id: str, *, view: str, name: str, by: str) -> FilmRow:
    """Take a film that is the body of a request.

    Raises
    ------
    MidstanceError
        See :func:`take_stream`.
    """
    kind = request.headers.get("content-type", "application/octet-stream").split(";")[0].strip().lower()
    if kind != "application/octet-stream" and not kind.startswith("video/"):
        raise WrongTypeError(
            f"a film isn't sent as {clean_name(kind)[:60]}",
            where="Content-Type",
            allowed="application/octet-stream or video/…, the film alone as the body",
            next_step="send the film's bytes as they are",
        )
    bench: Workbench = request.app.state.workbench
    return await take_stream(bench, _blocks(request), session_id, view=view, name=name, by=by)


async def take_form(request: Request, session_id: str, by: str) -> FilmRow:
    """Take a film from a form with the fields ``view`` and, last, ``film``.

    Raises
    ------
    MidstanceError
        See :func:`take_stream`.
    """
    bench: Workbench = request.app.state.workbench
    form = _Form(request)
    await form.to_file()
    chunks = form.file()
    return await take_stream(bench, chunks, session_id, view=form.fields.get("view", ""), name=form.file_name, by=by)


async def _blocks(request: Request) -> AsyncIterator[bytes]:
    try:
        async for block in request.stream():
            yield block
    except ClientDisconnect as gone:
        raise OptionError("the film broke off", where="film", allowed="the whole film", next_step="send it again") from gone


class _Form:
    """Reads a form with one file, piece by piece: the fields before the file are kept, the file is passed on."""

    def __init__(self, request: Request) -> None:
        kind, options = parse_options_header(request.headers.get("content-type", "").encode("latin-1"))
        if kind != b"multipart/form-data" or not options.get(b"boundary"):
            raise WrongTypeError(
                "this is not a form with a file",
                where="Content-Type",
                allowed="multipart/form-data",
                next_step="use the form on the session's page",
            )
        self.fields: dict[str, str] = {}
        self.file_name = ""
        self._blocks = _blocks(request)
        self._field = self._value = b""
        self._about: dict[bytes, bytes] = {}
        self._text = b""
        self._pieces: list[bytes] = []
        self._in_file = self._ended = False
        self._parser = MultipartParser(
            options[b"boundary"],
            {
                "on_part_begin": self._begin,
                "on_header_field": self._header_field,
                "on_header_value": self._header_value,
                "on_header_end": self._header_end,
                "on_headers_finished": self._headers_finished,
                "on_part_data": self._data,
                "on_part_end": self._end,
            },
        )

    async def to_file(self) -> None:
        """Read up to the beginning of the file."""
        while not self._in_file and not self._ended and await self._more():
            pass
        if not self._in_file and not self._ended:
            raise OptionError("no film was sent", where="film", allowed="one film", next_step="choose a film first")

    async def file(self) -> AsyncIterator[bytes]:
        """Give the file's bytes."""
        while True:
            pieces, self._pieces = self._pieces, []
            for piece in pieces:
                yield piece
            if self._ended:
                break
            if not await self._more():
                raise OptionError("the film broke off", where="film", allowed="the whole film", next_step="send it again")

    async def _more(self) -> bool:
        block = await anext(self._blocks, None)
        if block is None:
            return False
        try:
            self._parser.write(block)
        except (MultipartParseError, ValueError) as error:
            raise OptionError(
                "the form can't be read", where="film", allowed="a form with a film", next_step="send it again"
            ) from error
        return True

    def _begin(self) -> None:
        self._about, self._text, self._field, self._value = {}, b"", b"", b""

    def _header_field(self, data: bytes, start: int, end: int) -> None:
        self._field += data[start:end]

    def _header_value(self, data: bytes, start: int, end: int) -> None:
        self._value += data[start:end]

    def _header_end(self) -> None:
        if self._field.lower() == b"content-disposition":
            self._about |= parse_options_header(self._value)[1]
        self._field = self._value = b""

    def _headers_finished(self) -> None:
        if b"filename" in self._about and not self._ended and self._about.get(b"name") == b"film":
            self.file_name = self._about[b"filename"].decode("utf-8", "replace")
            self._in_file = True

    def _data(self, data: bytes, start: int, end: int) -> None:
        if self._in_file:
            self._pieces.append(data[start:end])
        elif len(self._text) < 4096:
            self._text += data[start:end]

    def _end(self) -> None:
        if self._in_file:
            self._in_file, self._ended = False, True
        elif not self._ended:
            name = self._about.get(b"name", b"").decode("utf-8", "replace")
            self.fields[name] = self._text.decode("utf-8", "replace")


class OnceFile(FileResponse):
    """Sends a file and then removes it, whether it arrived or not."""

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send it."""
        try:
            await super().__call__(scope, receive, send)
        finally:
            with anyio.CancelScope(shield=True):
                await run_sync(_unlink, Path(self.path))


def _unlink(path: Path) -> None:
    path.unlink(missing_ok=True)


def once(make: Callable[[Path], Any], folder: Path, name: str, download_name: str, media_type: str) -> OnceFile:
    """Let ``make`` write a file into ``folder`` and return the answer that sends it."""
    path = folder / name
    try:
        made = make(path)
    except BaseException:
        path.unlink(missing_ok=True)
        raise
    return OnceFile(
        made if isinstance(made, Path) else path,
        media_type=media_type,
        headers={"Content-Disposition": disposition(download_name)},
    )
