"""`python -m stiffen`."""

import sys

from stiffen.cli import main

sys.exit(main())
