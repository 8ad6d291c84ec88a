"""What feeds the lights, as one verdict: limit, pulses, cells, wires, and the way back to the microphone."""
