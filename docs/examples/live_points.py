#!/usr/bin/env python3
"""Live points over MQTT: prints each point of one well with value, unit, quality class and age.

    live_points.py HOST PORT SITE WELL [SECONDS]

Needs paho-mqtt. Monitoring only: never use these values for trips, interlocks or closed-loop control.
"""
import json
import sys
import time

import paho.mqtt.client as mqtt

CLASSES = {0xC0: "Good", 0x40: "Uncertain", 0x00: "Bad"}


class LivePoints:
    """The newest `latest` message of a well. Ages go on while nothing arrives: a value that nobody renews gets old."""

    def __init__(self):
        self.message, self.taken_at, self.box_runs = None, None, None

    def take(self, topic, payload, now):
        message = json.loads(payload)
        if topic.endswith("/latest") and message["schema"] == "uphole/latest/1":
            self.message, self.taken_at = message, now
        elif "/box/" in topic:
            self.box_runs = message["running"]  # false: by the broker's hand, too, when the box is gone

    def points(self, now):
        """(id, value or None, unit, class, reason, age in s or None), for a screen."""
        if self.message is None:
            return []
        waited_s = now - self.taken_at
        rows = []
        for name, point in self.message["points"].items():
            age_s = None if point["age_s"] is None else point["age_s"] + waited_s
            rows.append((name, point["value"], point["unit"], CLASSES.get(point["quality"] & 0xC0, "Bad"), point["reason"], age_s))
        return rows


def main():
    host, port, site, well = sys.argv[1], int(sys.argv[2]), sys.argv[3], sys.argv[4]
    seconds = float(sys.argv[5]) if len(sys.argv) > 5 else None
    live = LivePoints()
    client = mqtt.Client()
    client.on_connect = lambda c, *_: c.subscribe([(f"uphole/{site}/{well}/latest", 1), (f"uphole/{site}/box/+", 1)])
    client.on_message = lambda _c, _u, m: live.take(m.topic, m.payload, time.monotonic())
    client.connect(host, port)
    client.loop_start()
    began = time.monotonic()
    while seconds is None or time.monotonic() - began < seconds:
        time.sleep(1)
        now = time.monotonic()
        if live.box_runs is False:
            print("the box is not running: nothing below is being renewed")
        for name, value, unit, quality, reason, age_s in live.points(now):
            shown = "--" if value is None else f"{value} {unit or ''}".strip()  # null is never a zero
            age = "never" if age_s is None else f"{age_s:.0f} s old"
            print(f"{name:28} {shown:>18}  {quality:9} {reason:18} {age}")
        sys.stdout.flush()
    client.loop_stop()
    client.disconnect()


if __name__ == "__main__":
    main()
