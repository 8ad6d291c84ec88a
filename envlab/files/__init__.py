"""What goes to the disk and comes from it: files that appear whole, tables of TOML, compiled loops that are kept."""
