"""One self-contained page about one choice."""
