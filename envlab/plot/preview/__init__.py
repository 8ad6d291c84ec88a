"""A short video of the lights."""
