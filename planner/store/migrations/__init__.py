"""Changes of the schema, one file each in `versions`, run by Alembic from `planner.store.upgrade`."""
