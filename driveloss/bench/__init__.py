"""What is on the bench and what was read there."""

from driveloss.bench.load import load_bench
from driveloss.bench.readings import read_sweep
from driveloss.bench.template import write_template

__all__ = ["load_bench", "read_sweep", "write_template"]
