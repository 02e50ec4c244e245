"""What the tests of a machine can tell at all, before anybody stands at the bench."""
