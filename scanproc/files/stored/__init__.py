"""Scanproc's own files: scans, results, positions."""
