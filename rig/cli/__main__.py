"""``python -m rig.cli``: the command line where no console script is installed."""

import sys

from rig.cli.app import main

if __name__ == "__main__":
    sys.exit(main())
