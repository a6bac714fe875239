"""Run by alembic: works on the connection it is handed, inside a transaction that the caller owns."""

from alembic import context

from db.models import Base

context.configure(connection=context.config.attributes["connection"], target_metadata=Base.metadata)
with context.begin_transaction():
    context.run_migrations()
