"""A client of the bus that knows nothing of the station's code: a program of its own, with paho.

    python onlooker.py PORT TOPIC

One JSON object a line: what it connected to, and every message as it comes. The broker keeps a
session for it (MQTT 5, 3.1.2.11.2), and says of each message whether it is a retained one
(3.8.3.1, retain as published). Lines on its standard input, {"topic": ..., "payload": ...}, are
published at QoS 1.
"""

import json
import sys
import threading
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

NAME = "onlooker"
FOR_EVER = 0xFFFFFFFF
KEEPALIVE_S = 2


def say(content: dict[str, Any]) -> None:
    sys.stdout.write(json.dumps(content) + "\n")
    sys.stdout.flush()


def main() -> None:
    port, topic = int(sys.argv[1]), sys.argv[2]
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, NAME, protocol=paho.MQTTv5)
    client.reconnect_delay_set(1, 1)

    def on_connect(_: object, __: object, flags: Any, reason: Any, ___: object) -> None:
        say({"connected": str(reason), "session_present": bool(flags.session_present)})
        client.subscribe(topic, options=SubscribeOptions(qos=1, retainAsPublished=True))

    def on_message(_: object, __: object, message: Any) -> None:
        payload = message.payload.decode("utf-8", "backslashreplace")
        say({"topic": message.topic, "payload": payload, "retain": bool(message.retain)})

    client.on_connect = on_connect
    client.on_message = on_message
    client.on_subscribe = lambda *_: say({"subscribed": True})
    client.on_disconnect = lambda *details: say({"gone": str(details[3])})

    def pass_on() -> None:
        for line in sys.stdin:
            ask = json.loads(line)
            client.publish(ask["topic"], ask["payload"], qos=1)

    threading.Thread(target=pass_on, daemon=True).start()
    properties: Any = Properties(PacketTypes.CONNECT)
    properties.SessionExpiryInterval = FOR_EVER
    client.connect_async("127.0.0.1", port, KEEPALIVE_S, clean_start=False, properties=properties)
    client.loop_forever(retry_first_connection=True)


if __name__ == "__main__":
    main()
