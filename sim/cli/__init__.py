"""The verbs of ``homeleg`` that show the simulator to a person; see ``supervisor/cli``."""
