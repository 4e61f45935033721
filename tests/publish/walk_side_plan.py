#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""walk_side_plan.py WELL_SIDE MAPS SCHEMAS [--long] [NAME ...] - the real SCADA side is given new plans while a real broker and a Modbus master hold
their connections to it; the well side is played.

The judges are those of walk_mqtt.py (what a real subscriber printed), a relay that counts connections, and a master on one TCP connection.

Planted defects that this walk must catch, each seen to fail:
 - an unchanged destination is ended and started again (side-plan-reconnects);
 - lanes stay at their place when wells change theirs: rows of one well go on behind another's cursor (side-plan-lanes-stay);
 - `latest` isn't sent anew under the new plan (side-plan-latest-waits).
"""
import pathlib
import socket
import struct
import sys
import time

import walk_mqtt
from walk_mqtt import Broker, Relay, Walk, free_port, wait_for

PLAN = """site: heron-ridge
box: heron-edge-1
lines:
  pad-line: {{tcp: 127.0.0.1:502}}
wells:
{wells}destinations:
{destinations}journal: {{path: /var/lib/uphole, keep: 400 days, at_most: 2 GB}}
"""
WELL = """  {name}:
    label: {label}
    table_block: {block}
    sources:
      gauge:
        - {{from: 2031-01-10T08:00:00Z, line: pad-line, unit_id: {unit}, map: {map}, poll_every: 10 s, confirmed_units: all}}
"""


def plan_text(wells, destinations):
    return PLAN.format(wells="".join(WELL.format(name=name, label=name.title(), block=block, unit=block + 1, map=map) for name, block, map in wells),
                       destinations="".join(f"  {name}: {{{stanza}}}\n" for name, stanza in destinations))


def broker_stanza(port, units="metric"):
    return f'mqtt: "mqtt://127.0.0.1:{port}", topic_root: uphole, units: {units}, latest_every: 600 s'


def table_stanza(port):
    return f"modbus_tcp: 127.0.0.1:{port}, views: {{1: metric high-word-first}}"


def start(walk, wells, destinations):
    walk.n_plans = 0
    configuration = walk.directory / "uphole.yaml"
    configuration.write_text(plan_text(wells, destinations))
    walk.side = walk.spawn([walk.program, str(configuration), walk.maps], stdin=walk_mqtt.subprocess.PIPE, stdout=walk_mqtt.subprocess.PIPE,
                           stderr=walk_mqtt.subprocess.PIPE)
    walk.said, walk.log = walk_mqtt.Lines(walk.side.stdout), walk_mqtt.Lines(walk.side.stderr)


def new_plan(walk, wells, destinations):
    walk.n_plans += 1
    configuration = walk.directory / f"plan-{walk.n_plans}.yaml"
    configuration.write_text(plan_text(wells, destinations))
    walk.order(f"plan {configuration}")
    wait_for("the plan to be sent", 60, lambda: walk.said.copy().count(b"planned") == walk.n_plans)


class Master:
    """A Modbus master that keeps one connection."""

    def __init__(self, port):
        wait_for("the table to listen", 60, lambda: self.connect(port))

    def connect(self, port):
        try:
            self.socket = socket.create_connection(("127.0.0.1", port), 5)
        except OSError:
            return False
        return True

    def read(self, first, count):
        """Registers, or the exception's code."""
        self.socket.sendall(struct.pack(">HHHBBHH", 1, 0, 6, 1, 4, first, count))
        head = self.take(9)
        if head[7] & 0x80:
            return head[8]
        return list(struct.unpack(f">{count}H", self.take(head[8])))

    def take(self, n):
        data = b""
        while len(data) < n:
            chunk = self.socket.recv(n - len(data))
            assert chunk, "the table closed the connection"
            data += chunk
        return data

    def intake(self, block):
        """Value and quality of point 1."""
        registers = self.read(512 * block + 32, 4)
        if isinstance(registers, int):
            return None, registers
        return struct.unpack(">f", struct.pack(">HH", *registers[:2]))[0], registers[2]


class CountingRelay(Relay):
    def __init__(self, port):
        self.count = 0
        super().__init__(port)

    def pump(self, source, sink, is_back=False):
        self.count += 1
        super().pump(source, sink, is_back)

    def connections(self):
        return self.count // 2  # a pump each way


def running(walk, subscriber):
    """What the box's topic said, in order."""
    return [message["running"] for topic, message, _, _ in walk.messages(subscriber) if topic.startswith("box/")]


def latest(walk, subscriber, well):
    return [message for topic, message, _, _ in walk.messages(subscriber) if topic == f"{well}/latest"]


# ---- the walks


def unchanged_stays_connected(walk):
    broker = Broker(walk)
    broker.start()
    subscriber = walk.subscribed(broker.port)
    relay, port = CountingRelay(broker.port), free_port()
    to_broker = ("plant-broker", broker_stanza(relay.port) + ", backlog_at_most: 1500 records/s")  # else all is gone before the plan comes
    to_table = ("scada-table", table_stanza(port))
    start(walk, [("heron-7", 0, "scaled-16"), ("heron-8", 1, "scaled-16")], [to_broker, to_table])
    master = Master(port)
    walk.order("snapshot 0 192")
    walk.order("snapshot 1 192")
    wait_for("a reading in the table", 60, lambda: master.intake(1) == (12345.0, 192))
    assert master.intake(2) == (None, 2), "a block that isn't there yet"
    walk.order("add 0 1000")
    walk.order("add 1 500")
    walk.order("gap 1")
    wait_for("some rows", 60, lambda: walk.cursor(0) > 300)
    for well in (0, 1):  # with a seq now, so that nothing but the plan is a reason to send them anew
        walk.order(f"snapshot {well} 192")
    wait_for("`latest`", 60, lambda: all(latest(walk, subscriber, well) and latest(walk, subscriber, well)[-1]["seq"] for well in ("heron-7", "heron-8")))
    walk.order("add 0 5000")  # however busy the machine was until here, these are still to come
    wait_for("more rows", 60, lambda: walk.cursor(0) > 1200)
    before = [len(latest(walk, subscriber, well)) for well in ("heron-7", "heron-8")]
    # Every index moves: a well stands before the others, and a table before the broker. One table goes, another comes.
    new_plan(walk, [("heron-6", 2, "scaled-16"), ("heron-8", 1, "float-low-first"), ("heron-7", 0, "scaled-16")],
             [("new-table", table_stanza(free_port())), to_table, to_broker])
    assert walk.cursor(0) < 6000, "the plan came too late"
    for well in (0, 1, 2):
        walk.order(f"snapshot {well} 192")
    # Well before the readings are stale, which would be a reason of its own to send them.
    wait_for("`latest` anew", 25, lambda: len(latest(walk, subscriber, "heron-7")) > before[0] and len(latest(walk, subscriber, "heron-8")) > before[1]
             and latest(walk, subscriber, "heron-6"))
    walk.order("add 2 400")
    walk.order("add 1 100")
    wait_for("all rows", 60, lambda: walk.cursor(0) == 6000 and walk.cursor(1) == 600 and walk.cursor(2) == 400 and walk.cursor(1, 2) == 1)
    repeats = [walk.judge(well, count, subscriber) for well, count in (("heron-7", 6000), ("heron-8", 600), ("heron-6", 400))]
    assert repeats == [0, 0, 0], f"rows came twice: {repeats}"
    for well in (0, 1, 2):  # those of before may be stale by now
        walk.order(f"snapshot {well} 192")
    wait_for("the new well in the table, over the same connection", 60, lambda: master.intake(2) == (12345.0, 192))
    assert master.intake(0) == (12345.0, 192)
    assert relay.connections() == 1, f"{relay.connections()} connections to the broker"
    assert all(running(walk, subscriber)), "the box said that it stops"
    wait_for("its state under the new plan", 60, lambda: walk.heard("destination", 2, 1) and walk.heard("destination", 1, 1) and walk.heard("destination", 0, 1))
    return "7000 rows of three wells, 1 connection each, no row twice, every index moved meanwhile"


def changed_and_gone_say_goodbye(walk):
    broker = Broker(walk)
    broker.start()
    subscriber = walk.subscribed(broker.port)
    relay, port, other = CountingRelay(broker.port), free_port(), free_port()
    wells = [("heron-7", 0, "scaled-16")]
    start(walk, wells, [("plant-broker", broker_stanza(relay.port)), ("scada-table", table_stanza(port))])
    walk.wait_state(1)
    walk.order("add 0 50")
    wait_for("the rows", 60, lambda: walk.cursor(0) == 50)
    wait_for("the box's word", 60, lambda: running(walk, subscriber))
    new_plan(walk, wells, [("plant-broker", broker_stanza(relay.port, "us")), ("scada-table", table_stanza(other))])
    wait_for("the changed destination's own connection", 60, lambda: relay.connections() == 2)
    wait_for("goodbye, then running", 60, lambda: running(walk, subscriber)[-1] and False in running(walk, subscriber))
    Master(other)

    def is_refused():
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", port)) != 0
    wait_for("the old table to listen no more", 60, is_refused)
    walk.order("snapshot 0 192")
    wait_for("`latest` in the new units", 60, lambda: latest(walk, subscriber, "heron-7"))
    walk.order("add 0 50")
    wait_for("the rest", 60, lambda: walk.cursor(0) == 100)
    new_plan(walk, wells, [("scada-table", table_stanza(other))])
    wait_for("goodbye", 60, lambda: running(walk, subscriber)[-1] is False)
    assert relay.connections() == 2
    master = Master(other)
    walk.order("snapshot 0 192")
    wait_for("the table goes on", 60, lambda: master.intake(0) == (12345.0, 192))
    return "2 connections for 2 stanzas, offline said at each end, the table left alone"


def many_plans_and_a_broken_connection(walk):
    broker = Broker(walk)
    broker.start()
    subscriber = walk.subscribed(broker.port)
    relay, port = CountingRelay(broker.port), free_port()
    to_broker, to_table = ("plant-broker", broker_stanza(relay.port)), ("scada-table", table_stanza(port))
    orders = [[("heron-7", 0, "scaled-16"), ("heron-8", 1, "scaled-16")], [("heron-8", 1, "scaled-16"), ("heron-7", 0, "scaled-16")],
              [("heron-6", 2, "scaled-16"), ("heron-7", 0, "float-low-first"), ("heron-8", 1, "scaled-16")]]
    start(walk, orders[0], [to_broker, to_table])
    master = Master(port)
    walk.wait_state(1)
    plans = 60 if walk.long else 15
    for i in range(1, plans + 1):
        walk.order(f"add 0 {300}")
        walk.order(f"add 1 {40}")
        new_plan(walk, orders[i % 3], [to_table, to_broker] if i % 2 else [to_broker, to_table])
        if i % 5 == 0:
            relay.cut()
        master.read(0, 32)
    wait_for("all rows", 90, lambda: walk.cursor(0) == 300 * plans and walk.cursor(1) == 40 * plans)
    twice = walk.judge("heron-7", 300 * plans, subscriber)
    walk.judge("heron-8", 40 * plans, subscriber)
    cuts = plans // 5
    assert relay.connections() <= cuts + 1 + plans // 3, f"{relay.connections()} connections, {cuts} cuts"
    assert len([line for line in walk.said.copy() if line.startswith(b"started")]) == 1, "the SCADA side was started again"
    return f"{plans} plans, {cuts} cuts, {340 * plans} rows whole ({twice} twice), one Modbus connection"


WALKS = [unchanged_stays_connected, changed_and_gone_say_goodbye, many_plans_and_a_broken_connection]


def main():
    walk_mqtt.WALKS, walk_mqtt.LONG_WALKS = WALKS, WALKS
    return walk_mqtt.main()


if __name__ == "__main__":
    sys.exit(main())
