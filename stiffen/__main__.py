"""`python -m stiffen`."""

import sys

from .cli import main

sys.exit(main())
