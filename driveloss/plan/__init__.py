"""Which readings to take."""
