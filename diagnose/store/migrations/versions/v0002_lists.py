"""Indices for lists of jobs: by status, by machine, and what was changed since."""

from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the indices; no row changes."""
    for columns in (
        ["shop", "changed_at", "job_id"],
        ["shop", "machine", "opened_at", "job_id"],
        ["shop", "status", "opened_at", "job_id"],
    ):
        op.create_index(op.f(f"ix_jobs_{'_'.join(columns)}"), "jobs", columns, unique=False)
