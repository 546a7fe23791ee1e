"""The device told from the room by two layers of points."""
