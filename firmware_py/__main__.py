"""`python -m firmware_py` is the command `linehold`."""

from firmware_py.commands import main

if __name__ == "__main__":
    main()
