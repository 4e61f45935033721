#!/usr/bin/env python3
"""The local socket: status and read tell the truth, strangers are refused, and no client can hold up polling or the journal.

Planted defects, each seen to be caught by the test named behind it: words taken one register too far (read); a right to ask for everybody
(strangers); clients that are never let go (clients); a socket that waits for its client (clients); a left-over file that is not removed (files);
a watch that sends every line each second, or keeps the picture when no answer comes (watch).
"""
import datetime
import fcntl
import json
import os
import pathlib
import pty
import re
import select
import signal
import socket
import struct
import subprocess
import termios
import time

from walk import BINARY, SOURCE, Skip, Walk, main, wait_for
from witness import Witness

NOBODY = 65534


def uphole(walk, *words):
    return subprocess.run([str(BINARY), *words, "--journal", str(walk.journal)], capture_output=True, text=True, timeout=60)


def asked(walk, *words):
    out = uphole(walk, *words, "--json")
    assert out.returncode == 0, out.stderr
    return json.loads(out.stdout)


def is_open(walk):
    return uphole(walk, "status").returncode == 0


def begin(walk):
    walk.start_broker()
    walk.start_simulator()
    walk.start_daemon()
    wait_for("the local socket", 10, lambda: is_open(walk))


def connect(walk):
    client = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    client.connect(str(walk.journal / "uphole.socket"))  # waits for its place in the queue
    client.settimeout(60)
    return client


def answer(client):
    whole = b""
    while True:
        try:
            part = client.recv(65536)
        except ConnectionResetError:
            break
        if not part:
            break
        whole += part
    return whole


def truths(walk, line, unit_id):
    found = []
    for text in walk.truth.read_text().splitlines():
        try:
            entry = json.loads(text)
        except ValueError:
            continue  # the last line, half written
        if "points" in entry and (entry["line"], entry["unit_id"]) == (line, unit_id):
            found.append(entry["points"])
    return found


def uncertainties(walk, text):
    """From the maps: +-0.03 MPa in counts of 1 kPa, +-5 psi in a float, an oil temperature without an accuracy (JCGM 100:2008, 4.3.7 and F.2.2.1)."""
    assert "uncertainty" not in text, text
    shown = uphole(walk, "read", "heron-7", "--uncertainty")
    assert shown.returncode == 0 and shown.stdout.count("\n") == text.count("\n"), shown
    assert re.search(r"^intake_pressure .*; standard uncertainty 17 kPa$", shown.stdout, re.M), shown.stdout
    assert re.search(r"^motor_oil_temperature .*; standard uncertainty at least 0.029 K \(resolution alone", shown.stdout, re.M), shown.stdout
    assert not re.search(r"^(gauge_status|pump_head) .*uncertainty", shown.stdout, re.M), shown.stdout
    rows = {c["channel"]: c for c in asked(walk, "read", "heron-7")["channels"]}
    assert abs(rows["intake_pressure"]["standard_uncertainty"] - 17.322913) < 1e-5, rows["intake_pressure"]
    oil = rows["motor_oil_temperature"]
    assert "standard_uncertainty" not in oil and abs(oil["standard_uncertainty_at_least"] - 0.0288675) < 1e-6, oil
    dead = [c for c in rows.values() if c["value"] is None]
    assert not any("standard_uncertainty" in c or "standard_uncertainty_at_least" in c for c in dead), dead
    other = {c["channel"]: c for c in asked(walk, "read", "heron-8")["channels"]}
    assert abs(other["intake_pressure"]["standard_uncertainty"] - 5 * 6.894757293 / 3 ** 0.5) < 1e-5, other["intake_pressure"]


def read_and_status_equal_the_truth():
    """read shows the simulator's own values, with words that decode to them; status counts what the journal holds."""
    with Walk("socket-truth", timeout="2 s") as walk:  # so that a unit of a busy machine isn't silent
        begin(walk)
        wait_for("good values of both gauges", 30, lambda: all(
            any(c["channel"] == "intake_pressure" and c["quality"] == 192 for c in asked(walk, "read", w)["channels"]) for w in ("heron-7", "heron-8")))
        checked = 0
        for well, line, unit_id in (("heron-7", "pad-line", 1), ("heron-8", "pad-line", 2)):
            began = time.monotonic()
            rows = asked(walk, "read", well)["channels"]
            took_s = time.monotonic() - began
            for row in rows:
                if row["source"] != "gauge" or row["quality"] != 192:
                    continue

                def logged():  # the log may be behind what was served
                    return [p[row["channel"]]["value"] for p in truths(walk, line, unit_id) if p.get(row["channel"], {}).get("value") is not None]
                wait_for(f"a value of the simulator's that is that of {well} {row}", 5, lambda: any(abs(v - row["value"]) <= 1e-4 * abs(v) + 0.0501 for v in logged()))
                if well == "heron-8" and len(row["raw"] or []) == 2:  # IEEE 754, low word first
                    low, high = row["raw"]
                    assert struct.unpack(">f", struct.pack(">HH", high, low))[0] == row["decoded"], row
                if well == "heron-7" and len(row["raw"] or []) == 1 and row["channel"] == "intake_pressure":
                    assert row["raw"] == [row["decoded"]] == [row["value"]], row  # u16 in kPa, scale 1
                # Good is what isn't stale: 2 x poll_every + refresh + one round of the line, two units of 2 s and a rest (docs/configuration.md, stale_limit)
                assert row["age_s"] is not None and row["age_s"] <= 2 + 1 + 5 + took_s, row
                checked += 1
        assert checked > 15, checked
        text = uphole(walk, "read", "heron-7").stdout
        assert "intake_pressure" in text and "0x" in text and "Never use them for trips" in text, text
        uncertainties(walk, text)
        newest = "select well, max(seq) as seq from scan group by well order by well"
        answers = "select count(*) as n from scan where well=1 and source=1 and outcome=1"
        before, answered_before = walk.sql(newest), walk.sql(answers)[0]["n"]
        status = asked(walk, "status")
        for was, well, row in zip(before, status["wells"], walk.sql(newest)):
            assert was["seq"] <= well["newest_seq"] <= row["seq"], (was, well["newest_seq"], row)
        assert status["wells"][0]["line"] == dict(status["wells"][0]["line"], state="up", code=1)
        assert status["lines"][0]["answers"] > 10 and status["lines"][0]["silent"] == 0, status["lines"]
        assert status["own_memory_bytes"] > 0 and status["scada_side_memory_bytes"] > 0 and len(status["plan"]) == 64
        answered = status["wells"][0]["sources"]["gauge"]["scans"]["answered"]
        assert answered_before <= answered, (answered_before, status["wells"][0])
        wait_for("the scans that status counts in the journal", 10, lambda: walk.sql(answers)[0]["n"] >= answered)
        assert 0 < status["lines"][0]["busy_percent"] < 100 and status["lines"][0]["held"] is None and status["reload"] is None, status["lines"]
        assert status["clock"]["since"] <= status["at"] and status["journal"]["written_bytes"] > 4096, status["journal"]
        assert status["journal"]["written_bytes_a_day"] is None, "a day is not reckoned from seconds"
        assert status["versions"]["sqlite"].startswith("3.") and all(status["versions"].values()), status["versions"]
        assert all(d["order"] is None for w in status["wells"] for d in w["delivery"]), status["wells"]
        before = status["lines"][0]["silent"]
        walk.stop(walk.simulator)
        down = wait_for("the line to be down", 30, lambda: next(
            (s for s in [asked(walk, "status")] if s["wells"][0]["sources"]["gauge"]["state"] == "down"), None))
        assert down["wells"][0]["gauge"]["state"] == "unknown", down["wells"][0]
        assert down["lines"][0]["silent"] + down["lines"][0]["port_losses"] > before, down["lines"][0]
        rows = asked(walk, "read", "heron-7")["channels"]
        assert not any(r["quality"] == 192 for r in rows if r["source"] == "gauge"), "a value of a line that is down looks live"
        assert uphole(walk, "read", "heron-9").returncode == 66
        print(f"  {checked} values compared")


def as_stranger(walk, groups):
    """What a process of another user hears; runs in a child."""
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.setgroups(groups)
            os.setgid(NOBODY)
            os.setuid(NOBODY)
            client = connect(walk)
            try:
                client.sendall(b"status json\n")
            except OSError:
                pass
            os.write(writer, answer(client)[:200] or b"nothing")
        except OSError as error:
            os.write(writer, f"error {error.errno}".encode())
        os._exit(0)
    os.close(writer)
    heard = os.read(reader, 4096)
    os.close(reader)
    os.waitpid(child, 0)
    return heard


def strangers_are_refused():
    """Another user hears why not, even where the file's rights were opened; one of the socket's group is answered."""
    if os.geteuid() != 0:
        raise Skip("only root can ask as another user")
    with Walk("socket-right") as walk:
        begin(walk)
        path = walk.journal / "uphole.socket"
        assert path.stat().st_mode & 0o7777 == 0o660, oct(path.stat().st_mode)
        walk.directory.chmod(0o711)
        walk.journal.chmod(0o711)
        assert as_stranger(walk, []) == b"error 13", "the file's rights keep a stranger out"
        path.chmod(0o666)
        refused = as_stranger(walk, [])
        assert refused.startswith(b"77 ") and b"group" in refused and b"version" not in refused, refused
        path.chmod(0o660)
        member = as_stranger(walk, [path.stat().st_gid])
        assert member.startswith(b"0 ") and b'"version"' in member, member


def bad_clients_leave_polling_alone():
    """Silent, slow, garbage and oversize clients: 0 scans missed, the journal goes on, and the socket answers again."""
    with Walk("socket-clients", timeout="900 ms", poll="2 s", refresh="2 s") as walk:
        begin(walk)
        wait_for("rows", 20, lambda: walk.sql("select count(*) as n from scan")[0]["n"] > 4)
        witness = Witness(walk, walk.daemon, walk.simulator)
        held = [connect(walk) for _ in range(8)]  # they ask nothing

        def hang_on():
            """Whoever was let go, after 5 s, comes again and asks nothing."""
            for client in select.select(held, [], [], 0)[0]:
                held[held.index(client)] = connect(walk)
                client.close()

        def ninth():
            hang_on()
            heard = answer(connect(walk))
            return heard if heard.startswith(b"75 ") else None
        busy = wait_for("the ninth to hear that places are taken", 4, ninth)
        assert b"Try again" in busy, busy
        before = walk.sql("select count(*) as n from scan")[0]["n"]

        def grown():
            hang_on()
            return walk.sql("select count(*) as n from scan")[0]["n"] >= before + 3
        wait_for("rows to be journaled while clients hang", 10, grown)
        wait_for("silent clients to be let go", 15, lambda: is_open(walk))
        for client in held:
            client.close()
        for junk in (os.urandom(4096), b"\0" * 300, b"status json heron-7\n", b"read text ../../x\n", b"read json \n", b"\n", b"status text" + b" " * 200 + b"\n", b"x" * 200000):
            client = connect(walk)
            try:
                client.sendall(junk)
                client.shutdown(socket.SHUT_WR)
            except OSError:
                pass
            heard = answer(client)
            assert not heard or heard.split(b" ")[0] in (b"64", b"66"), (junk[:20], heard[:80])
            client.close()
        for _ in range(40):  # asks and goes, or asks and does not listen
            client = connect(walk)
            client.sendall(b"read json heron-7\n")
            client.close()
        assert wait_for("the socket to answer", 10, lambda: is_open(walk))
        count = walk.sql("select count(*) as n from scan")[0]["n"]
        wait_for("more rows", 10, lambda: walk.sql("select count(*) as n from scan")[0]["n"] >= count + 3)
        for row in walk.sql("select distinct well, source from scan"):
            holes, n = witness.holes(walk, row["well"], row["source"], 2000)
            assert not holes, f"well {row['well']} source {row['source']}: not a scan every 2 s: at due times {holes} of {n}"
        print("  scans missed: 0")


def the_file_comes_and_goes():
    """A left-over file is replaced, a live one and a foreign one are left alone, an orderly stop removes it; a long name is said."""
    with Walk("socket-file") as walk:
        begin(walk)
        path = walk.journal / "uphole.socket"
        walk.stop(walk.daemon, signal.SIGKILL)
        assert path.exists()
        out = uphole(walk, "status")
        assert out.returncode == 69 and "uphole run" in out.stderr, out
        walk.start_daemon()
        wait_for("the socket after kill -9", 10, lambda: is_open(walk))
        second = subprocess.run([str(BINARY), "run", "--config", str(walk.config), "--maps", str(SOURCE / "config/maps")], capture_output=True, text=True, timeout=30)
        assert second.returncode == 75, second
        assert is_open(walk), "a second daemon took the socket away"
        walk.stop(walk.daemon)
        assert not path.exists(), "it stays after an orderly stop"
        path.write_text("not a socket")
        walk.start_daemon()
        wait_for("the sentence", 10, lambda: "is no socket" in walk.log("daemon"))
        wait_for("rows all the same", 10, lambda: walk.sql("select count(*) as n from scan")[0]["n"] > 8)
        walk.stop(walk.daemon)
        assert path.read_text() == "not a socket"
    base = pathlib.Path("/tmp") / f"uphole-long-{os.getpid()}"
    deep = base / ("d" * 60) / ("e" * 60)
    deep.mkdir(parents=True)
    try:
        with Walk("socket-long", journal=deep / "journal") as walk:
            walk.start_broker()
            walk.start_simulator()
            walk.start_daemon()
            wait_for("the sentence", 10, lambda: "choose a shorter journal path" in walk.log("daemon"))
            wait_for("rows all the same", 10, lambda: walk.sql("select count(*) as n from scan")[0]["n"] > 2)
            out = uphole(walk, "status")
            assert out.returncode == 78 and "shorter" in out.stderr, out
    finally:
        subprocess.run(["rm", "-r", str(base)])


class Terminal:
    """A pty with `uphole watch` on it, and the lines that a terminal would show: only cursor moves, erasures and text are understood."""

    def __init__(self, walk, rows, columns):
        self.main, side = pty.openpty()
        self.resize(rows, columns)
        self.before = termios.tcgetattr(side)
        self.process = subprocess.Popen([str(BINARY), "watch", "heron-7", "--journal", str(walk.journal)], stdin=side, stdout=side,
                                        stderr=subprocess.STDOUT, env=dict(os.environ, TERM="xterm"))
        self.side, self.bytes, self.rest, self.lines = side, b"", b"", {}

    def resize(self, rows, columns):
        fcntl.ioctl(self.main, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))

    def look(self, seconds):
        """What came within so many seconds, in bytes; the picture is kept up."""
        end, came = time.monotonic() + seconds, b""
        while time.monotonic() < end:
            if select.select([self.main], [], [], 0.05)[0]:
                came += os.read(self.main, 65536)
        self.bytes += came
        self.rest += came
        whole = max(self.rest.rfind(b"\x1b[K"), self.rest.rfind(b"\x1b[J")) + 3  # a line may come in two parts
        drawn, self.rest = (self.rest[:whole], self.rest[whole:]) if whole > 2 else (b"", self.rest)
        for row, column, text in re.findall(rb"\x1b\[(\d+);(\d+)H([^\x1b]*)\x1b\[K", drawn):
            self.lines[int(row)] = self.lines.get(int(row), "")[:int(column) - 1] + text.decode()
        for row in re.findall(rb"\x1b\[(\d+);1H\x1b\[J", drawn):
            self.lines = {k: v for k, v in self.lines.items() if k < int(row)}
        return came

    def look_until(self, what, seconds, condition):
        """Looks until the picture is as wanted, and then until it stands: a picture comes at once, and the next a second later."""
        came = []
        wait_for(what, seconds, lambda: came.append(self.look(0.1)) or condition(), step=0)
        while part := self.look(0.3):
            came.append(part)
        return b"".join(came)

    def has(self, words):
        return any(line.strip().startswith(words) for line in self.lines.values())


def watch_redraws_in_place():
    """On a terminal only what changed is sent, a resize redraws, Ctrl-C leaves it clean; without an answer no value stays; else a line a second."""
    with Walk("socket-watch") as walk:
        begin(walk)
        wait_for("values", 20, lambda: "intake_pressure" in uphole(walk, "read", "heron-7").stdout)
        screen = Terminal(walk, 60, 160)
        first = screen.look_until("the first picture", 10, lambda: screen.has("intake_pressure") and screen.has("gauge"))
        assert b"\x1b[?1049h" in first, first[:200]
        whole = sum(len(line) for line in screen.lines.values())
        quiet = screen.look(1.1)
        heading = next(line for line in screen.lines.values() if line.startswith("channel"))
        assert heading.encode() not in quiet and b"\x1b[2J" not in quiet, "what did not change is sent again"
        screen.lines = {}
        screen.resize(12, 40)
        os.kill(screen.process.pid, signal.SIGWINCH)
        screen.look_until("a smaller picture", 10, lambda: "more rows" in screen.lines.get(12, ""))
        assert max(screen.lines) == 12 and max(len(line) for line in screen.lines.values()) <= 40, screen.lines
        top, seen = dict(screen.lines), set()
        rows = lambda: [line.split()[:1] for number, line in sorted(screen.lines.items()) if number > 2]  # noqa: E731
        for _ in range(12):  # space pages through every row, and comes to the top again
            seen |= {line.split()[0] for line in screen.lines.values() if line.split()}
            before = rows()
            os.write(screen.main, b" ")
            screen.look_until("another page", 10, lambda: rows() != before)
        assert screen.lines[1][:12] == top[1][:12], screen.lines
        told = {row["channel"] for row in asked(walk, "read", "heron-7")["channels"]}
        assert len(told - seen) <= 2, f"never shown: {told - seen}"
        assert uphole(walk, "watch", "heron-7", "--every", "1min").returncode == 64
        walk.stop(walk.daemon)
        screen.look_until("the word that nothing answers", 10, lambda: "No values" in screen.lines.get(1, ""))
        assert not any("up" in line or "intake_pressure" in line for line in screen.lines.values()), f"old values look live: {screen.lines}"
        os.write(screen.main, b"\x03")  # Ctrl-C, through the terminal
        screen.look(0.5)
        if screen.process.poll() is None:  # this pty is no controlling terminal: the signal itself
            screen.process.send_signal(signal.SIGINT)
        wait_for("its end", 5, lambda: screen.look(0.1) is not None and screen.process.poll() is not None)
        screen.look(0.2)
        assert screen.process.returncode == 0, screen.process.returncode
        assert screen.bytes.endswith(b"\x1b[?25h\x1b[?1049l"), screen.bytes[-40:]
        assert termios.tcgetattr(screen.side) == screen.before, "the terminal's settings are not as they were"
        assert uphole(walk, "watch", "heron-7").returncode == 69
        walk.start_daemon()
        wait_for("the daemon", 10, lambda: is_open(walk))
        plain = subprocess.Popen([str(BINARY), "watch", "heron-7", "--journal", str(walk.journal)], stdout=subprocess.PIPE, text=True)
        out = [plain.stdout.readline() for _ in range(4)]
        plain.terminate()
        plain.communicate(timeout=60)
        assert all(" heron-7 line " in line and "intake_pressure" in line and "\x1b" not in line for line in out), out
        stamps = [datetime.datetime.fromisoformat(line.split(" ")[0].replace("Z", "+00:00")) for line in out]
        assert (stamps[3] - stamps[0]).total_seconds() > 2, f"more than a line a second: {out}"
        print(f"  {whole} bytes a picture, {len(quiet)} in the next second")


if __name__ == "__main__":
    main(strangers_are_refused, bad_clients_leave_polling_alone, the_file_comes_and_goes, watch_redraws_in_place,
         beside=[read_and_status_equal_the_truth])
