"""How many points are enough, and where more would help."""
