"""The clinical rules: versioned content and a pure engine that reads it."""
