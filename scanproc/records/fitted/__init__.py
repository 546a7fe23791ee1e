"""The field that was fitted, and what its errors come from."""
