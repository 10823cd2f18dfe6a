"""Statistics of outcomes for the network: knows no record, no SQL, no HTTP.

Nothing here ranks units. A figure without enough behind it says so; missing stays missing.
"""
