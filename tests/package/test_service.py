#!/usr/bin/env python3
"""The daemon as a service: what the service manager hears, what the SCADA side may do, how long a stop takes."""
import ctypes
import json
import os
import pathlib
import re
import signal
import socket
import subprocess
import sys
import time

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "walk"))
from walk import SOURCE, Skip, Walk, free_port, main, wait_for  # noqa: E402
from witness import Witness  # noqa: E402

PTRACE_CONT, PTRACE_DETACH, PTRACE_SEIZE, PTRACE_INTERRUPT = 7, 17, 0x4206, 0x4207  # ptrace(2), linux/ptrace.h
WATCHDOG_S = 4  # more than three passes of the slowest line, see watchdog_needs_us


class Manager:
    """A service manager's ears: a datagram socket, every message with its time."""

    def __init__(self, walk, abstract):
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.name = f"@uphole-walk-{os.getpid()}" if abstract else str(walk.directory / "notify.sock")
        self.socket.bind("\0" + self.name[1:] if abstract else self.name)
        self.socket.setblocking(False)
        self.heard = []  # (monotonic time, line)
        self.environment = {"NOTIFY_SOCKET": self.name, "WATCHDOG_USEC": str(WATCHDOG_S * 1000000)}

    def listen(self):
        while True:
            try:
                text = self.socket.recv(4096).decode()
            except BlockingIOError:
                return self.heard
            self.heard += [(time.monotonic(), line) for line in text.split("\n")]

    def count(self, begins, since=0.0):
        return sum(line.startswith(begins) and at >= since for at, line in self.listen())

    def status(self):
        lines = [line for _, line in self.listen() if line.startswith("STATUS=")]
        return lines[-1][7:] if lines else ""

    def listen_for(self, seconds):
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            self.listen()
            time.sleep(0.05)


def threads(pid):
    return sorted(int(t) for t in os.listdir(f"/proc/{pid}/task"))


class Frozen:
    """Stops single threads of a process by ptrace, as no signal can, and lets them go again."""

    def __init__(self, tids):
        self.libc = ctypes.CDLL(None, use_errno=True)
        self.libc.ptrace.argtypes = [ctypes.c_long, ctypes.c_long, ctypes.c_void_p, ctypes.c_void_p]
        self.tids = []
        for tid in tids:
            if self.libc.ptrace(PTRACE_SEIZE, tid, None, None) != 0:
                raise Skip(f"ptrace isn't allowed here ({os.strerror(ctypes.get_errno())})")
            self.tids.append(tid)
            self.libc.ptrace(PTRACE_INTERRUPT, tid, None, None)
            os.waitpid(tid, 0x40000000)  # __WALL

    def thaw(self):
        for tid in self.tids:
            self.libc.ptrace(PTRACE_DETACH, tid, None, None)


def the_service_manager_hears_the_life_of_the_daemon():
    """Planted defects: feeding from a timer without asking; counting the SCADA side; NOTIFY_SOCKET handed on to children."""
    for abstract in (False, True):
        with Walk("notify") as walk:
            manager = Manager(walk, abstract)
            walk.start_broker()
            walk.subscribe()
            walk.start_simulator()
            walk.start_daemon(manager.environment)
            wait_for("READY=1", 10, lambda: manager.count("READY=1"))
            assert (walk.journal / "journal.sqlite").exists(), "ready before the journal was there"
            wait_for("a status with lines", 15, lambda: "2 of 2 lines answer" in manager.status())
            wait_for("few records waiting", 15, lambda: re.search(r"; \d records? waits?\.", manager.status()))
            wait_for("two feeds", WATCHDOG_S * 1.2, lambda: manager.count("WATCHDOG=1") >= 2)
            side = walk.scada_side()
            for pid in (side,):
                environment = pathlib.Path(f"/proc/{pid}/environ").read_bytes()
                assert b"NOTIFY_SOCKET" not in environment and b"WATCHDOG" not in environment, environment
            if abstract:
                walk.stop(walk.daemon)
                continue

            # The SCADA side stands still: the watchdog is fed all the same.
            os.kill(side, signal.SIGSTOP)
            since = time.monotonic()
            wait_for("two feeds beside a frozen SCADA side", WATCHDOG_S * 1.5, lambda: manager.count("WATCHDOG=1", since) >= 2)
            os.kill(side, signal.SIGCONT)

            # A line that is down, and what the status says about it.
            walk.stop(walk.simulator)
            wait_for("a status that names the lines", 30, lambda: "0 of 2 lines answer" in manager.status())
            since = time.monotonic()
            wait_for("a feed with dead lines", WATCHDOG_S, lambda: manager.count("WATCHDOG=1", since) >= 1)
            print(f"  status: {manager.status()}")

            walk.stop(walk.daemon)
            assert walk.daemon.returncode == 0
            assert manager.count("STOPPING=1") == 1


def a_thread_that_stands_still_stops_the_feeding():
    """Planted defects: `watchdog_step` that asks only core; a feed without asking core."""
    with Walk("stuck") as walk:
        manager = Manager(walk, False)
        walk.start_broker()
        walk.start_simulator()
        walk.start_daemon(manager.environment)
        wait_for("a first feed", 10, lambda: manager.count("WATCHDOG=1"))
        pid = walk.daemon.pid
        wait_for("the journal's check to end", 10, lambda: manager.status() and "Nothing is published" not in manager.status())
        for what, tids in (("the other threads, lines among them", [t for t in threads(pid) if t != pid]), ("core", [pid])):
            frozen = Frozen(tids)
            try:
                manager.listen_for(0.2)
                since = time.monotonic()
                manager.listen_for(WATCHDOG_S * 1.5)
                fed = manager.count("WATCHDOG=1", since)
            finally:
                frozen.thaw()
            assert fed <= 1, f"{what} stood still for {WATCHDOG_S * 1.5} s and the watchdog was fed {fed} times"
            since = time.monotonic()
            wait_for("a feed after the standstill", 2 * WATCHDOG_S, lambda: manager.count("WATCHDOG=1", since))
        said = re.search(r"warning uphole: The thread of line (\S+) has not moved for \d+ s\. .*", walk.log("daemon"))
        assert said, walk.log("daemon")
        print(f"  {said.group(0)}")
        walk.stop(walk.daemon)


def certificates(walk):
    """A CA of our own and a certificate for `localhost`, by openssl."""
    def openssl(*arguments):
        done = subprocess.run(["openssl", *arguments], cwd=walk.directory, capture_output=True, text=True)
        assert done.returncode == 0, done.stderr
    key = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    secrets = walk.directory / "secrets"
    secrets.mkdir()
    (walk.directory / "names").write_text("subjectAltName=DNS:localhost\n")
    openssl("req", "-x509", *key, "-keyout", "ca.key", "-out", "secrets/ca.pem", "-days", "2", "-subj", "/CN=heron-ridge test")
    openssl("req", *key, "-keyout", "broker.key", "-out", "broker.csr", "-subj", "/CN=localhost")
    openssl("x509", "-req", "-in", "broker.csr", "-CA", "secrets/ca.pem", "-CAkey", "ca.key", "-CAcreateserial", "-out", "broker.pem", "-days", "2",
            "-extfile", "names")
    (secrets / "broker.pass").write_text("correct horse\n")
    (secrets / "broker.pass").chmod(0o400)
    users = walk.directory / "users"
    subprocess.run(["mosquitto_passwd", "-b", "-c", users, "heron-edge", "correct horse"], check=True, capture_output=True)
    walk.directory.chmod(0o755)  # the broker leaves root behind
    for name in ("broker.key", "broker.pem", "users", "secrets/ca.pem"):
        (walk.directory / name).chmod(0o644)
    return secrets


def the_confined_scada_side_speaks_tls_and_holds_nothing_else():
    """Planted defects: a system call of getaddrinfo, TLS or the threads missing in the list; confine_scada_side not called."""
    with Walk("confined") as walk:
        secrets, port = certificates(walk), free_port()
        text = walk.config.read_text().replace(
            f"mqtt: mqtt://127.0.0.1:{walk.broker_port}\n",
            f"mqtt: mqtts://localhost:{port}\n    user: heron-edge\n    password_file: {secrets}/broker.pass\n    ca_file: {secrets}/ca.pem\n")
        walk.config.write_text(text)
        extra = (f"listener {port} 127.0.0.1\nper_listener_settings true\nallow_anonymous false\npassword_file {walk.directory}/users\n"
                 f"cafile {secrets}/ca.pem\ncertfile {walk.directory}/broker.pem\nkeyfile {walk.directory}/broker.key\n")
        head = "per_listener_settings true\n"
        conf = walk.directory / "broker.conf"

        def start_broker():
            conf.write_text(f"{head}listener {walk.broker_port} 127.0.0.1\nallow_anonymous true\n{extra.replace('per_listener_settings true', '').strip()}\n")
            walk.broker = walk._start("broker", "/usr/sbin/mosquitto", "-c", conf)
            wait_for("the broker", 10, lambda: walk._listening(walk.broker_port))

        start_broker()
        walk.subscribe()
        walk.start_simulator()
        walk.start_daemon()
        wait_for("records over TLS, by name, with a password", 20, lambda: len(walk.records()) >= 6)
        side = walk.scada_side()
        status = dict(line.split(":\t", 1) for line in pathlib.Path(f"/proc/{side}/status").read_text().splitlines() if ":\t" in line)
        if status["Seccomp"] == "0" and "isn't confined in a build with sanitizers" in walk.log("daemon"):
            raise Skip("a build with sanitizers isn't confined")
        assert status["Seccomp"] == "2" and status["NoNewPrivs"] == "1", status
        held = {fd: os.readlink(f"/proc/{side}/fd/{fd}") for fd in os.listdir(f"/proc/{side}/fd")}
        other = {fd: what for fd, what in held.items() if not re.match(r"socket:|anon_inode:|pipe:|/dev/null$", what) and fd not in "012"}
        assert not other, f"the SCADA side holds {other}"

        walk.stop_broker()
        wait_for("the loss to be said", 10, lambda: "broke" in walk.log("daemon") or "nothing listens" in walk.log("daemon"))
        start_broker()
        n = len(walk.records())
        wait_for("records after the broker's return", 30, lambda: len(walk.records()) > n + 4)
        with socket.create_connection(("127.0.0.1", walk.table_port), timeout=10) as table:
            table.sendall(bytes.fromhex("000100000006010300000002"))
            assert table.recv(64)[7] == 3, "the table doesn't answer"
        assert walk.scada_side() == side, "the SCADA side was started again meanwhile"
        walk.stop(walk.daemon)
        assert walk.daemon.returncode == 0
        assert "SCADA side was ended" not in walk.log("daemon"), walk.log("daemon")
        print(f"  {len(walk.records())} records over TLS; descriptors: {len(held)}, seccomp and no new privileges on")


def boxes(walk):
    """(time of arrival as UTC in ms, is it running) of each message about the box."""
    with walk.lock:
        arrived = [(at, payload) for topic, payload, _, at in walk.messages if "/box/" in topic]
    now = time.time() - time.monotonic()
    return [((at + now) * 1000, json.loads(payload)["running"]) for at, payload in arrived]


def a_stop_is_clean_in_order_and_short():
    """Planted defects: the SCADA side killed instead of told; a stop that waits for the whole time-out of each dead line."""
    with Walk("stop", timeout="900 ms") as walk:
        walk.start_broker()
        walk.subscribe()
        walk.start_simulator()
        took = []
        for round_number in range(4):
            walk.start_daemon()
            witness = Witness(walk, walk.daemon)
            before, records = len(boxes(walk)), len(walk.records())
            wait_for("records", 20, lambda: len(walk.records()) > records + 3)
            wait_for("the box to be announced", 10, lambda: any(running for _, running in boxes(walk)[before:]))
            time.sleep(0.13 * round_number)  # at other moments of the polls
            began, began_ms = time.monotonic(), time.clock_gettime(time.CLOCK_BOOTTIME) * 1000
            walk.daemon.send_signal(signal.SIGTERM)
            walk.daemon.wait(60)
            # 1.2 s for lines, 1.5 s for the SCADA side, and the last commit; not what the daemon stood in line for a processor
            took.append(time.monotonic() - began - witness.waited_s(began_ms, began_ms + 60000))
            assert walk.daemon.returncode == 0, walk.daemon.returncode
            assert not walk._listening(walk.table_port), "the table is still served"
            wait_for("the farewell at the broker", 5, lambda: not boxes(walk)[-1][1])
            # Order: the run's end is in the journal before the farewell leaves the box.
            ended = walk.sql("SELECT ended, how FROM run ORDER BY pos DESC LIMIT 1")[0]
            assert ended["how"] == "stopped", ended
            assert ended["ended"] <= boxes(walk)[-1][0] + 1, f"farewell at {boxes(walk)[-1][0]:.0f}, the run ended at {ended['ended']}"
        print(f"  {len(took)} stops took {', '.join(f'{t:.2f}' for t in took)} s")
        assert max(took) < 5, f"a stop took {max(took):.1f} s"
        farewells = len(re.findall(r"Client \S+ disconnected\.", walk.log("broker")))
        assert farewells >= len(took), f"of {len(took)} stops only {farewells} said goodbye to the broker:\n{walk.log('broker')}"
        outcomes = walk.sql("SELECT outcome, count(*) AS n FROM scan GROUP BY outcome")
        assert [row["outcome"] for row in outcomes] == [1], f"an exchange was cut off by a stop: {outcomes}"  # 1: every block holds data

        # A dead line must not make it long.
        walk.stop(walk.simulator)
        walk.start_daemon()
        time.sleep(3)
        witness = Witness(walk, walk.daemon)
        time.sleep(1)
        began, began_ms = time.monotonic(), time.clock_gettime(time.CLOCK_BOOTTIME) * 1000
        walk.stop(walk.daemon, seconds=20)
        dead_s = time.monotonic() - began - witness.waited_s(began_ms, began_ms + 60000)
        print(f"  with dead lines: {dead_s:.2f} s")
        assert dead_s < 5, dead_s


if __name__ == "__main__":
    main(the_service_manager_hears_the_life_of_the_daemon, a_thread_that_stands_still_stops_the_feeding,
         the_confined_scada_side_speaks_tls_and_holds_nothing_else, a_stop_is_clean_in_order_and_short)
