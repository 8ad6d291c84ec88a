"""The circuit drawn."""
