"""`python -m timingcam`, and the command itself."""

import sys


def run() -> None:
    """Run the command; Ctrl-C ends it in a sentence even while it is still being loaded."""
    try:
        from timingcam.cli.ending import hear_ctrl_c

        hear_ctrl_c()
        from timingcam.cli.main import main

        main()
    except KeyboardInterrupt:
        sys.stderr.write("Interrupted.\n")
        sys.exit(130)


if __name__ == "__main__":
    run()
