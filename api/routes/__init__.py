"""HTTP in, HTTP out; nothing is decided here."""
