"""Findings that a person doesn't agree with: they stay in sight, with who said so and why, and nothing is built on them."""

from __future__ import annotations

from collections.abc import Iterable

import attrs

from midstance.gait.model import Finding


@attrs.frozen
class Overruled:
    """A finding overruled: its key and side, why, by whom and when (kept as written)."""

    finding: str
    side: str
    why: str
    by: str = ""
    at: str = ""


def overrule_of(finding: Finding, overruled: Iterable[Overruled]) -> Overruled | None:
    """Return the entry that overrules a finding, the latest if there are several; None if nobody did."""
    mine = [o for o in overruled if o.finding == finding.key and o.side == finding.side]
    return mine[-1] if mine else None
