"""Further than one step: policies, jobs played through, the card."""
