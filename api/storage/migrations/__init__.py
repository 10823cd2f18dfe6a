"""Numbered migrations of the unit server's store; a released one is never edited."""
