"""From envelope to light: curve, table, current, flashes."""
