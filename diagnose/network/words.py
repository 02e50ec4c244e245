"""Names of states that the network and its users share."""

UNLISTED = "unlisted"
"""Id of the part that stands for everything the file does not list."""

YES, NO = "yes", "no"
"""States of a complaint."""
