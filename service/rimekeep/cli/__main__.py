"""``python -m rimekeep.cli``: the command line without its script."""

from rimekeep.cli import main

if __name__ == "__main__":
    main()
