"""Spectra and impulse responses made ready before anything is fitted."""
