"""Questions put to chains: metrics, sweeps, the choice."""
