"""What is asked: clips and levels, ranges, targets, tolerances."""
