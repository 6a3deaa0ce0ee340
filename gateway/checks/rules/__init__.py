"""One file per rule that has a check; each holds `RULE`, and is found by its name."""
