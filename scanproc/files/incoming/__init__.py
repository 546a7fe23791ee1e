"""Readers of other people's files."""
