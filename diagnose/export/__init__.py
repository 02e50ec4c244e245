"""The machine as a compact Bayesian network for other programs."""
