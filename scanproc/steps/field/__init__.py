"""What all other steps stand on: points as seen from a centre, outgoing terms, the field anywhere."""
