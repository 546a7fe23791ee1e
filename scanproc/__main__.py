"""``python -m scanproc``: the same as the command ``scanproc``."""

from scanproc.cli import main

main()
