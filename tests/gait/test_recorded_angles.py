"""Plane angles of markers of real runners against inverse kinematics of a three-dimensional model.

Source: Fukuchi RK, Fukuchi CA, Duarte M (2017), PeerJ 5:e3298, doi 10.7717/peerj.3298 (CC BY 4.0); see
data/rbds_angles/README.md. The two aren't the same quantity: skin markers (greater trochanter, lateral knee
and ankle) lie off the model's joint centres, so a constant offset of a few degrees is expected, and the
course must agree.
"""

from pathlib import Path

import numpy as np
import pytest

from midstance.gait import angles
from midstance.gait.curves import Track
from midstance.signals.filters import butterworth_lowpass

FILE = Path(__file__).parents[1] / "data" / "rbds_angles" / "knee_ankle.npz"
TRIALS = ["runner01_3.5mps", "runner12_2.5mps", "runner20_4.5mps"]


def load(trial, side):
    with np.load(FILE) as z:
        points = {n: z[f"{trial}__{side}_{n}_mm10"] / 1e4 for n in ("hip", "knee", "ankle", "heel", "toe")}
        return (
            z[f"{trial}__time_s"].astype(float),
            points,
            z[f"{trial}__{side}_knee_deg"].astype(float),
            z[f"{trial}__{side}_ankle_deg"].astype(float),
            z[f"{trial}__{side}_contact_on_s"],
        )


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("trial", TRIALS)
def test_knee_follows_inverse_kinematics(trial, side):
    _, p, ik, _, _ = load(trial, side)
    knee = angles.knee_flexion(p["hip"], p["knee"], p["ankle"])
    difference = knee - ik
    assert abs(float(difference.mean())) < 6.0
    assert float(difference.std()) < 4.0
    assert float(np.corrcoef(knee, ik)[0, 1]) > 0.995


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("trial", TRIALS)
def test_ankle_follows_inverse_kinematics(trial, side):
    _, p, _, ik, _ = load(trial, side)
    ankle = angles.ankle_dorsiflexion(p["knee"], p["ankle"], p["heel"], p["toe"])
    assert float((ankle - ik).std()) < 4.0  # the offset is the markers' height on the foot
    assert float(np.corrcoef(ankle, ik)[0, 1]) > 0.97


@pytest.mark.parametrize("trial", TRIALS)
def test_filtering_at_12_hz_hardly_moves_the_knee_at_contact(trial):
    """On real runners the cut-off costs well under a degree at contact, where the angle turns fastest."""
    t, p, _, _, contacts = load(trial, "right")
    raw = angles.knee_flexion(p["hip"], p["knee"], p["ankle"])
    smooth = [butterworth_lowpass(p[n], 150.0, 12.0) for n in ("hip", "knee", "ankle")]
    filtered = angles.knee_flexion(*smooth)
    sigma = np.zeros(len(t))
    inner = contacts[(contacts > t[0] + 0.1) & (contacts < t[-1] - 0.1)]
    assert len(inner) >= 3
    errors = [Track(t, filtered, sigma, "").at(c) - Track(t, raw, sigma, "").at(c) for c in inner]
    assert float(np.abs(errors).max()) < 1.0
