"""Flashes counted, and what to do about too many."""
