"""Data quality: rules as data, the judgement of records by them, and completeness. Pure."""
