"""One file per rule; each holds `RULE`, and is found by its name."""
