"""Make the recordings that come with the package from a folder of them.

Usage: python scripts/pack_recordings.py DIR

DIR holds ``runnerNN_S.Smps.npz`` and ``…_joint_angles.npz`` of 13 runners at 2.5, 3.5 and 4.5 m/s, cut from the public data
set named below. Only what checks need is kept: sagittal paths of trochanter, knee, ankle, heel, second metatarsal, ASIS and
PSIS of both sides, contacts, joint angles of the sagittal plane.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from midstance.validate.recordings import SHIPPED, pack, read_folder, shipped_recordings

ABOUT = {
    "citation": "Fukuchi RK, Fukuchi CA, Duarte M (2017), A public dataset of running biomechanics and the effects of "
    "running "
    "speed on lower extremity kinematics and kinetics, PeerJ 5:e3298, doi 10.7717/peerj.3298; data doi "
    "10.6084/m9.figshare.4543435",
    "joint_angles": "inverse kinematics as carried by github.com/aaronsfox/pfjrf-methods",
    "licence": "CC BY 4.0 (licence from memory)",
    "changed": "cut to 12 s and to the sagittal plane, rounded to 0.1 mm and 0.01 deg, contacts found in the force (50 "
    "N or more "
    "after a 50 Hz fourth-order zero-lag low-pass; force was sampled at 300 Hz)",
    "threshold_n": 50,
}
TARGET = Path(__file__).resolve().parents[1] / "src" / "midstance" / "validate" / "data" / SHIPPED


def main(folder: Path) -> None:
    """Pack a folder and compare what is read back with it."""
    recordings, failures, _ = read_folder(folder)
    if failures:
        raise SystemExit("\n".join(f.message for f in failures))
    np.savez_compressed(TARGET, **pack(recordings, ABOUT))
    again, _ = shipped_recordings()
    moved = max(
        float(np.nanmax(np.abs(a.markers[k] - b.markers[k][:, :2])))
        for a, b in zip(again, recordings, strict=True)
        for k in a.markers
    )
    turned = max(
        float(np.nanmax(np.abs(a.reference[k] - b.reference[k])))
        for a, b in zip(again, recordings, strict=True)
        if a.reference is not None and b.reference is not None
        for k in a.reference
    )
    print(f"{TARGET}: {TARGET.stat().st_size / 1e6:.2f} MB; rounding up to {1e3 * moved:.3f} mm, {turned:.4f} deg")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
