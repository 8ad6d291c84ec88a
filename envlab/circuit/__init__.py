"""A board as parts and nodes: schematic, parts list, labels of traces and design rules are made from it."""
