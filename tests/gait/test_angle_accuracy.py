"""The comparison of plane angles with a joint model: constructed courses with known answers, and real runners.

Source of the recordings: Fukuchi RK, Fukuchi CA, Duarte M (2017), PeerJ 5:e3298, doi 10.7717/peerj.3298 (CC BY 4.0);
see data/rbds_angles/README.md.
"""

from pathlib import Path

import numpy as np
import pytest

from midstance.gait.angle_accuracy import AngleCourse, angle_table, recorded_courses

FILE = Path(__file__).parents[1] / "data" / "rbds_angles" / "knee_ankle.npz"
NAMES = {"hip": "GTR", "knee": "Knee", "ankle": "Ankle", "heel": "Heel_Bottom", "toe": "MT2"}
PERIOD_S = 0.7


def course(offset, noise, leg="left", seed=0):
    rng = np.random.default_rng(seed)
    t = np.arange(0, 7, 1 / 150)
    theirs = 40 - 25 * np.cos(2 * np.pi * t / PERIOD_S)  # 15 degrees at contact, peak of 65 half a stride later
    on = np.arange(0.7, 6.0, PERIOD_S)
    return AngleCourse(
        "knee", leg, t, theirs + offset + noise * rng.standard_normal(len(t)), theirs, on, on + 0.6
    )


def row(rows, joint, part):
    return next(r for r in rows if r.joint == joint and r.part == part)


def test_offsets_and_spread_are_told_apart():
    rows = angle_table([course(2.0, 0.5, seed=k) if k % 2 else course(-1.0, 0.5, seed=k) for k in range(6)])
    whole = row(rows, "knee", "whole curve")
    assert (whole.legs, whole.n) == (6, 6 * 1050)
    assert whole.bias_deg == pytest.approx(0.5, abs=0.05)
    assert whole.between_deg == pytest.approx(np.std([2, -1] * 3, ddof=1), abs=0.05)
    assert whole.within_deg == pytest.approx(0.5, abs=0.02)
    # closed form: the median of |N(0, s)| is 0.6745 s
    assert whole.median_abs_offset_removed_deg == pytest.approx(0.6745 * 0.5, abs=0.03)
    # closed form: r = sqrt(signal variance / (signal + noise variance))
    assert whole.correlation == pytest.approx(np.sqrt(25**2 / 2 / (25**2 / 2 + 0.25)), abs=1e-4)


def test_values_at_contact_and_peaks_are_read_off_each_stride():
    rows = angle_table([course(3.0, 0.0)])
    assert row(rows, "knee", "initial contact").n == 8
    for part in ("initial contact", "stance peak"):
        assert row(rows, "knee", part).bias_deg == pytest.approx(3.0, abs=1e-9)
        assert row(rows, "knee", part).within_deg == pytest.approx(0.0, abs=1e-9)


def test_unknown_frames_are_left_out():
    one = course(1.0, 0.0)
    one.ours_deg[200:400] = np.nan
    rows = angle_table([one])
    assert row(rows, "knee", "whole curve").n == 850
    assert row(rows, "knee", "initial contact").n < 8
    assert angle_table([]) == []


def recorded(trial):
    """The kept excerpt in the shape of a whole recording, and its reference."""
    with np.load(FILE) as z:
        time_s = z[f"{trial}__time_s"].astype(float)
        recording = {"time_s": time_s}
        reference = {"time_s": time_s}
        on, side_of = [], []
        for side in ("left", "right"):
            big, small = side[0].upper(), side[0]
            for ours, theirs in NAMES.items():
                xy = z[f"{trial}__{side}_{ours}_mm10"] / 1e4
                recording[f"{big}_{theirs}_m"] = np.column_stack([xy, np.zeros(len(xy))])
            for joint in ("knee", "ankle"):
                reference[f"{joint}_angle_{small}_deg"] = z[f"{trial}__{side}_{joint}_deg"].astype(float)
            contacts = z[f"{trial}__{side}_contact_on_s"]
            on += list(contacts)
            side_of += [big] * len(contacts)
    recording |= {"contact_on_s": on, "contact_off_s": np.array(on) + 0.2, "contact_side": side_of}
    return recording, reference


def test_real_runners_agree_with_inverse_kinematics():
    courses = [
        c
        for trial in ("runner01_3.5mps", "runner12_2.5mps", "runner20_4.5mps")
        for c in recorded_courses(*recorded(trial), label=trial)
    ]
    assert {c.joint for c in courses} == {"knee", "ankle"}  # no pelvis in the excerpt: no hip, no thigh
    assert len({c.leg for c in courses}) == 6
    rows = angle_table(courses)
    knee, ankle = row(rows, "knee", "whole curve"), row(rows, "ankle", "whole curve")
    assert knee.correlation > 0.997
    assert ankle.correlation > 0.975
    assert abs(knee.bias_deg) < 3.0
    assert knee.within_deg < 3.0
    assert ankle.within_deg < 3.5
    # single strides follow the model far better than legs agree in their zero
    contact = row(rows, "knee", "initial contact")
    assert contact.n >= 12
    assert contact.median_abs_offset_removed_deg < 0.6
