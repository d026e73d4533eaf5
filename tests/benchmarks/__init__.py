"""How fast the advisor is, in ratios to what is measured beside it in the same run: python -m tests.benchmarks"""

import sys
from pathlib import Path

# Under pytest the folder of the tests is on the path; under "python -m tests.benchmarks" only the one above it is.
_TESTS = str(Path(__file__).resolve().parent.parent)
if _TESTS not in sys.path:
    sys.path.append(_TESTS)
