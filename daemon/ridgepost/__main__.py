"""`python -m ridgepost`."""

from ridgepost.cli import main

main()
