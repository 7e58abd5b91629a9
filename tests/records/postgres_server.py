"""A PostgreSQL server for tests: a new cluster in a temporary folder, reached through a socket in it, gone afterwards."""

from __future__ import annotations

import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from pathlib import Path
from typing import Any

#: Where Debian keeps them; they are not on the path of commands.
DEBIAN = Path("/usr/lib/postgresql")
#: Names, by commas, what must be there: then nothing is left out because it is missing.
REQUIRE = "MIDSTANCE_TEST_REQUIRE"


def binaries() -> Path | None:
    """Return the folder with the newest server's commands, None when there is none."""
    found = sorted(DEBIAN.glob("*/bin/initdb"), key=lambda p: int(p.parts[-3]) if p.parts[-3].isdigit() else 0)
    if found:
        return found[-1].parent
    on_path = shutil.which("initdb")
    return Path(on_path).resolve().parent if on_path else None


def required() -> bool:
    """Whether a missing server is a failure."""
    return "postgresql" in os.environ.get(REQUIRE, "")


class PostgresServer:
    """A running server. The server refuses to run as root, so then it runs as the user "postgres"."""

    def __init__(self, folder: Path | None = None) -> None:
        bin_folder = binaries()
        if bin_folder is None:
            raise FileNotFoundError("no PostgreSQL server is installed (Debian: apt-get install postgresql)")
        self.bin = bin_folder
        self.root = Path(tempfile.mkdtemp(prefix="pg-", dir="/tmp"))
        self.data = self.root / "data"
        self._as: dict[str, Any] = {}
        if os.geteuid() == 0:
            user = pwd.getpwnam("postgres")
            os.chown(self.root, user.pw_uid, user.pw_gid)
            self._as = {"user": user.pw_uid, "group": user.pw_gid, "extra_groups": []}
        try:
            locale = ("--encoding=UTF8", "--locale=C.UTF-8")
            self._run("initdb", "--no-sync", "-D", str(self.data), "-U", "midstance", "-A", "trust", *locale)
            self._server = subprocess.Popen(
                [
                    str(self.bin / "postgres"), "-D", str(self.data), "-k", str(self.root), "-c", "listen_addresses=",
                    "-c", "fsync=off", "-c", "max_connections=200", "-c", "log_min_messages=fatal",
                ],
                cwd=self.root, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, **self._as,
            )  # fmt: skip
            self._wait()
        except BaseException:
            self.stop()
            raise
        self._count = 0

    def _run(self, command: str, *arguments: str) -> None:
        done = subprocess.run(
            [str(self.bin / command), *arguments], cwd=self.root, capture_output=True, text=True, check=False, **self._as
        )
        if done.returncode:
            raise RuntimeError(f"{command}: {done.stderr}")

    def _wait(self) -> None:
        import psycopg

        until = time.monotonic() + 60
        while True:
            try:
                psycopg.connect(f"host={self.root} user=midstance dbname=postgres").close()
                return
            except psycopg.OperationalError:
                if time.monotonic() > until or self._server.poll() is not None:
                    raise
                time.sleep(0.05)

    def execute(self, statement: str, database: str = "postgres") -> None:
        """Run a statement outside of a transaction, as the server's owner."""
        import psycopg

        with psycopg.connect(f"host={self.root} user=midstance dbname={database}", autocommit=True) as connection:
            connection.execute(statement)  # type: ignore[call-overload]

    def new_database(self, template: str = "template0") -> str:
        """Make a database and return its name."""
        self._count += 1
        name = f"db{self._count}"
        self.execute(f'CREATE DATABASE "{name}" TEMPLATE "{template}"')
        return name

    def url(self, name: str) -> str:
        """Return the URL of a database."""
        return f"postgresql+psycopg://midstance@/{name}?host={self.root}"

    def stop(self) -> None:
        """End the server and remove its folder."""
        server = getattr(self, "_server", None)
        if server is not None and server.poll() is None:
            server.send_signal(signal.SIGQUIT)  # at once: nothing of it is needed any more
            try:
                server.wait(20)
            except subprocess.TimeoutExpired:
                server.kill()
                server.wait()
        shutil.rmtree(self.root, ignore_errors=True)
