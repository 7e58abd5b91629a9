"""A session from intake to report: what is there, what is missing, what the next step is."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import attrs
from sqlalchemy import select
from sqlalchemy.orm import Session

from midstance.records.tables import (
    AssessmentRow,
    CorrectionRow,
    FilmRow,
    JobRow,
    MeasureRow,
    OverruleRow,
    RunnerRow,
    SessionRow,
)
from midstance.web import words
from midstance.web.measured import peek
from midstance.workers.queue import film_state

if TYPE_CHECKING:
    from midstance.web.app import Workbench

VIEWS = ("side", "rear", "front", "side_far")
#: What a film of a view is good for, as far as it goes.
GIVES = {
    "side": "Cadence and contact time, angles at landing and toe-off, how far ahead of the body the foot lands.",
    "rear": "Step width, knees and trunk from behind; pelvis, hip and rear foot with stickers.",
    "front": "Step width, knees, trunk and arms from the front.",
    "side_far": "With a film of each side, each leg is measured in the film it is nearer in.",
}
#: The few numbers that the overview shows.
FIGURES = (
    ("cadence", ("both",)),
    ("contact_time", ("left", "right")),
    ("shank_angle_contact", ("left", "right")),
    ("foot_ahead_of_com", ("left", "right")),
    ("step_width", ("both",)),
)


@attrs.frozen
class FilmCard:
    """A film as the overview shows it. ``state`` is "none", "waiting", "working", "read", "failed" or "stopped".

    ``read`` says that there is something to measure; the film may be read again meanwhile.
    """

    view: str
    title: str
    gives: str
    film: FilmRow | None = None
    state: str = "none"
    prepared: bool = False
    read: bool = False
    job: JobRow | None = None
    problem: dict[str, Any] | None = None
    corrections: int = 0
    facts: str = ""
    takes: tuple[FilmRow, ...] = ()


@attrs.frozen
class Step:
    """One step of the session: ``state`` is "done", "now", "open" or "trouble"; ``said`` is where it stands."""

    key: str
    number: int
    title: str
    state: str
    said: str


@attrs.frozen
class Next:
    """What to do now: why, and where to."""

    title: str
    text: str
    href: str = ""
    label: str = ""
    action: str = ""


def overview_of(db: Session, bench: Workbench, session: SessionRow, runner: RunnerRow) -> dict[str, Any]:
    """Return what the overview shows, beside what all pages of a session need."""
    cards = film_cards(db, bench, session.id)
    reports = list(
        db.scalars(
            select(AssessmentRow)
            .where(AssessmentRow.session_id == session.id)
            .order_by(AssessmentRow.number.desc())
            .limit(20)
        )
    )
    latest = next((r for r in reports if r.state == "done"), None)
    changed = changes_since(db, latest) if latest else []
    working = next((r for r in reports if r.state in ("waiting", "running")), None)
    report_job = _job_of(db, working) if working else None
    failed = reports[0] if reports and reports[0].state in ("failed", "cancelled") else None
    failed_job = _job_of(db, failed) if failed else None
    missing = missing_of(session, runner)
    steps = _steps(session, cards, latest, working, failed, changed, missing)
    return {
        "cards": [c for c in cards if c.view != "side_far" or c.film is not None],
        "other_side": next((c for c in cards if c.view == "side_far" and c.film is None), None),
        "reports": reports,
        "latest": latest,
        "changed": changed,
        "working": working,
        "report_job": report_job,
        "failed": failed,
        "failed_job": failed_job,
        "missing": missing,
        "steps": {s.key: s for s in steps},
        "next": _next(session, cards, latest, working, changed),
        "busy": any(c.state in ("waiting", "working") for c in cards) or working is not None,
        "can_measure": session.speed_mps is not None and any(c.read for c in cards),
        "corrections": sum(c.corrections for c in cards),
        "film_problem": None,
        **_figures(db, bench, session, latest),
    }


def _figures(db: Session, bench: Workbench, session: SessionRow, latest: AssessmentRow | None) -> dict[str, Any]:
    """Return a few numbers and the findings' titles: as things stand when that is in memory, else of the latest report."""
    now = peek(db, bench, session.id)
    measures: list[Any] = []
    findings: list[tuple[str, str, str]] = []
    if now is not None:
        measures = list(now.measures)
        findings = [(f.key, f.title, f.status) for f in now.findings if now.overrule_of(f) is None]
    elif latest is not None:
        measures = list(db.scalars(select(MeasureRow).where(MeasureRow.assessment_id == latest.id)))
        findings = [(f["key"], f["title"], f["status"]) for f in latest.findings or [] if not f.get("overruled")]
    figures = []
    for key, sides in FIGURES:
        lines = []
        for side in sides:
            mine = [m for m in measures if m.measure == key and m.side == side and m.value is not None]
            best = min(mine, key=lambda m: VIEWS.index(m.view) if m.view in VIEWS else 9, default=None)
            if best is not None:
                said = words.measured(key, best.unit, best.value, best.low, best.high)
                lines.append({"side": side, "value": said["value"], "half": said["half"]})
        if lines:
            figures.append({"title": words.title_of(key), "lines": lines})
    return {
        "figures": figures,
        "figures_from": latest.number if latest is not None and now is None else None,
        "clear_titles": [(key, title) for key, title, status in findings if status == "clear"],
        "described_count": sum(1 for f in findings if f[2] == "described"),
    }


def film_cards(db: Session, bench: Workbench, session_id: str) -> list[FilmCard]:
    """Return a card for each view, with the film that is used and other takes."""
    rows = list(db.scalars(select(FilmRow).where(FilmRow.session_id == session_id).order_by(FilmRow.created_at)))
    numbers: dict[str, int] = {}
    for film_id in db.scalars(
        select(CorrectionRow.film_id)
        .join(FilmRow, FilmRow.id == CorrectionRow.film_id)
        .where(FilmRow.session_id == session_id, CorrectionRow.withdrawn_at.is_(None))
    ):
        numbers[film_id] = numbers.get(film_id, 0) + 1
    cards = []
    for view in VIEWS:
        film = next((f for f in rows if f.view == view and f.used), None)
        takes = tuple(f for f in rows if f.view == view and not f.used)
        card = FilmCard(view, words.VIEWS[view], GIVES[view], takes=takes)
        if film is not None:
            now = film_state(db, bench.config.home, film)
            card = attrs.evolve(
                card,
                film=film,
                prepared=now.prepared,
                read=now.read,
                job=now.job,
                problem=now.problem,
                state=_state(now),
                corrections=numbers.get(film.id, 0),
                facts=film_facts(film),
            )
        cards.append(card)
    return cards


def _state(now: Any) -> str:
    if now.job is not None and now.job.state in ("waiting", "running"):
        return "waiting" if now.job.state == "waiting" else "working"
    if now.job is not None and now.job.state == "cancelled" and not now.read:
        return "stopped"
    if now.problem is not None:
        return "failed"
    return "read" if now.read else "stopped"


def film_facts(film: FilmRow) -> str:
    """Return what the container says of a film in one line."""
    info = film.info or {}
    parts = []
    if info.get("width") and info.get("height"):
        parts.append(f"{info['width']} × {info['height']} px")
    fps = film.capture_fps or info.get("capture_fps")
    if fps:
        parts.append(f"{words.number(float(fps))} frames/s")
    if info.get("duration_s"):
        parts.append(words.seconds(float(info["duration_s"])))
    return " · ".join(parts)


def missing_of(session: SessionRow, runner: RunnerRow) -> list[dict[str, str]]:
    """Return what isn't noted and what that costs, most important first."""
    out = []
    if session.speed_mps is None:
        out.append(
            {
                "what": "The pace isn't noted.",
                "why": "Without it nothing is measured: cadence and landing only say something at a known pace.",
                "href": f"/sessions/{session.id}/edit#f-pace",
                "label": "Note the pace",
            }
        )
    if runner.consent != "given" and not runner.invented:
        said = "Consent was withdrawn." if runner.consent == "withdrawn" else "Consent isn't noted yet."
        out.append(
            {
                "what": said,
                "why": "Films show a person. Ask before you film, and note what was agreed.",
                "href": f"/runners/{runner.id}/edit#consent",
                "label": "Note consent",
            }
        )
    if runner.height_m is None:
        out.append(
            {
                "what": "The body height isn't noted.",
                "why": "It gives the scale: without it, or a length marked in the film, only angles and times are measured.",
                "href": f"/runners/{runner.id}/edit#f-height_m",
                "label": "Note the height",
            }
        )
    return out


def changes_since(db: Session, report: AssessmentRow) -> list[str]:
    """Return in words what changed since a report was made; empty when it holds everything."""
    made = report.provenance or {}
    session = db.get(SessionRow, report.session_id)
    runner = db.get(RunnerRow, session.runner_id) if session else None
    films = list(db.scalars(select(FilmRow).where(FilmRow.session_id == report.session_id, FilmRow.used)))
    out = []
    then = {f.get("film"): f for f in made.get("films", [])}
    now = {f.id: f for f in films}
    if set(then) != set(now):
        out.append("other films are used")
    if any(f.version != then[i].get("version") for i, f in now.items() if i in then):
        out.append("settings or marks of a film were changed")
    ids = db.scalars(
        select(CorrectionRow.id).where(CorrectionRow.film_id.in_(now), CorrectionRow.withdrawn_at.is_(None))
    ).all()
    more, fewer = len(set(ids) - set(made.get("corrections", []))), len(set(made.get("corrections", [])) - set(ids))
    if more:
        out.append(f"{words.plural(more, 'correction')} more")
    if fewer:
        out.append(f"{words.plural(fewer, 'correction')} fewer")
    overruled = db.scalars(
        select(OverruleRow.id).where(OverruleRow.session_id == report.session_id, OverruleRow.withdrawn_at.is_(None))
    ).all()
    if set(overruled) != set(made.get("overrules", [])):
        out.append("other findings are overruled")
    if session is not None and made.get("session_version") not in (None, session.version):
        out.append("the session's details were changed")
    if runner is not None and made.get("runner_version") not in (None, runner.version):
        out.append("the runner's details were changed")
    return out


def _job_of(db: Session, report: AssessmentRow) -> JobRow | None:
    return db.scalars(
        select(JobRow).where(JobRow.assessment_id == report.id).order_by(JobRow.number.desc()).limit(1)
    ).first()


def _steps(
    session: SessionRow,
    cards: Sequence[FilmCard],
    latest: AssessmentRow | None,
    working: AssessmentRow | None,
    failed: AssessmentRow | None,
    changed: Sequence[str],
    missing: Sequence[dict[str, str]],
) -> list[Step]:
    films = [c for c in cards if c.film is not None]
    read = [c for c in films if c.read]
    broken = [c for c in films if c.state in ("failed", "stopped")]
    busy = [c for c in films if c.state in ("waiting", "working")]
    corrections = sum(c.corrections for c in cards)
    ready = bool(read) and session.speed_mps is not None
    if broken:
        film_state, film_said = "trouble", f"{words.plural(len(broken), 'film needs', 'films need')} you"
    elif busy:
        film_state, film_said = "now", f"{words.plural(len(busy), 'film is', 'films are')} being read"
    elif read:
        film_state, film_said = "done", f"{words.plural(len(read), 'film', 'films')} read"
    else:
        film_state, film_said = "now", "none yet"
    if working is not None:
        report_state, report_said = "now", "being made"
    elif failed is not None:
        report_state, report_said = "trouble", "the last one wasn't made"
    elif latest is not None and changed:
        report_state, report_said = "now", "older than what is here now"
    elif latest is not None:
        report_state, report_said = "done", f"report {latest.number} holds everything"
    else:
        report_state, report_said = "open", "none yet"
    not_ready = "needs a film that is read" if not read else "needs the pace"
    watched = words.plural(corrections, "correction") if corrections else "nothing corrected" if read else not_ready
    first = missing[0]["what"].rstrip(".") if missing else "complete"
    return [
        Step("intake", 1, "Intake", "now" if session.speed_mps is None else "done", first[:1].lower() + first[1:]),
        Step("films", 2, "Films", film_state, film_said),
        Step("watch", 3, "Watch and correct", "done" if corrections else "open", watched),
        Step("measures", 4, "Measures", "done" if ready else "open", "ready" if ready else not_ready),
        Step("findings", 5, "Findings", "done" if ready else "open", "ready" if ready else not_ready),
        Step("report", 6, "Report", report_state, report_said),
    ]


def _next(
    session: SessionRow,
    cards: Sequence[FilmCard],
    latest: AssessmentRow | None,
    working: AssessmentRow | None,
    changed: Sequence[str],
) -> Next:
    here = f"/sessions/{session.id}"
    films = [c for c in cards if c.film is not None]
    broken = [c for c in films if c.state in ("failed", "stopped")]
    read = [c for c in films if c.read]
    if broken:
        text = "What is wrong, and what to do about it, stands with the film below."
        return Next("A film needs you", text, "#films", "Look at the films")
    if not films:
        return Next("Add the films", "A film from the side is enough to begin with.", "#films", "Add a film")
    if session.speed_mps is None:
        text = "Read it off the treadmill, or time a known distance. Nothing is measured without it."
        return Next("Note the pace", text, f"{here}/edit#f-pace", "Note the pace")
    if any(c.state in ("waiting", "working") and not c.read for c in films):
        return Next("The films are being read", "You need not wait here: go on with something else and come back.")
    if working is not None:
        return Next("The report is being made", "You need not wait here.", f"{here}/report", "To the report")
    if latest is None and read:
        film = read[0].film
        assert film is not None
        text = "Check that landings and push-offs sit on the right frames. Then make the report."
        return Next("Watch the film and check what was found", text, f"/films/{film.id}", "Watch the film", "report")
    if changed:
        text = f"Since report {latest.number if latest else ''}: {', '.join(changed)}."
        return Next("Make a new report", text, "", "", "report")
    return Next("The report is ready", "Look at it with the runner.", f"{here}/report", "Open the report")
