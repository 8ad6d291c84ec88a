"""The layout of light: which pixels light, and when."""
