"""Records: rendered from sets, verified independently, written all or not at all."""
