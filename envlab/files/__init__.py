"""What goes to the disk and comes from it: whole files, tables of TOML, loops that were compiled."""
