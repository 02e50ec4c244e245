"""From a circuit to a Bayesian network."""
