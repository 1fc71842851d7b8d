"""Run the commands by ``python -m bracewright``."""

import sys

from bracewright.cli import main

if __name__ == "__main__":
    sys.exit(main())
