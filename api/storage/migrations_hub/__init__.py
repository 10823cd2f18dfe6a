"""Numbered migrations of a hub's store in PostgreSQL; a released one is never edited."""
