"""Pictures of how detector, metrics and light work."""
