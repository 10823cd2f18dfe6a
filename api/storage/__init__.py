"""The unit's store in SQLite."""
