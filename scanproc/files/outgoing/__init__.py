"""Writers of files for other tools."""
