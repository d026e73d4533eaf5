"""``python -m repairadvisor``."""

import sys

from repairadvisor.cli import main

if __name__ == "__main__":
    sys.exit(main())
