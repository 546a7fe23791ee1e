"""Dense matrices: factors, least squares, regression."""
