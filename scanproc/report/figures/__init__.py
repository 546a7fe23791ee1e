"""What figures show, and how they are drawn."""
