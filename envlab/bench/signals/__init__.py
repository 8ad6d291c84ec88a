"""What is played to a board on the bench, and what it should answer."""
