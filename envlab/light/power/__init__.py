"""Pack, wires, heat, PWM, and what the supply carries."""
