"""What the microcontroller does with the counts: followers and fixed-point arithmetic."""
