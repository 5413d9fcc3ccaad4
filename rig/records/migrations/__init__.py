"""Schema migrations, run by ``rig.records.migrate``; no alembic.ini is needed."""
