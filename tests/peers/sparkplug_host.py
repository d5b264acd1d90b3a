"""A Sparkplug host that is not ours: subscribes to everything and prints each message, decoded by pysparkplug, as a
line of JSON. Commands come in on standard input: `rebirth GROUP NODE` asks for one, `other GROUP NODE` sends a command
that nobody has to obey. Usage: sparkplug_host.py PORT
"""

import json
import sys
import threading
import time

import paho.mqtt.client as mqtt
from pysparkplug import DataType, DBirth, DData, DDeath, Metric, NBirth, NCmd, NData, NDeath

DECODERS = {"NBIRTH": NBirth, "NDATA": NData, "NDEATH": NDeath, "DBIRTH": DBirth, "DDATA": DData, "DDEATH": DDeath}
births = {}


def say(**fields):
    print(json.dumps(fields), flush=True)


def plain(value):
    # The decoder makes times of the type DateTime its own.
    return value if isinstance(value, (int, float, str, bool, type(None))) else int(value.timestamp() * 1000)


def of_metric(metric):
    return {
        "name": metric.name,
        "value": plain(metric.value),
        "type": metric.datatype.name,
        "alias": metric.alias,
        "at": metric.timestamp,
        "historical": metric.is_historical,
        "null": metric.is_null,
    }


def came(_client, _userdata, message):
    parts = message.topic.split("/")
    kind, device = parts[2], parts[4] if len(parts) > 4 else None
    if kind not in DECODERS:
        return
    key = (parts[1], parts[3], device)
    payload = DECODERS[kind].decode(message.payload, birth=births.get(key))
    if kind in ("NBIRTH", "DBIRTH"):
        births[key] = payload
    if kind == "NDEATH":
        metrics = [payload.bd_seq_metric]
    else:
        metrics = getattr(payload, "metrics", ())
    say(
        kind=kind,
        topic=message.topic,
        device=device,
        seq=getattr(payload, "seq", None),
        qos=message.qos,
        retain=message.retain,
        metrics=[of_metric(metric) for metric in metrics],
    )


def connected(client, _userdata, _flags, _reason, _properties):
    client.subscribe("spBv1.0/#", qos=1)


def subscribed(_client, _userdata, _mid, _reasons, _properties):
    say(kind="ready")


client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="host", protocol=mqtt.MQTTv311)
client.on_connect, client.on_message, client.on_subscribe = connected, came, subscribed


def commands():
    for line in sys.stdin:
        what, group, node = line.split()
        name = "Node Control/Rebirth" if what == "rebirth" else "Node Control/Reboot"
        metric = Metric(timestamp=int(time.time() * 1000), name=name, datatype=DataType.BOOLEAN, value=True)
        payload = NCmd(timestamp=int(time.time() * 1000), metrics=(metric,)).encode(include_dtypes=True)
        client.publish(f"spBv1.0/{group}/NCMD/{node}", payload, qos=0)


threading.Thread(target=commands, daemon=True).start()
# Back at once after a broken connection: what is published at QoS 0 meanwhile is not for us.
while True:
    try:
        client.connect("127.0.0.1", int(sys.argv[1]))
        while client.loop(timeout=0.05) == mqtt.MQTT_ERR_SUCCESS:
            pass
    except OSError:
        pass
    time.sleep(0.02)
