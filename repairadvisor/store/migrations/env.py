"""Read by Alembic when it runs the steps, on the connection and in the transaction of the caller.

``repairadvisor.store.database`` holds a lock in that transaction: this file neither begins nor commits.
"""

from __future__ import annotations

from alembic import context

context.configure(connection=context.config.attributes["connection"])
context.run_migrations()
