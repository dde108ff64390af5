"""Listens to a broker: each message is on disk before the broker is told that it arrived.

The broker keeps what comes while nobody listens (a session that is not clean, quality
of service 1), and sends again what was never acknowledged. So a message may come twice,
and then its readings are duplicates; it is never lost.
"""

from __future__ import annotations

import logging
import ssl
import threading
import time
from collections.abc import Callable
from datetime import datetime
from typing import Any, Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from ingest.errors import Terminal
from ingest.messages import MessageSpool
from ingest.profile import Profile
from ingest.sources import MqttSource, secret

log = logging.getLogger(__name__)

_KEEPALIVE_S: Final = 60
#: Messages that may be on their way at once; what comes faster waits at the broker.
_IN_FLIGHT: Final = 100
_LONGEST_WAIT_S: Final = 120


class Listener:
    """One connection to a broker, held until it is stopped.

    Attributes
    ----------
    error
        Why nothing comes at present; None while subscribed.
    """

    def __init__(
        self,
        source: MqttSource,
        profile: Profile,
        messages: MessageSpool,
        clock: Callable[[], datetime],
    ) -> None:
        self._source, self._profile, self._messages = source, profile, messages
        self._clock = clock
        self._lock = threading.Lock()
        self._taken = self._refused = self._retained = 0
        self._heard = time.monotonic()
        self._answered = threading.Event()
        self.error: str | None = f"{self._shown} has not answered yet."
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=source.client_id or f"pledgewatt-{source.name}",
            clean_session=False,
            manual_ack=True,
        )
        self._client.max_inflight_messages_set(_IN_FLIGHT)
        self._client.reconnect_delay_set(1, _LONGEST_WAIT_S)
        if source.tls:
            self._client.tls_set_context(self._trust())
        if source.username_env is not None:
            password = secret(source, source.password_env) if source.password_env else None
            self._client.username_pw_set(secret(source, source.username_env), password)
        self._client.on_connect = self._connected
        self._client.on_connect_fail = self._not_connected
        self._client.on_disconnect = self._disconnected
        self._client.on_subscribe = self._is_subscribed
        self._client.on_message = self._message

    @property
    def _shown(self) -> str:
        return f"Source '{self._source.name}': {self._source.host}"

    def _trust(self) -> ssl.SSLContext:
        try:
            return ssl.create_default_context(cafile=self._source.ca_file)
        except (OSError, ssl.SSLError) as error:
            message = f"{self._shown}: {self._source.ca_file} cannot be read: {error}."
            raise Terminal(message) from error

    def start(self) -> None:
        """Connect, and connect again whenever the connection is lost."""
        self._client.connect_async(self._source.host, self._source.port, _KEEPALIVE_S)
        self._client.loop_start()

    def stop(self) -> None:
        """End the connection; the broker keeps what comes from now on."""
        self._client.disconnect()
        self._client.loop_stop()

    def drain(self, *, patience_s: float, quiet_s: float, most_s: float) -> None:
        """Wait until the broker has handed over what it kept.

        Parameters
        ----------
        patience_s, quiet_s, most_s
            Longest wait for the connection; silence that means that all has come;
            longest wait in all.
        """
        if not self._answered.wait(patience_s) or self.error:
            return
        end = time.monotonic() + most_s
        self._heard = time.monotonic()
        while time.monotonic() < min(end, self._heard + quiet_s):
            time.sleep(quiet_s / 10)

    def note(self) -> str | None:
        """What a person should know of the messages since the last time this was asked."""
        with self._lock:
            refused, retained = self._refused, self._retained
            self._refused = self._retained = 0
        parts = []
        if refused:
            parts.append(
                f"{refused} messages were refused; they lie in {self._messages.spool.failed}"
            )
        if retained:
            parts.append(
                f"{retained} messages that the broker had kept from before were passed over, for "
                "when they were sent is not known"
            )
        return "; ".join(parts) + "." if parts else None

    def _connected(
        self, client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _more: Any
    ) -> None:
        if reason.is_failure:
            self.error = (
                f"{self._shown} refuses the connection: {reason}. Check the environment variables "
                "that the description names."
            )
            self._answered.set()
            return
        client.subscribe([(topic, 1) for topic in self._source.topics])

    def _is_subscribed(
        self, _client: mqtt.Client, _data: Any, _number: int, reasons: list[Any], _more: Any
    ) -> None:
        refused = [
            topic
            for topic, reason in zip(self._source.topics, reasons, strict=False)
            if reason.is_failure
        ]
        self.error = (
            f"{self._shown} does not let '{refused[0]}' be subscribed to; ask its operator."
            if refused
            else None
        )
        self._answered.set()

    def _not_connected(self, _client: mqtt.Client, _data: Any) -> None:
        self.error = f"{self._shown} cannot be reached; it is tried again."

    def _disconnected(
        self, _client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _more: Any
    ) -> None:
        if reason.is_failure and (self.error is None or "refuses" not in self.error):
            self.error = f"{self._shown} ended the connection: {reason}. It is tried again."

    def _message(self, client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        self._heard = time.monotonic()
        try:
            self._keep(message)
        except Exception:
            # Not acknowledged, so the broker sends it again once there is room for it.
            log.exception("A message of source %s could not be kept", self._source.name)
            self.error = (
                f"{self._shown}: messages cannot be written to {self._messages.spool.part}."
            )
        else:
            client.ack(message.mid, message.qos)

    def _keep(self, message: mqtt.MQTTMessage) -> None:
        if message.retain:
            with self._lock:
                self._retained += 1
            return
        received, payload = self._clock(), bytes(message.payload)
        try:
            self._messages.append(payload, message.topic, received, self._profile)
        except Terminal as error:
            self._messages.refuse(payload, message.topic, received, error.user_message)
            with self._lock:
                self._refused += 1
