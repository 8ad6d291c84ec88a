"""What may be wrong with a board, by name."""
