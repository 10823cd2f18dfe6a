"""The record and its exchange: operations, clock, merge. Knows no clinic, no HTTP, no SQL."""
