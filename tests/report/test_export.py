"""assessment.json, the two CSV files and the landmark files hold the contract to the letter."""

from __future__ import annotations

import csv
import io
import json
import math
from pathlib import Path
from typing import Any

import attrs
import numpy as np
import pyarrow.parquet as pq
import pytest
from sample import sample_assessment

from midstance.assess.export import (
    assessment_to_dict,
    column_name,
    write_json,
    write_landmarks_parquet,
    write_measures_csv,
    write_strides_csv,
)
from midstance.gait.model import LANDMARKS, State


def walk(value: Any) -> Any:
    yield value
    if isinstance(value, dict):
        for v in value.values():
            yield from walk(v)
    elif isinstance(value, list):
        for v in value:
            yield from walk(v)


def test_json_has_the_contracts_keys_in_order() -> None:
    d = assessment_to_dict(sample_assessment())
    assert list(d)[:8] == [
        "schema",
        "software",
        "films",
        "events",
        "measures",
        "findings",
        "plan",
        "excluded",
    ]
    assert d["schema"] == 1
    film = d["films"][0]
    assert list(film)[:6] == ["view", "frames", "duration_s", "capture_fps", "direction", "quality"]
    assert set(d["events"][0]) == {"view", "side", "kind", "time_s", "low_s", "high_s", "source"}
    assert {e["kind"] for e in d["events"]} == {"initial_contact", "toe_off"}
    measured = {"measure", "side", "view", "unit", "value", "low", "high", "n", "method"}
    for m in d["measures"]:
        assert set(m) == (measured if m["value"] is not None else measured | {"reason"})
    assert {"stride", "reason"} <= set(d["excluded"][0])
    assert d["context"]["invented"] is True


def test_plan_says_honestly_that_there_is_none() -> None:
    assert "No plan was made" in assessment_to_dict(sample_assessment())["plan"]["note"]


def test_not_measurable_never_carries_a_number() -> None:
    absent = [m for m in assessment_to_dict(sample_assessment())["measures"] if "reason" in m]
    assert absent
    for m in absent:
        assert (m["value"], m["low"], m["high"]) == (None, None, None)
        assert m["reason"]


def test_no_machine_path_leaves() -> None:
    text = json.dumps(assessment_to_dict(sample_assessment()))
    assert "films/side.mp4" not in text
    assert "side.mp4" in text


def test_json_is_plain_and_finite_whatever_the_settings_hold(tmp_path: Path) -> None:
    odd = {
        "a": math.nan,
        "b": np.float64(math.inf),
        "c": np.arange(3),
        "d": Path("/somewhere/film.mp4"),
        "e": (1, np.int64(2)),
        "f": State.SEEN,
        "g": {"x", "y"},
        "h": np.bool_(True),
        "i": 1e-9,
    }
    a = sample_assessment(settings=odd)
    write_json(a, tmp_path / "a.json")
    text = (tmp_path / "a.json").read_text("utf-8")

    def refuse(name: str) -> None:
        raise AssertionError(f"{name} in JSON")

    d = json.loads(text, parse_constant=refuse)
    expected = {
        "a": None,
        "b": None,
        "c": [0, 1, 2],
        "d": "film.mp4",
        "e": [1, 2],
        "f": "seen",
        "g": ["x", "y"],
    }
    assert d["context"]["settings"] == expected | {"h": True, "i": 0.0}
    assert all(not isinstance(v, float) or math.isfinite(v) for v in walk(d))
    with pytest.raises(TypeError, match="can't hold"):
        assessment_to_dict(attrs.evolve(a, settings={"x": object()}))


def test_json_values_are_the_assessments() -> None:
    a = sample_assessment()
    d = assessment_to_dict(a)
    for m, e in zip(a.measures, d["measures"], strict=True):
        if m.value is not None:
            assert e["value"] == pytest.approx(m.value, abs=1e-6)
            assert e["low"] <= e["value"] <= e["high"]
    for finding in d["findings"]:
        assert finding["does_not_say"]
        assert "What it does not say" not in finding["text"]


def read(file: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(file.read_bytes().decode("utf-8"), newline="")))


def test_measures_csv_round_trip(tmp_path: Path) -> None:
    a = sample_assessment()
    awkward = attrs.evolve(a.measures[0], method='says "so, and\r\nso", über')
    a = attrs.evolve(a, measures=(awkward, *a.measures[1:]))
    write_measures_csv(a, tmp_path / "m.csv")
    raw = (tmp_path / "m.csv").read_bytes()
    assert raw.endswith(b"\r\n")
    assert not raw.startswith(b"\xef\xbb\xbf")
    rows = read(tmp_path / "m.csv")
    assert len(rows) == len(a.measures)
    assert rows[0]["method"] == awkward.method
    for m, r in zip(a.measures, rows, strict=True):
        assert (r["measure"], r["side"], r["view"], r["unit"]) == (m.measure, m.side, m.view, m.unit)
        if m.value is None:
            assert (r["value"], r["low_95"], r["high_95"]) == ("", "", "")
            assert r["reason"] == m.reason
        else:
            assert float(r["value"]) == pytest.approx(m.value, abs=1e-6)
            assert r["reason"] == ""


def test_strides_csv_round_trip(tmp_path: Path) -> None:
    a = sample_assessment()
    write_strides_csv(a, tmp_path / "s.csv")
    rows = read(tmp_path / "s.csv")
    assert len(rows) == len(a.stances)
    by_place = {(r["view"], r["side"], int(r["stride"])): r for r in rows}
    for v in a.stride_values:
        row = by_place[v.view, v.side, v.stride]
        name = column_name(v.measure, v.unit)
        assert float(row[name]) == pytest.approx(v.value, abs=1e-6)
        assert float(row[f"{name}_low_95"]) <= float(row[name]) <= float(row[f"{name}_high_95"])
    left_out = [r for r in rows if r["left_out_because"]]
    assert len(left_out) == sum(s.excluded is not None for s in a.stances)
    assert all(r["knee_flexion_contact_deg"] == "" for r in left_out)
    assert {"contact_time_s", "step_length_m", "duty_factor_ratio", "leg_stiffness_kN_per_m"} <= set(rows[0])


def test_landmarks_parquet_round_trip(tmp_path: Path) -> None:
    paths = sample_assessment().films[0].landmarks
    write_landmarks_parquet(paths, tmp_path / "l.parquet")
    table = pq.read_table(tmp_path / "l.parquet")
    assert table.column_names == [
        "frame", "time_s", "landmark", "x_px", "y_px", "score", "sigma_px", "state",
    ]  # fmt: skip
    n, k = paths.score.shape
    assert table.num_rows == n * k
    data = table.to_pydict()
    at = 3 * k + 5
    assert (data["frame"][at], data["landmark"][at], data["state"][at]) == (3, LANDMARKS[5], "missing")
    assert data["x_px"][at] is None
    assert data["x_px"][at + 1] == paths.xy[3, 6, 0]
    assert data["y_px"][at + 1] == paths.xy[3, 6, 1]
    assert data["time_s"][at] == paths.time_s[3]
    assert table.schema.metadata[b"view"] == b"side"
