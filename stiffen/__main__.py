"""`python -m stiffen`."""

import sys

from stiffen.cli.entry import main

sys.exit(main())
