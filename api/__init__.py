"""The unit server: routes, use cases, storage, catalogue and clinical rules."""
