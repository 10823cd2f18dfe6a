"""One verb a file: read the store, ask the core, write the store."""
