"""Layouts of light compared at equal current: what the eye gets of each, near by and from afar."""
