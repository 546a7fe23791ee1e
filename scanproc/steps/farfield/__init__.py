"""What free space would show: sweeps, curves, datasheet numbers, with error bars."""
