"""Where the command begins: broken off while it is still being read in, it says so and no more."""

import sys


def run() -> None:
    """Run the command ``stopwright``."""
    try:
        from cli.main import main
    except KeyboardInterrupt:
        print("stopwright: broken off", file=sys.stderr)
        sys.exit(2)
    main()
