"""The night after: what a phone heard beside what the board logged."""
