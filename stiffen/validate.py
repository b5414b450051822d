"""`python -m stiffen.validate`: the table of outside checks."""

import sys

from stiffen.validation.runner import main

if __name__ == "__main__":
    sys.exit(main())
