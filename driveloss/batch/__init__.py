"""Many benches at once: on all cores of this machine, or on a cluster."""
