"""What a child process may use, and how it is made to end with the server. Only what the system can do is done.

Measured with reading landmarks and making the playable copy on Linux, two cores (memory as RLIMIT_DATA counts it, and
resident): 1080p H.264 0.95 GiB and 0.53 GiB; 2160p HEVC with 10 bits 1.7 GiB and 1.35 GiB.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import signal
import sys
import threading
from typing import Any, BinaryIO

import attrs

GIB = 1 << 30
_PR_SET_PDEATHSIG = 1


def machine_memory() -> int | None:
    """Return the machine's memory in bytes, None where it can't be told."""
    try:
        return os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    except (AttributeError, OSError, ValueError):
        return None


def _memory() -> int:
    """Four GiB, or less on a machine that couldn't give them."""
    machine = machine_memory()
    return 4 * GIB if machine is None else min(4 * GIB, max(3 * GIB // 2, int(0.6 * machine)))


@attrs.frozen(kw_only=True)
class Limits:
    """What a job may use. Times s, sizes bytes.

    A job may take ``base_s``, and ``per_frame_s`` for each 1080p picture of its films, more for larger ones (with two cores
    a picture really takes a fortieth of that); ``stall_s`` without a sign of progress; never more than ``most_s``.
    """

    memory_bytes: int = attrs.field(factory=_memory)
    film_bytes_factor: float = 6.0
    spare_file_bytes: int = 4 * GIB
    base_s: float = 600.0
    per_frame_s: float = 1.0
    stall_s: float = 600.0
    most_s: float = 12 * 3600.0

    def job_s(self, frames: int, width: int, height: int) -> float:
        """Return the time for a job on so many pictures of that size."""
        size = max(1.0, width * height / (1920 * 1080))
        return min(self.most_s, self.base_s + self.per_frame_s * frames * size)

    def file_bytes(self, films: int, database: int) -> int:
        """Return how large one file may become: ``films`` and ``database`` are sizes of what is there."""
        return int(self.film_bytes_factor * films) + 4 * database + self.spare_file_bytes

    def cpu_s(self) -> int:
        """Return the processor time that is certainly too much."""
        return int(self.most_s * (os.cpu_count() or 1))


def limit_process(memory_bytes: int, file_bytes: int, cpu_s: int) -> None:
    """Limit this process: memory, size of a file, processor time; no core files, which would hold pictures of people."""
    try:
        import resource
    except ImportError:  # not on Windows
        return
    wanted: list[tuple[str, int]] = [
        ("RLIMIT_DATA", memory_bytes),
        ("RLIMIT_FSIZE", file_bytes),
        ("RLIMIT_CPU", cpu_s),
        ("RLIMIT_CORE", 0),
    ]
    for name, most in wanted:
        which = getattr(resource, name, None)
        if which is None:
            continue
        hard = resource.getrlimit(which)[1]
        value = most if hard == resource.RLIM_INFINITY else min(most, hard)
        with contextlib.suppress(OSError, ValueError):  # some systems know the name only
            resource.setrlimit(which, (value, value))


def be_the_first_to_go() -> None:
    """Tell the system to end this process before others when memory runs out, and to let others have the processor first."""
    with contextlib.suppress(OSError), open("/proc/self/oom_score_adj", "w", encoding="ascii") as file:
        file.write("700")
    with contextlib.suppress(OSError, AttributeError):
        os.nice(5)


def end_with_parent(parent_pid: int, pipe: BinaryIO) -> None:
    """Make this process, and all it started, end when its parent does.

    On Linux the kernel sees to it. Everywhere, the end of the ``pipe`` from the parent tells; the parent holds its other end
    open as long as it lives.
    """
    if sys.platform == "linux":
        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL(None, use_errno=True).prctl(_PR_SET_PDEATHSIG, int(signal.SIGKILL), 0, 0, 0)
        if os.getppid() != parent_pid:  # it went before we could ask
            _end_all()

    def watch() -> None:
        with contextlib.suppress(OSError, ValueError):
            while pipe.read(1):
                pass
        _end_all()

    threading.Thread(target=watch, name="parent", daemon=True).start()


def _end_all() -> None:
    """End this process and its group at once."""
    kill_group(os.getpid())
    os._exit(1)


def kill_group(pid: int) -> None:
    """End the process group that a child leads, or the child alone where there are no groups."""
    kill: Any = getattr(os, "killpg", None)
    with contextlib.suppress(ProcessLookupError, PermissionError, OSError):
        if kill is not None:
            kill(pid, signal.SIGKILL)
        else:
            os.kill(pid, signal.SIGTERM)
