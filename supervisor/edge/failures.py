"""Why there is no connection to the broker, in words that say what to mend."""

from __future__ import annotations

from aiomqtt.exceptions import MqttConnectError

from supervisor.edge.dial import refusal

# TLS 1.3 lets us speak before the broker has judged our certificate: when it closes at once, the
# alert that says why can be lost on the way. The next attempt hears it.
HUNG_UP = "the broker hung up and no reason arrived (does this port speak TLS?)"
ENDED = "the connection ended"
ABRUPT = ("EOF occurred in violation of protocol", "Connection reset by peer")
AWAY = {
    "Connection refused": "no broker listens at that address and port (connection refused)",
    "Network is unreachable": "there is no network",
    "No route to host": "there is no way to the broker's network",
}
PERHAPS_TLS = " (before MQTT began: does this port want TLS, mqtts://?)"


class ConnectionFailed(Exception):  # noqa: N818 - it is an outcome, told in words
    """The broker was not reached, refused us, or went away. Says why in plain words."""

    def __init__(self, why: str, *, refused: bool = False, silent: bool = False) -> None:
        super().__init__(why)
        self.refused = refused  # trying again soon will not help
        self.silent = silent  # TCP stood, but no answer came: perhaps the wrong protocol
        self.taken_over = "taken over" in why.lower()


def before_mqtt(failure: ConnectionFailed, *, tcp_stood: bool, tls: bool) -> ConnectionFailed:
    """The same of a connection that ended before MQTT began, with what that alone tells."""
    hung_up = tcp_stood and not (failure.refused or failure.silent)
    if not tls and hung_up and "timed out" not in str(failure):
        return ConnectionFailed(f"{failure}{PERHAPS_TLS}")
    if tls and _without_reason(str(failure)):
        return ConnectionFailed(HUNG_UP)
    return failure


def _without_reason(text: str) -> bool:
    return text == ENDED or any(mark in text for mark in ABRUPT)


def explained(error: BaseException, heard: str, *, silence_tells: bool = False) -> ConnectionFailed:
    """A foreign failure in our words. ``heard``: the library's log; ``silence_tells``: no answer
    means another version of the protocol."""
    if isinstance(error, ConnectionFailed):
        return error
    origin = error.__cause__ or error.__context__  # aiomqtt keeps only the text of it
    plain = (refusal(origin) if origin else "") or refusal(error) or refusal(heard)
    if plain:
        return ConnectionFailed(plain, refused=True)
    if isinstance(error, MqttConnectError):
        code = getattr(error.rc, "value", error.rc)
        if code in (1, 0x84):  # unacceptable / unsupported protocol version
            return ConnectionFailed("the broker does not speak this MQTT version", silent=True)
        return ConnectionFailed(f"the broker refused us: {error.rc}", refused=True)
    text = heard or str(error) or type(error).__name__
    text = next((words for mark, words in AWAY.items() if mark in text), text)
    silent = silence_tells and "timed out" in str(error)
    return ConnectionFailed(text, silent=silent)
