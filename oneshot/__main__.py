"""``python -m oneshot`` does what the command ``oneshot`` does."""

from oneshot.cli import main

if __name__ == "__main__":
    main()
