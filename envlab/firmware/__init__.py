"""What goes to the microcontroller: table header, runtime."""
