"""What a sound level meter shows, and what its reading says of a recording's level."""
