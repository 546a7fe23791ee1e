"""What was found, in numbers and in words."""
