"""Other people's data and fresh recordings on their way to a scan file."""
