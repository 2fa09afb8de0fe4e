"""What Alembic runs: the revisions, on the connection and inside the transaction that the upgrade gives."""

from __future__ import annotations

from alembic import context

context.configure(connection=context.config.attributes["connection"], transaction_per_migration=False)
context.run_migrations()
