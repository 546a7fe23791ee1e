"""What reaches the microphone, as a sum of Gaussian fields."""
