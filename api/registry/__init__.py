"""What a unit tells its network of its cases; knows no store, no SQL, no HTTP.

Pseudonymised and still personal data: whoever holds the site key, or enough of what stands
elsewhere, can say whom a record is of.
"""
