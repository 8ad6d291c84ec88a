"""Which parts the board has that made a capture."""
