#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""The demo's story: two wells on one simulated serial line and a drive on TCP, carried to a broker and a Modbus table; the broker is cut, then
the serial line; then the books are laid open. What is stated at the end comes from outside Uphole: the log of mosquitto_sub, a pymodbus master,
the simulator's truth log, and rows counted in the journal by SQLite.

Everything lives in one temporary directory on loopback ports. Only processes that were started here are stopped, and all of them are.
"""
import calendar
import datetime
import json
import os
import pathlib
import pwd
import shutil
import signal
import socket
import sqlite3
import struct
import subprocess
import sys
import tempfile
import time

try:
    from pymodbus.client import ModbusTcpClient
except ImportError:
    sys.exit("demo: python3-pymodbus is missing for /usr/bin/python3; config/demo/run.sh installs it")

HERE = pathlib.Path(__file__).resolve().parent
POLL_MS = 2000
QUIET_S = 6.0  # an eye that shows older messages would show the past as the present
STORED_MS = 7000  # older than this on arrival: it came out of the backlog
SOURCES = {1: "gauge", 2: "drive"}  # as journaled
NEVER_ATTEMPTED = ("program", "disk", "skipped", "overflow")
# What the story does, in seconds since the daemon was started.
BROKER_CUT, BROKER_BACK, LINE_CUT, LINE_CUT_FOR, STORY_END = 26, 51, 74, 20, 128
COLUMNS = "{:>5}  {:<8} {:>10} {:<10} {:<8} {:>10} {:>9} {:>6} {:>8}   {:>10} {:>7} {:>4} {:>7}"
BROKEN = []


class Stopped(Exception):
    """Ctrl-C, or a request to end."""


def say(text=""):
    print(text, flush=True)


def heading(text):
    say(f"\n== {text}")


def free_ports(n):
    probes = [socket.socket() for _ in range(n)]
    for probe in probes:
        probe.bind(("127.0.0.1", 0))
    ports = [probe.getsockname()[1] for probe in probes]
    for probe in probes:
        probe.close()
    return ports


def must(what, seconds, condition):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if condition():
            return
        time.sleep(0.05)
    raise RuntimeError(f"{what} did not come within {seconds} s")


class Subscriber:
    """mosquitto_sub's log, read as it grows."""

    def __init__(self, path):
        self.path, self.offset = path, 0
        self.latest, self.rows, self.late, self.repeated, self.newest = {}, {}, 0, 0, 0.0

    def read(self):
        """Returns how many stored rows came with this call."""
        late = 0
        with open(self.path, encoding="utf-8") as file:
            file.seek(self.offset)
            for line in iter(file.readline, ""):
                if not line.endswith("\n"):
                    break
                self.offset = file.tell()
                message = json.loads(line)
                late += self.take(message["topic"].rsplit("/", 1)[-1], message["payload"])
        self.late += late
        return late

    def take(self, kind, payload):
        if kind == "latest" and payload:
            self.latest[payload["well"]] = payload
            self.newest = time.monotonic()
        elif kind == "record":
            for row in payload["rows"]:
                key = (payload["run"], payload["well"], row["seq"], row["revision"])
                self.repeated += key in self.rows
                self.rows.setdefault(key, dict(row, set=payload["sets"][row["source"]]))
            return sum(time.time() * 1000 - time_ms(row["time"]) > STORED_MS for row in payload["rows"]) if payload["sent"] == "late" else 0
        return 0


class Table:
    """A Modbus TCP master on Uphole's table: what waits for delivery, and the float, quality and age of a well's intake pressure."""

    def __init__(self, port):
        self.client = ModbusTcpClient("127.0.0.1", port=port, timeout=1)

    def read(self, block):
        try:
            if not self.client.connected and not self.client.connect():
                return None
            answer = self.client.read_holding_registers(512 * block, 36, slave=1)
            if answer.isError():
                return None
            words = answer.registers
            return struct.unpack(">f", struct.pack(">HH", words[32], words[33]))[0], words[34], words[35], words[22] << 16 | words[23]
        except Exception:  # the daemon is stopping or starting: the picture shows dashes
            self.client.close()
            return None


class Demo:
    def __init__(self, uphole, keep):
        self.uphole, self.keep = uphole, keep
        self.directory = pathlib.Path(tempfile.mkdtemp(prefix="uphole-demo-"))
        self.broker_port, self.table_port, self.drive_port = free_ports(3)
        self.processes = []
        self.config = self.directory / "uphole.yaml"
        self.truth = self.directory / "truth.ndjson"
        self.sub_log = self.directory / "subscriber.ndjson"
        self.begun = 0.0

    # ---- processes ----

    def start(self, name, *command, output=None):
        with open(output or self.directory / f"{name}.log", "ab") as log, open(self.directory / f"{name}.err", "ab") as err:
            process = subprocess.Popen([str(c) for c in command], stdin=subprocess.DEVNULL, stdout=log, stderr=err, start_new_session=True)
        self.processes.append(process)
        return process

    def stop(self, process):
        if process.poll() is None:
            process.terminate()
            try:
                process.wait(10)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()

    def check_alive(self):
        for name in ("simulator", "daemon"):
            process = getattr(self, name)
            if process.poll() is not None:
                tail = (self.directory / f"{name}.err").read_text(errors="replace")[-1500:]
                raise RuntimeError(f"the {name} ended with {process.returncode}:\n{tail}")

    def start_broker(self):
        self.broker = self.start("broker", shutil.which("mosquitto") or "/usr/sbin/mosquitto", "-c", self.directory / "broker.conf")
        must("the broker", 10, self.broker_listens)

    def broker_listens(self):
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.broker_port)) == 0

    def write_files(self):
        text = (HERE / "demo.yaml").read_text()
        for name, value in (("DIRECTORY", self.directory), ("BROKER_PORT", self.broker_port), ("TABLE_PORT", self.table_port),
                            ("DRIVE_PORT", self.drive_port)):
            text = text.replace(f"@{name}@", str(value))
        self.config.write_text(text)
        (self.directory / "journal").mkdir(mode=0o750)
        (self.directory / "broker").mkdir()
        (self.directory / "broker.conf").write_text(
            f"listener {self.broker_port} 127.0.0.1\nallow_anonymous true\nuser {pwd.getpwuid(os.geteuid()).pw_name}\n"
            f"persistence true\npersistence_location {self.directory}/broker/\nmax_queued_messages 100000\n")
        (self.directory / "faults").write_text(f"at {LINE_CUT} s for {LINE_CUT_FOR} s line pad-line silence\n")
        self.sub_log.touch()

    def start_all(self):
        maps = HERE.parent / "maps"
        self.write_files()
        self.start_broker()
        self.subscriber = self.start("subscriber", "mosquitto_sub", "-h", "127.0.0.1", "-p", self.broker_port, "-i", "scada-eye", "-c", "-q", "1",
                                     "-k", "5", "-t", "uphole/#", "-F", "%J", output=self.sub_log)
        self.simulator = self.start("simulator", self.uphole, "simulate", "--config", self.config, "--maps", maps, "--refresh", "2 s",
                                    "--schedule", "swing", "--seed", "7", "--faults", self.directory / "faults", "--truth", self.truth)
        must("the simulator", 10, lambda: "ready" in (self.directory / "simulator.log").read_text())
        self.begun = time.monotonic()
        self.daemon = self.start("daemon", self.uphole, "run", "--config", self.config, "--maps", maps)
        self.eye, self.table = Subscriber(self.sub_log), Table(self.table_port)

    # ---- the live picture ----

    def seconds(self):
        return time.monotonic() - self.begun

    def picture_header(self):
        for row in (("", "", "MQTT:", "", "", "discharge", "winding", "drive", "", "table:", "", "", ""),
                    ("time", "well", "intake kPa", "reason", "line", "kPa", "degC", "Hz", "arrived", "intake kPa", "quality", "age", "waiting")):
            say(COLUMNS.format(*row).rstrip())

    def picture(self):
        late = self.eye.read()
        silent = "no broker" if self.broker.poll() is not None else "nothing" if time.monotonic() - self.eye.newest > QUIET_S else None
        for block, well in enumerate(("heron-7", "heron-8")):
            latest, table = None if silent else self.eye.latest.get(well), self.table.read(block)
            shown = [f"{self.seconds():.0f} s" if block == 0 else "", well]
            if latest and self.is_old(latest):
                latest, silent_now = None, "old"  # a retained message may be hours old: its time says so, and an old value is not shown as new
            else:
                silent_now = silent or "-"
            shown += self.of_latest(latest) if latest else ["-", silent_now] + ["-"] * 4
            shown += [sum(1 for key in self.eye.rows if key[1] == well)]
            shown += [self.number(table[0], 0), table[1], f"{table[2]} s" if table[2] < 65534 else "-", table[3]] if table else ["-"] * 4
            say(COLUMNS.format(*shown).rstrip())
        if late:
            say(f"       {late} stored records arrived, marked late")

    @staticmethod
    def is_old(latest):
        if latest["time"] is None:
            return False
        age = datetime.datetime.now(datetime.timezone.utc) - datetime.datetime.fromisoformat(latest["time"].replace("Z", "+00:00"))
        return age.total_seconds() > QUIET_S

    @staticmethod
    def marked(point, digits):
        """A value that is Bad is last week's news even where it is sent: the reason stands instead."""
        bad = point.get("quality", 0) < 64
        return (point["reason"] or "-") if bad else Demo.number(point["value"], digits)

    @staticmethod
    def number(value, digits):
        return "-" if value is None or value != value else f"{value:,.{digits}f}"

    def of_latest(self, latest):
        points = latest["points"]
        nothing = {"value": None, "unit": "", "reason": ""}
        intake, discharge = points.get("intake_pressure", nothing), points.get("discharge_pressure", nothing)
        winding, drive = points.get("motor_winding_temperature", nothing), points.get("drive_frequency")
        return [self.number(intake["value"], 0), intake["reason"], latest["states"]["line"],
                self.marked(discharge, 0), self.marked(winding, 1), self.number(drive["value"], 2) if drive else ""]

    def watch(self, until, every=4.0):
        """Shows a picture every few seconds until the story's time `until`."""
        while self.seconds() < until:
            self.check_alive()
            time.sleep(max(0.0, min(every, until - self.seconds())))
            self.picture()

    def run_gaps(self, *more):
        return subprocess.run([self.uphole, "gaps", "--journal", self.directory / "journal", "--last", "1d", *more],
                              capture_output=True, text=True, timeout=30, check=False)

    # ---- the story ----

    def story(self):
        heading("Live: two wells on one serial line (9600 8N1), a drive on TCP; new data each 2 s, heron-7 without discharge sensors")
        self.picture_header()
        self.watch(BROKER_CUT)
        heading("The broker is cut. Readings go on into the journal, and the Modbus table goes on serving them")
        self.stop(self.broker)
        self.picture_header()
        self.watch(BROKER_BACK, every=5.0)
        heading("The broker is back. The newest state comes at once, the backlog after it, in order")
        self.start_broker()
        self.picture_header()
        self.watch(LINE_CUT - 2, every=3.0)
        heading(f"The serial line falls silent for {LINE_CUT_FOR} s. The drive on TCP is not concerned; nothing old is shown as new")
        self.picture_header()
        self.watch(STORY_END)
        heading("What `uphole gaps` says")
        say(self.run_gaps().stdout.rstrip())
        if self.keep:
            heading("Running on until Ctrl-C")
            say(f"MQTT   mosquitto_sub -h 127.0.0.1 -p {self.broker_port} -t 'uphole/#' -v")
            say(f"table  127.0.0.1:{self.table_port}, unit ids 1 to 3; `uphole table --config {self.config}` prints its layout")
            self.picture_header()
            try:
                self.watch(float("inf"))
            except Stopped:
                say("\nStopping.")

    def stop_daemon_between_polls(self):
        """Half a period after a due time, so that the arithmetic of due times has no edge to argue about."""
        began = self.query("SELECT began_boot_ms FROM run ORDER BY pos DESC LIMIT 1")[0][0]
        boot_ms = time.clock_gettime(time.CLOCK_BOOTTIME) * 1000
        time.sleep(((began + POLL_MS / 2 - boot_ms) % POLL_MS) / 1000)
        self.stop(self.daemon)

    def query(self, sql):
        database = sqlite3.connect(f"file:{self.directory}/journal/journal.sqlite?mode=ro", uri=True)
        try:
            return database.execute(sql).fetchall()
        finally:
            database.close()

    # ---- the books ----

    def check(self, holds, text):
        say(f"  {'holds' if holds else 'DOES NOT HOLD'}: {text}")
        if not holds:
            BROKEN.append(text)

    def books(self):
        heading("The books, from outside: rows by SQLite, deliveries by the subscriber's log, due times by arithmetic")
        wells = dict(self.query("SELECT number, id FROM well"))
        began, ended = self.query("SELECT began_boot_ms, ended_boot_ms FROM run ORDER BY pos DESC LIMIT 1")[0]
        due_each = (ended - began) // POLL_MS + 1
        counted = {(wells[w], SOURCES[s]): n for w, s, n in self.query("SELECT well, source, count(*) FROM scan GROUP BY well, source")}
        never = {key: 0 for key in counted}
        for gap in self.last_gaps:
            if gap["kind"] in NEVER_ATTEMPTED:
                never[(gap["well"], gap["source"])] = never.get((gap["well"], gap["source"]), 0) + gap["scans"]
        for key, rows in sorted(counted.items()):
            self.check(rows + never[key] == due_each, f"{key[0]} {key[1]:<5}  due {due_each} = rows {rows} + never attempted {never[key]}")
        cursors = dict(self.query("SELECT well, pos FROM cursor WHERE destination = 'plant-broker' AND stream = 1"))
        rows = self.query("SELECT pos, printf('%016x', run), well, seq FROM scan")
        delivered = {key[:3] for key in self.eye.rows}
        pending = [1 for pos, run, well, seq in rows if pos > cursors.get(well, 0) and (run, wells[well], seq) not in delivered]
        arrived = sum((run, wells[well], seq) in delivered for _, run, well, seq in rows)
        self.check(len(rows) == arrived + len(pending),
                   f"rows {len(rows)} = delivered {arrived} + pending {len(pending)}   ({self.eye.late} came late, {self.eye.repeated} came twice)")
        self.check(len(delivered) == arrived, f"every delivered record is a row of the journal ({arrived} of {len(delivered)})")
        self.check_order(wells)
        self.check_values()

    def check_order(self, wells):
        holes = 0
        for well in wells.values():
            seqs = sorted(key[2] for key in self.eye.rows if key[1] == well)
            holes += sum(b != a + 1 for a, b in zip(seqs, seqs[1:])) + (bool(seqs) and seqs[0] != 1)
        self.check(holes == 0, f"sequence numbers of the delivered records run without a hole ({len(self.eye.rows)} records, {holes} holes)")

    def check_values(self):
        """Each Good intake pressure is one that the simulator's registers held then, within the published kPa."""
        units, truths = {("heron-7", "gauge"): 1, ("heron-8", "gauge"): 2}, {1: [], 2: []}
        with open(self.truth, encoding="utf-8") as file:
            for line in file:
                entry = json.loads(line) if line.endswith("\n") else {}
                if entry.get("line") == "pad-line" and entry.get("refresh", -1) >= 0:
                    truths[entry["unit_id"]].append((entry["time_ms"], entry["points"]["intake_pressure"]["value"]))
        good = wrong = 0
        for (_, well, _, _), row in self.eye.rows.items():
            if (well, row["source"]) not in units:
                continue
            at = row["set"]["points"].index("intake_pressure")
            if row["qualities"][at] != 192:
                continue
            good += 1
            asked_ms = time_ms(row["time"])
            near = [value for t, value in truths[units[(well, row["source"])]] if asked_ms - POLL_MS - 5 <= t <= asked_ms + 1000]
            wrong += not any(value is not None and abs(value - row["values"][at]) <= 0.5001 for value in near)
        self.check(good > 0 and wrong == 0, f"{good} intake pressures marked good, {wrong} of them other than what the simulated registers held")

    def end(self):
        for process in reversed(self.processes):
            self.stop(process)
        shutil.rmtree(self.directory, ignore_errors=True)

    def proved(self):
        failed = self.query("SELECT count(*) FROM scan WHERE outcome NOT IN (1, 2)")[0][0]
        skipped = sum(gap["scans"] for gap in self.last_gaps if gap["kind"] in NEVER_ATTEMPTED)
        say("\nProved, with figures from outside:")
        say(f"  - Due = rows + never attempted, source by source; rows = delivered + pending. {len(self.eye.rows)} records arrived, in order, without a hole.")
        say(f"  - The broker's absence of {BROKER_BACK - BROKER_CUT} s cost nothing but time: {self.eye.late} records waited on disk and came late.")
        say(f"  - The line's silence of {LINE_CUT_FOR} s is counted, not hidden: {failed} polls without an answer are rows like any other,")
        say(f"    and {skipped} due times that were not asked stand in the ledger with their cause.")

    def run(self):
        self.start_all()
        self.story()
        self.stop_daemon_between_polls()
        time.sleep(1.0)
        self.eye.read()
        self.last_gaps = json.loads(self.run_gaps("--json").stdout or "[]")
        self.books()


def time_ms(text):
    whole, fraction = text.rstrip("Z").split(".")
    return calendar.timegm(time.strptime(whole, "%Y-%m-%dT%H:%M:%S")) * 1000 + int(fraction)


def raise_stopped(*_):
    raise Stopped


def main():
    keep = "--keep" in sys.argv[2:]
    signal.signal(signal.SIGTERM, raise_stopped)
    signal.signal(signal.SIGINT, raise_stopped)
    say("Monitoring only. Uphole reads; it is not a protection system: never use its outputs for trips, interlocks or control.")
    say("Every well, unit and value of this demo is invented. It takes a little over two minutes.")
    demo = Demo(sys.argv[1], keep)
    try:
        demo.run()
        if not BROKEN:
            demo.proved()
    except Stopped:
        say("\nStopped before the end; nothing is proved.")
        sys.exit(130)
    except (RuntimeError, OSError, ValueError, sqlite3.Error) as error:
        say(f"\nThe demo can't go on: {error}")
        BROKEN.append("failed")
    finally:
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        demo.end()
        say("Nothing of the demo is left running.")
    if BROKEN:
        say(f"{len(BROKEN)} of the demo's claims do not hold.")
    sys.exit(1 if BROKEN else 0)


main()
