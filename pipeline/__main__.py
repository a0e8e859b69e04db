"""``python -m paddlebrief``."""

from paddlebrief.cli import main

main()
