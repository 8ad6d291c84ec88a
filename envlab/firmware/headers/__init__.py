"""What the generated headers of the runtime hold: numbers with their units, and the checks over them."""
