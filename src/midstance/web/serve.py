"""Runs the workbench until it is stopped."""

from __future__ import annotations

import argparse
import contextlib
import socket
import sys
from collections.abc import Callable
from pathlib import Path

import uvicorn

from midstance.errors import MidstanceError, RecordsError
from midstance.records.accounts import has_accounts
from midstance.web.app import create_app, open_workbench
from midstance.web.config import HOST, PORT, Config
from midstance.workers.lock import HomeLock

#: How long requests that are under way may take after the server was told to stop, s.
STOP_S = 5


def check(config: Config) -> None:
    """Stop when the server must not be started like this.

    Raises
    ------
    RecordsError
        Other machines could reach it and nobody has an account, the records can't be opened, another server works on the
        folder, or the port is taken.
    """
    bench = open_workbench(config)
    try:
        if not config.local_only:
            with bench.database.reading() as db:
                if not has_accounts(db):
                    raise RecordsError(
                        "other machines could reach the workbench, and nobody has an account",
                        where=f"--host {config.host}",
                        allowed="127.0.0.1 without accounts; other addresses once there is one",
                        next_step="make one with `midstance account NAME`, then start again",
                    )
        lock = HomeLock(config.home)
        lock.take()
        lock.release()
    finally:
        bench.database.close()
    family = socket.AF_INET6 if ":" in config.host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((config.host.strip("[]"), config.port))
        except OSError as error:
            raise RecordsError(
                f"the server can't listen there ({error.strerror or error})",
                where=f"{config.host} port {config.port}",
                allowed="an address of this machine and a port nothing else uses",
                next_step="stop the other program, or give another --port",
            ) from error


def make_server(config: Config, ready: Callable[[str], None] | None = None) -> uvicorn.Server:
    """Return the server, not yet running; ``ready`` is called with the address once it listens."""
    app = create_app(config)

    class Server(uvicorn.Server):
        """Says when it listens, and ends the streams of live progress first, which would keep it from stopping."""

        async def startup(self, sockets: list[socket.socket] | None = None) -> None:
            await super().startup(sockets)
            if self.started and ready is not None:
                ready(config.origin)

        async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
            bench = getattr(app.state, "workbench", None)
            if bench is not None:
                bench.news.close()
            await super().shutdown(sockets)

    return Server(
        uvicorn.Config(
            app,
            host=config.host.strip("[]"),
            port=config.port,
            ssl_certfile=config.certificate,
            ssl_keyfile=config.key,
            log_level="warning",
            access_log=False,
            server_header=False,
            proxy_headers=False,  # anybody could say they come from elsewhere
            timeout_graceful_shutdown=STOP_S,
            ws="none",
            lifespan="on",
        )
    )


def serve(config: Config, ready: Callable[[str], None] | None = None) -> None:
    """Run the workbench until it is told to stop (Ctrl-C or SIGTERM).

    ``ready`` is called with the address once the server listens.

    Raises
    ------
    RecordsError
        It can't be started; see :func:`check`.
    """
    check(config)
    with contextlib.suppress(KeyboardInterrupt):
        make_server(config, ready).run()


def main() -> None:
    """Start a server for development: ``python -m midstance.web.serve --data DIR``."""
    parser = argparse.ArgumentParser(prog="python -m midstance.web.serve")
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--host", default=HOST)
    parser.add_argument("--port", type=int, default=PORT)
    parser.add_argument("--workers", type=int, default=1)
    given = parser.parse_args()
    try:
        config = Config(
            home=given.data, host=given.host, port=given.port, workers=given.workers, fresh=True
        )
        serve(config, lambda address: print(f"listening at {address}", flush=True))
    except MidstanceError as error:
        sys.exit(error.message())


if __name__ == "__main__":
    main()
