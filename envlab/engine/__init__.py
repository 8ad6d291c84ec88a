"""Sound through one board or many: the only place that computes counts."""
