"""Compiled loops of the analog stages; imported inside the functions that use them."""
