"""`python -m truelobe` is the same as `truelobe`."""

import sys

from truelobe.cli import main

sys.exit(main())
