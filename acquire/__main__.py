"""``python -m acquire`` is the ``floorshot`` command."""

from acquire.cli import main

if __name__ == "__main__":
    main()
