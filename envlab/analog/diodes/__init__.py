"""A passive diode: its law, and the one circuit that it makes with the hold capacitor."""
