"""The tables. Times are texts in UTC of one length, so that they sort the same in every store."""

from __future__ import annotations

from sqlalchemy import (
    Boolean,
    Column,
    Float,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
)

NAME, HASH, TIME, ID = 200, 64, 32, 40
"""Longest names, hashes in hex, times and ids."""

metadata = MetaData(
    naming_convention={
        "pk": "pk_%(table_name)s",
        "fk": "fk_%(table_name)s_%(referred_table_name)s",
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    }
)

archives = Table(
    "archives",
    metadata,
    Column("hash", String(HASH), primary_key=True),
    Column("text", Text, nullable=False),
)

machine_files = Table(
    "machine_files",
    metadata,
    Column("hash", String(HASH), primary_key=True),
    Column("archive_hash", ForeignKey("archives.hash"), primary_key=True),
    Column("machine", String(NAME), nullable=False),
    Column("version", String(NAME), nullable=False),
    Column("text", Text, nullable=False),
)

overlays = Table(
    "overlays",
    metadata,
    Column("hash", String(HASH), primary_key=True),
    Column("machine", String(NAME), nullable=False),
    Column("text", Text, nullable=False),
)

priors = Table(
    "priors",
    metadata,
    Column("adoption", Integer, primary_key=True, autoincrement=True),
    Column("shop", String(NAME), nullable=False),
    Column("machine", String(NAME), nullable=False),
    Column("hash", ForeignKey("overlays.hash"), nullable=False),
    Column("adopted_at", String(TIME), nullable=False),
    Column("adopted_by", String(NAME), nullable=False),
    Column("rolled_back_at", String(TIME)),
    Column("rolled_back_by", String(NAME)),
    Index(None, "shop", "machine", "adoption"),
)

openings = Table(
    "openings",
    metadata,
    Column("job_id", String(ID), primary_key=True),
    Column("shop", String(NAME), nullable=False),
    Column("body", Text, nullable=False),
    Column("machine_hash", String(HASH), nullable=False),
    Column("archive_hash", String(HASH), nullable=False),
    Column("machine_version", String(NAME), nullable=False),
    Column("priors_hash", ForeignKey("overlays.hash")),
    Column("kept_at", String(TIME), nullable=False),
    Column("hash", String(HASH), nullable=False),
    ForeignKeyConstraint(
        ["machine_hash", "archive_hash"],
        ["machine_files.hash", "machine_files.archive_hash"],
    ),
)

steps = Table(
    "steps",
    metadata,
    Column("job_id", ForeignKey("openings.job_id"), primary_key=True),
    Column("seq", Integer, primary_key=True, autoincrement=False),
    Column("kind", String(20), nullable=False),
    Column("body", Text, nullable=False),
    Column("advised", String(2 * NAME)),
    Column("shown", String(NAME)),
    Column("tool_version", String(NAME)),
    Column("kept_at", String(TIME), nullable=False),
    Column("hash", String(HASH), nullable=False),
)

jobs = Table(
    "jobs",
    metadata,
    Column("job_id", ForeignKey("openings.job_id"), primary_key=True),
    Column("shop", String(NAME), nullable=False),
    Column("shop_reference", String(NAME)),
    Column("version", Integer, nullable=False),
    Column("status", String(20), nullable=False),
    Column("machine", String(NAME), nullable=False),
    Column("machine_version", String(NAME), nullable=False),
    Column("machine_hash", String(HASH), nullable=False),
    Column("archive_hash", String(HASH), nullable=False),
    Column("priors_hash", String(HASH)),
    Column("temperature_celsius", Float, nullable=False),
    Column("complaint_told", String(NAME), nullable=False),
    Column("complaint_seen", String(NAME)),
    Column("opened_at", String(TIME), nullable=False),
    Column("opened_by", String(NAME), nullable=False),
    Column("changed_at", String(TIME), nullable=False),
    Column("closed_at", String(TIME)),
    Column("ended", String(20)),
    Column("cause_part", String(NAME)),
    Column("cause_mode", String(NAME)),
    Column("cause_seen", Boolean),
    Column("note", Text),
    Column("labour_minutes", Float),
    Column("comeback_of", String(NAME)),
    Index(None, "shop", "opened_at", "job_id"),
    Index(None, "shop", "shop_reference"),
    Index(None, "shop", "closed_at", "job_id"),
    Index(None, "shop", "changed_at", "job_id"),
    Index(None, "shop", "machine", "opened_at", "job_id"),
    Index(None, "shop", "status", "opened_at", "job_id"),
)

keys = Table(
    "keys",
    metadata,
    Column("prefix", String(20), primary_key=True),
    Column("hash", String(HASH), nullable=False),
    Column("name", String(NAME), nullable=False),
    Column("shop", String(NAME), nullable=False),
    Column("role", String(20), nullable=False),
    Column("created_at", String(TIME), nullable=False),
    Column("last_used_at", String(TIME)),
    Column("revoked_at", String(TIME)),
)

idempotency = Table(
    "idempotency",
    metadata,
    Column("shop", String(NAME), primary_key=True),
    Column("key", String(NAME), primary_key=True),
    Column("fingerprint", String(HASH), nullable=False),
    Column("started_at", String(TIME), nullable=False),
    Column("done", Text),
    Column("answer", Text),
    Index(None, "started_at"),
    Index(None, "shop", "started_at"),
)
