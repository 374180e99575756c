"""`python -m doughlab` does what the command `doughlab` does."""

import sys

from doughlab.cli import main

sys.exit(main())
