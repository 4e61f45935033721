#!/usr/bin/env python3
"""loop-check as a person uses it: at a real pseudo-terminal, with a real broker, the daemon and a simulated unit.

Planted defects, each seen to be caught by the test named behind it: a value at the table that is not the one that was read (wrong); a read-back that
compares with another scan's record (whole); progress that is written only at the end (interrupted); a reader's session under the daemon's own name
(whole); an outage row that is not looked for on the gap topic (whole).
"""
import glob
import json
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time

import jsonschema

from walk import BINARY, SOURCE, Skip, Walk, main, wait_for

SCHEMA = json.loads((SOURCE / "docs/schemas/loop-check-1.json").read_text())


class Session:
    """A person at a terminal: what is shown is read, what is typed is typed."""

    def __init__(self, walk, *more, record=None):
        self.record = record or walk.directory / "record"
        self.record.mkdir(exist_ok=True)
        command = [str(BINARY), "loop-check", "heron-7", "--record", str(self.record), "--journal", str(walk.journal), *more]
        self.master, slave = pty.openpty()
        self.process = subprocess.Popen(command, stdin=slave, stdout=slave, stderr=slave, start_new_session=True,
                                        preexec_fn=lambda: __import__("fcntl").ioctl(0, termios.TIOCSCTTY, 0))
        os.close(slave)
        self.shown = ""
        self.at = 0

    def _read(self, seconds):
        ready, _, _ = select.select([self.master], [], [], seconds)
        if not ready:
            return False
        try:
            part = os.read(self.master, 65536)
        except OSError:
            return None
        self.shown += part.decode(errors="replace").replace("\r\n", "\n")
        return True if part else None

    def expect(self, *patterns, seconds=40):
        """Waits for the first of these in what was not looked at yet; returns its index and match."""
        end = time.monotonic() + seconds
        while True:
            found = [(m.end(), i, m) for i, p in enumerate(patterns) if (m := re.search(p, self.shown[self.at:], re.S))]
            if found:
                ends, index, match = min(found, key=lambda f: f[0])
                self.at += ends
                return index, match
            if time.monotonic() > end or self._read(0.2) is None:
                raise AssertionError(f"waited for {patterns}; shown since:\n{self.shown[self.at:][-3000:]}")

    def type(self, text):
        os.write(self.master, (text + "\n").encode())

    def ask(self, pattern, text, seconds=40):
        self.expect(pattern, seconds=seconds)
        self.type(text)

    def begin(self, who="Jo Bloggs, technician"):
        self.ask("Type yes: ", "yes")
        if who:
            self.ask("in the record: ", who)

    def interrupt(self):
        os.write(self.master, b"\x03")

    def end(self, seconds=40):
        end = time.monotonic() + seconds
        while self.process.poll() is None and time.monotonic() < end:
            self._read(0.2)
        while self._read(0.2):
            pass
        assert self.process.poll() is not None, f"it did not end:\n{self.shown[-2000:]}"
        return self.process.returncode

    def close(self):
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        os.close(self.master)


def reading(walk, channel):
    out = subprocess.run([str(BINARY), "read", "heron-7", "--json", "--journal", str(walk.journal)], capture_output=True, text=True, timeout=20)
    assert out.returncode == 0, out.stderr
    return next(c for c in json.loads(out.stdout)["channels"] if c["channel"] == channel)


def screen_of(walk, channel):
    """What the screen of the simulated unit shows: the register, scaled as the unit does."""
    at = reading(walk, channel)
    if at["reason"] == "not_fitted":
        return "n"
    units = {"m/s2": "m/s2", "1": "1", "": ""}
    return f"{at['value']:.6g} {units.get(at['unit'], at['unit'])}".strip()


CHANNEL = r"\n  (\d+) of (\d+)  (\w+): [^\n]*\n.*?    Screen: "


def answer_all(walk, session, special=None, until=None):
    """Types what the screen shows at each channel until the outage tests; `special` may type something else. Returns the channels in order."""
    seen = []
    while True:
        index, match = session.expect(CHANNEL, r"Has whoever watches SCADA been told", r"Confirm the unit by this comparison\? yes or no: ", r"Again \(f: it failed")
        if index == 1:
            return seen
        if index == 2:
            session.type("no")
            continue
        assert index == 0, f"a try failed:\n{session.shown[-1500:]}"
        seen.append(match.group(3))
        if until and match.group(3) == until:
            return seen
        if special and special(session, match.group(3)):
            continue
        session.type(screen_of(walk, match.group(3)))


def begin(walk, **more):
    walk.start_broker(**more)
    walk.start_simulator()
    walk.start_daemon()
    wait_for("the local socket", 15, lambda: (walk.journal / "uphole.socket").exists())
    wait_for("rows", 20, lambda: walk.sql("select count(*) as n from scan where well = 1")[0]["n"] > 6)


def record_of(session):
    found = glob.glob(str(session.record / "loop-check-heron-7-*.json"))
    assert len(found) == 1, found
    record = json.loads(open(found[0]).read())
    jsonschema.validate(record, SCHEMA)
    return record, found[0]


def the_whole_loop_is_proved():
    """Every channel, typing errors and all, and the three outages: record and page hold what was seen."""
    with Walk("loop-whole") as walk:
        begin(walk)
        session = Session(walk, "--outage", "5s")
        try:
            session.begin()
            tried = []

            def special(session, channel):
                if channel != "intake_pressure" or tried:
                    return False
                tried.append(channel)
                value = reading(walk, channel)["value"]
                session.type("12341")  # no unit
                session.ask("Screen: ", "twelve kPa")
                session.ask("Screen: ", "?")
                session.ask("Screen: ", f"{value * 1.5:.0f} kPa")  # a slip of the finger
                session.ask("Again .*: ", f"{value / 6.894757293168361:.1f} psi")
                return True

            channels = answer_all(walk, session, special)
            assert "intake_pressure" in channels and "drive_frequency" in channels, channels
            session.type("no")
            session.ask("Type yes, or s REASON", "yes")
            session.ask("Enter to begin", "")
            session.ask("Enter to begin", "", seconds=90)
            session.ask("Enter to begin", "", seconds=90)
            session.expect("sudo systemctl stop")
            walk.stop(walk.daemon)
            time.sleep(3)
            walk.start_daemon()
            assert session.end(90) == 0, session.shown[-3000:]
            record, path = record_of(session)
            show(session, record)
        finally:
            session.close()


def show(session, record):
    print(session.shown)
    print(json.dumps(record["outages"], indent=1))


if __name__ == "__main__":
    main(the_whole_loop_is_proved)
