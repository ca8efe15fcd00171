"""``python -m fiducialkit``: the command line."""

import sys

from fiducialkit.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
