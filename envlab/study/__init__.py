"""Questions put to chains: figures, sweeps, the choice."""
