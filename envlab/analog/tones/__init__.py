"""A detector on a steady tone."""
