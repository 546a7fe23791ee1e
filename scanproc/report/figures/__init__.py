"""What figures show."""
