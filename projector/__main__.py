"""`python -m projector` is the command `chalkbeam`."""

from projector.commands import main

if __name__ == "__main__":
    main()
