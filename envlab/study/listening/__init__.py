"""One clip, one board after the other: what the audition computes."""
