"""Pictures of the brightness table."""
