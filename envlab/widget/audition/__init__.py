"""Hear a recording, see the lights, turn the parts."""
