"""One scan to all its results."""
