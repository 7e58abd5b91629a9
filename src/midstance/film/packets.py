"""The presentation times of a film's pictures, read from its packets without decoding a single one."""

from __future__ import annotations

from pathlib import Path

import av
import numpy as np

from midstance.errors import FilmError
from midstance.film.reader import open_film
from midstance.gait.model import Floats


def packet_times_s(path: Path) -> Floats:
    """Return the (n,) file times of the film's pictures in order, s from the first; hidden pictures may be among them."""
    try:
        container, stream = open_film(path)
        with container:
            base = float(stream.time_base or 1e-3)
            pts = sorted(p.pts for p in container.demux(stream) if p.pts is not None and not p.is_discard)
    except (av.error.FFmpegError, OSError, IndexError) as error:
        raise FilmError(
            "the film's times can't be read",
            where=str(path),
            allowed="a film with a time for every picture",
            next_step="use the original film as the camera wrote it",
        ) from error
    times = (np.array(pts, float) - pts[0]) * base if pts else np.zeros(0)
    keep = np.concatenate([[True], np.diff(times) > 0]) if len(times) else np.zeros(0, bool)
    return np.asarray(times[keep])
