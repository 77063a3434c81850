"""``python -m workbench`` is the same as ``workbench``."""

import sys

from workbench.cli import main

if __name__ == "__main__":
    sys.exit(main())
