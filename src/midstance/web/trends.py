"""How a runner's measures went from session to session, from the reports that were made."""

from __future__ import annotations

from typing import Any

import attrs
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from midstance.gait.registry import REGISTRY
from midstance.records.tables import AssessmentRow, MeasureRow, SessionRow
from midstance.report.tables import shown, title_of
from midstance.web import words
from midstance.web.plots import Point, trend

#: What is drawn, in this order, where at least one report has it.
TREND_KEYS = ("cadence", "contact_time", "step_length", "shank_angle_contact", "foot_ahead_of_com", "knee_flexion_contact",
              "trunk_lean_stance", "vertical_oscillation", "step_width")  # fmt: skip
#: Views by how much they are preferred where several films give a measure.
_VIEW_ORDER = {"side": 0, "side_far": 1, "rear": 2, "front": 3}
#: Sessions at speeds nearer than this are joined by a line, m/s (a hundredth of a usual speed; engineering choice).
SAME_SPEED_MPS = 0.03
MOST_SESSIONS = 24


@attrs.frozen
class Trend:
    """One measure over the sessions: the plot and the same as rows of a table."""

    key: str
    title: str
    unit: str
    svg: str
    sides: tuple[str, ...]
    rows: tuple[dict[str, Any], ...]


def trends_of(db: Session, runner_id: str) -> list[Trend]:
    """Return the trends of a runner with at least two sessions that have a report."""
    latest = (
        select(AssessmentRow.session_id, func.max(AssessmentRow.number).label("number"))
        .join(SessionRow, SessionRow.id == AssessmentRow.session_id)
        .where(SessionRow.runner_id == runner_id, AssessmentRow.state == "done")
        .group_by(AssessmentRow.session_id)
        .subquery()
    )
    found = db.execute(
        select(SessionRow, AssessmentRow.id)
        .join(latest, latest.c.session_id == SessionRow.id)
        .join(AssessmentRow, (AssessmentRow.session_id == SessionRow.id) & (AssessmentRow.number == latest.c.number))
        .order_by(SessionRow.held_on.desc(), SessionRow.id.desc())
        .limit(MOST_SESSIONS)
    ).all()
    if len(found) < 2:
        return []
    sessions = {assessment_id: session for session, assessment_id in reversed(found)}
    rows = db.scalars(
        select(MeasureRow).where(
            MeasureRow.assessment_id.in_(sessions), MeasureRow.measure.in_(TREND_KEYS), MeasureRow.value.is_not(None)
        )
    ).all()
    out = []
    for key in TREND_KEYS:
        sides = ("both",) if REGISTRY[key].sides == ("both",) else ("left", "right")
        chosen: dict[tuple[str, str], MeasureRow] = {}
        for row in sorted(rows, key=lambda r: _VIEW_ORDER.get(r.view, 9)):
            if row.measure == key and row.side in sides:
                chosen.setdefault((row.assessment_id, row.side), row)
        if len({a for a, _ in chosen}) >= 2:
            out.append(_trend(key, sides, sessions, chosen))
    return out


def _trend(
    key: str, sides: tuple[str, ...], sessions: dict[str, SessionRow], chosen: dict[tuple[str, str], MeasureRow]
) -> Trend:
    info = REGISTRY[key]
    factor, unit, _ = shown(key, info.unit)
    groups: list[tuple[float, str]] = []
    points, table = [], []
    for assessment_id, session in sessions.items():
        speed = session.speed_mps or 0.0
        same = next((g for g in groups if abs(g[0] - speed) < SAME_SPEED_MPS and g[1] == session.surface), None)
        if same is None:
            same = (speed, session.surface)
            groups.append(same)
        cells = {}
        for side in sides:
            row = chosen.get((assessment_id, side))
            if row is None or row.value is None or row.low is None or row.high is None:
                continue
            said = words.measured(key, row.unit, row.value, row.low, row.high)
            cells[side] = said
            points.append(
                Point(
                    at=float(session.held_on.toordinal()),
                    label=f"{session.held_on.day} {words.MONTHS[session.held_on.month - 1][:3]} {session.held_on:%y}",
                    side=side,
                    value=row.value,
                    low=row.low,
                    high=row.high,
                    group=f"{same[0]:.3f} {same[1]}",
                    href=f"/sessions/{session.id}",
                    title=f"{words.day(session.held_on)}: {'' if side == 'both' else side + ' '}{said['value']} "
                    f"({said['interval']}), {words.pace(session.speed_mps)}, {session.surface}",
                )
            )
        table.append({"session": session, "cells": cells})
    return Trend(key, title_of(key), unit, trend(points, factor), sides, tuple(reversed(table)))
