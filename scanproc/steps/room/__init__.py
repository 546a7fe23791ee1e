"""The room: whether the points can tell it from the device."""
