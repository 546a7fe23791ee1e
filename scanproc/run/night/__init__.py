"""Many scans unattended: the batch, its workers and checkpoints."""
