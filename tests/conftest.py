"""Makes `from simulate import ...` work in every test, wherever pytest is started."""

import sys
from pathlib import Path

TESTS = str(Path(__file__).parent)
if TESTS not in sys.path:
    sys.path.insert(0, TESTS)

from hypothesis import settings  # noqa: E402

settings.register_profile("cold", deadline=None)  # the first call may import pint: slow is not wrong
settings.load_profile("cold")
