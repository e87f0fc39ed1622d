"""Let ``python -m vidspin`` do what the ``vidspin`` command does."""

import sys

from vidspin.cli.app import main

if __name__ == "__main__":
    sys.exit(main())
