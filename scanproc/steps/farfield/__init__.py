"""What free space would show: directions, curves, datasheet numbers, with error bars."""
