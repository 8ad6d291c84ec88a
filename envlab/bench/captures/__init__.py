"""What came back from the bench: counts from a serial port, an oscilloscope, a sound card."""
