"""Many boards of one design: parts a little off, cold nights, tired packs."""
