"""The version of scanproc: its only home, also for the package's metadata."""

VERSION = "0.1.0"
