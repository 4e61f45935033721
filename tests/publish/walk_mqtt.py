#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""walk_mqtt.py WELL_SIDE MAPS SCHEMAS [--long] [NAME ...] - the real SCADA side, a real broker and a real subscriber; the well side is played.

Broker and subscriber are Debian's mosquitto packages, each started here on a free port of the loopback, with a configuration of its own. What the
subscriber printed is the judge: each row once for who drops equal ids, in order of seq, no hole in `after`, equal ids with equal content,
every message valid by the published schema.

Planted defects that this walk must catch, each seen to fail:
 - rows that the library still holds are handed over again after a reconnect (a row comes three times);
 - a refusal (0x87), or 0x10, moves the cursor;
 - the read-back of the box's own topic is left out (an old session's will stays);
 - `latest` waits behind the backlog;
 - the guard against packets that are too large is left out;
 - records are published to be kept (publish-records-kept); the box's own topic is not subscribed to again (publish-subscribes-once).
"""
import json
import os
import pathlib
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time

import jsonschema

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "walk"))
from ports import free_port  # noqa: E402

BROKER = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
SUBSCRIBER = shutil.which("mosquitto_sub")
PUBLISHER = shutil.which("mosquitto_pub")
PASSWORDS = shutil.which("mosquitto_passwd")
ROOT = "uphole/heron-ridge"
AS_ROOT = "user root\n" if os.geteuid() == 0 else ""  # else the broker gives up the right to read what is written here

CONFIGURATION = """site: heron-ridge
box: heron-edge-1
lines:
  pad-line: {{tcp: 127.0.0.1:502}}
wells:
  heron-7:
    label: Heron 7
    table_block: 0
    sources:
      gauge:
        - {{from: 2031-01-10T08:00:00Z, line: pad-line, unit_id: 1, map: scaled-16, poll_every: 10 s, confirmed_units: all}}
  heron-8:
    label: Heron 8
    table_block: 1
    sources:
      gauge:
        - {{from: 2031-01-10T08:00:00Z, line: pad-line, unit_id: 2, map: scaled-16, poll_every: 10 s, confirmed_units: all}}
destinations:
  plant-broker: {{mqtt: "{scheme}://{host}:{port}", topic_root: uphole, units: metric, latest_every: {latest_every}{more}}}
journal: {{path: /var/lib/uphole, keep: 400 days, at_most: 2 GB}}
"""


class Lines:
    """Lines of a process's output, as they come."""

    def __init__(self, stream):
        self.lines, self.lock = [], threading.Lock()
        threading.Thread(target=self.read, args=(stream,), daemon=True).start()

    def read(self, stream):
        for line in stream:
            with self.lock:
                self.lines.append(line.rstrip(b"\n"))

    def copy(self):
        with self.lock:
            return list(self.lines)


def wait_for(what, seconds, condition):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        value = condition()
        if value:
            return value
        time.sleep(0.05)
    raise AssertionError(f"waited {seconds} s for {what}")


class Broker:
    def __init__(self, walk, lines="allow_anonymous true"):
        self.walk, self.port, self.process = walk, free_port(), None
        self.configuration = walk.directory / "broker.conf"
        self.tell(lines)

    def tell(self, lines):
        self.configuration.write_text(f"listener {self.port} 127.0.0.1\npersistence false\nlog_type none\n{AS_ROOT}{lines}\n")

    def start(self):
        self.process = self.walk.spawn([BROKER, "-c", str(self.configuration)])
        wait_for("the broker to listen", 60, self.listens)

    def listens(self):
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0

    def kill(self):
        self.process.kill()
        self.process.wait()

    def reload(self):
        self.process.send_signal(signal.SIGHUP)


class Walk:
    def __init__(self, well_side, maps, schemas, long):
        self.long = long
        self.directory = pathlib.Path(tempfile.mkdtemp(prefix="uphole-mqtt-"))
        self.program, self.maps, self.processes, self.side, self.state_from = well_side, maps, [], None, 0
        self.schemas = {}
        for name in ("latest", "record", "gap", "box"):
            with open(f"{schemas}/{name}-1.json", encoding="utf-8") as file:
                self.schemas[name] = jsonschema.Draft202012Validator(json.load(file))

    def spawn(self, arguments, **more):
        process = subprocess.Popen(arguments, **more)
        self.processes.append(process)
        return process

    def clean(self):
        for process in reversed(self.processes):
            if process.poll() is None and process is self.side:
                try:
                    self.order("end")
                    process.wait(5)
                except (OSError, subprocess.TimeoutExpired):
                    pass
            if process.poll() is None:
                process.kill()
            process.wait()
        shutil.rmtree(self.directory, ignore_errors=True)

    # ---- the SCADA side under test

    def start(self, port, scheme="mqtt", host="127.0.0.1", latest_every="60 s", more=""):
        configuration = self.directory / "uphole.yaml"
        configuration.write_text(CONFIGURATION.format(port=port, scheme=scheme, host=host, latest_every=latest_every, more=more))
        self.side = self.spawn([self.program, str(configuration), self.maps], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
        self.said, self.log, self.state_from = Lines(self.side.stdout), Lines(self.side.stderr), 0

    def order(self, text):
        self.side.stdin.write((text + "\n").encode())
        self.side.stdin.flush()

    def child(self):
        return int(wait_for("the SCADA side's pid", 60, lambda: [line for line in self.said.copy() if line.startswith(b"started")])[-1].split()[1])

    def heard(self, *words):
        """Fields of the newest line that begins with these words."""
        for line in reversed(self.said.copy()):
            fields = line.decode().split(" ")
            if tuple(fields[:len(words)]) == tuple(map(str, words)):
                return fields
        return None

    def cursor(self, well, stream=1):
        fields = self.heard("accepted", well, stream)
        return int(fields[4]) if fields else 0

    def wait_state(self, state, *parts, seconds=60):
        """That it is up (1), or that it said another state since the last time that this was asked: one that passed meanwhile counts too."""
        def is_so():
            said = self.said.copy()
            told = [(i, line.decode().split(" ")) for i, line in enumerate(said) if line.startswith(b"destination 0 ")]
            for i, fields in told[-1:] if state == 1 else [t for t in told if t[0] >= self.state_from]:
                if fields[2] == str(state) and all(part in " ".join(fields[3:]) for part in parts):
                    self.state_from = i + 1
                    return True
            return False
        try:
            wait_for(f"destination state {state} with {parts}", seconds, is_so)
        except AssertionError as error:
            raise AssertionError(f"{error}; the last was {self.heard('destination', 0)}") from None

    # ---- who listens

    def subscribe(self, port, topic="uphole/#", more=()):
        process = self.spawn([SUBSCRIBER, "-V", "5", "-h", "127.0.0.1", "-p", str(port), "-q", "1", "-t", topic, "-F", "%r %t %p", *more], stdout=subprocess.PIPE)
        process.printed, process.port = Lines(process.stdout), port
        return process

    def subscribed(self, port):
        """A subscriber that is known to be there: a probe came back to it."""
        process = self.subscribe(port, more=("-t", "probe/#"))

        def probe():
            subprocess.run([PUBLISHER, "-h", "127.0.0.1", "-p", str(port), "-t", "probe/x", "-m", "{}"], check=False)
            return any(b" probe/x " in line for line in process.printed.copy())
        wait_for("a subscriber", 60, probe)
        return process

    def drained(self, subscriber):
        """All that the broker took by now is printed: a word that comes behind it is."""
        self.words = getattr(self, "words", 0) + 1
        word = f" probe/drained {self.words}".encode()
        subprocess.run([PUBLISHER, "-h", "127.0.0.1", "-p", str(subscriber.port), "-q", "1", "-t", "probe/drained", "-m", str(self.words)], check=True)
        wait_for("a subscriber to print what it got", 60, lambda: any(line.endswith(word) for line in subscriber.printed.copy()[-500:]))

    def printed_up_to(self, well, seq, *subscribers):
        """The cursor tells what the broker took; a busy machine lets those who subscribe print it later. What is missing then, the judge says."""
        looked, topic = [0] * len(subscribers), f" {ROOT}/{well}/record "

        def is_there():
            for i, subscriber in enumerate(subscribers):
                lines = subscriber.printed.copy()
                for n in range(looked[i], len(lines)):
                    line = lines[n].decode("utf-8")
                    if topic in line and any(row["seq"] == seq for row in json.loads(line.split(" ", 2)[2])["rows"]):
                        return True
                looked[i] = len(lines)
            return False
        try:
            wait_for(f"row {seq} of {well} in print", 60, is_there)
        except AssertionError as late:
            print(f"     {late}", flush=True)

    def messages(self, *subscribers):
        found = []
        for subscriber in subscribers:
            for line in subscriber.printed.copy():
                retained, topic, payload = line.decode("utf-8").split(" ", 2)
                if topic.startswith(ROOT):
                    found.append((topic[len(ROOT) + 1:], json.loads(payload), retained == "1", len(payload)))
        return found

    def judge(self, well, count, *subscribers, repeats_at_most=None):
        """Each row 1 to count arrived, first arrivals in order, no hole by `after`, equal ids equal content, schemas hold.""" # "Finding: " is for tests/run.sh
        self.printed_up_to(well, count, *subscribers)
        seen, rows, repeats, previous = {}, [], 0, None
        for topic, message, _, _ in self.messages(*subscribers):
            errors = list(self.schemas[message["schema"].split("/")[1]].iter_errors(message))
            assert not errors, f"{topic}: {errors[0].message}"
            if topic != f"{well}/record":
                continue
            after = message["after"]
            for row in message["rows"]:
                key, content = (message["run"], row["seq"], row["revision"]), json.dumps(row, sort_keys=True)
                if after is not None:
                    assert (after[0], after[1]) in seen_rows(seen), f"Finding: {topic}: seq {row['seq']} follows {after}, which never came"
                else:
                    assert row["seq"] == 1, f"Finding: {topic}: no `after`, and seq {row['seq']}"
                if key in seen:
                    repeats += 1
                    assert seen[key] == content, f"Finding: {topic}: seq {row['seq']} came twice with different content"
                else:
                    assert previous is None or row["seq"] == previous + 1, f"Finding: {topic}: {row['seq']} first came after {previous}"
                    previous = row["seq"]
                    rows.append(row)
                seen[key] = content
                after = (message["run"], row["seq"])
        assert len(rows) == count, f"Finding: {well}: {len(rows)} rows of {count} arrived"
        for row in rows:
            assert row["values"] == [10000 + row["seq"] % 1000, None] and row["qualities"] == [192, 2], row
        if repeats_at_most is not None:
            assert repeats <= repeats_at_most, f"{well}: {repeats} rows came twice, at most {repeats_at_most} could"
        return repeats

    def arrived(self, well, count, *subscribers):
        rows = sum(len(message["rows"]) for topic, message, _, _ in self.messages(*subscribers) if topic == f"{well}/record")
        return rows >= count


def seen_rows(seen):
    return {(run, seq) for run, seq, _ in seen} if len(seen) < 50 else _Keys(seen)


class _Keys:
    def __init__(self, seen):
        self.seen = seen

    def __contains__(self, pair):
        return (pair[0], pair[1], 0) in self.seen


# ---- the walks


def broker_absent_at_start(walk):
    broker = Broker(walk)
    walk.start(broker.port)
    walk.order("add 0 300")
    walk.order("add 1 70")
    walk.order("gap 0")
    walk.wait_state(3, "unreachable", "nothing listens at 127.0.0.1")
    broker.start()
    subscriber = walk.subscribed(broker.port)
    wait_for("all rows", 60, lambda: walk.cursor(0) == 300 and walk.cursor(1) == 70 and walk.cursor(0, 2) == 1)
    walk.wait_state(1, "is connected")
    walk.judge("heron-7", 300, subscriber)
    walk.judge("heron-8", 70, subscriber)
    gaps = wait_for("the ledger row", 60, lambda: [m for t, m, _, _ in walk.messages(subscriber) if t == "heron-7/gap"])
    assert len({(g["run"], g["id"], g["revision"]) for g in gaps}) == 1 and gaps[0]["open"] and gaps[0]["end"] is None
    walk.order("add 0 1")
    wait_for("a live row", 60, lambda: walk.cursor(0) == 301)
    walk.printed_up_to("heron-7", 301, subscriber)
    sent = [m["sent"] for t, m, _, _ in walk.messages(subscriber) if t == "heron-7/record"]
    assert sent[0] == "late" and sent[-1] == "live", sent
    sizes = [len(m["rows"]) for t, m, _, _ in walk.messages(subscriber) if t == "heron-7/record"]
    assert max(sizes) > 30, f"batches of {sizes}"
    return f"301 + 70 rows in {len(sizes)} messages of the first well, the largest of {max(sizes)} rows"


def broker_restarts_mid_stream(walk):
    broker = Broker(walk)
    broker.start()
    first = walk.subscribed(broker.port)
    walk.start(broker.port)
    total, kills, late, subscribers = 0, 5 if walk.long else 2, 0, [first]
    while kills > 0:
        walk.order("add 0 13000")
        walk.order("add 1 700")
        total += 1000
        wait_for("some rows", 60, lambda: walk.cursor(0) > 13 * (total - 1000) + 500)
        broker.kill()
        if walk.cursor(0) < 13 * total:
            kills -= 1
        else:  # all were through before this busy machine came to kill it
            late += 1
            assert late < 6, "each kill came too late"
        walk.wait_state(3)
        accepted = walk.cursor(0)
        broker.start()
        subscribers.append(walk.subscribed(broker.port))
    wait_for("all rows", 120, lambda: walk.cursor(0) == 13 * total and walk.cursor(1) == 7 * total // 10)
    walk.printed_up_to("heron-7", 13 * total, *subscribers)
    # What a killed broker had acknowledged and not passed on is lost to its subscriber (the docs say so); a slow subscriber may have a thousand
    # messages waiting there. So the judge asks: rows of a message are whole, what came twice has the same content, and after the last broker's
    # death all that was not accepted arrives.
    messages = [(t, m) for t, m, _, _ in walk.messages(*subscribers) if t == "heron-7/record"]
    rows = {}
    for _, message in messages:
        for row in message["rows"]:
            content = json.dumps(row, sort_keys=True)
            assert rows.setdefault(row["seq"], content) == content
    missing = 13 * total - len(rows)
    never = [seq for seq in range(accepted + 1, 13 * total + 1) if seq not in rows]
    assert not never, f"{len(never)} rows from {never[0]} on were never accepted before the last kill, and never came"
    return f"{13 * total} rows over {len(subscribers) - 1} broker kills, {missing} acknowledged by a broker that died before passing them on"


def connection_cut_mid_stream(walk):
    """The broker lives, the way to it doesn't: every row must arrive, and at most a window's worth twice a cut."""
    broker = Broker(walk)
    broker.start()
    subscriber = walk.subscribed(broker.port)
    relay = Relay(broker.port)
    walk.start(relay.port)
    walk.wait_state(1)
    total, cuts = 0, 8 if walk.long else 3
    for cut in range(cuts):
        if cut == 0:  # however busy the machine: the first cut finds rows under way, since none of these is acknowledged
            walk.order("add 0 100")
            wait_for("the first rows", 60, lambda: walk.cursor(0) == 100)
            relay.held_back = True
        walk.order("add 0 1900" if cut == 0 else "add 0 2000")
        walk.order("add 1 100")
        total += 1
        wait_for("some rows", 60, lambda: walk.arrived("heron-7", 101, subscriber) if cut == 0 else walk.cursor(0) > 2000 * (total - 1) + 150)
        relay.cut()
        walk.wait_state(3)
        wait_for("all rows", 120, lambda: walk.cursor(0) == 2000 * total and walk.cursor(1) == 100 * total)
    repeats = walk.judge("heron-7", 2000 * total, subscriber, repeats_at_most=cuts * 20 * 64)
    walk.judge("heron-8", 100 * total, subscriber)
    # Each row was under way at one cut at most: once before it, once sent again by the library. A third time, we handed it over again as well.
    counts = {}
    for topic, message, _, _ in walk.messages(subscriber):
        for row in message["rows"] if topic == "heron-7/record" else []:
            counts[row["seq"]] = counts.get(row["seq"], 0) + 1
    assert max(counts.values()) <= 2, f"a row came {max(counts.values())} times"
    assert repeats > 0, "no cut came while rows were under way: nothing was shown"
    relay.close()
    return f"{2000 * total} rows over {cuts} cuts, {repeats} of them twice"


class Relay:
    """A TCP relay that can be cut: both ends are reset, or held without passing anything."""

    def __init__(self, port):
        self.target, self.held, self.pairs, self.passed = port, False, [], 0
        self.held_back = False  # what the broker says doesn't come through
        self.hold_at = None  # once so many bytes have passed it holds by itself
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port = self.listener.getsockname()[1]
        threading.Thread(target=self.accept, daemon=True).start()

    def accept(self):
        while True:
            try:
                ours, _ = self.listener.accept()
                theirs = socket.create_connection(("127.0.0.1", self.target))
            except OSError:
                return
            self.pairs.append((ours, theirs))
            threading.Thread(target=self.pump, args=(ours, theirs), daemon=True).start()
            threading.Thread(target=self.pump, args=(theirs, ours, True), daemon=True).start()

    def pump(self, source, sink, is_back=False):
        try:
            while chunk := source.recv(4096):
                while self.held or is_back and self.held_back:
                    time.sleep(0.01)
                sink.sendall(chunk)
                self.passed += len(chunk)
                if self.hold_at is not None and self.passed >= self.hold_at:
                    self.held, self.hold_at = True, None
        except OSError:
            pass
        for end in (source, sink):
            try:
                end.shutdown(socket.SHUT_RDWR)
            except OSError:
                pass

    def cut(self):
        """What is held back is lost with its connection."""
        pairs, self.pairs = self.pairs, []
        for pair in pairs:
            for end in pair:
                try:
                    end.shutdown(socket.SHUT_RDWR)
                except OSError:
                    pass
        self.held_back = False

    def close(self):
        self.cut()
        self.listener.close()


def scada_side_killed(walk):
    broker = Broker(walk)
    broker.start()
    subscriber = walk.subscribed(broker.port)
    walk.start(broker.port)
    walk.wait_state(1)
    total, kills, late = 0, 9 if walk.long else 4, 0
    while kills > 0:
        walk.order("add 0 20000")
        wait_for("some rows", 60, lambda: walk.cursor(0) > total + 700)
        total += 20000
        if walk.cursor(0) < total:
            kills -= 1
            walk.order("kill")
        else:  # all were through before this busy machine came to it
            late += 1
            assert late < 6, "each kill would come too late"
    kills = 9 if walk.long else 4
    wait_for("all rows", 120, lambda: walk.cursor(0) == total)
    repeats = walk.judge("heron-7", total, subscriber, repeats_at_most=kills * 21 * 64)
    return f"{total} rows over {kills} kill -9, {repeats} of them twice"


def one_wells_topic_refused(walk):
    acl = walk.directory / "acl"
    acl.write_text("topic readwrite uphole/heron-ridge/heron-7/#\ntopic readwrite uphole/heron-ridge/box/#\ntopic readwrite probe/#\ntopic read uphole/#\n")
    broker = Broker(walk, f"allow_anonymous true\nacl_file {acl}")
    broker.start()
    subscriber = walk.subscribed(broker.port)
    walk.start(broker.port)
    walk.order("add 0 500")
    walk.order("add 1 200")
    wait_for("the first well", 60, lambda: walk.cursor(0) == 500)
    wait_for("a refusal", 60, lambda: walk.heard("refused", 1, 1))
    fields = walk.heard("refused", 1, 1)
    assert fields[4] == "135" and "not authorised" in " ".join(fields), fields
    assert walk.cursor(1) == 0
    walk.order("add 0 100")
    wait_for("the first well, while the second is refused", 60, lambda: walk.cursor(0) == 600)
    assert walk.cursor(1) == 0
    acl.write_text("topic readwrite #\n")
    broker.reload()
    wait_for("the second well", 70, lambda: walk.cursor(1) == 200)
    walk.judge("heron-7", 600, subscriber)
    walk.judge("heron-8", 200, subscriber)
    refusals = sum(line.startswith(b"refused 1 1") for line in walk.said.copy())
    assert refusals == 1, f"said {refusals} times"
    wait_for("the word that it takes them again", 60, lambda: b"takes heron-8/record again" in b"\n".join(walk.log.copy()))
    return "0x87 holds one well, said once; the other goes on; all arrive when it is allowed"


def nobody_subscribes(walk):
    broker = Broker(walk)
    broker.start()
    walk.start(broker.port)
    walk.order("add 0 150")
    wait_for("a refusal", 60, lambda: walk.heard("refused", 0, 1))
    fields = walk.heard("refused", 0, 1)
    assert fields[4] == "16" and "Nobody subscribes to heron-7/record" in " ".join(fields), fields
    time.sleep(2)
    assert walk.cursor(0) == 0
    subscriber = walk.subscribed(broker.port)
    wait_for("all rows", 70, lambda: walk.cursor(0) == 150)
    walk.judge("heron-7", 150, subscriber)
    return "0x10 holds the cursor; the first row is the first to arrive when somebody subscribes"


def version_3_1_1(walk):
    broker = Broker(walk)
    broker.start()
    subscriber = walk.subscribed(broker.port)
    walk.start(broker.port, more=", mqtt_version: 3.1.1")
    walk.wait_state(1, "weak proof")
    walk.order("add 0 400")
    wait_for("all rows", 60, lambda: walk.cursor(0) == 400)
    walk.judge("heron-7", 400, subscriber)
    subscriber.kill()
    time.sleep(0.5)
    walk.order("add 0 10")
    wait_for("acceptance by nobody: the weak proof", 60, lambda: walk.cursor(0) == 410)
    return "400 rows; its plain acknowledgement also came with no subscriber (weak proof)"


def wrong_password_then_right(walk):
    passwords, ours = walk.directory / "passwords", walk.directory / "broker.pass"
    subprocess.run([PASSWORDS, "-b", "-c", str(passwords), "heron-edge", "pw-8251"], check=True, capture_output=True)
    passwords.chmod(0o644)
    ours.write_text("wrong\n")
    ours.chmod(0o600)
    broker = Broker(walk, f"allow_anonymous false\npassword_file {passwords}")
    broker.start()
    walk.start(broker.port, more=f", user: heron-edge, password_file: {ours}")
    walk.wait_state(3, "not_authorised", "password_file")
    ours.unlink()
    walk.wait_state(3, "password_file", "can't be read", seconds=40)
    ours.write_text("pw-8251\n")
    ours.chmod(0o600)
    walk.wait_state(1, seconds=70)
    assert b"pw-8251" not in b"".join(walk.log.copy() + walk.said.copy())
    return "three sentences: refused, not readable, connected"


def name_taken_by_another_client(walk):
    broker = Broker(walk)
    broker.start()
    walk.start(broker.port)
    walk.wait_state(1)
    other = walk.spawn([SUBSCRIBER, "-V", "5", "-h", "127.0.0.1", "-p", str(broker.port), "-i", "heron-edge-1", "-t", "nothing"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    walk.wait_state(3, "no other client is called heron-edge-1", seconds=60)
    other.kill()
    walk.wait_state(1, seconds=70)
    return "this broker says nothing of a takeover; the pattern does"


def two_boxes_of_one_name(walk):
    broker = Broker(walk)
    broker.start()
    walk.start(broker.port)
    walk.wait_state(1)
    other = walk.spawn([walk.program, str(walk.directory / "uphole.yaml"), walk.maps, "1"], stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    walk.wait_state(3, "Two boxes may hold the same configuration", seconds=60)
    other.stdin.write(b"stop\n")
    other.stdin.close()
    other.wait(60)
    walk.wait_state(1, seconds=70)
    walk.order("add 0 10")
    subscriber = walk.subscribed(broker.port)
    wait_for("rows", 70, lambda: walk.cursor(0) == 10)
    walk.judge("heron-7", 10, subscriber)
    return "two boxes of one name are named as such"


def packets(data):
    """Type and flags, and body, of each whole packet (MQTT 5.0, 2.1)."""
    at, found = 0, []
    while at + 2 <= len(data):
        length, shift, head = 0, 0, at + 1
        while head < len(data):
            length |= (data[head] & 0x7F) << shift
            shift, head = shift + 7, head + 1
            if data[head - 1] < 0x80:
                break
        if head + length > len(data):
            break
        found.append((data[at], data[head:head + length]))
        at = head + length
    return found


def heard_within(client, seconds):
    """What comes within so long."""
    end, data = time.monotonic() + seconds, b""
    while (left := end - time.monotonic()) > 0:
        client.settimeout(left)
        try:
            chunk = client.recv(65536)
        except TimeoutError:
            break
        if not chunk:
            break
        data += chunk
    client.settimeout(None)
    return data


def heard_session(client):
    """Until state, history and the box's own topic were said, however busy the machine; and what comes in 0.3 s behind them."""
    data, end = b"", time.monotonic() + 60
    while time.monotonic() < end and not all(word in data for word in (b"/latest", b"/record", b"box/heron-edge-1")):
        data += heard_within(client, 0.1)
    return data + heard_within(client, 0.3)


def broker_says_why_it_ends(walk):
    """A broker that does say so, by the bytes of MQTT 5.0, 3.14: DISCONNECT with 0x8E. What it is told itself is looked into as well."""
    listener = socket.create_server(("127.0.0.1", 0))
    connects, sessions = [], []

    def serve():
        for packet in ("2003000000", None, "2003008700", "2003008700"):
            try:
                client, _ = listener.accept()
                connects.append(client.recv(4096))
                client.sendall(bytes.fromhex(packet or "2003000000"))
                if not packet or packet == "2003000000":
                    sessions.append(heard_session(client))
                    for kind, body in packets(sessions[-1]):  # 3.9: the box may not read its own topic
                        client.sendall(b"\x90\x04" + body[:2] + b"\0\x87" if kind == 0x82 else b"")
                    client.sendall(bytes.fromhex("e0018e" if packet else "e0018b"))
                time.sleep(0.3)
                client.close()
            except OSError:
                return
    threading.Thread(target=serve, daemon=True).start()
    walk.start(listener.getsockname()[1])
    walk.order("snapshot 0 192")
    walk.order("add 0 5")
    walk.wait_state(3, "Another client took over the name heron-edge-1", "0x8E", seconds=70)
    walk.wait_state(3, "is shutting down", "0x8B", seconds=130)
    walk.wait_state(3, "not_authorised", "does not authorise this user", "0x87", seconds=70)
    listener.close()
    refused = [line for line in walk.log.copy() if b"does not let this box read its own topic uphole/heron-ridge/box/heron-edge-1 (0x87)" in line]
    assert len(refused) == 1, f"said {len(refused)} times in two sessions that its own topic is refused"
    judge_connects(connects)
    first, second = judge_session(sessions[0]), judge_session(sessions[1])
    again = {mid for mid, kind in second.items() if kind & 8}
    assert again and again <= set(first), "what was not answered is sent again under its id, marked as such (4.4, 3.3.1.1)"
    assert not [kind for kind in first.values() if kind & 8]
    return "0x8E, 0x8B and a CONNACK of 0x87 are told as what they are; will, state, history, subscription and what is sent again are as documented"


def judge_connects(connects):
    """MQTT 5.0, 3.1.2: version 5; a clean start, and a will of QoS 1 that is kept (flags 0x2E); keep alive 30 s; the box's name (3.1.3)."""
    assert len(connects) >= 3
    for data in connects:
        kind, body = packets(data)[0]
        assert kind == 0x10 and body[:10] == bytes.fromhex("00044d515454052e001e"), body[:10].hex()
        assert b"\x00\x0cheron-edge-1\x00" in body and body.count(b"uphole/heron-ridge/box/heron-edge-1") == 1, body
        assert b'"running":false' in body
        assert b"\x11" not in body[11:11 + body[10]], "a session that outlives its connection was asked for (session expiry, 3.1.2.11.2)"


def judge_session(data):
    """MQTT 5.0, 3.3.1: QoS 1, state is kept, history never (0x33, 0x32). 3.8: the box's own topic alone, in each session. Returns kinds by their ids."""
    kept = {"latest": 0x33, "box/heron-edge-1": 0x33, "record": 0x32, "gap": 0x32}
    topics, subscribed, ids = set(), [], {}
    for kind, body in packets(data):
        if kind >> 4 == 3:
            end = 2 + int.from_bytes(body[:2], "big")
            topic = body[2:end].decode()
            word = topic.split("/", 2)[2].removeprefix("heron-7/").removeprefix("heron-8/")
            assert kind & ~8 == kept[word], f"{topic}: {kind:02x}"
            ids[body[end:end + 2]] = kind
            topics.add(word)
        elif kind >> 4 == 8:
            assert kind == 0x82
            subscribed.append(body)
    assert {"latest", "box/heron-edge-1", "record"} <= topics, topics
    assert len(subscribed) == 1 and subscribed[0].endswith(b"uphole/heron-ridge/box/heron-edge-1\x01"), subscribed
    return ids


def server_keep_alive(walk):
    """MQTT 5.0, 3.2.2.3.14: the broker's keep alive holds. 3.1.2.10: it may hang up after one and a half times of it."""
    listener = socket.create_server(("127.0.0.1", 0))
    waits = []

    def serve():
        client, _ = listener.accept()
        client.recv(4096)
        client.sendall(bytes.fromhex("2006000003130002"))
        begun, data, seen = time.monotonic(), b"", 0
        while chunk := client.recv(65536):
            data += chunk
            new, seen = packets(data)[seen:], len(packets(data))
            for kind, _ in new:
                waits.extend([time.monotonic() - begun] if kind == 0xC0 else [])
                begun = time.monotonic()
                if kind == 0xC0:
                    client.sendall(bytes.fromhex("d000"))
    threading.Thread(target=serve, daemon=True).start()
    walk.start(listener.getsockname()[1])
    wait_for("three pings", 15, lambda: len(waits) >= 3)
    listener.close()
    assert max(waits) < 3.0, waits
    return f"asked for one each 2 s, it pings after {max(waits):.1f} s at most"


def will_and_repair(walk):
    broker = Broker(walk)
    broker.start()
    subscriber = walk.subscribed(broker.port)
    walk.start(broker.port)
    boxes = lambda: [m for t, m, _, _ in walk.messages(subscriber) if t == "box/heron-edge-1"]
    wait_for("the box", 60, lambda: boxes() and boxes()[-1]["running"])
    os.kill(walk.child(), signal.SIGKILL)
    wait_for("the will", 60, lambda: not boxes()[-1]["running"])
    walk.clean_side()
    walk.start(broker.port)
    wait_for("the box again", 60, lambda: boxes()[-1]["running"])
    will = json.dumps({**boxes()[-1], "running": False})
    subprocess.run([PUBLISHER, "-h", "127.0.0.1", "-p", str(broker.port), "-q", "1", "-r", "-t", f"{ROOT}/box/heron-edge-1", "-m", will], check=True)
    wait_for("the late will", 60, lambda: not boxes()[-1]["running"] or len(boxes()) > 4)
    wait_for("the repair", 60, lambda: boxes()[-1]["running"])
    walk.order("stop")
    walk.side.wait(60)
    wait_for("the end with 0", 60, lambda: walk.heard("ended", 0))  # its last words may still be on their way
    wait_for("offline", 60, lambda: not boxes()[-1]["running"])
    late = walk.subscribe(broker.port)
    wait_for("the retained state", 60, lambda: [m for t, m, r, _ in walk.messages(late) if r and t == "box/heron-edge-1" and not m["running"]])
    return "will after kill -9, a late will repaired, offline at an orderly stop"


def latest_goes_first(walk):
    broker = Broker(walk)
    broker.start()
    subscriber = walk.subscribed(broker.port)
    relay = Relay(broker.port)
    relay.held = True
    walk.start(relay.port)
    walk.order("add 0 20000")
    walk.order("snapshot 0 192")
    walk.order("snapshot 1 192")
    time.sleep(1)
    relay.hold_at = relay.passed + 100000  # some rows, and then it stands until the change is ordered
    relay.held = False
    wait_for("rows", 60, lambda: relay.held and walk.arrived("heron-7", 1, subscriber))
    topics = [t for t, _, _, _ in walk.messages(subscriber)]
    assert topics.index("heron-7/latest") < topics.index("heron-7/record"), topics[:6]
    walk.order("snapshot 0 3")
    time.sleep(0.3)  # orders are taken within a few ms; where not, the relay goes on before it
    relay.held = False
    wait_for("all rows", 120, lambda: walk.cursor(0) == 20000)
    walk.printed_up_to("heron-7", 20000, subscriber)
    order = [(t, m) for t, m, _, _ in walk.messages(subscriber) if t in ("heron-7/latest", "heron-7/record")]
    changed = [i for i, (t, m) in enumerate(order) if t == "heron-7/latest" and m["points"]["intake_pressure"]["quality"] == 3]
    assert changed, "the change of a quality was not published"
    behind = sum(len(m["rows"]) for t, m in order[changed[0]:] if t == "heron-7/record")
    assert behind > 0, "latest waited until the backlog was through"
    late = walk.subscribed(broker.port)
    wait_for("the retained state of both wells", 60, lambda: len({t for t, _, r, _ in walk.messages(late) if r and t.endswith("/latest")}) == 2)
    history = {t for t, _, _, _ in walk.messages(late) if t.endswith(("/record", "/gap"))}
    assert not history, f"who subscribes late is told old history as if it were new: {history}"
    relay.close()
    return f"latest came first, and a change overtook {behind} of 20000 rows"


def limits_of_the_broker(walk):
    broker = Broker(walk, "allow_anonymous true\nmax_packet_size 4000\nmax_inflight_messages 2")
    broker.start()
    subscriber = walk.subscribed(broker.port)
    walk.start(broker.port)
    walk.order("add 0 400")
    wait_for("all rows", 60, lambda: walk.cursor(0) == 400)
    walk.judge("heron-7", 400, subscriber)
    largest = max(size for t, _, _, size in walk.messages(subscriber) if t == "heron-7/record")
    assert 2000 < largest < 4000, largest
    return f"400 rows through packets of at most 4000 bytes (largest payload {largest})"


def month_is_used_up(walk):
    """Records wait at the limit, over a restart too; a change of state goes on; what is counted is what the network carried."""
    broker = Broker(walk)
    broker.start()
    subscriber = walk.subscribed(broker.port)
    relay = Relay(broker.port)
    walk.start(relay.port, latest_every="1 s", more=", at_most: 1 MB a month")
    walk.order("snapshot 0 192")
    walk.wait_state(1)
    walk.order("add 0 40000")
    walk.wait_state(4, "quota", "for broker plant-broker are used up; records wait until", seconds=60)
    warned = lambda: b"\n".join(walk.log.copy()).count(b"of this month's 1.0 MB are used. At 100 % records wait")
    wait_for("the warning", 60, warned)
    assert warned() == 1, b"\n".join(walk.log.copy()).decode()
    time.sleep(1.5)
    walk.drained(subscriber)
    waits = walk.cursor(0)
    assert 1000 < waits < 40000, waits
    latest = lambda: [m for t, m, _, _ in walk.messages(subscriber) if t == "heron-7/latest"]
    before = len(latest())
    time.sleep(2.5)
    walk.drained(subscriber)
    assert len(latest()) == before, "`latest` goes on though nothing changed"
    walk.order("snapshot 0 3")
    wait_for("a change of state, beyond the limit", 60, lambda: len(latest()) > before)
    assert walk.cursor(0) == waits, "records go on beyond the limit"
    counted = lambda: int(walk.heard("usage", 0)[3])
    assert 0.95 * relay.passed <= counted() <= 1.6 * relay.passed, f"{counted()} counted, {relay.passed} bytes passed without heads of packets"
    walk.order("kill")
    walk.order("add 0 10")
    wait_for("the state after a restart", 60, lambda: len([line for line in walk.said.copy() if line.startswith(b"destination 0 4")]) >= 2)
    time.sleep(1)
    assert walk.cursor(0) == waits, "a restart forgot the month's count"
    relay.close()
    return f"{waits} rows, then {40010 - waits} wait; {counted()} bytes counted, {relay.passed} passed beside the heads of packets"


def backlog_at_a_rate(walk):
    broker = Broker(walk)
    broker.start()
    subscriber = walk.subscribed(broker.port)
    walk.start(broker.port, more=", backlog_at_most: 200 records/s")
    walk.wait_state(1)
    walk.order("add 0 1500")
    wait_for("the backlog to begin", 60, lambda: walk.cursor(0) > 200)
    walk.order("add 1 1")
    wait_for("a live row of the other well", 60, lambda: walk.cursor(1) == 1)
    then = walk.cursor(0)
    assert then < 1200, f"the live row came behind {then} rows of the backlog"
    wait_for("the rest", 60, lambda: walk.cursor(0) == 1500)
    walk.judge("heron-7", 1500, subscriber)
    return f"a live row passed a backlog of which {then} of 1500 rows had gone"


def rss_kb(pid):
    with open(f"/proc/{pid}/status", encoding="ascii") as file:
        return next(int(line.split()[1]) for line in file if line.startswith("RssAnon"))


def hostile_broker(walk):
    """Answers with a packet of 200 MB, right after CONNACK or behind small ones; what it can send before we close is counted."""
    sent, turns = [], []
    listener = socket.create_server(("127.0.0.1", 0))

    def serve():
        while True:
            try:
                client, _ = listener.accept()
            except OSError:
                return
            client.settimeout(5)
            total = 0
            try:
                first = client.recv(4096)
                turns.append(first)
                client.sendall(bytes.fromhex("2003000000"))  # CONNACK, accepted
                if len(turns) % 2:
                    time.sleep(0.3)
                small = bytes.fromhex("d000") * 3  # PINGRESP
                client.sendall(small + bytes.fromhex("30ffffff7f"))
                chunk = b"\0\1a" + b"x" * 65536
                while total < 100_000_000:
                    total += client.send(chunk)
            except OSError:
                pass
            sent.append(total)
            client.close()
    threading.Thread(target=serve, daemon=True).start()
    walk.start(listener.getsockname()[1])
    walk.wait_state(3, "above 16 KiB", seconds=30)
    before = rss_kb(walk.child())
    wait_for("a second try", 60, lambda: len(sent) >= 2)
    grown = rss_kb(walk.child()) - before
    assert bytes.fromhex("2700004000") in turns[0], "the CONNECT does not announce 16384 bytes"
    listener.close()
    assert max(sent) < 8_000_000, sent  # the kernel's buffers of both ends
    if sanitized(walk.program):
        return f"closed {len(sent)} times (memory is not judged under a sanitizer)"
    assert grown < 1024, f"grew by {grown} KiB"
    return f"closed {len(sent)} times; memory grew by {grown} KiB"


def sanitized(program):
    return any(word in pathlib.Path(program).read_bytes() for word in (b"__asan_init", b"__tsan_init"))


def silent_broker(walk):
    listener = socket.create_server(("127.0.0.1", 0))
    walk.start(listener.getsockname()[1])
    walk.wait_state(3, "does not answer as a broker within 15 s", seconds=30)
    listener.close()
    return "a port that accepts and stays silent is given up after 15 s"


def tls(walk):
    if shutil.which("openssl") is None:
        return "SKIPPED: no openssl command"
    here = walk.directory

    def make(name, days):
        subprocess.run(["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-keyout", str(here / f"{name}.key"), "-out", str(here / f"{name}.pem"), "-days", days,
                        "-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1"], check=True, capture_output=True)
        (here / f"{name}.key").chmod(0o644)
    make("good", "30")
    make("other", "30")
    here.chmod(0o755)
    broker = Broker(walk)
    broker.tell(f"allow_anonymous true\ncertfile {here}/other.pem\nkeyfile {here}/other.key")
    walk.start(broker.port, scheme="mqtts", more=f", ca_file: {here}/good.pem")
    walk.wait_state(3, "nothing listens")
    used = cpu_ticks(walk.child())
    time.sleep(2)
    assert cpu_ticks(walk.child()) - used < 20, "a closed port costs processor time"
    broker.start()
    walk.wait_state(3, "no authority of ca_file has signed its certificate", seconds=40)
    broker.kill()
    broker.tell(f"allow_anonymous true\ncertfile {here}/good.pem\nkeyfile {here}/good.key")
    broker.start()
    walk.wait_state(1, seconds=70)
    subscriber = walk.subscribe(broker.port, more=("--cafile", str(here / "good.pem")))
    walk.order("add 0 300")
    wait_for("all rows", 70, lambda: walk.cursor(0) == 300)
    walk.judge("heron-7", 300, subscriber)
    return "closed port, wrong certificate, good certificate: two sentences, then 300 rows"


def cpu_ticks(pid):
    with open(f"/proc/{pid}/stat", encoding="ascii") as file:
        fields = file.read().rsplit(")", 1)[1].split()
    return int(fields[11]) + int(fields[12])


def clean_side(walk):
    walk.side.kill()
    walk.side.wait()


Walk.clean_side = clean_side
WALKS = [broker_absent_at_start, nobody_subscribes, connection_cut_mid_stream, broker_restarts_mid_stream, scada_side_killed, one_wells_topic_refused, version_3_1_1,
         wrong_password_then_right, broker_says_why_it_ends, will_and_repair, latest_goes_first, limits_of_the_broker, month_is_used_up, backlog_at_a_rate, hostile_broker, two_boxes_of_one_name]
LONG_WALKS = [connection_cut_mid_stream, broker_restarts_mid_stream, scada_side_killed, name_taken_by_another_client, silent_broker, server_keep_alive, tls]


def main():
    for name, path in (("mosquitto", BROKER), ("mosquitto_sub", SUBSCRIBER), ("mosquitto_pub", PUBLISHER), ("mosquitto_passwd", PASSWORDS)):
        if path is None:
            print(f"SKIPPED: no {name} on this machine (packages mosquitto, mosquitto-clients)")
            return 77
    wanted = [name for name in sys.argv[4:] if name != "--long"]
    long = "--long" in sys.argv
    failed = 0
    for function in dict.fromkeys(WALKS + LONG_WALKS) if wanted else LONG_WALKS if long else WALKS:
        if wanted and function.__name__ not in wanted:
            continue
        walk = Walk(*sys.argv[1:4], long)
        begun = time.monotonic()
        try:
            told = function(walk)
            print(f"ok   {function.__name__} ({time.monotonic() - begun:.0f} s): {told}", flush=True)
        except Exception as error:  # noqa: BLE001 - each walk reports, the rest go on
            failed += 1
            print(f"FAIL {function.__name__} ({time.monotonic() - begun:.0f} s): {type(error).__name__}: {error}", flush=True)
            if walk.side is not None:
                for line in walk.log.copy()[-12:] + walk.said.copy()[-4:]:
                    print("     " + line.decode("utf-8", "replace"), flush=True)
        finally:
            walk.clean()
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
