"""The evidence that comes with the package, and the rule that nothing from memory is shown as a citation."""

from __future__ import annotations

import pytest

from midstance.evidence import NO_SOURCE, Citation, Evidence, Threshold, load_evidence
from midstance.evidence.loader import parse_evidence

CAUTIONS = '[[cautions]]\nkey = "a"\nkind = "usual"\ntext = "Take care."\n'


def citation(status: str = "memory") -> Citation:
    return Citation(key="x", short="X 2000", reference="X 2000, J", status=status, says="Something.")  # type: ignore[arg-type]


def test_package_evidence_loads_and_every_threshold_names_known_citations() -> None:
    evidence = load_evidence()
    assert {"shank_reaching", "pelvic_drop", "strike_rearfoot"} <= set(evidence.thresholds)
    for threshold in evidence.thresholds.values():
        assert all(k in evidence.citations for k in threshold.citations)


def test_memory_is_never_shown_as_a_citation() -> None:
    evidence = load_evidence()
    memory = [c for c in evidence.citations.values() if c.status == "memory"]
    assert memory, "the rule is only tested if there is something to hold back"
    for c in memory:
        with pytest.raises(ValueError, match="memory"):
            c.text()
        assert evidence.cite([c.key]) == NO_SOURCE
        assert evidence.cited_in([c.reference]) == []
    mixed = evidence.cite([memory[0].key, "lieberman2015"])
    assert "Lieberman" in mixed
    assert memory[0].short not in mixed


def test_threshold_without_a_source_that_was_read_says_common_practice() -> None:
    evidence = load_evidence()
    for threshold in evidence.thresholds.values():
        shown = evidence.threshold_source(threshold.key)
        if threshold.status != "seen":
            assert shown == "common practice, no source"
        else:
            assert shown != NO_SOURCE


def test_secondary_source_is_marked() -> None:
    assert citation("secondary").text().endswith("(known from summaries)")
    assert "known from summaries" in load_evidence().cite(["bramah2018"])


def test_seen_threshold_needs_a_citation_that_was_read() -> None:
    limit = Threshold(
        key="t", measure="m", value=1, unit="deg", direction="above", strength="limited", status="seen",
        citations=["x"],
    )  # fmt: skip
    with pytest.raises(ValueError, match="needs a citation"):
        Evidence(citations={"x": citation("memory")}, thresholds={"t": limit}, cautions=())
    assert Evidence(citations={"x": citation("seen: abstract")}, thresholds={"t": limit}, cautions=())


@pytest.mark.parametrize(
    ("low", "high", "direction", "cleared"),
    [
        (5.0, 9.0, "above", False),
        (5.01, 9.0, "above", True),
        (3.0, 5.0, "below", False),
        (3.0, 4.99, "below", True),
        (4.0, 6.0, "above", False),
        (4.0, 6.0, "below", False),
    ],
)
def test_only_an_interval_wholly_beyond_clears(
    low: float, high: float, direction: str, cleared: bool
) -> None:
    limit = Threshold(
        key="t", measure="m", value=5, unit="deg", direction=direction, strength="limited", status="practice",
        citations=(),
    )  # type: ignore[arg-type]  # fmt: skip
    assert limit.cleared(low, high) is cleared


@pytest.mark.parametrize(
    "text",
    [
        '[a]\nshort = "A"\nreference = "A"\nstatus = "hearsay"\nsays = "x"\n',
        '[a]\nshort = ""\nreference = "A"\nstatus = "secondary"\nsays = "x"\n',
        '[a]\nshort = "A"\nreference = "A"\nstatus = "secondary"\nsays = "x"\ndoi = "doi:10.1/x"\n',
    ],
)
def test_faulty_citation_files_are_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"\w"):
        parse_evidence(text, "", CAUTIONS)


def test_unknown_citation_key_is_refused() -> None:
    text = (
        '[t]\nmeasure = "m"\nvalue = 1\nunit = "deg"\ndirection = "above"\nstrength = "limited"\n'
        'status = "practice"\ncitations = ["nobody"]\n'
    )
    with pytest.raises(ValueError, match="nobody"):
        parse_evidence("", text, CAUTIONS)


def test_cautions_send_to_a_clinician_and_carry_no_citation() -> None:
    evidence = load_evidence()
    texts = " ".join(c.text for c in evidence.cautions)
    assert "licensed clinician" in texts
    assert "not a diagnosis" in texts
    assert {c.kind for c in evidence.cautions} == {"usual", "stop", "emergency"}
    assert not any(c.short in texts or (c.doi or "!") in texts for c in evidence.citations.values())
