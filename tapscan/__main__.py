"""Run the command line as ``python -m tapscan``."""

from tapscan.cli import main

if __name__ == "__main__":
    main()
