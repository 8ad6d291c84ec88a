"""Rectifiers by topology: the ideal one, passive ones, and those with amplifiers on a single supply."""
