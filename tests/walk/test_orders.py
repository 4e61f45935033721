#!/usr/bin/env python3
"""Orders at the local socket: only its own user and root give them, each stands in the journal, and a held line's port is free for others.

Planted defects, each seen to be caught by the test named behind it: a member of the socket's group may order (rights); a hold that keeps the port
open, or that leaves its due scans uncounted (hold); an order that is not journaled (hold); a pause that says goodbye, so that no will is told,
and one that connects again before its time (pause).
"""
import fcntl
import grp
import json
import os
import signal
import socket
import subprocess
import termios
import time

from pymodbus.client import ModbusSerialClient

from test_kill import check_dues
from walk import BINARY, SOURCE, Skip, Walk, check_chain, main, once, wait_for
from witness import Witness

NOBODY = 65534


def uphole(walk, *words):
    return subprocess.run([str(BINARY), *words, "--journal", str(walk.journal)], capture_output=True, text=True, timeout=30)


def status(walk):
    out = uphole(walk, "status", "--json")
    assert out.returncode == 0, out.stderr
    return json.loads(out.stdout)


def begin(walk):
    walk.start_broker()
    begin_without_broker(walk)


def begin_without_broker(walk):
    walk.start_simulator()
    walk.start_daemon()
    wait_for("the local socket", 10, lambda: uphole(walk, "status").returncode == 0)
    wait_for("rows", 20, lambda: rows(walk) > 6)


def rows(walk, well=None, source=None):
    where = f" where well={well} and source={source}" if well else ""
    return walk.sql("select count(*) as n from scan" + where)[0]["n"]


def raw(walk, request):
    with socket.socket(socket.AF_UNIX) as client:
        client.settimeout(10)
        client.connect(str(walk.journal / "uphole.socket"))
        client.sendall(request)
        whole = b""
        try:
            while part := client.recv(65536):
                whole += part
        except ConnectionResetError:
            pass
        return whole


def as_nobody(groups, what):
    """What `what` returns in a child of another user."""
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.setgroups(groups)
            os.setgid(NOBODY)
            os.setuid(NOBODY)
            os.write(writer, what()[:4000])
        except OSError as error:
            os.write(writer, f"error {error.errno}".encode())
        os._exit(0)
    os.close(writer)
    heard = b""
    while part := os.read(reader, 4096):
        heard += part
    os.close(reader)
    os.waitpid(child, 0)
    return heard


def open_port(path):
    """Opens the port as other programs do: without root's right to pass TIOCEXCL, and asking for the lock."""
    fd = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        return b"opened"
    finally:
        os.close(fd)


def asked_since(walk, boot_ms):
    """Scans of heron-7's gauge that began after this instant; those of before may be stored later."""
    return walk.sql(f"select count(*) as n from scan where well=1 and source=1 and boot_ms > {boot_ms}")[0]["n"]


def boot_ms():
    return round(time.clock_gettime(time.CLOCK_BOOTTIME) * 1000)


def only_the_owner_and_root_order():
    """The socket's group may read and not order; nonsense is refused with a sentence; nothing of it reaches the journal."""
    with Walk("orders-right") as walk:
        begin(walk)
        path = walk.journal / "uphole.socket"
        for request, code in ((b"order hold pad-line 59999\n", 64), (b"order hold pad-line 14400001\n", 64), (b"order hold pad-line x\n", 64),
                              (b"order hold\n", 64), (b"order\n", 64), (b"order \n", 64), (b"order fly pad-line\n", 64), (b"order hold no-such-line 60000\n", 66),
                              (b"order hold pad-line 60000 \xff\xfe\n", 65), (b"order hold pad-line 60000 a\x1b[2Jb\n", 65),
                              (b"order hold " + b"a" * 900 + b" 60000\n", 64), (b"order hold pad-line 60000" + b" x" * 2000 + b"\n", 64), (b"order release pad-line\n", 1)):
            heard = raw(walk, request)
            assert heard.split(b" ")[0] == str(code).encode() and heard.rstrip().endswith(b"."), (request[:60], heard)
        assert all("held" not in line or line["held"] is None for line in status(walk)["lines"])
        if os.geteuid() != 0:
            raise Skip("only root can ask as another user")
        walk.directory.chmod(0o711)
        walk.journal.chmod(0o711)
        member = [path.stat().st_gid]
        assert as_nobody(member, lambda: raw(walk, b"status json\n")).startswith(b"0 "), "a member may read"
        others = [g.gr_gid for g in grp.getgrall() if g.gr_gid not in member + [0] and g.gr_name != "operator"][:3]
        refused = as_nobody(member, lambda: raw(walk, b"order hold pad-line 60000\n"))
        assert refused.startswith(b"77 ") and b"not give it orders" in refused, refused
        assert all(line["held"] is None for line in status(walk)["lines"])
        time.sleep(1.5)
        assert not walk.sql("select * from event where kind like 'order%'"), "a refused order stands in the journal"
        wait_for("the log to say so", 10, lambda: "nobody may not order 'hold'" in walk.log("daemon"))
        told = walk.sql("select text from event where kind = 'refused_order'")
        assert len(told) == 1 and "'hold' of nobody, who may not give orders" in told[0]["text"], told
        walk.stop(walk.daemon)  # a group that the configuration names may order, and no other
        walk.config.write_text(walk.config.read_text().replace("box: ", "orders_group: operator\nbox: ", 1))
        walk.start_daemon()
        wait_for("the local socket", 10, lambda: uphole(walk, "status").returncode == 0)
        assert as_nobody(member + others, lambda: raw(walk, b"order hold pad-line 60000\n")).startswith(b"77 "), "another group may order"
        ordered = as_nobody(member + [grp.getgrnam("operator").gr_gid], lambda: raw(walk, b"order hold pad-line 60000 trainee\n"))
        assert ordered.startswith(b"0 ") and b"held by trainee (nobody) until" in ordered, ordered


def a_held_line_is_free_for_others():
    """While held another program opens the port and talks to the unit; each due scan is counted; it ends at release and at a stop."""
    with Walk("orders-hold") as walk:
        begin(walk)
        port = os.path.realpath(walk.directory / "pad-line")
        if os.geteuid() == 0:
            os.chmod(port, 0o666)
            assert as_nobody([], lambda: open_port(port)) in (b"error 16", b"error 11"), "the port is Uphole's while it polls"
        out = uphole(walk, "hold", "pad-line", "--for", "2min", "--by", "technician")
        held_ms = boot_ms()
        assert out.returncode == 0 and "is held by technician (" in out.stdout and "another program can open it" in out.stdout, out
        if os.geteuid() == 0:
            assert as_nobody([], lambda: open_port(port)) == b"opened"
        drive = rows(walk, 1, 2)
        client = ModbusSerialClient(port=port, baudrate=38400, timeout=20)
        assert client.connect()
        answered = client.read_input_registers(0, 2, slave=1)
        if answered.isError():
            answered = client.read_holding_registers(0, 2, slave=1)
        assert not answered.isError(), answered
        client.close()
        time.sleep(2.5)
        now = status(walk)
        line = next(l for l in now["lines"] if l["line"] == "pad-line")
        assert line["held"]["by"].startswith("technician (") and line["held"]["port_is_free"] is True, line
        well = now["wells"][0]
        assert well["sources"]["gauge"]["state"] != "down", well
        text = uphole(walk, "status").stdout
        assert "held by technician (" in text and " until " in text, text
        wait_for("the other line, which goes on", 10, lambda: rows(walk, 1, 2) > drive + 3)
        assert asked_since(walk, held_ms) == 0, "the line is asked while it is held"
        first = line["held"]["until"]
        out = uphole(walk, "hold", "pad-line", "--for", "1h")
        assert out.returncode == 0, out
        line = next(l for l in status(walk)["lines"] if l["line"] == "pad-line")
        assert line["held"]["until"] > first and line["held"]["since"] < first, (first, line)
        walk.config.write_text(walk.config.read_text().replace("response_timeout: 300 ms", "response_timeout: 400 ms", 1))
        out = subprocess.run([str(BINARY), "reload", "--config", str(walk.config), "--maps", str(SOURCE / "config/maps")], capture_output=True, text=True, timeout=30)
        assert out.returncode == 0, out
        wait_for("the changed line to be held on", 5, lambda: next(
            l for l in status(walk)["lines"] if l["line"] == "pad-line")["held"]["port_is_free"])
        drive = rows(walk, 1, 2)
        wait_for("the other line, which goes on", 10, lambda: rows(walk, 1, 2) > drive + 2)
        assert asked_since(walk, held_ms) == 0, "a reload took the port from whoever holds it"
        out = uphole(walk, "release", "pad-line")
        assert out.returncode == 0 and "polling goes on" in out.stdout, out
        wait_for("scans after the release", 10, lambda: asked_since(walk, held_ms) > 2)
        wait_for("the log to say so", 5, lambda: "pad-line was held for" in walk.log("daemon"))
        assert uphole(walk, "release", "pad-line").returncode == 1
        pauses = lambda: [g for g in walk.gaps() if g["kind"] == "program" and "Paused by" in g["cause"]]  # noqa: E731
        wait_for("both rows to close", 10, lambda: len(pauses()) >= 2 and not any(g["open"] for g in pauses()))
        paused = pauses()
        assert len(paused) == 2 and all(g["scans"] >= 2 for g in paused), paused
        assert all("Paused by " in g["cause"] and "at most 1 h" in g["cause"] for g in paused), paused
        events = walk.sql("select kind, who, text, utc_ms from event where kind like 'order%' order by pos")
        assert [e["kind"] for e in events] == ["order_hold", "order_hold", "order_reload", "order_release"] and all(e["who"] for e in events), events
        assert "technician" in events[0]["text"], events
        assert uphole(walk, "hold", "pad-line").returncode == 0  # and a stop within it
        time.sleep(2.2)
        walk.stop(walk.daemon)
        time.sleep(2.2)
        assert uphole(walk, "hold", "pad-line").returncode == 69
        walk.start_daemon()
        wait_for("scans of the new run", 20, lambda: len(walk.sql("select distinct run from scan where well=1 and source=1")) == 2)
        time.sleep(1.5)
        walk.stop(walk.daemon)
        causes = [g for g in walk.gaps() if g["kind"] == "program" and g["well"] == "heron-7" and g["source"] == "gauge"]
        assert len(causes) == 3 and not any(g["open"] for g in causes), causes
        check_dues(walk)
        print(f"  {sum(g['scans'] for g in causes)} due scans counted across hold and stop")


def a_note_stands_with_its_gap():
    """What a person writes on a gap stands in `gaps`, in its message and in the sum of planned outages; what is wrong is refused with a sentence."""
    with Walk("orders-note") as walk:
        walk.start_broker()
        walk.subscribe()
        begin_without_broker(walk)
        walk.stop(walk.daemon)
        time.sleep(2.5)
        walk.start_daemon()
        wait_for("the outage in the ledger, of each source", 15, lambda: sum(g["kind"] == "program" and not g["open"] for g in walk.gaps()) >= 3)
        outage = [g for g in walk.gaps() if g["kind"] == "program"]
        name = f"{outage[0]['run'][:6]}:{outage[0]['id']}"
        assert f"{name} " in uphole(walk, "gaps").stdout, uphole(walk, "gaps").stdout
        for words, code, why in ((("99999:1", "x", "--by", "technician"), 66, "no such gap"), (("zz:1", "x", "--by", "technician"), 64, "names no gap"),
                                 ((name, "x"), 64, "role"), ((name, " ", "--by", "technician"), 64, "empty"), ((name, "x" * 201, "--by", "technician"), 64, "200"),
                                 ((name, "two\nlines", "--by", "technician"), 64, "control"), ((name, "x", "y", "--by", "technician"), 64, "expected")):
            out = uphole(walk, "note", *words)
            assert out.returncode == code and why in out.stderr, (words, out)
        heard = raw(walk, f"order note {name} planned 2 ab {'x' * 201}\n".encode())
        assert heard.startswith(b"65 ") and b"200" in heard, heard
        text = "Pumpe gezogen: \"\u00d7\u00df\" \u2713 " + "\u00e9" * 170
        out = uphole(walk, "note", name, text, "--by", "operations engineer", "--planned")
        assert out.returncode == 0 and name in out.stdout, out
        noted = wait_for("the note in the ledger", 5, lambda: [g for g in walk.gaps() if g["note"] == text])
        assert len(noted) == len(outage) == 3 and all(g["planned"] and g["noted_by"].startswith("operations engineer (") for g in noted), noted
        assert all(g["revision"] > o["revision"] for g, o in zip(noted, outage))
        shown = uphole(walk, "gaps").stdout
        assert f'"{text}"' in shown and "Note, planned, by operations engineer (" in shown and "noted as planned" in shown, shown
        wait_for("the note as messages", 10, lambda: sum(json.loads(p)["note"] == text for _, p in walk.taken("gap")) >= 3)
        event = walk.sql("select who, text from event where kind='order_note'")
        assert len(event) == 1 and event[0]["who"], event
        walk.stop(walk.daemon)
        assert uphole(walk, "note", name, "x", "--by", "technician").returncode == 69


def a_paused_destination_is_cut_off_and_comes_back():
    """A pause looks like a cut to whoever reads at the broker, its ledger row is there however short it was, and all that waited comes."""
    with Walk("orders-pause") as walk:
        walk.start_broker()
        walk.subscribe()  # before the daemon: where nobody subscribes, a broker accepts nothing, and is tried less and less often
        begin_without_broker(walk)
        witness = Witness(walk, walk.daemon, walk.broker)
        wait_for("live records", 15, lambda: len(walk.records("heron-7")) > 4)
        for words, code in ((["pause", "scada-table"], 66), (["pause", "no-such-broker"], 66), (["pause", "plant-broker", "--for", "4s"], 64),
                            (["pause", "plant-broker", "--for", "11min"], 64), (["pause"], 64)):
            out = uphole(walk, *words)
            assert out.returncode == code and out.stderr.strip(), (words, out.returncode, out.stderr)
        # One that is long, so that there is time to look at it, and ends by order; then one that ends by itself.
        def offline_since(begun):
            return [t for topic, payload, _, t in list(walk.messages) if "/box/" in topic and t >= begun and not json.loads(payload)["running"]]

        def records_since(begun):
            return [t for topic, _, _, t in list(walk.messages) if topic.endswith("/record") and t >= begun]

        begun = time.monotonic()
        out = uphole(walk, "pause", "plant-broker", "--for", "10min", "--by", "technician")
        assert out.returncode == 0 and "is paused by technician (" in out.stdout, out
        wait_for("the last will", 3, lambda: offline_since(begun))
        wait_for("the delivery rows", 6, lambda: {g["well"] for g in walk.gaps() if g["kind"] == "delivery" and g["end"] is None} == {"heron-7", "heron-8"})
        shown = uphole(walk, "status").stdout
        assert "the connection is paused until" in shown and "by technician (" in shown, shown
        resumed = time.monotonic()
        assert not records_since(offline_since(begun)[0] + 0.5), "a record came while the connection was paused"
        assert uphole(walk, "resume", "plant-broker").returncode == 0
        wait_for("records after resume", 8, lambda: records_since(resumed))
        wait_for("the delivery rows' end", 10, lambda: all(g["end"] for g in walk.gaps() if g["kind"] == "delivery"))
        begun, begun_ms = time.monotonic(), boot_ms()
        assert uphole(walk, "pause", "plant-broker", "--for", "7s", "--by", "technician").returncode == 0
        paused = time.monotonic()
        wait_for("the last will", 3, lambda: offline_since(begun))
        told = offline_since(begun)[0]
        wait_for("records again", 12, lambda: records_since(told + 1))
        back = records_since(told + 1)[0]
        # From the order, whenever within the command that was; behind the pause come the connection, the next poll and its commit, a second each.
        late_s = witness.waited_s(begun_ms, boot_ms())
        assert back - begun >= 6.5 and back - paused <= 10 + late_s, f"back after {back - begun:.1f} s of 7; {late_s:.1f} s were the machine's"
        wait_for("the delivery rows' end", 10, lambda: all(g["end"] for g in walk.gaps() if g["kind"] == "delivery"))
        gaps = [g for g in walk.gaps() if g["kind"] == "delivery"]
        assert {g["well"] for g in gaps} == {"heron-7", "heron-8"} and len(gaps) == 4, gaps
        for gap in gaps:
            assert "paused until" in gap["cause"] and "by technician (" in gap["cause"], gap
            assert gap["scans"] == gap["recovered"] > 0 and not gap["lost"], gap
        check_chain(once(walk.records("heron-7")))
        assert [r for r in walk.records("heron-7") if r["sent"] == "late"], "what waited came as live"
        assert walk.sql("select who, text from event where kind = 'order_pause'"), "the pause is not journaled"


if __name__ == "__main__":
    main(only_the_owner_and_root_order, a_note_stands_with_its_gap, a_paused_destination_is_cut_off_and_comes_back, beside=[a_held_line_is_free_for_others])
