"""The tables: what is kept of runners, sessions, films, corrections, assessments and the work on them.

Times are UTC. ``version`` counts changes of a row: whoever writes says which version was read, so that of two people editing
the same thing none loses what the other wrote. Rows of people's work (corrections, overruled findings) are never
deleted but withdrawn, with who and when.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    Date,
    DateTime,
    Float,
    ForeignKey,
    Index,
    Integer,
    String,
    Text,
    TypeDecorator,
)
from sqlalchemy.dialects.postgresql import JSONB
from sqlalchemy.engine import Dialect
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

from midstance.records.database import new_id

Json = JSON().with_variant(JSONB(), "postgresql")
ID = String(16)


class Utc(TypeDecorator[dt.datetime]):
    """A moment in UTC; SQLite has no such type and keeps it without its zone."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: dt.datetime | None, dialect: Dialect) -> dt.datetime | None:
        """Take a moment with its zone."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("a moment needs its zone")
        return value.astimezone(dt.UTC)

    def process_result_value(self, value: dt.datetime | None, dialect: Dialect) -> dt.datetime | None:
        """Give it back in UTC."""
        if value is None:
            return None
        return value.replace(tzinfo=dt.UTC) if value.tzinfo is None else value.astimezone(dt.UTC)


def now() -> dt.datetime:
    """Return this moment in UTC."""
    return dt.datetime.now(dt.UTC)


class Base(DeclarativeBase):
    """All tables."""


class RunnerRow(Base):
    """Somebody who is filmed."""

    __tablename__ = "runner"
    id: Mapped[str] = mapped_column(ID, primary_key=True, default=new_id)
    name: Mapped[str] = mapped_column(String(80), index=True)
    birth_year: Mapped[int | None] = mapped_column(Integer)
    height_m: Mapped[float | None] = mapped_column(Float)
    mass_kg: Mapped[float | None] = mapped_column(Float)
    body_table: Mapped[str] = mapped_column(String(8), default="mean")
    notes: Mapped[str] = mapped_column(Text, default="")
    #: "not_asked", "given" or "withdrawn"; by whom it was noted, when it was given, and to what.
    consent: Mapped[str] = mapped_column(String(12), default="not_asked")
    consent_on: Mapped[dt.date | None] = mapped_column(Date)
    consent_by: Mapped[str] = mapped_column(String(80), default="")
    consent_text: Mapped[str] = mapped_column(Text, default="")
    invented: Mapped[bool] = mapped_column(Boolean, default=False)
    created_at: Mapped[dt.datetime] = mapped_column(Utc, default=now)
    changed_at: Mapped[dt.datetime] = mapped_column(Utc, default=now, onupdate=now)
    changed_by: Mapped[str] = mapped_column(String(80), default="")
    version: Mapped[int] = mapped_column(Integer, default=1)
    __mapper_args__ = {"version_id_col": version}  # noqa: RUF012


class SessionRow(Base):
    """One time a runner was filmed: where, how fast, in which shoes, with which pain."""

    __tablename__ = "session"
    id: Mapped[str] = mapped_column(ID, primary_key=True, default=new_id)
    runner_id: Mapped[str] = mapped_column(ForeignKey("runner.id", ondelete="CASCADE"), index=True)
    held_on: Mapped[dt.date] = mapped_column(Date, index=True)
    place: Mapped[str] = mapped_column(String(80), default="")
    surface: Mapped[str] = mapped_column(String(12), default="treadmill")
    speed_mps: Mapped[float | None] = mapped_column(Float)
    shoes: Mapped[str] = mapped_column(String(120), default="")
    weekly_distance_km: Mapped[float | None] = mapped_column(Float)
    #: List of {"where": text, "score_0_10": number, "note": text}.
    pain: Mapped[list[dict[str, Any]]] = mapped_column(Json, default=list)
    notes: Mapped[str] = mapped_column(Text, default="")
    created_at: Mapped[dt.datetime] = mapped_column(Utc, default=now)
    changed_at: Mapped[dt.datetime] = mapped_column(Utc, default=now, onupdate=now)
    changed_by: Mapped[str] = mapped_column(String(80), default="")
    version: Mapped[int] = mapped_column(Integer, default=1)
    __table_args__ = (Index("ix_session_runner_held", "runner_id", "held_on"),)
    __mapper_args__ = {"version_id_col": version}  # noqa: RUF012


class MediaRow(Base):
    """A file of the media store, known by its content."""

    __tablename__ = "media"
    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    bytes: Mapped[int] = mapped_column(BigInteger)
    created_at: Mapped[dt.datetime] = mapped_column(Utc, default=now)


class FilmRow(Base):
    """A film of a session, and what a person says of it. The film itself is in the media store and never altered."""

    __tablename__ = "film"
    id: Mapped[str] = mapped_column(ID, primary_key=True, default=new_id)
    session_id: Mapped[str] = mapped_column(ForeignKey("session.id", ondelete="CASCADE"), index=True)
    sha256: Mapped[str] = mapped_column(ForeignKey("media.sha256"), index=True)
    view: Mapped[str] = mapped_column(String(8))
    #: False for a take that is kept but not measured; at most one film of a view is used.
    used: Mapped[bool] = mapped_column(Boolean, default=True)
    #: The name it came under, for people only.
    name: Mapped[str] = mapped_column(String(120), default="")
    capture_fps: Mapped[float | None] = mapped_column(Float)
    start_s: Mapped[float | None] = mapped_column(Float)
    end_s: Mapped[float | None] = mapped_column(Float)
    runner_x: Mapped[float | None] = mapped_column(Float)
    readout_s: Mapped[float | None] = mapped_column(Float)
    #: List of {"first_px": [x, y], "second_px": [x, y], "length_m": m}.
    known_lengths: Mapped[list[dict[str, Any]]] = mapped_column(Json, default=list)
    #: The film's entry of a marks file: ground, lens, roll_deg, stickers.
    marks: Mapped[dict[str, Any]] = mapped_column(Json, default=dict)
    #: What the container says, filled in when the film was prepared: width, height, frames, duration_s, capture_fps, codec.
    info: Mapped[dict[str, Any]] = mapped_column(Json, default=dict)
    created_at: Mapped[dt.datetime] = mapped_column(Utc, default=now)
    created_by: Mapped[str] = mapped_column(String(80), default="")
    changed_at: Mapped[dt.datetime] = mapped_column(Utc, default=now, onupdate=now)
    changed_by: Mapped[str] = mapped_column(String(80), default="")
    version: Mapped[int] = mapped_column(Integer, default=1)
    __mapper_args__ = {"version_id_col": version}  # noqa: RUF012


class CorrectionRow(Base):
    """One thing set right by hand in a film. ``body`` is the entry of a corrections file without view, by, at and note."""

    __tablename__ = "correction"
    id: Mapped[str] = mapped_column(ID, primary_key=True, default=new_id)
    film_id: Mapped[str] = mapped_column(ForeignKey("film.id", ondelete="CASCADE"), index=True)
    #: Order in which they were made.
    number: Mapped[int] = mapped_column(Integer)
    body: Mapped[dict[str, Any]] = mapped_column(Json)
    note: Mapped[str] = mapped_column(String(200), default="")
    made_by: Mapped[str] = mapped_column(String(80), default="")
    made_at: Mapped[dt.datetime] = mapped_column(Utc, default=now)
    withdrawn_by: Mapped[str | None] = mapped_column(String(80))
    withdrawn_at: Mapped[dt.datetime | None] = mapped_column(Utc)


class OverruleRow(Base):
    """A finding that a person doesn't agree with, and why."""

    __tablename__ = "overrule"
    id: Mapped[str] = mapped_column(ID, primary_key=True, default=new_id)
    session_id: Mapped[str] = mapped_column(ForeignKey("session.id", ondelete="CASCADE"), index=True)
    finding: Mapped[str] = mapped_column(String(80))
    side: Mapped[str] = mapped_column(String(5), default="both")
    why: Mapped[str] = mapped_column(String(400))
    made_by: Mapped[str] = mapped_column(String(80), default="")
    made_at: Mapped[dt.datetime] = mapped_column(Utc, default=now)
    withdrawn_by: Mapped[str | None] = mapped_column(String(80))
    withdrawn_at: Mapped[dt.datetime | None] = mapped_column(Utc)


class AssessmentRow(Base):
    """One report as it was made: never changed afterwards. Its files lie in the results folder."""

    __tablename__ = "assessment"
    id: Mapped[str] = mapped_column(ID, primary_key=True, default=new_id)
    session_id: Mapped[str] = mapped_column(ForeignKey("session.id", ondelete="CASCADE"), index=True)
    #: 1, 2, 3 … within the session.
    number: Mapped[int] = mapped_column(Integer)
    #: "waiting", "running", "done", "failed" or "cancelled".
    state: Mapped[str] = mapped_column(String(10), default="waiting", index=True)
    software: Mapped[str] = mapped_column(String(40), default="")
    settings: Mapped[dict[str, Any]] = mapped_column(Json, default=dict)
    #: {"films": [{"film", "view", "sha256", "version"}], "corrections": [ids], "overrules": [ids], "session_version",
    #: "runner_version"}: all that the numbers came from.
    provenance: Mapped[dict[str, Any]] = mapped_column(Json, default=dict)
    #: List of findings as in assessment.json, for lists and searches.
    findings: Mapped[list[dict[str, Any]]] = mapped_column(Json, default=list)
    created_by: Mapped[str] = mapped_column(String(80), default="")
    created_at: Mapped[dt.datetime] = mapped_column(Utc, default=now)
    done_at: Mapped[dt.datetime | None] = mapped_column(Utc)


class MeasureRow(Base):
    """A measure of an assessment, for trends and comparisons."""

    __tablename__ = "measure"
    assessment_id: Mapped[str] = mapped_column(ForeignKey("assessment.id", ondelete="CASCADE"), primary_key=True)
    measure: Mapped[str] = mapped_column(String(60), primary_key=True)
    side: Mapped[str] = mapped_column(String(5), primary_key=True)
    view: Mapped[str] = mapped_column(String(8), primary_key=True)
    unit: Mapped[str] = mapped_column(String(12))
    value: Mapped[float | None] = mapped_column(Float)
    low: Mapped[float | None] = mapped_column(Float)
    high: Mapped[float | None] = mapped_column(Float)
    n: Mapped[int] = mapped_column(Integer)
    reason: Mapped[str | None] = mapped_column(Text)


class JobRow(Base):
    """One piece of slow work, in the order it was asked for."""

    __tablename__ = "job"
    id: Mapped[str] = mapped_column(ID, primary_key=True, default=new_id)
    number: Mapped[int] = mapped_column(BigInteger, unique=True)
    #: "prepare" (playable copy and times of a film), "read" (landmarks), "assess" (the report), "validate" …
    kind: Mapped[str] = mapped_column(String(12))
    #: "waiting", "running", "done", "failed" or "cancelled".
    state: Mapped[str] = mapped_column(String(10), default="waiting", index=True)
    session_id: Mapped[str | None] = mapped_column(ForeignKey("session.id", ondelete="CASCADE"), index=True)
    film_id: Mapped[str | None] = mapped_column(ForeignKey("film.id", ondelete="CASCADE"), index=True)
    assessment_id: Mapped[str | None] = mapped_column(ForeignKey("assessment.id", ondelete="CASCADE"), index=True)
    payload: Mapped[dict[str, Any]] = mapped_column(Json, default=dict)
    stage: Mapped[str] = mapped_column(String(80), default="")
    share: Mapped[float] = mapped_column(Float, default=0.0)
    attempts: Mapped[int] = mapped_column(Integer, default=0)
    cancel_wanted: Mapped[bool] = mapped_column(Boolean, default=False)
    #: Which worker has it, and when that worker last gave a sign of life.
    worker: Mapped[str | None] = mapped_column(String(40))
    heard_at: Mapped[dt.datetime | None] = mapped_column(Utc)
    #: {"what", "where", "allowed", "next_step"} of what ended it.
    problem: Mapped[dict[str, Any] | None] = mapped_column(Json)
    result: Mapped[dict[str, Any] | None] = mapped_column(Json)
    created_by: Mapped[str] = mapped_column(String(80), default="")
    created_at: Mapped[dt.datetime] = mapped_column(Utc, default=now)
    started_at: Mapped[dt.datetime | None] = mapped_column(Utc)
    ended_at: Mapped[dt.datetime | None] = mapped_column(Utc)
    #: Counts every change that somebody watching should be told of.
    change: Mapped[int] = mapped_column(Integer, default=0, index=True)


class AccountRow(Base):
    """Somebody who may sign in; needed only where the workbench can be reached from other machines."""

    __tablename__ = "account"
    id: Mapped[str] = mapped_column(ID, primary_key=True, default=new_id)
    name: Mapped[str] = mapped_column(String(80), unique=True)
    password_hash: Mapped[str] = mapped_column(String(200))
    created_at: Mapped[dt.datetime] = mapped_column(Utc, default=now)


class LoginRow(Base):
    """A browser that is signed in; the key itself is kept only in the browser."""

    __tablename__ = "login"
    key_sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    account_id: Mapped[str] = mapped_column(ForeignKey("account.id", ondelete="CASCADE"), index=True)
    created_at: Mapped[dt.datetime] = mapped_column(Utc, default=now)
    seen_at: Mapped[dt.datetime] = mapped_column(Utc, default=now)
    expires_at: Mapped[dt.datetime] = mapped_column(Utc)


class PairingRow(Base):
    """A phone that may hand in films for one session: a code for one use, then a key for a short time."""

    __tablename__ = "pairing"
    id: Mapped[str] = mapped_column(ID, primary_key=True, default=new_id)
    session_id: Mapped[str] = mapped_column(ForeignKey("session.id", ondelete="CASCADE"), index=True)
    code_sha256: Mapped[str] = mapped_column(String(64), unique=True)
    key_sha256: Mapped[str | None] = mapped_column(String(64), unique=True)
    created_by: Mapped[str] = mapped_column(String(80), default="")
    created_at: Mapped[dt.datetime] = mapped_column(Utc, default=now)
    expires_at: Mapped[dt.datetime] = mapped_column(Utc)
    used_at: Mapped[dt.datetime | None] = mapped_column(Utc)
    ended_at: Mapped[dt.datetime | None] = mapped_column(Utc)


class SettingRow(Base):
    """A setting of the workbench, such as the coach's name."""

    __tablename__ = "setting"
    key: Mapped[str] = mapped_column(String(40), primary_key=True)
    value: Mapped[Any] = mapped_column(Json)


class JournalRow(Base):
    """Who did what, when. Entries of an erased runner go with the runner; that somebody was erased stays, without a name."""

    __tablename__ = "journal"
    id: Mapped[str] = mapped_column(ID, primary_key=True, default=new_id)
    at: Mapped[dt.datetime] = mapped_column(Utc, default=now, index=True)
    by: Mapped[str] = mapped_column(String(80), default="")
    #: Such as "session changed", "film added", "correction withdrawn", "runner erased".
    what: Mapped[str] = mapped_column(String(40))
    runner_id: Mapped[str | None] = mapped_column(ForeignKey("runner.id", ondelete="CASCADE"), index=True)
    subject_id: Mapped[str] = mapped_column(String(16), default="")
    #: For changes: {field: [before, after]}.
    detail: Mapped[dict[str, Any]] = mapped_column(Json, default=dict)
