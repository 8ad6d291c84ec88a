"""What a recorder did to the sound before it came into the file: flat tops, limiter, automatic gain."""
