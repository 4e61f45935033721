#!/usr/bin/env python3
"""Records the traces of this directory anew: the real daemon, the simulator on real ptys and TCP ports, and faults.

    UPHOLE_BINARY=build/release/daemon/uphole/uphole tests/golden/record.py [NAME...]
    UPHOLE_GOLDEN_WRITE=1 build/release/tests/golden/test_golden      # then read the diff

A recording differs from the one before in its times and, where chance acts, in its bytes; so record anew only where the old one can no longer
be played. NAME.yaml is the configuration that the replay reads; here its device, ports and journal are replaced by fresh ones.
A pump between simulator and daemon does what the simulator can't: echo, frames of others. Everything runs on loopback; only processes that were
started here are stopped, by their pid.
"""
import os
import pathlib
import pty
import re
import select
import socket
import subprocess
import sys
import tempfile
import threading
import time
import tty

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "walk"))
from ports import free_port  # noqa: E402

SOURCE = HERE.parents[1]
BINARY = os.environ.get("UPHOLE_BINARY", str(SOURCE / "build/release/daemon/uphole/uphole"))

# name: (seconds, faults of the simulator, kind of the line, arguments)
CASES = {
    "healthy": dict(seconds=13),
    "not-fitted": dict(seconds=11, simulate_fitted_no=True),
    "gauge-restart": dict(seconds=46, faults="at 6 s for 3 s unit 1 power_cycle\n"),
    "late-answer": dict(seconds=16, faults="at 4 s unit 1 late 900 ms\nat 9 s unit 1 late 1300 ms\n"),
    "noise": dict(seconds=24, faults="random 25 % stray 1..6 bytes\nat 5 s for 3 s bad_checksum\nat 13 s for 1 s truncated 3 bytes\n"
                                     "at 17 s for 1 s foreign_unit 9\n"),
    "second-master": dict(seconds=22, faults="at 7 s for 4 s line pad-line second_master every 500 ms\n"),
    "exception-split": dict(seconds=13, faults="register 23..23 exception 0x02\nat 8 s for 500 ms exception 0x06\n"),
    "echo": dict(seconds=11, pump="echo"),
    "echo-stripped": dict(seconds=11, pump="echo"),
    "tcp": dict(seconds=24, line="skid-line", faults="at 5 s for 1 s silence\nat 11 s for 3 s line skid-line converter_gone\n"
                                                    "at 19 s for 1 s exception 0x0B\n"),
    "rtu-over-tcp": dict(seconds=16, pump="server", faults="at 6 s for 1 s silence\n"),
    "float-low-first": dict(seconds=13),
    "listening": dict(seconds=20, pump="plain", master_every_s=1.25),
    "port-gone": dict(seconds=22, faults="at 6 s for 6 s line pad-line converter_gone\n"),
}


def wait_for(what, seconds, condition):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if condition():
            return
        time.sleep(0.02)
    raise SystemExit(f"waited {seconds} s for {what}")


def listens(path):
    """The name is there a moment before anybody listens."""
    with socket.socket(socket.AF_UNIX) as probe:
        return probe.connect_ex(str(path)) == 0


def open_raw(path):
    fd = os.open(path, os.O_RDWR | os.O_NOCTTY)
    tty.setraw(fd)
    return fd


class Pump(threading.Thread):
    """Bytes both ways between the simulator's pty and the daemon's end, noted; with echo, what the daemon sends comes back to it first."""

    def __init__(self, unit_fd, master_fd, echo=False, listener=None):
        super().__init__(daemon=True)
        self.unit, self.master, self.echo, self.listener = unit_fd, master_fd, echo, listener
        self.from_unit, self.from_master = bytearray(), bytearray()
        self.start()

    def run(self):
        connection = None
        while True:
            far = connection.fileno() if connection else self.master
            ready = [fd for fd in (self.unit, far, None if connection else self.listener) if fd is not None]
            for fd in select.select(ready, [], [])[0]:
                if fd is self.listener:
                    connection = self.listener.accept()[0]
                    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                    continue
                try:
                    data = os.read(fd, 512)
                except OSError:
                    data = b""
                if not data and connection and fd == far:
                    connection.close()
                    connection = None
                elif not data:
                    return  # an end is gone
                elif fd == self.unit and far is not None:
                    self.from_unit += data
                    os.write(far, data)
                elif fd == far:
                    self.from_master += data
                    if self.echo:
                        os.write(far, data)
                    os.write(self.unit, data)


# What another master asks of unit 1: input registers 0 to 1, 16 to 46, 0.
ASKED = [bytes.fromhex(frame) for frame in ("0104 0000 0002 71CB", "0104 0010 001F B007", "0104 0000 0001 31CA")]


def ask_as_another_master(pump, every_s):
    """On one pair a listener hears the questions as well as the answers."""
    def run():
        while True:
            time.sleep(every_s)
            for frame in ASKED:
                try:
                    os.write(pump.master, frame)
                    os.write(pump.unit, frame)
                except OSError:
                    return
                time.sleep(0.25)
    threading.Thread(target=run, daemon=True).start()


class Scene:
    """Simulator, pump where there is one, and daemon, in a directory of their own."""

    def __init__(self, name, case, directory):
        self.line = case.get("line", "pad-line")
        self.case, self.directory = case, directory
        self.journal = directory / "journal"
        self.journal.mkdir(mode=0o750)
        self.unit_device, self.master_device = directory / "unit", directory / "master"
        self.pump_kind, self.pump = case.get("pump"), None
        self.device = self.master_device if self.pump_kind else self.unit_device
        self.ports = {old: str(free_port()) for old in ("1502", "5021", "5020")}
        self.maps = ["--maps", str(SOURCE / "config/maps")]
        self.log = open(directory / "log", "w")
        self.simulator = self.daemon = None
        self.write_configurations((HERE / f"{case.get('config', name)}.yaml").read_text())

    def write_configurations(self, config):
        for old, new in self.ports.items():
            config = config.replace(f"127.0.0.1:{old}", f"127.0.0.1:{new}")
        config = re.sub(r"journal: \{path: [^}]*\}", f"journal: {{path: {self.journal}}}", config)
        of_simulator = config.replace("/dev/ttyS7", str(self.unit_device))
        if self.pump_kind == "server":  # the simulator has a pty; a pump plays the serial device server
            of_simulator = re.sub(r"tcp: '127\.0\.0\.1:\d+', framing: rtu", f"serial: {self.unit_device}, frame: 8N1", of_simulator)
        of_simulator = of_simulator.replace("strip_echo: yes, ", "")
        if self.case.get("simulate_fitted_no"):
            of_simulator = of_simulator.replace("refresh: 2 s", "refresh: 2 s, fitted: {discharge_pressure: no}")
        self.config = self.directory / "uphole.yaml"
        self.config.write_text(config.replace("/dev/ttyS7", str(self.device)))
        (self.directory / "simulator.yaml").write_text(of_simulator)
        (self.directory / "faults").write_text(self.case.get("faults", ""))

    def spawn(self, *words):
        return subprocess.Popen([BINARY, *map(str, words), *self.maps], stdout=self.log, stderr=self.log, stdin=subprocess.DEVNULL)

    def start(self):
        self.simulator = self.spawn("simulate", "--config", self.directory / "simulator.yaml", "--seed", "7", "--faults",
                                    self.directory / "faults")
        wait_for("the simulator", 60, lambda: "ready" in (self.directory / "log").read_text())
        if self.pump_kind in ("echo", "plain"):
            master, slave = pty.openpty()
            tty.setraw(slave)
            self.master_device.symlink_to(os.ttyname(slave))
            self.pump = Pump(open_raw(self.unit_device), master, echo=self.pump_kind == "echo")
            if "master_every_s" in self.case:
                ask_as_another_master(self.pump, self.case["master_every_s"])
        elif self.pump_kind == "server":
            listener = socket.socket()
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listener.bind(("127.0.0.1", int(self.ports["5021"])))
            listener.listen(1)
            self.pump = Pump(open_raw(self.unit_device), None, listener=listener)
        self.daemon = self.spawn("run", "--config", self.config)
        wait_for("the daemon", 60, lambda: listens(self.journal / "uphole.socket"))

    def trace(self, *words):
        return subprocess.run([BINARY, "trace", self.line, "--journal", self.journal, *words], capture_output=True, text=True,
                              timeout=self.case["seconds"] + 120)

    def stop(self):
        for process in (self.daemon, self.simulator):
            if process:
                process.terminate()
                process.wait(60)
        self.daemon = self.simulator = None


def record(name, case, directory):
    scene = Scene(name, case, directory)
    try:
        scene.start()
        out = directory / "trace"
        done = scene.trace("--for", f"{case['seconds']}s", "--into", out)
        if done.returncode != 0:
            raise AssertionError(done.stderr)
        text = out.read_text().replace(str(scene.device), "/dev/ttyS7")  # reasons name it
        for old, new in scene.ports.items():
            text = text.replace(new, old)
        (HERE / f"{name}.trace").write_text(text)
        print(f"{name}: {len(text.splitlines())} lines, {text.count(' sent ')} requests", flush=True)
    except Exception as problem:  # the others are recorded all the same
        scene.log.flush()
        print(f"{name}: {problem}\n{(directory / 'log').read_text()[-2000:]}", flush=True)
        return 1
    finally:
        scene.stop()
    return 0


def main():
    names = sys.argv[1:] or list(CASES)
    for name in names:
        if name not in CASES:
            raise SystemExit(f"no recording is called {name}; there are {', '.join(CASES)}")
    bad = 0
    for name in names:
        with tempfile.TemporaryDirectory(prefix="uphole-golden-") as directory:
            bad += record(name, CASES[name], pathlib.Path(directory))
    sys.exit(1 if bad else 0)


if __name__ == "__main__":
    main()
