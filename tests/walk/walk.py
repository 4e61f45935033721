"""What every walk shares: a real broker, the simulator on a real pty, the daemon, and a subscriber that keeps a log.

A walk runs the program as a person would, at the speed of the clock. Everything lives in one fresh directory; only processes that were started
here are stopped, by their pid; only loopback addresses and free ports are used.
"""
import json
import os
import pathlib
import re
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time

import paho.mqtt.client as mqtt

from ports import free_port

SOURCE = pathlib.Path(__file__).resolve().parents[2]
BINARY = pathlib.Path(os.environ.get("UPHOLE_BINARY", SOURCE / "build/release/daemon/uphole/uphole"))


# A wait's bound is for what never comes, no promise of speed: beside five other walks and a compiler all takes several times as long as alone.
PATIENCE = float(os.environ.get("UPHOLE_PATIENCE", "4"))


class Skip(Exception):
    """What can't run on this machine, and why."""


class Finding(AssertionError):
    """A row lost, invented or with two contents, or books that don't hold: never the machine's doing, so tests/run.sh repeats no test that says "Finding: "."""


def found_if(wrong, what):
    if wrong:
        raise Finding(what)


def wait_for(what, seconds, condition, step=0.05):
    """Waits until condition() is true, or fails naming what was waited for. `seconds` are those of a machine without other work."""
    seconds *= PATIENCE
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        value = condition()
        if value:
            return value
        time.sleep(step)
    value = condition()  # this process may have stood still meanwhile
    if value:
        return value
    raise AssertionError(f"waited {seconds:g} s for {what}")


CONFIG = """\
site: heron-ridge
box: {box}
lines:
  pad-line: {{serial: {directory}/pad-line, speed: {speed} baud, frame: 8N1, response_timeout: {timeout}, listen_first: {listen}}}
  skid-line: {{tcp: 127.0.0.1:{drive_port}}}
wells:
  heron-7:
    label: Heron 7
    table_block: 0
    sources:
      gauge:
        - {{from: 2025-01-10T08:00:00Z, line: pad-line, unit_id: 1, map: scaled-16, poll_every: {poll}, refresh: {refresh}, serial_number: G-0417, confirmed_units: all}}
      drive:
        - {{from: 2025-01-10T08:00:00Z, line: skid-line, unit_id: 1, map: drive-a, poll_every: {poll}, refresh: {refresh}, confirmed_units: all}}
  heron-8:
    label: Heron 8
    table_block: 1
    sources:
      gauge:
        - {{from: 2025-01-10T08:00:00Z, line: pad-line, unit_id: 2, map: float-low-first, poll_every: {poll}, refresh: {refresh}, confirmed_units: all}}
destinations:
  plant-broker:
    mqtt: mqtt://127.0.0.1:{broker_port}
    from: oldest
    units: metric
  scada-table:
    modbus_tcp: 127.0.0.1:{table_port}
    clients_per_address: 16
    views: {{1: metric high-word-first, 2: metric low-word-first, 3: us high-word-first, 4: us low-word-first}}
journal: {{path: {journal}}}
"""


class Walk:
    def __init__(self, name, journal=None, **settings):
        self.directory = pathlib.Path(tempfile.mkdtemp(prefix=f"uphole-{name}-"))
        self.journal = pathlib.Path(journal) if journal else self.directory / "journal"
        self.journal.mkdir(mode=0o750, exist_ok=True)
        self.broker_port, self.table_port, self.drive_port = free_port(), free_port(), free_port()
        values = dict(box="heron-edge-1", speed=38400, timeout="300 ms", listen="200 ms", poll="1 s", refresh="1 s")
        values.update(settings)
        self.settings = values
        self.config = self.directory / "uphole.yaml"
        self.config.write_text(CONFIG.format(directory=self.directory, journal=self.journal, broker_port=self.broker_port,
                                             table_port=self.table_port, drive_port=self.drive_port, **values))
        self.truth = self.directory / "truth.ndjson"
        self.maps = SOURCE / "config/maps"
        self.processes = []
        self.broker = self.daemon = self.simulator = None
        self.messages = []  # (topic, payload, retained, monotonic time)
        self.lock = threading.Lock()
        self.client = None

    def own_maps(self, before, after):
        """The installed maps, but for one thing."""
        self.maps = self.directory / "maps"
        self.maps.mkdir()
        for path in (SOURCE / "config/maps").glob("*.yaml"):
            (self.maps / path.name).write_text(path.read_text().replace(before, after))

    # ---- processes ----

    def _start(self, name, *command, **more):
        log = open(self.directory / f"{name}.log", "ab")
        process = subprocess.Popen([str(c) for c in command], stdout=log, stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL, **more)
        log.close()
        self.processes.append(process)
        return process

    def start_broker(self, extra="", queued=100000):
        """`queued`: messages that it keeps for a subscriber; None: as many as it does by itself."""
        conf = self.directory / "broker.conf"
        limit = "" if queued is None else f"max_queued_messages {queued}"
        conf.write_text(f"listener {self.broker_port} 127.0.0.1\nallow_anonymous true\n{limit}\n{extra}\n")
        binary = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
        self.broker = self._start("broker", binary, "-c", conf)
        wait_for("the broker", 10, lambda: self._listening(self.broker_port))

    def stop_broker(self):
        self.stop(self.broker)

    def start_simulator(self, *more):
        before = len(self.log("simulator"))
        self.simulator = self._start("simulator", BINARY, "simulate", "--config", self.config, "--maps", self.maps,
                                     "--seed", "7", "--truth", self.truth, *more)
        wait_for("the simulator", 10, lambda: "ready\n" in self.log("simulator")[before:])

    def start_daemon(self, environment=None):
        self.daemon = self._start("daemon", BINARY, "run", "--config", self.config, "--maps", self.maps,
                                  env=dict(os.environ, **(environment or {})))
        return self.daemon

    def scada_side(self):
        """pid of the SCADA side, a child of the daemon."""
        children = pathlib.Path(f"/proc/{self.daemon.pid}/task/{self.daemon.pid}/children")
        pids = children.read_text().split() if children.exists() else []
        return int(pids[0]) if pids else None

    def stop(self, process, how=signal.SIGTERM, seconds=10):
        if process is None or process.poll() is not None:
            return
        process.send_signal(how)
        try:
            process.wait(seconds * PATIENCE)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
            raise AssertionError(f"process {process.args[1] if len(process.args) > 1 else process.args} did not stop within {seconds * PATIENCE:g} s")

    def _listening(self, port):
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", port)) == 0

    # ---- the subscriber ----

    def subscribe(self, topic="uphole/#"):
        """An MQTT client nobody here wrote keeps every message, over the broker's absences."""
        self.client = mqtt.Client(client_id=f"eye-{os.getpid()}", clean_session=False, protocol=mqtt.MQTTv311)
        self.client.max_inflight_messages_set(1000)
        self.client.reconnect_delay_set(0.2, 0.5)
        self.client.on_connect = lambda client, *_: client.subscribe(topic, qos=1)
        self.subscribed = threading.Event()
        self.client.on_subscribe = lambda *_: self.subscribed.set()

        def keep(_client, _data, message):
            with self.lock:
                self.messages.append((message.topic, message.payload, message.retain, time.monotonic()))

        self.client.on_message = keep
        self.client.connect("127.0.0.1", self.broker_port, keepalive=5)
        self.client.loop_start()
        assert self.subscribed.wait(10 * PATIENCE), "the subscriber could not subscribe"

    def taken(self, kind):
        with self.lock:
            return [(topic, payload) for topic, payload, _, _ in self.messages if topic.endswith("/" + kind)]

    def records(self, well=None):
        """Every row of every record message in the order of arrival, with its message's envelope."""
        rows = []
        for topic, payload in self.taken("record"):
            message = json.loads(payload)
            if well and message["well"] != well:
                continue
            previous = message["after"]
            for row in message["rows"]:
                rows.append(dict(row, well=message["well"], run=message["run"], sent=message["sent"], after=previous,
                                 set=message["sets"][row["source"]]))
                previous = [message["run"], row["seq"]]
        return rows

    def wait_rows(self, what, seconds, condition):
        """Waits for rows that must come; where they don't, a hole with later rows behind it is a finding, all else may be slowness."""
        try:
            return wait_for(what, seconds, condition, step=0.2)
        except AssertionError:
            kept = once(self.records())
            for well in {row["well"] for row in kept}:
                check_chain([row for row in kept if row["well"] == well])
            raise

    # ---- the journal, from outside ----

    def sql(self, query):
        out = subprocess.run(["sqlite3", "-cmd", ".timeout 30000", "-readonly", "-json", str(self.journal / "journal.sqlite"), query], capture_output=True, text=True)
        if out.returncode != 0:
            raise AssertionError(f"sqlite3: {out.stderr.strip()}")
        return json.loads(out.stdout) if out.stdout.strip() else []

    def gaps(self):
        """Newest revision of each ledger row, by the program's own command."""
        out = subprocess.run([str(BINARY), "gaps", "--journal", str(self.journal), "--last", "1d", "--json"], capture_output=True, text=True)
        assert out.returncode == 0, out.stderr
        return json.loads(out.stdout)

    def log(self, name):
        path = self.directory / f"{name}.log"
        return path.read_text(errors="replace") if path.exists() else ""

    def close(self):
        if self.client is not None:
            self.client.loop_stop()
            self.client.disconnect()
        for process in reversed(self.processes):
            if process.poll() is None:
                process.send_signal(signal.SIGCONT)
                process.terminate()
                try:
                    process.wait(20)
                except subprocess.TimeoutExpired:
                    process.kill()
                    process.wait()
        shutil.rmtree(self.directory, ignore_errors=True)

    def __enter__(self):
        return self

    def __exit__(self, kind, *_):
        if kind is not None and not issubclass(kind, Skip):
            for name in ("daemon", "simulator"):
                print(f"--- {name}\n{self.log(name)[-3000:]}")
        self.close()


def once(rows):
    """What a receiver that drops equal ids keeps; fails where one id has two contents."""
    kept = {}
    for row in rows:
        identity = (row["run"], row["well"], row["seq"], row["revision"])
        content = {k: v for k, v in row.items() if k not in ("sent", "after")}
        if identity in kept:
            before = {k: v for k, v in kept[identity].items() if k not in ("sent", "after")}
            found_if(before != content, f"one id, two contents: {identity}\n{before}\n{content}")
        else:
            kept[identity] = row
    return list(kept.values())


def check_chain(rows):
    """`after` of each row names the row before it: no hole. Rows of one well, duplicates dropped."""
    previous = None
    for row in sorted(rows, key=lambda r: r["seq"]):
        if previous is not None:
            found_if(row["seq"] != previous["seq"] + 1, f"seq {previous['seq']} is followed by {row['seq']}")
            found_if(row["after"] != [previous["run"], previous["seq"]], f"seq {row['seq']} says it comes after {row['after']}")
        previous = row
    return len(rows)


def main(*tests, beside=()):
    """Runs the named functions; exit 77 where one says it can't run here. Those of `beside`, which mostly wait, go on in processes of their own meanwhile."""
    chosen = [t for t in tests if len(sys.argv) < 2 or re.search(sys.argv[1], t.__name__)]
    apart = []
    if len(sys.argv) < 2:
        apart = [subprocess.Popen([sys.executable, sys.argv[0], "^%s$" % t.__name__], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True) for t in beside]
    else:
        chosen += [t for t in beside if re.search(sys.argv[1], t.__name__)]
    try:
        run_each(chosen)
    finally:
        codes = [code for code in map(finish_apart, apart) if code != 0]
    if codes:
        sys.exit(77 if all(code == 77 for code in codes) else 1)
    print(f"{len(chosen) + len(apart)} passed, 0 failed")


def finish_apart(process):
    """Its exit code, once all that it said is printed."""
    said = process.communicate()[0]
    print(said, end="", flush=True)
    return process.returncode


def run_each(chosen):
    for test in chosen:
        print(f"{test.__name__}: {(test.__doc__ or '').strip().splitlines()[0]}", flush=True)
        try:
            test()
        except Skip as reason:
            print(f"SKIPPED {test.__name__}: {reason}")
            sys.exit(77)
        print("  good", flush=True)
