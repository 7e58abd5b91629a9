"""Closed checks agree, name their sources, and would show it if they did not."""

from __future__ import annotations

import attrs

from midstance.validate import closed
from midstance.validate.closed import CHECKS, check_closed, closed_section


def test_every_check_agrees_and_names_its_source():
    results = check_closed()
    section = closed_section(results)
    assert len(results) == len(CHECKS) > 25
    assert [r["what"] for r in results if not r["agrees"]] == []
    assert all(r["source"] for r in results)
    assert section.bars[0].met is True
    assert "DOES NOT AGREE" not in section.markdown()


def test_a_check_that_fails_is_seen(monkeypatch):
    wrong = attrs.evolve(CHECKS[0], value=CHECKS[0].value + 1)
    monkeypatch.setattr(closed, "CHECKS", (wrong, *CHECKS[1:]))
    results = check_closed()
    section = closed_section(results)
    assert results[0]["agrees"] is False
    assert section.bars[0].met is False
    assert "DOES NOT AGREE" in "\n".join(section.lines())
