"""First tables."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0001"
down_revision = None

# The types as they were then: a migration never looks at what the tables have become since.
JSON = sa.JSON().with_variant(postgresql.JSONB(), "postgresql")
UTC = sa.DateTime(timezone=True)


def upgrade() -> None:
    op.create_table(
        "account",
        sa.Column("id", sa.String(length=16), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("password_hash", sa.String(length=200), nullable=False),
        sa.Column("created_at", UTC, nullable=False),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("name"),
    )
    op.create_table(
        "media",
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("bytes", sa.BigInteger(), nullable=False),
        sa.Column("created_at", UTC, nullable=False),
        sa.PrimaryKeyConstraint("sha256"),
    )
    op.create_table(
        "runner",
        sa.Column("id", sa.String(length=16), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("birth_year", sa.Integer(), nullable=True),
        sa.Column("height_m", sa.Float(), nullable=True),
        sa.Column("mass_kg", sa.Float(), nullable=True),
        sa.Column("body_table", sa.String(length=8), nullable=False),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.Column("consent", sa.String(length=12), nullable=False),
        sa.Column("consent_on", sa.Date(), nullable=True),
        sa.Column("consent_by", sa.String(length=80), nullable=False),
        sa.Column("consent_text", sa.Text(), nullable=False),
        sa.Column("invented", sa.Boolean(), nullable=False),
        sa.Column("created_at", UTC, nullable=False),
        sa.Column("changed_at", UTC, nullable=False),
        sa.Column("changed_by", sa.String(length=80), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_runner_name", "runner", ["name"])
    op.create_table(
        "setting",
        sa.Column("key", sa.String(length=40), nullable=False),
        sa.Column("value", JSON, nullable=False),
        sa.PrimaryKeyConstraint("key"),
    )
    op.create_table(
        "journal",
        sa.Column("id", sa.String(length=16), nullable=False),
        sa.Column("at", UTC, nullable=False),
        sa.Column("by", sa.String(length=80), nullable=False),
        sa.Column("what", sa.String(length=40), nullable=False),
        sa.Column("runner_id", sa.String(length=16), nullable=True),
        sa.Column("subject_id", sa.String(length=16), nullable=False),
        sa.Column("detail", JSON, nullable=False),
        sa.ForeignKeyConstraint(["runner_id"], ["runner.id"], ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_journal_at", "journal", ["at"])
    op.create_index("ix_journal_runner_id", "journal", ["runner_id"])
    op.create_table(
        "login",
        sa.Column("key_sha256", sa.String(length=64), nullable=False),
        sa.Column("account_id", sa.String(length=16), nullable=False),
        sa.Column("created_at", UTC, nullable=False),
        sa.Column("seen_at", UTC, nullable=False),
        sa.Column("expires_at", UTC, nullable=False),
        sa.ForeignKeyConstraint(["account_id"], ["account.id"], ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("key_sha256"),
    )
    op.create_index("ix_login_account_id", "login", ["account_id"])
    op.create_table(
        "session",
        sa.Column("id", sa.String(length=16), nullable=False),
        sa.Column("runner_id", sa.String(length=16), nullable=False),
        sa.Column("held_on", sa.Date(), nullable=False),
        sa.Column("place", sa.String(length=80), nullable=False),
        sa.Column("surface", sa.String(length=12), nullable=False),
        sa.Column("speed_mps", sa.Float(), nullable=True),
        sa.Column("shoes", sa.String(length=120), nullable=False),
        sa.Column("weekly_distance_km", sa.Float(), nullable=True),
        sa.Column("pain", JSON, nullable=False),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.Column("created_at", UTC, nullable=False),
        sa.Column("changed_at", UTC, nullable=False),
        sa.Column("changed_by", sa.String(length=80), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["runner_id"], ["runner.id"], ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_session_held_on", "session", ["held_on"])
    op.create_index("ix_session_runner_held", "session", ["runner_id", "held_on"])
    op.create_index("ix_session_runner_id", "session", ["runner_id"])
    op.create_table(
        "assessment",
        sa.Column("id", sa.String(length=16), nullable=False),
        sa.Column("session_id", sa.String(length=16), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(length=10), nullable=False),
        sa.Column("software", sa.String(length=40), nullable=False),
        sa.Column("settings", JSON, nullable=False),
        sa.Column("provenance", JSON, nullable=False),
        sa.Column("findings", JSON, nullable=False),
        sa.Column("created_by", sa.String(length=80), nullable=False),
        sa.Column("created_at", UTC, nullable=False),
        sa.Column("done_at", UTC, nullable=True),
        sa.ForeignKeyConstraint(["session_id"], ["session.id"], ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_assessment_session_id", "assessment", ["session_id"])
    op.create_index("ix_assessment_state", "assessment", ["state"])
    op.create_table(
        "film",
        sa.Column("id", sa.String(length=16), nullable=False),
        sa.Column("session_id", sa.String(length=16), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("view", sa.String(length=8), nullable=False),
        sa.Column("used", sa.Boolean(), nullable=False),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("capture_fps", sa.Float(), nullable=True),
        sa.Column("start_s", sa.Float(), nullable=True),
        sa.Column("end_s", sa.Float(), nullable=True),
        sa.Column("runner_x", sa.Float(), nullable=True),
        sa.Column("readout_s", sa.Float(), nullable=True),
        sa.Column("known_lengths", JSON, nullable=False),
        sa.Column("marks", JSON, nullable=False),
        sa.Column("info", JSON, nullable=False),
        sa.Column("created_at", UTC, nullable=False),
        sa.Column("created_by", sa.String(length=80), nullable=False),
        sa.Column("changed_at", UTC, nullable=False),
        sa.Column("changed_by", sa.String(length=80), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["session_id"], ["session.id"], ondelete="CASCADE"),
        sa.ForeignKeyConstraint(
            ["sha256"],
            ["media.sha256"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_film_session_id", "film", ["session_id"])
    op.create_index("ix_film_sha256", "film", ["sha256"])
    op.create_table(
        "overrule",
        sa.Column("id", sa.String(length=16), nullable=False),
        sa.Column("session_id", sa.String(length=16), nullable=False),
        sa.Column("finding", sa.String(length=80), nullable=False),
        sa.Column("side", sa.String(length=5), nullable=False),
        sa.Column("why", sa.String(length=400), nullable=False),
        sa.Column("made_by", sa.String(length=80), nullable=False),
        sa.Column("made_at", UTC, nullable=False),
        sa.Column("withdrawn_by", sa.String(length=80), nullable=True),
        sa.Column("withdrawn_at", UTC, nullable=True),
        sa.ForeignKeyConstraint(["session_id"], ["session.id"], ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_overrule_session_id", "overrule", ["session_id"])
    op.create_table(
        "pairing",
        sa.Column("id", sa.String(length=16), nullable=False),
        sa.Column("session_id", sa.String(length=16), nullable=False),
        sa.Column("code_sha256", sa.String(length=64), nullable=False),
        sa.Column("key_sha256", sa.String(length=64), nullable=True),
        sa.Column("created_by", sa.String(length=80), nullable=False),
        sa.Column("created_at", UTC, nullable=False),
        sa.Column("expires_at", UTC, nullable=False),
        sa.Column("used_at", UTC, nullable=True),
        sa.Column("ended_at", UTC, nullable=True),
        sa.ForeignKeyConstraint(["session_id"], ["session.id"], ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("code_sha256"),
        sa.UniqueConstraint("key_sha256"),
    )
    op.create_index("ix_pairing_session_id", "pairing", ["session_id"])
    op.create_table(
        "correction",
        sa.Column("id", sa.String(length=16), nullable=False),
        sa.Column("film_id", sa.String(length=16), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("body", JSON, nullable=False),
        sa.Column("note", sa.String(length=200), nullable=False),
        sa.Column("made_by", sa.String(length=80), nullable=False),
        sa.Column("made_at", UTC, nullable=False),
        sa.Column("withdrawn_by", sa.String(length=80), nullable=True),
        sa.Column("withdrawn_at", UTC, nullable=True),
        sa.ForeignKeyConstraint(["film_id"], ["film.id"], ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_correction_film_id", "correction", ["film_id"])
    op.create_table(
        "job",
        sa.Column("id", sa.String(length=16), nullable=False),
        sa.Column("number", sa.BigInteger(), nullable=False),
        sa.Column("kind", sa.String(length=12), nullable=False),
        sa.Column("state", sa.String(length=10), nullable=False),
        sa.Column("session_id", sa.String(length=16), nullable=True),
        sa.Column("film_id", sa.String(length=16), nullable=True),
        sa.Column("assessment_id", sa.String(length=16), nullable=True),
        sa.Column("payload", JSON, nullable=False),
        sa.Column("stage", sa.String(length=80), nullable=False),
        sa.Column("share", sa.Float(), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("cancel_wanted", sa.Boolean(), nullable=False),
        sa.Column("worker", sa.String(length=40), nullable=True),
        sa.Column("heard_at", UTC, nullable=True),
        sa.Column("problem", JSON, nullable=True),
        sa.Column("result", JSON, nullable=True),
        sa.Column("created_by", sa.String(length=80), nullable=False),
        sa.Column("created_at", UTC, nullable=False),
        sa.Column("started_at", UTC, nullable=True),
        sa.Column("ended_at", UTC, nullable=True),
        sa.Column("change", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["assessment_id"], ["assessment.id"], ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["film_id"], ["film.id"], ondelete="CASCADE"),
        sa.ForeignKeyConstraint(["session_id"], ["session.id"], ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("number"),
    )
    op.create_index("ix_job_change", "job", ["change"])
    op.create_index("ix_job_assessment_id", "job", ["assessment_id"])
    op.create_index("ix_job_film_id", "job", ["film_id"])
    op.create_index("ix_job_session_id", "job", ["session_id"])
    op.create_index("ix_job_state", "job", ["state"])
    op.create_table(
        "measure",
        sa.Column("assessment_id", sa.String(length=16), nullable=False),
        sa.Column("measure", sa.String(length=60), nullable=False),
        sa.Column("side", sa.String(length=5), nullable=False),
        sa.Column("view", sa.String(length=8), nullable=False),
        sa.Column("unit", sa.String(length=12), nullable=False),
        sa.Column("value", sa.Float(), nullable=True),
        sa.Column("low", sa.Float(), nullable=True),
        sa.Column("high", sa.Float(), nullable=True),
        sa.Column("n", sa.Integer(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["assessment_id"], ["assessment.id"], ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("assessment_id", "measure", "side", "view"),
    )
