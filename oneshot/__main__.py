"""``python -m oneshot`` does what the command ``oneshot`` does."""

from oneshot.cli import main

main()
