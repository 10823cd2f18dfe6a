"""Layouts of the documents; what they say comes in as data."""
