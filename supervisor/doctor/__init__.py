"""Everything a tired person forgets, checked before the take-off; each finding says its fix."""
