"""Runs the versions over the connection that `diagnose.store.schema` gives."""

from alembic import context

from diagnose.store.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    render_as_batch=True,  # SQLite changes a table by writing it anew
    transactional_ddl=False,  # the caller's own transaction holds all of it
)
with context.begin_transaction():
    context.run_migrations()
