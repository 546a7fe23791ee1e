"""The version of scanproc: its only home, also for the package's metadata."""

VERSION = "0.1.1"

RESULTS_VERSION = 7
"""Raised whenever the same scan and settings give other results, so that a batch converts them again."""
