"""Hold the whole chain, film to measures, against rendered films with known truth: chosen films, other landmark rates.

    python benchmarks/films.py FOLDER … [--rate 120] [--json FILE]

Each FOLDER holds ``video.mp4``, ``truth.json``, ``truth_frames.npz`` and ``args`` (view, speed m/s, height m, surface). The work
is that of ``midstance validate --clips``; this only lets films be picked. ``compare`` serves the other benchmarks.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

import numpy as np

from midstance.assess.measure import FilmMeasures
from midstance.gait.model import SIDES
from midstance.validate.film_truth import FilmTruth, TrueContact
from midstance.validate.films_check import check_films, hold
from midstance.validate.report import ValidationReport


def compare(measured: FilmMeasures, truth: dict[str, Any]) -> dict[str, Any]:
    """Hold one film's measures against a truth worked out elsewhere.

    ``truth`` is {"contacts": [{side, initial_contact_s, toe_off_s, measures}], "cadence_steps_min"}. Returned is, under
    "measures" and for each key, n, bias, median_abs, held (share of intervals that hold the truth), left_bias, right_bias,
    and the rows themselves: errors, holds and sides.
    """
    contacts = tuple(
        TrueContact(c["side"], c["initial_contact_s"], c["toe_off_s"], c["measures"]) for c in truth["contacts"]
    )
    view, rate = measured.result.view, measured.result.capture_fps
    known = FilmTruth(view, 1.0, None, "treadmill", rate, float(truth["cadence_steps_min"]), contacts, "")
    values = hold("film", known, measured).values
    out: dict[str, Any] = {}
    for key in dict.fromkeys(v.measure for v in values):
        rows = [v for v in values if v.measure == key]
        errors = np.array([v.error for v in rows])
        out[key] = {
            "n": len(rows),
            "bias": float(errors.mean()),
            "median_abs": float(np.median(np.abs(errors))),
            "held": float(np.mean([v.inside for v in rows])),
            **{f"{s}_bias": _mean([v.error for v in rows if v.side == s]) for s in SIDES},
            "errors": [round(float(e), 5) for e in errors],
            "holds": [v.inside for v in rows],
            "sides": [v.side for v in rows],
        }
    return {"measures": out}


def _mean(values: list[float]) -> float | None:
    return float(np.mean(values)) if values else None


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--json", type=Path)
    parser.add_argument("--rate", type=float, default=120.0)
    args = parser.parse_args()

    def tell(stage: str, share: float) -> None:
        print(f"\r{100 * share:3.0f} % {stage[:100]:100s}", end="", file=sys.stderr)

    report = ValidationReport({"clips": check_films(args.folders, tell, landmark_rate_hz=args.rate)})
    print(file=sys.stderr)
    print("\n".join(report.lines()))
    if args.json:
        args.json.write_text(report.to_json(), encoding="utf-8")
    sys.exit(report.exit_code)


if __name__ == "__main__":
    main()
