"""The command line: arguments in, exit code out. One small module per command.

Nothing here imports numpy, h5py, dask or a plotting library until a command does its work.
"""

from scanproc.cli.commands import main

__all__ = ["main"]
