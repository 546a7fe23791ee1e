"""What all commands share: how they are declared, and what the terminal shows."""
