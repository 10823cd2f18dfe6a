"""Who may do what: one table as data, and the pure questions asked of it."""
