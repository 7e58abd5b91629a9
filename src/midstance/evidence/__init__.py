"""What is known from published work, and how far each statement has been checked."""

from midstance.evidence.loader import (
    NO_SOURCE,
    Caution,
    Citation,
    Evidence,
    Threshold,
    load_evidence,
)

__all__ = ["NO_SOURCE", "Caution", "Citation", "Evidence", "Threshold", "load_evidence"]
