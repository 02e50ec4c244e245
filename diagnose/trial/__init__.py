"""Simulated jobs carried to a verified repair: what each way of deciding costs in minutes."""
