"""Boards as they are: the fitted one as a design file, single parts, and a trim for each of many."""
