"""A flight with its figures as earlier flights taught them, for what is reckoned on paper.

Chances take the whole prior (``core/estimate/prior.py``) with its uncertainty; paper takes its
mean. Climb and descent have scales of their own there; on paper they follow the cruise, whose slope
over airspeed is that of a polar with more drag of one kind and less of the other. Powers were
learned among the gusts of those flights: no gusts are added to them.
"""

from __future__ import annotations

import math
from dataclasses import replace

from supervisor.core.cruise_scale import bent
from supervisor.core.estimate.prior import Prior
from supervisor.core.plan import Flight


def as_learned(flight: Flight, prior: Prior) -> Flight:
    """``flight`` with learned hover, cruise and avionics power, pack capacity and resistance."""
    craft, pack = flight.aircraft, flight.pack
    if prior.power is not None:
        hover, _, cruise, _, avionics = (math.exp(x) for x in prior.power.log_mean[:5])
        craft = replace(
            bent(craft, prior.power.slope),
            hover_efficiency=craft.hover_efficiency / hover,
            cruise_efficiency=craft.cruise_efficiency / cruise,
            avionics_w=craft.avionics_w * avionics,
            gust_cost=0.0,
        )
    if prior.pack is not None:
        resistance, capacity = (math.exp(x) for x in prior.pack.log_mean[:2])
        capacity_ah = pack.capacity_ah * capacity
        pack = replace(pack, resistance_scale=resistance, capacity_ah=capacity_ah)
    return replace(flight, aircraft=craft, pack=pack)
