# A valve that closes by itself: see README.md beside this file.
import json
import time
from machine import Pin
from umqtt.simple import MQTTClient

BROKER, COMMAND, STATE = "192.168.1.10", b"porch/valve/set", b"porch/valve"
MOST = 600  # seconds; nothing opens it for longer
LATE = 3  # seconds; what was ordered longer ago is not obeyed

valve = Pin(5, Pin.OUT, value=0)
closes_at = None


def say(client):
    client.publish(STATE, json.dumps({"state": "ON" if valve.value() else "OFF"}), retain=True)


def close(client=None):
    global closes_at
    valve.value(0)
    closes_at = None
    if client:
        say(client)


def hear(client, payload, connected_at):
    """Orders in the first moments of a connection may have waited in the broker: those are left."""
    global closes_at
    try:
        order = json.loads(payload)
    except ValueError:
        return close(client)
    seconds = order.get("on_time")
    waited = time.ticks_diff(time.ticks_ms(), connected_at) < LATE * 1000
    if order.get("state") != "ON" or not isinstance(seconds, int) or not 0 < seconds <= MOST or waited:
        return close(client)
    closes_at = time.ticks_add(time.ticks_ms(), seconds * 1000)
    valve.value(1)
    say(client)


def serve():
    client = MQTTClient("porch-valve", BROKER, keepalive=15)
    client.set_last_will(STATE, b'{"state":"OFF"}', retain=True)
    connected_at = time.ticks_ms()
    client.set_callback(lambda topic, payload: hear(client, payload, connected_at))
    client.connect(clean_session=True)
    client.subscribe(COMMAND, qos=0)
    close(client)
    pinged = time.ticks_ms()
    while True:
        client.check_msg()
        if closes_at is not None and time.ticks_diff(time.ticks_ms(), closes_at) >= 0:
            close(client)
        if time.ticks_diff(time.ticks_ms(), pinged) > 7000:
            client.ping()
            pinged = time.ticks_ms()
        time.sleep_ms(20)


while True:
    try:
        serve()
    except OSError:
        pass
    finally:
        close()
    time.sleep(2)
