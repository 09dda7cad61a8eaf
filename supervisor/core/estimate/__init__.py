"""From observations to the belief: one filter a module, assembled by :class:`Estimator`."""
