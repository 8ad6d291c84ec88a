"""The preamp: by its numbers, or as the two stages that a board has."""
