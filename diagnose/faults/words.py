"""Names of states that the network and its users share."""

UNLISTED = "unlisted"
"""Id of the part that stands for everything the file does not list."""

SHARE_OF_MACHINES = 0.25
"""Of a thousand machines standing about, so many would be a job if somebody tried to start them.

A machine file counts jobs: in how many of 1 000 jobs a part turned out to have failed so. Jobs are
those machines that somebody complained about. The network begins before the complaint, so the
counts are scaled down by this share; the complaint, its first finding, brings them back to what
the file says. Without the scaling faults that happen to be there besides the one complained about
would be four times too common. Estimate."""

YES, NO = "yes", "no"
"""States of a complaint."""

TRIED = "(tried)"
"""Name of the observable that says what trying the machine shows."""

OK = "ok"
"""The mode of a part that does what it should."""
