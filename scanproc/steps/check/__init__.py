"""Is the measurement sound: faults of points, of the arm, of the air."""
