"""Finds the same person in records of several sites; knows no record, no SQL, no HTTP.

Nothing here joins anybody: it proposes pairs with a score that can be read, and people decide.
"""
