"""Alembic's entry point; the connection is handed over by `triage.storage.database`."""

from alembic import context

from triage.storage.schema import metadata

connection = context.config.attributes["connection"]
context.configure(connection=connection, target_metadata=metadata, transactional_ddl=False)
context.run_migrations()
