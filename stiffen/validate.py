"""`python -m stiffen.validate`: the shell model against published and recomputed values."""

import sys

from stiffen.validation.runner import main

if __name__ == "__main__":
    sys.exit(main())
