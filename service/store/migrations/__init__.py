"""Alembic's folder: env.py, versions, and the triggers of the append-only tables."""
