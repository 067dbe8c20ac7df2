"""Slow measurements of the program against simulated benches. In tests/: `python -m benchmark.coverage`."""
