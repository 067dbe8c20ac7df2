"""Seals, bores, pressures and benches side by side."""
