"""What leaves the clinic as a document: calendar feeds, letters, lists and standard records."""
