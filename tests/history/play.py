#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""Plays one random history with the real program, a real broker and virtual surface units, and judges it from outside (judge.py).

    play.py SEED [--steps N] [--only STEP,STEP...] [--keep DIRECTORY] [--binary FILE]

The seed draws what happens and in which order; the machine's clock decides the rest, so a seed repeats the story and not each millisecond.
All processes are children, stopped by their pid; ports are free ones; all files lie in one fresh directory.
"""
import argparse
import ctypes
import json
import os
import pathlib
import random
import re
import shutil
import signal
import socket
import sqlite3
import struct
import subprocess
import sys
import tempfile
import time
from datetime import datetime, timezone

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "walk"))
import invented
import judge  # noqa: E402
from ports import free_port  # noqa: E402

SOURCE = pathlib.Path(__file__).resolve().parents[2]
BINARY = pathlib.Path(os.environ.get("UPHOLE_BINARY", SOURCE / "build/release/daemon/uphole/uphole"))
WELLS = ("heron-7", "heron-8")
TWENTY_YEARS_US = 20 * 365 * 86400 * 1000000
ASIDE = (9, 10, 11)  # kinds of the ledger: removed, damaged, refused
BASE_US = 10 * 86400 * 1000000  # a clock that is set is ahead: one that goes back some hours is still behind the build's date
OPEN = "topic readwrite uphole/#\n"
ONE_WELL = "topic read uphole/#\ntopic write uphole/heron-ridge/heron-7/#\ntopic write uphole/heron-ridge/box/#\n"


def boot_ms():
    return int(time.clock_gettime(time.CLOCK_BOOTTIME) * 1000)


def utc_minus_boot_s():
    """Both clocks at one instant: the closest of several looks, since a loaded machine may stop the player between the two."""
    looks = []
    for _ in range(50):
        before = time.clock_gettime(time.CLOCK_BOOTTIME)
        utc = time.time()
        after = time.clock_gettime(time.CLOCK_BOOTTIME)
        looks.append((after - before, utc - (before + after) / 2))
        if after - before < 0.0005:
            break
    return min(looks)[1]


def die_with_the_player():
    """In a child: where the player is killed, nothing of it stays."""
    ctypes.CDLL(None).prctl(1, signal.SIGKILL)  # PR_SET_PDEATHSIG


def as_time(seconds):
    return datetime.fromtimestamp(seconds, timezone.utc).isoformat(timespec="milliseconds").replace("+00:00", "Z")


class Story(Exception):
    """Something in the play itself went wrong."""


class Box:
    """One box: a journal, a configuration, a clock of its own."""

    def __init__(self, play, name, journal=None):
        self.play, self.name, self.process, self.began, self.generation = play, name, None, 0, 0
        self.journal = journal or play.directory / ("journal" if name == "first" else f"journal-of-{name}")
        self.config = play.directory / f"{name}.yaml"
        self.clock, self.boot = play.directory / f"{name}.clock", play.directory / f"{name}.boot"
        self.offset_us = self.synchronised = None
        self.binary = BINARY
        self.new_boot()
        self.empty_journal()

    def empty_journal(self):
        shutil.rmtree(self.journal, ignore_errors=True)
        self.journal.mkdir(mode=0o750)
        self.play.told("empty_journal", box=self.name)

    def new_boot(self):
        self.log_at_boot = len(self.play.log(f"daemon-{self.name}"))
        draw = self.play.chance.getrandbits
        self.boot.write_text(f"{draw(32):08x}-{draw(16):04x}-{draw(16):04x}-{draw(16):04x}-{draw(48):012x}\n")

    def set_clock(self, offset_us, synchronised=1):
        before = boot_ms()
        if not self.clock.exists():
            self.clock.write_bytes(struct.pack("qqq", offset_us, synchronised, 0))
        with open(self.clock, "r+b", buffering=0) as file:
            file.write(struct.pack("qqq", offset_us, synchronised, 0))
        difference = int(utc_minus_boot_s() * 1000 + offset_us / 1000)
        self.offset_us, self.synchronised = offset_us, synchronised
        self.play.told("clock", box=self.name, boot_ms=before, utc_minus_boot_ms=difference, slack_ms=boot_ms() - before + 5)

    def write_config(self):
        self.config.write_text(self.play.version.text(dict(self.play.places, journal=self.journal)))

    def start(self, wait=True, **environment):
        self.write_config()
        preload = [str(self.play.box_clock)] + ([str(self.play.disk_shim)] if environment else [])
        self.began = boot_ms()
        self.process = self.play.spawn(f"daemon-{self.name}", self.binary, "run", "--config", self.config,
                                       env=dict(os.environ, LD_PRELOAD=":".join(preload), BOX_CLOCK=str(self.clock), BOX_BOOT=str(self.boot),
                                                ASAN_OPTIONS="verify_asan_link_order=0:detect_leaks=0", **environment))
        self.generation += 1
        if wait:
            self.play.wait_for("the daemon", 60, self.status)

    def status(self):
        """What the daemon says of itself; notes its run. None while it doesn't answer."""
        out = self.ask("status", "--json")
        if out.returncode != 0:
            if self.process.poll() is not None:
                raise Story(f"the daemon ended with {self.process.returncode}: {self.play.log(f'daemon-{self.name}')[-800:]}")
            return None
        said = json.loads(out.stdout)
        note = ("run", said["run"], self.generation)
        if note not in self.play.noted:
            self.play.noted.add(note)
            self.play.told("run", run=said["run"], box=self.name, process=f"{self.name}-{self.generation}")
        return said

    def ask(self, *words, binary=None):
        return subprocess.run([str(binary or self.binary), *[str(w) for w in words], "--journal", str(self.journal)], capture_output=True, text=True, timeout=60)

    def ended(self):
        """The process is gone: its life is told, and which plans its journal knows."""
        self.play.told("life", box=self.name, began_boot_ms=self.began, ended_boot_ms=boot_ms())
        self.process = None
        self.learn_plans()

    def learn_plans(self):
        try:
            database = sqlite3.connect(f"file:{self.journal}/journal.sqlite?mode=ro", uri=True, timeout=5)
            rows = database.execute("SELECT digest, text FROM plan").fetchall()
            database.close()
        except sqlite3.Error:
            return
        for digest, text in rows:
            text = text.decode() if isinstance(text, bytes) else text
            for version in self.play.versions:
                if f"label: {version.label}\n" in text or f'label: "{version.label}"\n' in text or f"label: '{version.label}'\n" in text:
                    self.play.plans[digest[:8]] = version.as_json()

    def kill(self):
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.ended()

    def stop(self):
        if self.process is not None:
            self.process.terminate()
            try:
                self.process.wait(60)
            except subprocess.TimeoutExpired:
                raise Story("the daemon did not stop within 60 s") from None
            self.ended()

    def audit(self):
        out = self.ask("audit", "--json", binary=BINARY)
        text = self.ask("audit", binary=BINARY).stdout if out.returncode else ""
        figures = json.loads(out.stdout) if out.stdout.startswith("{") else None
        self.play.write("audit.ndjson", dict(journal=self.name, code=out.returncode, said=text + out.stderr, figures=figures))

    def scada_side(self):
        children = pathlib.Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children").read_text().split()
        return int(children[0]) if children else None


class Play:
    def __init__(self, seed, directory, helpers):
        self.seed, self.directory, self.chance = seed, pathlib.Path(directory), random.Random(seed)
        self.box_clock, self.disk_shim = helpers
        self.noted, self.plans, self.versions, self.processes, self.subscribers = set(), {}, [], [], 0
        self.places = dict(pty=self.directory / "pad", drive_port=free_port(), far_port=free_port(), broker_port=free_port())
        self.new_version()
        self.broker = self.upgraded = None
        self.never_set = False

    # ---- what all need ----

    def write(self, name, thing):
        with open(self.directory / name, "a", encoding="utf-8") as file:
            file.write(json.dumps(thing) + "\n")

    def told(self, what, **more):
        self.write("story.ndjson", dict(what=what, at=time.time(), now_boot_ms=boot_ms(), **more))

    def spawn(self, name, *command, output=None, **more):
        log = open(output or self.directory / f"{name}.log", "ab")
        process = subprocess.Popen([str(c) for c in command], stdout=log, stderr=subprocess.STDOUT if output is None else subprocess.DEVNULL,
                                   stdin=subprocess.DEVNULL, preexec_fn=die_with_the_player, **more)
        log.close()
        self.processes.append(process)
        return process

    def log(self, name):
        path = self.directory / f"{name}.log"
        return path.read_text(errors="replace") if path.exists() else ""

    def wait_for(self, what, seconds, condition, step=0.05):
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            value = condition()
            if value:
                return value
            time.sleep(step)
        raise Story(f"waited {seconds} s for {what}")

    def breathe(self, low=0.3, high=1.1):
        time.sleep(self.chance.uniform(low, high))

    # ---- the broker and its subscriber ----

    def rights(self, text):
        (self.directory / "rights").write_text(text)
        (self.directory / "rights").chmod(0o644)
        if self.broker is not None:
            self.broker.send_signal(signal.SIGHUP)

    def start_broker(self):
        if self.broker is not None:
            return
        conf = self.directory / "broker.conf"
        as_root = "user root\n" if os.geteuid() == 0 else ""  # else it becomes a user who may not read a directory of ours
        conf.write_text(f"listener {self.places['broker_port']} 127.0.0.1\n{as_root}allow_anonymous true\nacl_file {self.directory}/rights\n"
                        "max_queued_messages 0\n")
        self.broker = self.spawn("broker", shutil.which("mosquitto") or "/usr/sbin/mosquitto", "-c", conf)

        def listens():
            with socket.socket() as probe:
                return probe.connect_ex(("127.0.0.1", self.places["broker_port"])) == 0
        self.wait_for("the broker", 60, listens)
        self.subscribe()

    def subscribe(self):
        """QoS 0: what the broker has taken it hands on at once, before it acknowledges. What comes while nobody listens it does not take (0x10). Those
        before come back to the broker by themselves and stay to the end: one that is told to leave throws away what it was just handed, which the
        broker has acknowledged (seen: two rows in ten outages). What several of them got the judge counts once."""
        self.subscribers += 1
        self.spawn("subscriber", "mosquitto_sub", "-p", str(self.places["broker_port"]), "-q", "0", "-t", "uphole/#", "-F", "%U %r %t %p",
                   output=self.directory / f"subscriber-{self.subscribers}.log")

    def heard_all(self):
        """What the broker acknowledged may still be on its way to a subscriber that this machine puts off: a word behind it is in print with each."""
        logs = [self.directory / f"subscriber-{n}.log" for n in range(1, self.subscribers + 1)]
        word = f" uphole/end {self.seed}\n"

        def is_printed():
            subprocess.run(["mosquitto_pub", "-p", str(self.places["broker_port"]), "-q", "0", "-t", "uphole/end", "-m", str(self.seed)], check=False,
                           capture_output=True, timeout=60)
            return all(word in log.read_text(errors="replace") for log in logs)
        self.wait_for("the subscribers to print all that the broker took", 60, is_printed, step=0.3)

    def end(self, process, how=signal.SIGTERM):
        if process is not None and process.poll() is None:
            process.send_signal(how)
            process.wait(60)

    def stop_broker(self, how=signal.SIGTERM):
        self.end(self.broker, how)
        self.broker = None
        time.sleep(0.05)

    # ---- configurations ----

    def new_version(self):
        chance, n = self.chance, len(self.versions) + 1
        pressure = chance.choice([("0.001", "MPa"), ("0.001", "MPa"), ("0.01", "bar")])
        self.version = invented.Version(label=f"Heron 7 as of change {n}", leakage_scale=chance.choice(["0.01", "0.1"]), pressure=pressure,
                                        latest=chance.choice(["60 s", "30 s"]))
        self.versions.append(self.version)

    # ---- steps: what may happen ----

    def step_kill(self):
        self.box.kill()
        self.breathe(0, 0.5)
        self.box.start()

    def step_kill_scada_side(self):
        side = self.box.scada_side()
        if side:
            os.kill(side, signal.SIGKILL)

    def step_stop(self):
        self.box.stop()
        self.breathe(0, 0.5)
        self.box.start()

    def step_power_cut(self):
        """At a sync: unsynced writes are lost in any order, whole or torn; then another boot."""
        self.box.kill()
        self.box.start(wait=False, SHIM_CUT_AT=str(self.chance.randrange(2, 14)), SHIM_SEED=str(self.chance.getrandbits(30)))
        end = time.monotonic() + 5
        while time.monotonic() < end and self.box.process.poll() is None:
            if self.box.process.poll() is None:
                try:
                    self.box.status()
                except Story:
                    break
            time.sleep(0.05)
        self.box.kill()
        self.box.new_boot()
        self.box.start()

    def step_broker_away(self):
        self.stop_broker(self.chance.choice([signal.SIGTERM, signal.SIGKILL]))
        if self.chance.random() < 0.5:
            self.breathe(0.5, 1.5)
            self.start_broker()  # else the next step goes on without it

    def step_upgrade(self):
        """Another version takes over in a backlog."""
        self.stop_broker()
        self.breathe()
        if self.chance.random() < 0.5:
            self.box.stop()
        else:
            self.box.kill()
        self.box.binary = self.other_build() if self.box.binary == BINARY else BINARY
        self.box.start()
        self.start_broker()

    def other_build(self):
        """The same source with another version's name."""
        if self.upgraded is None:
            self.upgraded = self.directory / "uphole-next"
            version = subprocess.run([str(BINARY), "--version"], capture_output=True, text=True, check=True).stdout.split()[1].encode()
            other = version[:-1] + (b"7" if version[-1:] != b"7" else b"8")
            self.upgraded.write_bytes(BINARY.read_bytes().replace(version, other))
            self.upgraded.chmod(0o755)
        return self.upgraded

    def step_reload(self):
        self.new_version()
        self.box.write_config()
        out = self.box.ask("reload")
        if out.returncode not in (0, 74, 75):  # 74, 75: while the disk refuses; the next start takes it
            raise Story(f"reload ended with {out.returncode}: {out.stderr}")

    def step_recalculate(self):
        """A corrected configuration, and the last seconds of one well measured by it."""
        if not self.box.synchronised:
            return
        to = time.time() + self.box.offset_us / 1e6
        self.step_reload()
        self.box.ask("recalculate", self.chance.choice(WELLS), "--from", as_time(to - self.chance.uniform(1, 12)), "--to", as_time(to), "--reason",
                     "another configuration", "--by", "operations engineer")

    def step_clock(self):
        self.box.set_clock(BASE_US + self.chance.choice([-1, 1]) * self.chance.randrange(2, 7200) * 1000000)

    def step_ages(self):
        """By the clock more than an hour passes while the box stands still: older rows that all have taken may go."""
        if self.box.synchronised:
            self.box.stop()
            self.box.set_clock(self.box.offset_us + self.chance.randrange(62, 130) * 60000000)
            self.box.start()

    def step_resend(self):
        newest = {w["well"]: w["newest_seq"] for w in (self.box.status() or {"wells": []})["wells"]}
        well = self.chance.choice(WELLS)
        if newest.get(well, 0) < 5:
            return
        first = self.chance.randrange(1, newest[well] - 2)
        self.box.ask("resend", "plant-broker", well, f"{first}..{min(first + 30, newest[well])}", "--by", "integrator")

    def step_refused_well(self):
        self.told("refused_well")
        self.rights(ONE_WELL)
        self.breathe(1.0, 2.0)
        self.rights(OPEN)

    def step_foreign_reader(self):
        database = sqlite3.connect(f"{self.box.journal}/journal.sqlite", timeout=5)
        database.execute("BEGIN")
        database.execute("SELECT count(*) FROM sqlite_master").fetchone()
        self.breathe(0.8, 1.6)
        database.close()

    def step_image(self):
        """The journal is set back to a copy; what lies between is lost with the disk."""
        self.box.stop()
        image = self.directory / "image"
        shutil.rmtree(image, ignore_errors=True)
        shutil.copytree(self.box.journal, image)
        copied = time.time()
        self.box.start()
        self.breathe(0.5, 1.0)
        if self.chance.random() < 0.5:
            self.step_recalculate()  # its revisions are lost with the disk, and were published
        self.breathe(0.5, 1.0)
        if self.chance.random() < 0.5:
            self.box.stop()
            self.box.audit()
        else:
            self.box.kill()
        shutil.rmtree(self.box.journal)
        shutil.copytree(image, self.box.journal)
        self.told("set_back", copied=copied)
        self.box.start()

    def step_lost_database(self):
        self.box.kill()
        self.box.empty_journal()
        self.box.start()

    def step_two_boxes(self):
        other = Box(self, f"other-{len(self.noted)}")
        other.set_clock(BASE_US)
        other.start()
        self.breathe(1.0, 2.0)
        if self.chance.random() < 0.5:
            other.kill()
        else:
            other.stop()
        other.audit()

    def step_disk_full(self):
        self.box.stop()
        self.box.start(SHIM_FULL_FROM=str(self.chance.randrange(40, 90)), SHIM_FULL_FOR=str(self.chance.randrange(1, 12)))
        self.breathe(2.0, 3.0)

    # ---- the whole ----

    def faults(self):
        """Faults of lines and units, by the same seed."""
        lines, chance = [], self.chance
        for line in ("pad-line", "skid-line", "far-line"):
            if chance.random() < 0.5:
                lines.append(f"every {chance.randrange(4000, 9000)} ms for {chance.randrange(300, 900)} ms line {line} silence")
            if chance.random() < 0.3:
                lines.append(f"random 1 % line {line} bad_checksum")
        if chance.random() < 0.4:
            lines.append(f"at {chance.randrange(2000, 6000)} ms for {chance.randrange(600, 1500)} ms line pad-line gauge_lost")
        if chance.random() < 0.3:
            lines.append(f"every 5 s for 600 ms line far-line gauge_lost")
        path = self.directory / "faults"
        path.write_text("".join(text + "\n" for text in lines))
        return path

    def begin(self):
        self.rights(OPEN)
        self.box = Box(self, "first")
        self.box.write_config()
        self.never_set = self.seed % 7 == 3
        if self.never_set:
            self.box.set_clock(-TWENTY_YEARS_US, 0)
        else:
            self.box.set_clock(BASE_US)
        self.start_units()
        self.start_broker()
        self.box.start()
        self.breathe(1.0, 1.6)

    def start_units(self):
        self.simulator = self.spawn("simulator", BINARY, "simulate", "--config", self.box.config, "--refresh", f"{invented.REFRESH_MS} ms", "--seed",
                                    self.seed % 1000 + 1, "--schedule", "brisk", "--truth", self.directory / "truth.ndjson", "--faults", self.faults())
        self.wait_for("the virtual units", 60, lambda: "ready" in self.log("simulator"))

    STEPS = ("kill", "kill_scada_side", "stop", "power_cut", "broker_away", "broker_away", "upgrade", "reload", "recalculate", "recalculate", "clock", "ages", "ages", "resend", "refused_well",
             "foreign_reader", "image", "lost_database", "two_boxes", "disk_full")

    def play(self, steps, only=None):
        self.begin()
        names = [n for n in self.STEPS if not self.never_set or n not in ("lost_database", "image", "clock", "ages")]  # those hide what a set clock corrects
        drawn = list(only or [self.chance.choice(names) for _ in range(steps)])
        for name in drawn:
            self.told("step", name=name)
            without_broker = self.broker is None
            getattr(self, f"step_{name}")()
            if self.box.synchronised == 0 and self.chance.random() < 0.6:
                self.box.set_clock(BASE_US)  # the clock is set at last
            if without_broker:
                self.start_broker()
            self.breathe()
        self.settle()
        return drawn

    def settle(self):
        """All is well again; what waits goes out; an orderly stop."""
        self.told("step", name="settle")
        self.start_broker()
        self.rights(OPEN)
        self.box.set_clock(self.box.offset_us if self.box.synchronised else BASE_US)
        self.box.stop()
        self.box.start()
        begun = time.monotonic()

        def is_delivered():
            said = self.box.status()
            waited = time.monotonic() - begun
            if self.never_set and waited < (11.5 if "The clock of this box is set since" in self.log("daemon-first")[self.box.log_at_boot:] else 20):
                return False  # the order that corrects times waits for 10 s
            return said and said["journal"]["checked"] and not said["journal"]["refuses"] and all(
                d.get("waiting_records", 0) <= 16 and d["order"] is None for w in said["wells"] for d in w["delivery"]) and all(
                w["newest_seq"] > 0 for w in said["wells"])
        self.wait_for("all records to be delivered", 150, is_delivered, step=0.2)
        self.wait_for("rows and ledger of the runs before to be accepted", 150, self.is_accepted, step=0.2)
        self.box.stop()
        self.heard_all()
        self.box.audit()
        self.journaled()
        self.late_equals_live()
        (self.directory / "plans.json").write_text(json.dumps(dict(plans=self.plans, journal=str(self.box.journal / "journal.sqlite"))))

    def is_accepted(self):
        """By the journal's places: what the runs before the newest wrote, and the time between. All rows of a journal are numbered in one order."""
        database = sqlite3.connect(f"file:{self.box.journal}/journal.sqlite?mode=ro", uri=True)
        waits = database.execute(
            "SELECT count(*) FROM well w, (SELECT id, pos FROM run ORDER BY pos DESC LIMIT 1) r WHERE w.id IN (?, ?) AND"
            " (NOT EXISTS (SELECT 1 FROM cursor c WHERE c.well = w.number AND c.destination = 'plant-broker' AND c.stream = 1 AND c.pos > r.pos) OR"
            " (SELECT coalesce(max(g.pos), 0) FROM gap g WHERE g.well IN (0, w.number) AND (g.run <> r.id OR g.kind = 5)) >"
            " (SELECT coalesce(max(c.pos), 0) FROM cursor c WHERE c.well = w.number AND c.destination = 'plant-broker' AND c.stream = 2))", WELLS).fetchone()[0]
        database.close()
        return waits == 0

    def journaled(self):
        """Every row that the last journal holds, and what it says of those that did not come: places, and ledger rows of a destination."""
        for well in WELLS:
            out = self.box.ask("export", well, "--raw", "--ndjson", "--from", "1970-01-01T00:00:00Z", "--to", "2100-01-01T00:00:00Z", binary=BINARY)
            rows = [json.loads(line) for line in out.stdout.splitlines()]
            database = sqlite3.connect(f"file:{self.box.journal}/journal.sqlite?mode=ro", uri=True)
            place = database.execute("SELECT c.seq FROM cursor c JOIN well w ON w.number = c.well WHERE w.id = ? AND c.stream = 1 AND c.destination = "
                                     "'plant-broker'", (well,)).fetchone()
            aside = database.execute("SELECT g.kind, g.before_seq, g.after_seq, g.is_open, g.scans FROM gap g JOIN well w ON w.number = g.well WHERE w.id = ? "
                                     "AND g.kind IN (%s) AND NOT EXISTS (SELECT 1 FROM gap n WHERE n.run = g.run AND n.id = g.id AND n.revision > g.revision)"
                                     % ",".join(str(k) for k in ASIDE), (well,)).fetchall()
            database.close()
            self.write("journaled.ndjson", dict(well=well, code=out.returncode, place=place[0] if place else 0, aside=aside,
                                                rows=[[r["run"], r["seq"]] for r in rows if r["schema"] == "uphole/raw/1"]))

    def late_equals_live(self):
        """What a subscriber held of a stretch that begins anywhere is what `replay` makes of the journal, sealed or not, under whatever plans."""
        database = sqlite3.connect(f"file:{self.box.journal}/journal.sqlite?mode=ro", uri=True)
        runs = {"%016x" % (r[0] % 2**64) for r in database.execute("SELECT id FROM run")}
        tables = {r[0] for r in database.execute("SELECT name FROM sqlite_master")}
        gone = dict(database.execute("SELECT w.id, r.seq FROM removed r JOIN well w ON w.number = r.well")) if "removed" in tables else {}
        database.close()
        self.write("removed.ndjson", gone)
        if any(json.loads(line)["name"] == "clock" for line in (self.directory / "story.ndjson").read_text().splitlines() if '"step"' in line) or self.never_set:
            return  # labels that go back make no stretch of time
        for well in WELLS:
            lines, times = [], set()
            for path in sorted(self.directory.glob("subscriber-*.log"), key=lambda p: int(p.stem.split("-")[1])):
                for line in path.read_text(errors="replace").splitlines(keepends=True):
                    parts = line.split(" ", 3)
                    if len(parts) == 4 and line.endswith("\n") and parts[2].endswith(f"/{well}/record"):
                        message = json.loads(parts[3])
                        if message["run"] in runs and message["rows"][0]["revision"] == 0 and message["rows"][0]["seq"] > gone.get(well, 0):
                            lines.append(f"{parts[2]} {parts[3]}")
                            times.update(row["time"] for row in message["rows"])
            times = sorted(times)
            if len(times) < 6:
                continue
            first = self.chance.randrange(len(times) - 4)
            last = self.chance.randrange(first + 2, len(times))
            captured = self.directory / f"captured-{well}"
            captured.write_text("".join(lines))
            out = self.box.ask("replay", well, "--from", times[first], "--to", times[last], "--as-first-measured", "--compare", captured, binary=BINARY)
            # What has not come at all (pending at a kill, refused) is judged by the ledger, rule by rule; here it is what came that must be the journal's.
            same = "Different: 0\n" in out.stdout and "There and not in the journal: 0\n" in out.stdout
            self.write("replay.ndjson", dict(well=well, code=0 if same else out.returncode or 1, rows=last - first + 1, said=(out.stdout + out.stderr)[-1500:]))
            # Live messages of one row, byte by byte, as they were captured; a pressure's reference is not claimed for values of another configuration.
            out = self.box.ask("replay", well, "--from", times[first], "--to", times[last], "--as-first-measured", binary=BINARY)
            replayed = {re.sub(r'"references":[^]]*]', "", line) for line in out.stdout.splitlines()}
            for line in lines:
                text = line.split(" ", 1)[1].rstrip("\n")
                message = json.loads(text)
                one = message["sent"] == "live" and len(message["rows"]) == 1 and times[first] <= message["rows"][0]["time"] <= times[last]
                if one and re.sub(r'"references":[^]]*]', "", text) not in replayed:
                    self.write("replay.ndjson", dict(well=well, code=1, rows=1, said=f"captured live, and replayed otherwise: {text[:600]}"))

    def close(self):
        for process in reversed(self.processes):
            if process.poll() is None:
                process.kill()
                process.wait()


def build_helpers(directory):
    """The two preloaded libraries, from the build, or made here."""
    build = BINARY.parents[2]
    made = [build / "tests/history/libbox_clock.so", build / "tests/journal/libpower_cut_shim.so"]
    sources = [SOURCE / "tests/history/box_clock.c", SOURCE / "tests/journal/power_cut_shim.c"]
    for i, path in enumerate(made):
        if not path.exists():
            made[i] = pathlib.Path(directory) / path.name
            subprocess.run(["cc", "-shared", "-fPIC", "-O1", "-D_GNU_SOURCE", "-o", made[i], sources[i], "-ldl"], check=True)
    return made


def one(seed, steps=6, only=None, keep=None):
    """Plays and judges a seed: (what does not hold, figures)."""
    directory = pathlib.Path(keep).resolve() if keep else pathlib.Path(tempfile.mkdtemp(prefix=f"uphole-history-{seed}-"))
    directory.mkdir(exist_ok=True)
    directory.chmod(0o755)  # a broker that root starts reads its rights as another user
    play = Play(seed, directory, build_helpers(directory))
    began = time.monotonic()
    try:
        drawn = play.play(steps, only)
        play.close()
        played = time.monotonic() - began
        wrong, figures = judge.judge(directory)
        figures = f"{figures}; {played:.0f} s + {time.monotonic() - began - played:.1f} s; {' '.join(drawn)}"
    except Story as why:
        wrong, figures = [f"P {why}"], "not played to its end"
    finally:
        play.close()
        if not keep:
            shutil.rmtree(directory, ignore_errors=True)
    return wrong, figures


def main():
    words = argparse.ArgumentParser()
    words.add_argument("seed", type=int)
    words.add_argument("--steps", type=int, default=6)
    words.add_argument("--only", type=lambda text: text.split(","))
    words.add_argument("--keep")
    given = words.parse_args()
    wrong, figures = one(given.seed, given.steps, given.only, given.keep)
    print(f"seed {given.seed}: {figures}")
    for line in wrong[:20]:
        print("  " + line)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
