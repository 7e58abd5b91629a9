"""How a server is set up. Fixed when it starts; nothing of it can be changed from a browser."""

from __future__ import annotations

import ipaddress
from pathlib import Path

import attrs

from midstance.errors import OptionError
from midstance.records.home import Home

#: Where the workbench listens unless another place is given.
HOST, PORT = "127.0.0.1", 8320
#: Most bytes of one film, and of everything else that is sent in one request.
MOST_FILM_BYTES = 8 * 1024**3
MOST_PICTURE_BYTES = 40 * 1024**2
MOST_BODY_BYTES = 2 * 1024**2


def _home(value: Home | Path | str) -> Home:
    return value if isinstance(value, Home) else Home(Path(value))


def is_loopback(host: str) -> bool:
    """Tell whether only programs on this machine can reach what listens at ``host``."""
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


@attrs.frozen(kw_only=True)
class Config:
    """One server.

    Parameters
    ----------
    home : the data folder; a path is taken too.
    database_url : database other than the one in the folder.
    host, port : where to listen.
    workers : how many jobs run side by side; 0 runs none (they wait).
    certificate, key : PEM files for TLS; both or none.
    phone_port : where the small server for phones listens while the coach has opened it; 0 takes ``port`` + 1.
    names : further names this server may be called by (``Host`` headers), beside its own addresses.
    most_film_bytes : largest film that is taken, bytes.
    fresh : files of the pages may change while the server runs, so browsers keep none of them.
    """

    home: Home = attrs.field(converter=_home)
    database_url: str | None = None
    host: str = HOST
    port: int = PORT
    workers: int = 1
    certificate: Path | None = None
    key: Path | None = None
    phone_port: int = 0
    names: tuple[str, ...] = ()
    most_film_bytes: int = MOST_FILM_BYTES
    fresh: bool = False

    def __attrs_post_init__(self) -> None:
        if not 1 <= self.port <= 65535:
            raise OptionError(
                f"{self.port} is not a port",
                where="--port",
                allowed="1 to 65535",
                next_step="leave it out, or give another number",
            )
        if (self.certificate is None) != (self.key is None):
            raise OptionError(
                "a certificate needs its key, and a key its certificate",
                where="--certificate, --key",
                allowed="both, as PEM files, or none",
                next_step="give the one that is missing",
            )
        if not 0 <= self.workers <= 64:
            raise OptionError(
                f"{self.workers} workers can't be started",
                where="--workers",
                allowed="0 to 64",
                next_step="leave it out to work on one thing at a time",
            )

    @property
    def tls(self) -> bool:
        """True when browsers reach the server over TLS."""
        return self.certificate is not None

    @property
    def local_only(self) -> bool:
        """True when only this machine can reach the server."""
        return is_loopback(self.host)

    @property
    def origin(self) -> str:
        """The address to open in a browser on this machine."""
        host = {"0.0.0.0": "127.0.0.1", "::": "[::1]"}.get(self.host, self.host)
        if ":" in host and not host.startswith("["):
            host = f"[{host}]"
        return f"{'https' if self.tls else 'http'}://{host}:{self.port}"
