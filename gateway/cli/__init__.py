"""Ways in: the command line."""
