"""Was a recording low-passed? On recordings known to be, known not to be, and filtered here."""

from __future__ import annotations

from pathlib import Path

import ezc3d
import numpy as np
import pytest
from force_runner import MadeRunner, made

from midstance.force.bandwidth import bandwidth
from midstance.signals.filters import butterworth_lowpass

DATA = Path(__file__).resolve().parents[1] / "data" / "force"


def raw_treadmill(runner: str) -> np.ndarray:
    """As recorded, 300 Hz (Fukuchi et al. 2017)."""
    return -1000.0 * ezc3d.c3d(str(DATA / f"{runner}_3.5mps_raw_part.c3d"))["data"]["analogs"][0][2]


def raw_plates() -> np.ndarray:
    """As recorded, 1500 Hz (Dorn et al. 2012)."""
    return -ezc3d.c3d(str(DATA / "sprint_9mps_8plates.c3d"))["data"]["analogs"][0][2:48:6].sum(axis=0)


@pytest.mark.parametrize("runner", ["runner01", "runner12"])
def test_untouched_recordings_of_a_treadmill(runner):
    got = bandwidth(raw_treadmill(runner), 300.0)
    assert got.cut_off_hz is None
    assert "300 Hz" in (got.why_no_loading_rate() or "")
    assert got.why_no_impact_peak() is None


def test_untouched_recording_of_plates():
    got = bandwidth(raw_plates(), 1500.0)
    assert got.cut_off_hz is None
    assert got.why_no_loading_rate() is None


@pytest.mark.parametrize("cut_off", [20, 30, 40, 50])
@pytest.mark.parametrize("runner", ["runner01", "runner12"])
@pytest.mark.parametrize("rounded", [False, True])
def test_filtered_here(runner, cut_off, rounded):
    x = butterworth_lowpass(raw_treadmill(runner), 300.0, cut_off)
    got = bandwidth(np.round(x) if rounded else x, 300.0)
    assert got.cut_off_hz is not None
    assert 0.5 * cut_off < got.cut_off_hz < 1.7 * cut_off


@pytest.mark.parametrize("cut_off", [20, 30, 50])
def test_filtered_plates(cut_off):
    got = bandwidth(butterworth_lowpass(raw_plates(), 1500.0, cut_off), 1500.0)
    assert got.cut_off_hz is not None
    assert got.cut_off_hz < 80
    assert "low-passed at about" in (got.why_no_loading_rate() or "")


def test_filtered_by_their_authors_at_50_hz():
    """39 recordings low-passed at 50 Hz before they were published (Fukuchi et al. 2017)."""
    with np.load(DATA / "rbds_forces.npz") as z:
        found = [bandwidth(0.5 * np.cumsum(z[k]), 300.0).cut_off_hz for k in z.files if k.endswith("/force")]
    assert len(found) == 39
    assert all(f is not None for f in found)
    assert 30 < np.median([f for f in found if f is not None]) < 60


@pytest.mark.parametrize("speed", ["2.5", "3.33", "4.17"])
def test_filtered_by_their_authors(speed):
    """Alcantara et al. 2022: already low-passed, 500 Hz."""
    got = bandwidth(np.loadtxt(DATA / f"slope0_{speed}mps_bw.csv") * 750, 500.0)
    assert got.cut_off_hz is not None
    assert got.cut_off_hz < 40
    assert "loading rates" in (got.why_no_loading_rate() or "")
    assert "impact peak" in (got.why_no_impact_peak() or "")


@pytest.mark.parametrize("impact", [0.0, 1.0])
def test_a_made_recording_with_noise(impact):
    m = made(MadeRunner(impact_bw=impact), 20.0, noise_n=4.0)
    up = m.wrench[0][:, 1]
    assert bandwidth(up, 1000.0).cut_off_hz is None
    low = bandwidth(butterworth_lowpass(up, 1000.0, 40.0), 1000.0)
    assert low.cut_off_hz is not None
    assert low.why_no_loading_rate()


def test_too_little_tells_nothing():
    assert bandwidth(np.zeros(100), 1000.0).enough is False


def test_what_the_file_says_counts():
    got = bandwidth(np.random.default_rng(0).normal(size=5000), 1000.0, named_hz=30.0)
    assert "as the file says" in (got.why_no_loading_rate() or "")
