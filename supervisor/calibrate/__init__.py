"""A builder's figures from flights: hover, cruise, airspeed, resistance, capacity, with doubt."""
