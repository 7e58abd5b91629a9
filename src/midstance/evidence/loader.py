"""Loader of the citations, thresholds and cautions that come with the package.

The one rule that everything here serves: a statement that nobody has read in its source is never shown to a
user as a citation. A threshold that rests on habit or memory is shown as :data:`NO_SOURCE`, in these words.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Mapping
from functools import lru_cache
from importlib import resources
from typing import Any, Literal, get_args

import attrs

CitationStatus = Literal["seen: abstract", "seen: text", "seen: data", "secondary", "memory"]
ThresholdStatus = Literal["seen", "practice", "memory"]
Direction = Literal["above", "below", "change", "difference", "describe"]
Strength = Literal["strong", "moderate", "limited", "very limited", "practice only"]
CautionKind = Literal["usual", "stop", "emergency"]

#: What is shown in place of a source where there is none that was read.
NO_SOURCE = "common practice, no source"
#: Added to a source that is known through a summary only.
SECONDARY_REMARK = "known from summaries"

_DOI = re.compile(r"^10\.\d{4,9}/\S+$")


def _one_of(allowed: Any) -> Any:
    return attrs.validators.in_(get_args(allowed))


def _filled(instance: Any, attribute: attrs.Attribute[str], value: str) -> None:
    if not isinstance(value, str) or not value.strip():
        raise ValueError(f"{type(instance).__name__}.{attribute.name} must be a text that is not empty")


@attrs.frozen
class Citation:
    """One published source. ``says`` holds only what was read of it."""

    key: str = attrs.field(validator=_filled)
    short: str = attrs.field(validator=_filled)
    reference: str = attrs.field(validator=_filled)
    status: CitationStatus = attrs.field(validator=_one_of(CitationStatus))
    says: str = attrs.field(validator=_filled)
    doi: str | None = attrs.field(default=None)

    @doi.validator
    def _check_doi(self, _: attrs.Attribute[str | None], value: str | None) -> None:
        if value is not None and not _DOI.match(value):
            raise ValueError(f"{self.key}: {value!r} is no DOI")

    @property
    def printable(self) -> bool:
        """Whether this may be shown to a user as a citation."""
        return self.status != "memory"

    def text(self) -> str:
        """Return the full reference as shown to a user.

        Raises
        ------
        ValueError
            If the source is known from memory only.
        """
        if not self.printable:
            raise ValueError(f"{self.key} is known from memory only and must not be shown as a citation")
        doi = f", doi:{self.doi}" if self.doi else ""
        remark = f" ({SECONDARY_REMARK})" if self.status == "secondary" else ""
        return f"{self.reference}{doi}{remark}"


@attrs.frozen
class Threshold:
    """A limit for one measure. ``value`` is in ``unit``; ``strength`` is that of the evidence that crossing
    it matters.
    """

    key: str = attrs.field(validator=_filled)
    measure: str = attrs.field(validator=_filled)
    value: float = attrs.field(converter=float)
    unit: str = attrs.field(validator=_filled)
    direction: Direction = attrs.field(validator=_one_of(Direction))
    strength: Strength = attrs.field(validator=_one_of(Strength))
    status: ThresholdStatus = attrs.field(validator=_one_of(ThresholdStatus))
    citations: tuple[str, ...] = attrs.field(converter=tuple)
    note: str = ""

    def cleared(self, low: float, high: float) -> bool:
        """Return whether an interval lies wholly beyond the threshold; touching it isn't enough."""
        if self.direction == "above":
            return low > self.value
        if self.direction == "below":
            return high < self.value
        raise ValueError(f"{self.key}: a threshold of direction {self.direction!r} isn't cleared by one interval")


@attrs.frozen
class Caution:
    """One caution for the reader; common practice, without a citation."""

    key: str = attrs.field(validator=_filled)
    kind: CautionKind = attrs.field(validator=_one_of(CautionKind))
    text: str = attrs.field(validator=_filled)


@attrs.frozen
class Evidence:
    """All citations, thresholds and cautions, checked against each other."""

    citations: Mapping[str, Citation]
    thresholds: Mapping[str, Threshold]
    cautions: tuple[Caution, ...]

    def __attrs_post_init__(self) -> None:
        for threshold in self.thresholds.values():
            for key in threshold.citations:
                if key not in self.citations:
                    raise ValueError(f"threshold {threshold.key}: no citation {key!r}")
            seen = [k for k in threshold.citations if self.citations[k].printable]
            if threshold.status == "seen" and not seen:
                raise ValueError(f"threshold {threshold.key}: status 'seen' needs a citation that was read")

    def threshold(self, key: str) -> Threshold:
        """Return one threshold by its key."""
        return self.thresholds[key]

    def threshold_source(self, key: str) -> str:
        """Return where the limit itself comes from, in words for the user."""
        threshold = self.thresholds[key]
        if threshold.status != "seen":
            return NO_SOURCE
        return self.cite(threshold.citations)

    def cite(self, keys: Iterable[str]) -> str:
        """Return the printable references among ``keys``, joined by semicolons; :data:`NO_SOURCE` if there
        is none.
        """
        texts = [self.citations[k].text() for k in keys if self.citations[k].printable]
        return "; ".join(texts) if texts else NO_SOURCE

    def short(self, keys: Iterable[str]) -> str:
        """Return the short names of the printable citations among ``keys``, for texts that have a list of
        sources.
        """
        return "; ".join(self.citations[k].short for k in keys if self.citations[k].printable) or NO_SOURCE

    def cited_in(self, texts: Iterable[str]) -> list[Citation]:
        """Return the printable citations whose reference or short name occurs in any of the texts, in order
        of
        reference.
        """
        joined = "\n".join(texts)
        found = [c for c in self.citations.values() if c.printable and (c.reference in joined or c.short in joined)]
        return sorted(found, key=lambda c: c.reference)


def parse_evidence(citations: str, thresholds: str, cautions: str) -> Evidence:
    """Build the evidence from three TOML texts; faults raise ``ValueError`` or ``TypeError``."""
    return Evidence(
        citations={k: Citation(key=k, **v) for k, v in tomllib.loads(citations).items()},
        thresholds={k: Threshold(key=k, **v) for k, v in tomllib.loads(thresholds).items()},
        cautions=tuple(Caution(**c) for c in tomllib.loads(cautions)["cautions"]),
    )


@lru_cache(maxsize=1)
def load_evidence() -> Evidence:
    """Return the evidence that comes with the package (read once)."""
    folder = resources.files("midstance.evidence")
    names = ("citations.toml", "thresholds.toml", "cautions.toml")
    texts = [(folder / name).read_text(encoding="utf-8") for name in names]
    return parse_evidence(*texts)
