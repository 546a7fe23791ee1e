"""A scan's prediction against an independent measurement."""
