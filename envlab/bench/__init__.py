"""The board is back: signals for the bench, what comes back from it, which parts it has, what is wrong."""
