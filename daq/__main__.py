"""`python -m daq` is `daq`."""

from daq.cli import main

main()
