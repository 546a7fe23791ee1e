"""Settings from TOML, checked in full before anything starts."""
