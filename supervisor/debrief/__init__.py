"""After the flight: what was planned, what was flown, and where the difference came from."""
