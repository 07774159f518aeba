"""``python -m heightnet`` is the command ``heightnet``."""

from heightnet.cli import main

if __name__ == "__main__":
    main()
