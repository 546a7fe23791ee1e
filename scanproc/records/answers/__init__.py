"""What is made of the field: results, curves, verdicts, plans."""
