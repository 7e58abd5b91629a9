"""Rules that turn measures into plain statements, each with the strength and the source of its evidence."""

from midstance.findings.find import MAX_FINDINGS, find
from midstance.findings.words import does_not_say, paragraphs

__all__ = ["MAX_FINDINGS", "does_not_say", "find", "paragraphs"]
