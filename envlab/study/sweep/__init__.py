"""Every candidate on every clip, and the choice among them."""
