"""python -m envlab."""

from envlab.cli import main

main(prog_name="envlab")
