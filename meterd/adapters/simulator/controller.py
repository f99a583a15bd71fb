"""A reference controller: how a room or plant controller uses its share, small enough to be copied to another language.

What it listens to, below energy/<site>/:

    share/<me>/plain    the bare number: the power in W that this load may take now. 0 = off
    share/<me>          the same with time, `ut` and state (SenML); a controller that cannot read it takes `ut` from the
                        catalogue and leaves this topic out: an invalid share is 0 on /plain
    service             says "gone" when the publisher has gone: then every value is invalid

What it sends, if the plan names a topic for it (`can_take` in consumers.csv):

    that topic          the bare number: the power in W that this load could take now, what it draws included. 0 = tank
                        full, no car. At each change and every 60 s, not retained: what was said before is no word of now

What it does, in words:

    state      | it does                     | it leaves when
    -----------+-----------------------------+------------------------------------------------------------------------
    fallback   | takes its own fallback power| a share has been valid for its own random delay      -> following
    following  | takes the share             | the share is invalid, or older than ut, or the service is gone, for
               |                             | its own random delay                                 -> fallback
    in both    | an on/off load that has just been switched stays as it is for its own minimum on or off time
    after a start it is in fallback

Why the random delay: hundreds of controllers that lose the broker at the same instant must not step at the same instant.
Each draws a delay once, at its start, between 0 and `delay_s`, and waits that long both ways. A lower share while
following is obeyed at once: only the change between fallback and following waits.

Why `ut` and not the clock: a controller may have none. It counts seconds since the message arrived; for a message that the
broker had retained, the broker says how long it is still valid (MQTT 5 message expiry), and that counts.

The share is no interlock and no protection: whatever protects the load stays in charge.
"""

import contextlib
import json
import random
import time
from collections.abc import Callable
from dataclasses import dataclass, field

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

UNKNOWN_UT_S = 120.0  # until the pack or the catalogue has said otherwise: power_max_age_s + two heartbeats
RETRY_S = 1.0
CAN_TAKE_EVERY_S = 60.0  # `can_take_s` of the plan is 300 by default: four may be lost


@dataclass(slots=True)
class Controller:
    """The decision, without a network: what was heard goes in, the power to take comes out. Times are monotonic seconds."""

    most_w: float
    fallback_w: float = 0.0
    least_w: float = 0.0  # below it the load is off
    min_on_s: float = 0.0
    min_off_s: float = 0.0
    delay_s: float = 30.0  # longest own random delay
    can_take_w: float | None = None  # what its thermostat or its plug lets it take now; None: it does not know
    chance: random.Random = field(default_factory=random.Random)
    following: bool = False
    power_w: float = 0.0
    own_delay_s: float = field(init=False)
    _share_w: float = 0.0
    _valid_until_s: float = 0.0
    _ut_s: float = UNKNOWN_UT_S
    _invalid: bool = True
    _gone: bool = False
    _undecided_s: float | None = None  # since when the other state would be right
    _switched_s: float = -1e9

    def __post_init__(self) -> None:
        self.own_delay_s = self.chance.uniform(0.0, self.delay_s)
        self.power_w = self.fallback_w

    def heard_share(self, payload: bytes, left_s: float | None, now_s: float) -> None:
        """/plain: a number, valid for `left_s` if the broker says so, else for `ut`. Nonsense is as good as nothing."""
        with contextlib.suppress(ValueError):
            share = float(payload)
            if 0.0 <= share < 1e9:  # refuses NaN as well
                self._share_w = share
                self._valid_until_s = now_s + min(self._ut_s, left_s if left_s is not None else self._ut_s)

    def heard_pack(self, payload: bytes) -> None:
        """The pack: state and `ut`. Nonsense is as good as nothing."""
        with contextlib.suppress(ValueError, TypeError, AttributeError):
            for record in json.loads(payload):
                if "ut" in record:
                    self._ut_s = float(record["ut"])
                if "vs" in record:
                    self._invalid = record["vs"] == "invalid"

    def heard_service(self, payload: bytes) -> None:
        """Whether the publisher is there."""
        with contextlib.suppress(ValueError, AttributeError):
            self._gone = json.loads(payload).get("state") == "gone"

    def usable(self, now_s: float) -> bool:
        """Whether the share may be used now."""
        return not self._invalid and not self._gone and now_s <= self._valid_until_s

    def step(self, now_s: float) -> float:
        """Call it once a second or so; returns the power to take."""
        if self.usable(now_s) == self.following:
            self._undecided_s = None
        elif self._undecided_s is None:
            self._undecided_s = now_s
        if self._undecided_s is not None and now_s - self._undecided_s >= self.own_delay_s:
            self.following, self._undecided_s = not self.following, None
        most_w = self.most_w if self.can_take_w is None else min(self.most_w, self.can_take_w)
        self._take(min(self._share_w if self.following else self.fallback_w, most_w), now_s)
        return self.power_w

    def _take(self, wanted_w: float, now_s: float) -> None:
        """Off below the least power; switching only outside the minimum times."""
        wanted_w = wanted_w if wanted_w >= self.least_w else 0.0
        on, on_then = self.power_w > 0, wanted_w > 0
        if on != on_then:
            if now_s - self._switched_s < (self.min_on_s if on else self.min_off_s):
                self.power_w = max(self.power_w and self.least_w, 0.0)
                return
            self._switched_s = now_s
        self.power_w = wanted_w


class Client:
    """A controller at a broker. One thread may serve many: call `turn` again and again; it never waits."""

    def __init__(
        self, controller: Controller, root: str, name: str, host: str, port: int, *, can_take_topic: str = ""
    ) -> None:
        self.controller = controller
        self.name = name
        self.connected = False
        self._share, self._service = f"{root}/share/{name}", f"{root}/service"
        self._client = paho.Client(CallbackAPIVersion.VERSION2, client_id=f"controller-{name}", protocol=paho.MQTTv5)
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect
        self._client.on_message = self._on_message
        self._where = (host, port)
        self._again_s = 0.0
        self._can_take_topic = can_take_topic
        self._announced: tuple[float, float] | None = None  # the power that it can take as last published, and when

    def _on_connect(
        self, client: paho.Client, _data: object, _flags: object, reason: ReasonCode, _properties: object
    ) -> None:
        # subscribed in every connect: a broker that was restarted may have forgotten us
        if not reason.is_failure:
            self.connected, self._announced = True, None
            options = SubscribeOptions(qos=1)
            client.subscribe([(self._share, options), (f"{self._share}/plain", options), (self._service, options)])

    def _on_disconnect(self, *_args: object) -> None:
        self.connected = False

    def _on_message(self, _client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        now_s = time.monotonic()
        if message.topic == self._service:
            self.controller.heard_service(bytes(message.payload))
        elif message.topic == self._share:
            self.controller.heard_pack(bytes(message.payload))
        else:
            left = getattr(message.properties, "MessageExpiryInterval", None)
            self.controller.heard_share(bytes(message.payload), left, now_s)

    def turn(self) -> float:
        """Serve the network without waiting, decide, return the power to take. Without a broker it goes on deciding."""
        now_s = time.monotonic()
        code = self._client.loop(timeout=0.0)
        if code is not MQTTErrorCode.MQTT_ERR_SUCCESS and now_s >= self._again_s:
            self._again_s = now_s + RETRY_S * self.controller.chance.uniform(1.0, 2.0)
            self.connected = False
            with contextlib.suppress(OSError):
                self._client.connect(*self._where, keepalive=10, clean_start=True, properties=_no_session())
        self._say(now_s)
        return self.controller.step(now_s)

    def _say(self, now_s: float) -> None:
        """What the load could take, at each change and every minute."""
        power = self.controller.can_take_w
        if not self._can_take_topic or not self.connected or power is None:
            return
        if self._announced is None or self._announced[0] != power or now_s - self._announced[1] >= CAN_TAKE_EVERY_S:
            self._client.publish(self._can_take_topic, str(round(power)), qos=1, retain=False)
            self._announced = power, now_s

    def close(self) -> None:
        """Say goodbye."""
        self._client.disconnect()
        self._client.loop(timeout=0.0)


def _no_session() -> Properties:
    result = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho-mqtt 2.2.0 has no types there
    result.SessionExpiryInterval = 0
    return result


def serve(clients: list[Client], stopped: Callable[[], bool], took: Callable[[str, float], None]) -> None:
    """Serve many controllers in one thread until `stopped`; `took` hears what each takes, whenever it changes."""
    last: dict[str, float] = {}
    while not stopped():
        begun = time.monotonic()
        for client in clients:
            power = client.turn()
            if last.get(client.name) != power:
                last[client.name] = power
                took(client.name, power)
        time.sleep(max(0.005, 0.05 - (time.monotonic() - begun)))
    for client in clients:
        client.close()
