"""Sentences for patients, one file a language. English is the source."""
