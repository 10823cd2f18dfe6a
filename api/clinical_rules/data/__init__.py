"""The rule files: versioned content, no code."""
