"""Homeleg: does the charge that is left still cover the way home?"""

__version__ = "0.1.0"
