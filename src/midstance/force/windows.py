"""A long recording in pieces: windows with margins, so that a contact at a border is seen whole by one of them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import attrs
import numpy as np

from midstance.force.model import ForceBlock
from midstance.gait.model import Floats

#: Length of a window's own part and of its margins, s. The margin holds a contact and the flight phases around it.
CORE_S, MARGIN_S = 20.0, 2.0


@attrs.frozen(eq=False)
class Piece:
    """Samples ``first`` to ``first + n``; contacts that begin in [``core_start``, ``core_stop``) belong to this piece."""

    first: int
    wrench: Floats
    core_start: int
    core_stop: int


def pieces(blocks: Iterable[ForceBlock], rate_hz: float) -> Iterator[Piece]:
    """Cut a stream of blocks into overlapping pieces; never holds more than two windows' length.

    Raises
    ------
    ValueError
        Blocks that don't follow each other.
    """
    core, margin = max(1, round(CORE_S * rate_hz)), max(1, round(MARGIN_S * rate_hz))
    held: list[Floats] = []
    start = None  # sample number of what is held first
    have = 0
    core_start = 0
    for block in blocks:
        if start is None:
            start = core_start = block.first
        if block.first != start + have:
            raise ValueError(f"blocks must follow each other: expected sample {start + have}, got {block.first}")
        held.append(block.wrench)
        have += block.wrench.shape[1]
        while start + have >= core_start + core + margin:
            wrench = np.concatenate(held, axis=1)
            stop = core_start + core + margin - start
            yield Piece(start, wrench[:, :stop], core_start, core_start + core)
            core_start += core
            drop = max(0, core_start - margin - start)
            held = [wrench[:, drop:]]
            start, have = start + drop, wrench.shape[1] - drop
    if start is not None and start + have > core_start:
        yield Piece(start, np.concatenate(held, axis=1), core_start, start + have)
