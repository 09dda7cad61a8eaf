"""The truth: a simulated lift-and-cruise aircraft that Homeleg is tested on.

Nothing in here imports the supervisor's models, and the supervisor never imports this
package: the truth must not be the same code as the belief.
"""
