"""What could be changed about a device, told from its far field: resonances, and filters for its drive."""
