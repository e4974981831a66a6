"""Run as ``python -m campledger``."""

import sys

from campledger.app.cli import main

if __name__ == "__main__":
    sys.exit(main())
