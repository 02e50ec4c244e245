"""The first version of the tables."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make all tables."""
    op.create_table(
        "archives",
        sa.Column("hash", sa.String(length=64), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("hash", name=op.f("pk_archives")),
    )
    op.create_table(
        "idempotency",
        sa.Column("shop", sa.String(length=200), nullable=False),
        sa.Column("key", sa.String(length=200), nullable=False),
        sa.Column("fingerprint", sa.String(length=64), nullable=False),
        sa.Column("started_at", sa.String(length=32), nullable=False),
        sa.Column("done", sa.Text(), nullable=True),
        sa.Column("answer", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("shop", "key", name=op.f("pk_idempotency")),
    )
    op.create_index(
        op.f("ix_idempotency_shop_started_at"), "idempotency", ["shop", "started_at"], unique=False
    )
    op.create_index(op.f("ix_idempotency_started_at"), "idempotency", ["started_at"], unique=False)
    op.create_table(
        "keys",
        sa.Column("prefix", sa.String(length=20), nullable=False),
        sa.Column("hash", sa.String(length=64), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("shop", sa.String(length=200), nullable=False),
        sa.Column("role", sa.String(length=20), nullable=False),
        sa.Column("created_at", sa.String(length=32), nullable=False),
        sa.Column("last_used_at", sa.String(length=32), nullable=True),
        sa.Column("revoked_at", sa.String(length=32), nullable=True),
        sa.PrimaryKeyConstraint("prefix", name=op.f("pk_keys")),
    )
    op.create_table(
        "overlays",
        sa.Column("hash", sa.String(length=64), nullable=False),
        sa.Column("machine", sa.String(length=200), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("hash", name=op.f("pk_overlays")),
    )
    op.create_table(
        "machine_files",
        sa.Column("hash", sa.String(length=64), nullable=False),
        sa.Column("archive_hash", sa.String(length=64), nullable=False),
        sa.Column("machine", sa.String(length=200), nullable=False),
        sa.Column("version", sa.String(length=200), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["archive_hash"], ["archives.hash"], name=op.f("fk_machine_files_archives")
        ),
        sa.PrimaryKeyConstraint("hash", "archive_hash", name=op.f("pk_machine_files")),
    )
    op.create_table(
        "priors",
        sa.Column("adoption", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("shop", sa.String(length=200), nullable=False),
        sa.Column("machine", sa.String(length=200), nullable=False),
        sa.Column("hash", sa.String(length=64), nullable=False),
        sa.Column("adopted_at", sa.String(length=32), nullable=False),
        sa.Column("adopted_by", sa.String(length=200), nullable=False),
        sa.Column("rolled_back_at", sa.String(length=32), nullable=True),
        sa.Column("rolled_back_by", sa.String(length=200), nullable=True),
        sa.ForeignKeyConstraint(["hash"], ["overlays.hash"], name=op.f("fk_priors_overlays")),
        sa.PrimaryKeyConstraint("adoption", name=op.f("pk_priors")),
    )
    op.create_index(
        op.f("ix_priors_shop_machine_adoption"),
        "priors",
        ["shop", "machine", "adoption"],
        unique=False,
    )
    op.create_table(
        "openings",
        sa.Column("job_id", sa.String(length=40), nullable=False),
        sa.Column("shop", sa.String(length=200), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("machine_hash", sa.String(length=64), nullable=False),
        sa.Column("archive_hash", sa.String(length=64), nullable=False),
        sa.Column("machine_version", sa.String(length=200), nullable=False),
        sa.Column("priors_hash", sa.String(length=64), nullable=True),
        sa.Column("kept_at", sa.String(length=32), nullable=False),
        sa.Column("hash", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(
            ["machine_hash", "archive_hash"],
            ["machine_files.hash", "machine_files.archive_hash"],
            name=op.f("fk_openings_machine_files"),
        ),
        sa.ForeignKeyConstraint(
            ["priors_hash"], ["overlays.hash"], name=op.f("fk_openings_overlays")
        ),
        sa.PrimaryKeyConstraint("job_id", name=op.f("pk_openings")),
    )
    op.create_table(
        "jobs",
        sa.Column("job_id", sa.String(length=40), nullable=False),
        sa.Column("shop", sa.String(length=200), nullable=False),
        sa.Column("shop_reference", sa.String(length=200), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("status", sa.String(length=20), nullable=False),
        sa.Column("machine", sa.String(length=200), nullable=False),
        sa.Column("machine_version", sa.String(length=200), nullable=False),
        sa.Column("machine_hash", sa.String(length=64), nullable=False),
        sa.Column("archive_hash", sa.String(length=64), nullable=False),
        sa.Column("priors_hash", sa.String(length=64), nullable=True),
        sa.Column("temperature_celsius", sa.Float(), nullable=False),
        sa.Column("complaint_told", sa.String(length=200), nullable=False),
        sa.Column("complaint_seen", sa.String(length=200), nullable=True),
        sa.Column("opened_at", sa.String(length=32), nullable=False),
        sa.Column("opened_by", sa.String(length=200), nullable=False),
        sa.Column("changed_at", sa.String(length=32), nullable=False),
        sa.Column("closed_at", sa.String(length=32), nullable=True),
        sa.Column("ended", sa.String(length=20), nullable=True),
        sa.Column("cause_part", sa.String(length=200), nullable=True),
        sa.Column("cause_mode", sa.String(length=200), nullable=True),
        sa.Column("cause_seen", sa.Boolean(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("labour_minutes", sa.Float(), nullable=True),
        sa.Column("comeback_of", sa.String(length=200), nullable=True),
        sa.ForeignKeyConstraint(["job_id"], ["openings.job_id"], name=op.f("fk_jobs_openings")),
        sa.PrimaryKeyConstraint("job_id", name=op.f("pk_jobs")),
    )
    op.create_index(
        op.f("ix_jobs_shop_closed_at_job_id"), "jobs", ["shop", "closed_at", "job_id"], unique=False
    )
    op.create_index(
        op.f("ix_jobs_shop_opened_at_job_id"), "jobs", ["shop", "opened_at", "job_id"], unique=False
    )
    op.create_index(
        op.f("ix_jobs_shop_shop_reference"), "jobs", ["shop", "shop_reference"], unique=False
    )
    op.create_table(
        "steps",
        sa.Column("job_id", sa.String(length=40), nullable=False),
        sa.Column("seq", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("advised", sa.String(length=400), nullable=True),
        sa.Column("shown", sa.String(length=200), nullable=True),
        sa.Column("tool_version", sa.String(length=200), nullable=True),
        sa.Column("kept_at", sa.String(length=32), nullable=False),
        sa.Column("hash", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["openings.job_id"], name=op.f("fk_steps_openings")),
        sa.PrimaryKeyConstraint("job_id", "seq", name=op.f("pk_steps")),
    )
