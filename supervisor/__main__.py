"""``python -m supervisor`` is the ``homeleg`` command."""

from supervisor.cli import main

main()
