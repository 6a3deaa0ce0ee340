"""`python -m gateway` is the same as `gateway`."""

import sys

from gateway.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
