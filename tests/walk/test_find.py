#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""uphole find and draft-map as a person runs them: on a real pseudo-terminal, through a relay that garbles where the settings differ.

A pseudo-terminal has no speed and no parity, but it remembers those that a program sets: the relay reads them (termios(3)) and garbles every byte
where they aren't the unit's. Its limit: no levels, no broken characters; that needs one test on real converters.
"""
import errno
import fcntl
import json
import os
import pathlib
import pty
import select
import signal
import subprocess
import tempfile
import termios
import threading
import time
import tty

from walk import BINARY, SOURCE, free_port, main, wait_for

SPEEDS = {getattr(termios, "B%d" % baud): baud for baud in (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)}
MAPS = str(SOURCE / "config/maps")


def settings_of(fd):
    """(speed, frame) that the other side set. The kernel takes PARENB off a pseudo-terminal; that parity is to be checked (INPCK), and which, stays."""
    iflag, _, cflag, _, _, speed, _ = termios.tcgetattr(fd)
    parity = "N" if not iflag & termios.INPCK else "O" if cflag & termios.PARODD else "E"
    return SPEEDS.get(speed, 0), "8%s%d" % (parity, 2 if cflag & termios.CSTOPB else 1)


def crc(frame):
    value = 0xFFFF
    for byte in frame:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ 0xA001 if value & 1 else value >> 1
    return frame + bytes((value & 255, value >> 8))


class Cabinet:
    """A unit by the simulator behind a relay with settings; and a second master on the same pair, if wanted."""

    def __init__(self, unit, speed=9600, frame="8N1", master_every=None):
        self.directory = pathlib.Path(tempfile.mkdtemp(prefix="uphole-find-"))
        self.settings = (speed, frame)
        self.port = str(self.directory / "port")
        self.near, slave = pty.openpty()
        self.slave = slave  # held, so that the line outlives who opens it
        tty.setraw(slave)
        os.symlink(os.ttyname(slave), self.port)
        self.sent = 0  # bytes of whoever opens the port
        self.sent_at = []
        self.stopping = False
        self.master_every = master_every
        self.exchanges = []  # of the second master: (when, whole)
        self.simulator = subprocess.Popen([BINARY, "simulate", "--line", self.directory / "unit", "--speed", str(speed), "--frame", frame, "--unit", unit,
                                           "--maps", MAPS, "--refresh", "1 s", "--no-discharge"], stdout=subprocess.DEVNULL)
        wait_for("the simulator", 10, lambda: (self.directory / "unit").exists())
        self.unit = os.open(self.directory / "unit", os.O_RDWR | os.O_NOCTTY)
        tty.setraw(self.unit)
        for fd in (self.near, self.unit):
            fcntl.fcntl(fd, fcntl.F_SETFL, os.O_NONBLOCK)
        self.thread = threading.Thread(target=self.relay)
        self.thread.start()

    def garbled(self, data):
        return data if settings_of(self.near) == self.settings else bytes((b * 7 + 0x5B) & 255 for b in data)

    def relay(self):
        question = crc(bytes((1, 4, 0, 16, 0, 16)))
        asked = due = None
        heard = b""
        if self.master_every:
            due = time.monotonic() + 0.3
        while not self.stopping:
            ready, _, _ = select.select([self.near, self.unit], [], [], 0.005)
            now = time.monotonic()
            for fd in ready:
                try:
                    data = os.read(fd, 512)
                except OSError as error:
                    if error.errno in (errno.EIO, errno.EAGAIN):
                        continue
                    raise
                if fd == self.near:
                    self.sent += len(data)
                    self.sent_at.append(now)
                    os.write(self.unit, self.garbled(data))
                    if asked is not None:
                        heard += b"!"  # somebody spoke in the middle
                else:
                    heard += data
                    self.write_near(self.garbled(data))
            if due is not None and asked is None and now >= due:
                asked, heard = now, b""
                os.write(self.unit, question)
                self.write_near(self.garbled(question))
            if asked is not None and (len(heard) >= 37 or now - asked > (1 if b"!" in heard else 20)):  # on a busy machine the unit answers late
                self.exchanges.append((asked, len(heard) == 37 and crc(heard[:-2]) == heard))
                asked, due = None, due + self.master_every

    def period_s(self):
        """How far apart the second master's questions really were, in the middle."""
        times = [asked for asked, _ in list(self.exchanges)]
        apart = sorted(b - a for a, b in zip(times, times[1:]))
        return apart[len(apart) // 2]

    def write_near(self, data):
        try:
            os.write(self.near, data)
        except BlockingIOError:
            pass  # nobody reads there

    def find(self, *options, command="find"):
        return subprocess.run([BINARY, command, *options, "--maps", MAPS, self.port], capture_output=True, text=True, stdin=subprocess.DEVNULL, timeout=200)

    def close(self):
        self.stopping = True
        self.thread.join()
        self.simulator.terminate()
        self.simulator.wait(60)
        for fd in (self.near, self.slave, self.unit):
            os.close(fd)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()


QUICK = ["--listen", "500 ms", "--watch", "2500 ms", "--watch-every", "500 ms", "--registers", "0..127"]


def json_of(done):
    assert done.stdout.strip(), done.stderr
    return json.loads(done.stdout)


def configuration(stanza, directory):
    """The stanza in a configuration, as a person pastes it."""
    return "site: heron-ridge\nbox: heron-edge-1\n" + stanza + "journal: {path: %s/journal}\n" % directory


def checked(stanza, directory):
    path = directory / "pasted.yaml"
    path.write_text(configuration(stanza, directory))
    done = subprocess.run([BINARY, "check", path, "--maps", MAPS], capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    return path


def a_unit_at_other_settings_is_found_and_its_stanza_is_accepted():
    """Planted defects: the port is opened once and settings change on paper only; the stanza lacks its frame."""
    with Cabinet("3:scaled-16", 19200, "8E1") as cabinet:
        before = termios.tcgetattr(cabinet.slave)
        done = cabinet.find("--yes", "--json", "--unit-id", "1..5", *QUICK)
        assert done.returncode == 0, done.stderr
        found = json_of(done)
        assert (found["unit"]["unit_id"], found["unit"]["line"]) == (3, {"speed": 19200, "frame": "8E1"}), found["unit"]
        assert found["unit"]["ranges"] == [{"function": 4, "first": 0, "last": 63}], found["unit"]["ranges"]
        assert found["maps"][0]["map"] == "scaled-16" and found["maps"][0]["percent"] > 80, found["maps"][0]
        assert termios.tcgetattr(cabinet.slave) == before, "the port is not as it was"
        checked(found["stanza"], cabinet.directory)
        text = cabinet.find("--yes", "--speed", "19200", "--frame", "8E1", "--unit-id", "3", *QUICK)
        assert "Found: unit id 3 at 19200 baud 8E1" in text.stdout and "uphole check" in text.stdout, text.stdout
        assert "dangerous voltage" in text.stderr and "Monitoring only" in text.stderr, text.stderr


def another_master_is_never_asked_beside_without_its_persons_consent():
    """Planted defects: --yes is enough (commission-yes-is-enough); listening sends."""
    with Cabinet("1:scaled-16", 9600, "8N1", master_every=0.5) as cabinet:
        for options in (["--yes"], ["--agreed-by", "drive engineer"]):
            done = cabinet.find("--json", "--listen", "6 s", "--watch", "1 s", "--registers", "0..63", *options)
            found = json_of(done)
            assert done.returncode == 0, done.stderr  # found by listening
            assert found["heard"]["master"] and found["unit"]["by_listening"] and found["bytes_sent"] == 0, found
            assert abs(found["heard"]["questions"][0]["period_s"] - cabinet.period_s()) < 0.1, (found["heard"], cabinet.period_s())
            assert "share_line: listen" in found["stanza"], found["stanza"]
        assert cabinet.sent == 0, "%d bytes were sent without consent" % cabinet.sent
        assert cabinet.exchanges and all(whole for _, whole in cabinet.exchanges), cabinet.exchanges
        path = checked(found["stanza"].replace("poll_every: 10 s", "poll_every: 2 s"), cabinet.directory)
        n = len(cabinet.exchanges)
        (cabinet.directory / "journal").mkdir(mode=0o750)
        daemon = subprocess.Popen([BINARY, "run", "--config", path, "--maps", MAPS], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        try:
            wait_for("readings that were heard", 20, lambda: '"value"' in subprocess.run(
                [BINARY, "read", "my-well", "--json", "--config", path, "--maps", MAPS], capture_output=True, text=True).stdout)
            wait_for("more exchanges", 20, lambda: len(cabinet.exchanges) >= n + 4)
            refused = cabinet.find("--yes", "--config", str(path))
            assert refused.returncode == 75 and "uphole hold pad-line --for 10min" in refused.stderr, refused.stderr
            order = [BINARY, "hold", "pad-line", "--for", "1min", "--config", path, "--maps", MAPS]
            held = subprocess.run(order, capture_output=True, text=True, timeout=60)
            assert held.returncode == 0, held.stderr
            free = cabinet.find("--listen-only", "--json", "--listen", "3 s", "--config", str(path))
            assert free.returncode == 0 and json_of(free)["heard"]["master"], free.stderr
        finally:
            daemon.send_signal(signal.SIGTERM)
            daemon.wait(60)
        assert cabinet.sent == 0, "%d bytes were sent while only listened to" % cabinet.sent
        later = cabinet.exchanges[n:]
        assert len(later) >= 3 and all(whole for _, whole in later), later
        print("  %d exchanges of the second master, all whole; 0 bytes sent" % len(cabinet.exchanges))


def with_agreement_it_asks_between_the_exchanges():
    """Planted defect: the role is not written down."""
    with Cabinet("1:scaled-16", 9600, "8N1", master_every=1.0) as cabinet:
        done = cabinet.find("--yes", "--agreed-by", "drive engineer", "--json", "--listen", "6 s", "--watch", "0 s", "--registers", "0..63", "--speed", "9600", "--frame", "8N1")
        found = json_of(done)
        assert done.returncode == 0 and found["agreed_by"] == "drive engineer" and not found["unit"]["by_listening"], done.stderr
        assert found["bytes_sent"] == cabinet.sent > 0, (found["bytes_sent"], cabinet.sent)
        spoiled = sum(not whole for _, whole in cabinet.exchanges)
        print("  asked beside %d exchanges of the second master, %d spoiled" % (len(cabinet.exchanges), spoiled))  # test_find asserts it, in virtual time


def at_a_keyboard_it_says_whose_consent_and_why_before_it_asks():
    """Planted defect: any answer is a yes."""
    for typed, code in (("no", 77), ("yes", 0)):
        with Cabinet("1:scaled-16", 9600, "8N1") as cabinet:
            keyboard, screen = pty.openpty()
            run = subprocess.Popen([BINARY, "find", "--listen", "300 ms", "--watch", "0 s", "--registers", "0..63", "--speed", "9600", "--frame", "8N1", "--maps", MAPS, cabinet.port],
                                   stdin=screen, stderr=screen, stdout=subprocess.PIPE, text=True)
            os.close(screen)
            said = ""
            while "Type yes to ask: " not in said:
                said += os.read(keyboard, 4096).decode()
            assert "Reading can disturb" in said and "whoever is responsible for the drive" in said and cabinet.sent == 0, said
            os.write(keyboard, typed.encode() + b"\n")
            drain = threading.Thread(target=drained, args=(keyboard,))
            drain.start()
            out, _ = run.communicate(timeout=60)
            drain.join()
            os.close(keyboard)
            assert run.returncode == code and (cabinet.sent > 0) == (typed == "yes"), (typed, run.returncode, cabinet.sent, out)


def drained(fd):
    """Reads a terminal until its other side is closed."""
    try:
        while os.read(fd, 4096):
            pass
    except OSError:
        pass


def a_stop_leaves_the_port_as_it_was():
    """Planted defect: the handler ends the program at once."""
    with Cabinet("200:scaled-16", 1200, "8O1") as cabinet:
        before = termios.tcgetattr(cabinet.slave)
        run = subprocess.Popen([BINARY, "find", "--yes", "--json", "--listen", "200 ms", "--maps", MAPS, cabinet.port],
                               stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        wait_for("the first questions", 20, lambda: cabinet.sent > 50)
        assert termios.tcgetattr(cabinet.slave) != before, "the program set nothing, so that nothing is shown"
        run.send_signal(signal.SIGINT)
        out, _ = run.communicate(timeout=60)
        found = json.loads(out)
        assert run.returncode == 1 and found["stopped"], found
        assert termios.tcgetattr(cabinet.slave) == before, "the port is not as it was"


def a_draft_is_written_and_nothing_is_replaced():
    """Planted defect: a file that exists is written over."""
    with Cabinet("1:float-low-first", 9600, "8N1") as cabinet:
        into = cabinet.directory / "my-unit.yaml"
        options = ["--yes", "--speed", "9600", "--frame", "8N1", "--unit-id", "1", *QUICK, "--registers", "96..199", "--into", str(into)]
        done = cabinet.find(*options, command="draft-map")
        assert done.returncode == 0, done.stdout + done.stderr
        draft = into.read_text()
        assert "type: f32, words: low-first, unit: FILL" in draft and "refresh: FILL" in draft, draft
        again = cabinet.find(*options, command="draft-map")
        assert again.returncode == 73 and into.read_text() == draft, again.stderr
        ids = iter(["intake_temperature", "motor_oil_temperature", "gauge_temperature", "vibration_x"])
        filled = []
        for line in draft.replace("refresh: FILL", "refresh: 28 s").split("\n"):
            if "FILL-point" in line:
                name = next(ids, None)
                if name is None or "f32" not in line:
                    continue
                line = line.replace("FILL-point", name).replace("unit: FILL", "unit: g" if name.startswith("vib") else "unit: degF")
            filled.append(line)
        into.write_text("\n".join(filled))
        check = subprocess.run([BINARY, "check", "--map", into], capture_output=True, text=True)
        assert check.returncode == 0, check.stdout + check.stderr + into.read_text()


def hosts_are_only_those_named():
    """Modbus TCP: a unit behind a host and port that the user names."""
    port = free_port()
    simulator = subprocess.Popen([BINARY, "simulate", "--line", "127.0.0.1:%d" % port, "--unit", "9:drive-a", "--maps", MAPS, "--refresh", "1 s"],
                                 stdout=subprocess.PIPE, text=True)
    try:
        for line in simulator.stdout:
            if line.strip() == "ready":
                break
        base = [BINARY, "find", "--maps", MAPS, "--watch", "3 s", "--watch-every", "1 s", "--registers", "0..127", "--listen", "300 ms"]
        done = subprocess.run(base + ["--yes", "--json", "127.0.0.1:%d" % port], capture_output=True, text=True, timeout=100)
        found = json_of(done)
        assert found["unit"]["line"] == {"framing": "tcp"} and found["maps"][0]["map"] == "drive-a", found
        unasked = subprocess.run(base + ["127.0.0.1:%d" % port], capture_output=True, text=True, stdin=subprocess.DEVNULL, timeout=100)
        assert unasked.returncode == 77 and "nobody at the keyboard" in unasked.stderr, unasked.stderr
    finally:
        simulator.terminate()
        simulator.wait(60)
    gone = subprocess.run(base + ["--yes", "127.0.0.1:%d" % port], capture_output=True, text=True, timeout=100)
    assert gone.returncode != 0 and "does not take a connection" in gone.stderr, gone.stderr


if __name__ == "__main__":
    main(a_unit_at_other_settings_is_found_and_its_stanza_is_accepted, another_master_is_never_asked_beside_without_its_persons_consent,
         with_agreement_it_asks_between_the_exchanges, at_a_keyboard_it_says_whose_consent_and_why_before_it_asks, a_stop_leaves_the_port_as_it_was, a_draft_is_written_and_nothing_is_replaced, hosts_are_only_those_named)
