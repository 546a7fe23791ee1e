"""Before the scan: how many points, where, in which order."""
