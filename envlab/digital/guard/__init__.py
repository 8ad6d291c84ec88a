"""The flash guard in whole numbers, as the exported firmware has it."""
