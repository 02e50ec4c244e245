"""The decision problem of a job: beliefs over fault sets, policies, looking further ahead."""
