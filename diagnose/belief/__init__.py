"""From what was found to the probability of every fault set that matters."""
