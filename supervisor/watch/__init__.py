"""The far end: what a person sees, in a browser or a terminal.

::

    broker -> listener -> store (JSON lines)       everything heard, as it came
                   |
                   +--> picture.fold(heard) -> Picture -> view.view(now) -> page or terminal

Built on the published topics and schemas only: nothing here imports the core.
"""
