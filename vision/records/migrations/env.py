"""Alembic's entry: runs migrations on the connection that `vision.records.migrate` opened."""

from alembic import context

from vision.records.schema import Base

context.configure(connection=context.config.attributes["connection"], target_metadata=Base.metadata,
                  transaction_per_migration=False, render_as_batch=True)
context.run_migrations()
