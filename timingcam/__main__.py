"""`python -m timingcam`: the same as the command."""

from timingcam.cli.main import main

if __name__ == "__main__":
    main()
