"""The data dictionary: every record kind and field, and how concurrent values live together."""
