"""The truth: a simulated lift-and-cruise aircraft that Homeleg is tested on.

Nothing in here imports the supervisor's models, and the supervisor never imports this
package: the truth must not be the same code as the belief.

The physics, each module on those before it:

* ``geodesy``, ``atmosphere``: the earth and the standard air
* ``plan``, ``scenario``: what the builder believes; what is true, and the ranges it is drawn from
* ``gusts``, ``weather``: Dryden turbulence; mean wind, fronts, lee of ridges
* ``drive``, ``rotors``, ``pusher``, ``polar``, ``aircraft``: what takes power, fitted and bent
* ``cells``, ``pack``: cell groups in series, the weakest deciding
* ``mission``, ``guidance``, ``motion``, ``pilot``: what is flown, and how the aircraft obeys
* ``faults``, ``flight``, ``truth``: one flight; its branches, and the latest turn-back time

What others see of it: ``sensors``, ``messages``, ``telemetry``, ``protocol``,
``link`` and ``shadow`` (what ridges take from a radio).
"""
