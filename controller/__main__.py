"""``python -m controller`` is the ``rimeward`` command."""

from controller.cli import main

main()
