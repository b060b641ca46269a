"""``python -m xraymeasure``: the command line, where its script is not on the path."""

from xraymeasure.cli import main

if __name__ == "__main__":
    main()
