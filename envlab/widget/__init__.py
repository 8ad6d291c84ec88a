"""Controls for notebooks; they call the package and compute nothing themselves."""
