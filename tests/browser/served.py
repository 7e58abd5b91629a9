"""A workbench started as a user starts it, in a process of its own, and short films to hand in."""

from __future__ import annotations

import contextlib
import http.client
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import IO

import av

import midstance.assess.demo

DEMO = Path(midstance.assess.demo.__file__).parent
#: How long the server may take to answer for the first time, s. It takes one or two where nothing else runs.
START_S = 60.0


def free_port() -> int:
    """Return a port that nothing uses now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def cut(source: Path, target: Path, seconds: float) -> Path:
    """Copy the first seconds of a film as they are coded, without coding them anew."""
    with av.open(str(source)) as given, av.open(str(target), "w") as out:
        stream = given.streams.video[0]
        copy = out.add_stream_from_template(stream)
        for packet in given.demux(stream):
            if packet.dts is None or packet.pts is None or packet.pts * stream.time_base >= seconds:
                continue
            packet.stream = copy
            out.mux(packet)
    return target


def side_film(folder: Path, seconds: float = 2.0) -> Path:
    """Make a short film of the demo's invented runner from the side, 120 pictures a second."""
    return cut(DEMO / "side.mp4", folder / "Anna from the side.mp4", seconds)


class Served:
    """``midstance serve`` on a data folder. May be killed and started again; the address stays the same."""

    def __init__(self, home: Path, *, workers: int = 1, database_url: str | None = None) -> None:
        self.home, self.workers, self.database_url = home, workers, database_url
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self.log = home.parent / f"{home.name}.log"
        self.process: subprocess.Popen[bytes] | None = None
        self._log: IO[bytes] | None = None

    def begin(self) -> None:
        """Start it without waiting."""
        assert self.process is None or self.process.poll() is not None, "it runs"
        # The command that is installed beside this interpreter; without one, the module that it starts.
        found = shutil.which("midstance", path=str(Path(sys.executable).parent))
        command = [found] if found else [sys.executable, "-m", "midstance.cli"]
        command += ["serve", "--data", str(self.home), "--no-browser", "--port", str(self.port)]
        command += ["--workers", str(self.workers)]
        if self.database_url:
            command += ["--database", self.database_url]
        if self._log is None:
            self._log = self.log.open("ab")
        # A session of its own: Ctrl-C at the tests isn't for it, and what it leaves behind can be found.
        self.process = subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=self._log, stderr=self._log, start_new_session=True
        )

    def start(self) -> Served:
        """Start it and wait until it answers."""
        self.begin()
        self.wait()
        return self

    def wait(self, patience_s: float = START_S) -> None:
        """Wait until it answers."""
        until = time.monotonic() + patience_s
        while not self.answers():
            assert self.process is not None
            if self.process.poll() is not None:
                raise AssertionError(f"the server ended with {self.process.returncode}: {self.said()}")
            if time.monotonic() > until:
                raise AssertionError(f"the server didn't answer within {patience_s:g} s: {self.said()}")
            time.sleep(0.02)

    def answers(self) -> bool:
        """Tell whether it answers."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=5)
        try:
            connection.request("GET", "/api/about")
            return connection.getresponse().status == 200
        except (OSError, http.client.HTTPException):
            return False
        finally:
            connection.close()

    def children(self) -> list[int]:
        """Return the processes that it started and that still run (Linux)."""
        assert self.process is not None
        found = []
        for folder in Path("/proc").iterdir():
            if folder.name.isdigit():
                with contextlib.suppress(OSError):
                    # The name, in brackets, may hold anything; state and parent come after it.
                    state, parent = (folder / "stat").read_text().rpartition(")")[2].split()[:2]
                    if int(parent) == self.process.pid and state != "Z":
                        found.append(int(folder.name))
        return found

    def kill(self) -> None:
        """Kill it as kill -9 does: it can't do anything about it."""
        assert self.process is not None
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(30)

    def stop(self) -> None:
        """End it as Ctrl-C does."""
        if self.process is not None and self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
            try:
                self.process.wait(30)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait(30)
                raise AssertionError(f"the server didn't end within 30 s: {self.said()}") from None
            finally:
                if self._log is not None:
                    self._log.close()
                    self._log = None

    def said(self) -> str:
        """Return the end of what it wrote."""
        return self.log.read_text(errors="replace")[-3000:] if self.log.exists() else ""

    def memory_mb(self) -> float:
        """Return the server's own resident memory, 10⁶ bytes (Linux)."""
        assert self.process is not None
        pages = int(Path(f"/proc/{self.process.pid}/statm").read_text().split()[1])
        return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


@contextlib.contextmanager
def serving(home: Path, *, workers: int = 1, database_url: str | None = None) -> Iterator[Served]:
    """Give a server that runs, and end it afterwards."""
    served = Served(home, workers=workers, database_url=database_url)
    try:
        yield served.start()
    finally:
        served.stop()
