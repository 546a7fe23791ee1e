"""What a notebook works with: results that answer by name, angle and position, and the commands as functions."""
