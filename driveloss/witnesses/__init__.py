"""Every way to the same watt side by side."""
