#!/usr/bin/env python3
"""What stands between a line and its unit, with real programs: another master that is only listened to, converters and device servers, a USB
converter that vanishes and comes back."""
import json
import os
import pathlib
import re
import select
import signal
import socket
import struct
import subprocess
import threading
import time
import tty

import jsonschema
from pymodbus.client import ModbusSerialClient

from walk import BINARY, SOURCE, Skip, Walk, free_port, main, wait_for

CONFIG = """\
site: heron-ridge
box: heron-edge-1
lines:
  pad-line: {{{line}}}
wells:
  heron-7:
    table_block: 0
    sources:
      gauge:
        - {{from: 2025-01-10T08:00:00Z, line: pad-line, unit_id: 1, map: scaled-16, poll_every: 1 s, refresh: 1 s, confirmed_units: all}}
journal: {{path: {journal}}}
"""
SERIAL = "serial: {path}, speed: 38400 baud, frame: 8N1, response_timeout: 900 ms, listen_first: 200 ms"


class Box(Walk):
    """One well on one line; the simulator has a line of its own."""

    def __init__(self, name, line, simulated="pad-sim"):
        super().__init__(name)
        self.sim_path = self.directory / simulated
        self.sim_config = self.directory / "simulator.yaml"
        self.sim_config.write_text(CONFIG.format(line=SERIAL.format(path=self.sim_path), journal=self.directory / "unused"))
        self.config.write_text(CONFIG.format(line=line.format(directory=self.directory), journal=self.journal))

    def start_simulator(self, *more):
        self.simulator = self._start("simulator", BINARY, "simulate", "--config", self.sim_config, "--maps", SOURCE / "config/maps", "--seed", "7", *more)
        wait_for("the simulator's pty", 20, self.sim_path.exists)

    def outcomes(self):
        """Outcomes of the scans so far, in order."""
        if not (self.journal / "journal.sqlite").exists():
            return []
        try:
            return [row["outcome"] for row in self.sql("SELECT outcome FROM scan ORDER BY pos")]
        except AssertionError as error:
            if "locked" in str(error) or "no such table" in str(error):
                return []  # it is being made
            raise

    def answered(self):
        return sum(1 for outcome in self.outcomes() if outcome == 1)

    def line_rows(self):
        return [gap for gap in self.gaps() if gap["kind"] == "line"] if self.outcomes() else []

    def read(self, maps=SOURCE / "config/maps"):
        out = subprocess.run([str(BINARY), "read", "heron-7", "--config", str(self.config), "--maps", str(maps), "--json"],
                             capture_output=True, text=True, timeout=60)
        assert out.returncode == 0, out.stderr
        return json.loads(out.stdout)


class Pair(threading.Thread):
    """Two wires with three speakers: each byte of one reaches the two others. Counts what each sent."""

    def __init__(self, directory, unit_path):
        super().__init__(daemon=True)
        self.sent = {}
        self.ends = {"unit": os.open(unit_path, os.O_RDWR | os.O_NOCTTY)}
        tty.setraw(self.ends["unit"])
        self.kept = []
        for name in ("master", "ours"):
            end, slave = os.openpty()
            tty.setraw(slave)
            self.kept.append(slave)  # else the end hangs up while nobody has it open
            self.ends[name] = end
            os.symlink(os.ttyname(slave), directory / name)
        self.going = True
        self.start()

    def run(self):
        names = {end: name for name, end in self.ends.items()}
        while self.going:
            for end in select.select(list(names), [], [], 0.1)[0]:
                try:
                    data = os.read(end, 4096)
                except OSError:
                    continue
                self.sent[names[end]] = self.sent.get(names[end], 0) + len(data)
                for other in names:
                    if other != end:
                        os.write(other, data)

    def close(self):
        self.going = False
        self.join()
        for end in list(self.ends.values()) + self.kept:
            os.close(end)


def a_line_that_only_listens_sends_nothing_and_reads_what_the_other_master_reads():
    """Planted defects: gather-listener-asks (a question leaves); a value that the other master did not get."""
    with Box("listens", SERIAL.format(path="{directory}/ours").replace("listen_first: 200 ms", "share_line: listen")) as box:
        box.config.write_text(box.config.read_text() + f"destinations:\n  plant-broker: {{mqtt: 'mqtt://127.0.0.1:{box.broker_port}', from: oldest}}\n")
        box.start_broker()
        box.subscribe()
        box.start_simulator()
        pair = Pair(box.directory, box.sim_path)
        client = ModbusSerialClient(port=str(box.directory / "master"), baudrate=38400, timeout=20)
        assert client.connect()
        box.start_daemon()
        seen = set()

        def one_round():
            for first, count in ((0, 2), (16, 16), (40, 2), (44, 3)):
                answer = client.read_input_registers(first, count, slave=1)
                assert not answer.isError(), answer
                if first == 16:
                    seen.add(answer.registers[0])

        def pressure():
            """As it is read while the other master asks: what is heard no more is good no more."""
            end = time.monotonic() + 0.5
            while time.monotonic() < end:
                one_round()
                time.sleep(0.05)
            out = subprocess.run([str(BINARY), "read", "heron-7", "--config", str(box.config), "--maps", str(SOURCE / "config/maps"), "--json"], capture_output=True, text=True, timeout=60)
            rows = json.loads(out.stdout)["channels"] if out.returncode == 0 else []
            return next((row for row in rows if row["channel"] == "intake_pressure" and row["reason"] == "good"), None)

        wait_for("scans that were heard", 20, lambda: pressure() and box.answered() >= 4, step=0)
        read = wait_for("a good pressure", 20, pressure, step=0)
        assert read["raw"][0] in seen, (read, seen)
        answered = box.answered()
        assert box.sql("SELECT sum(tries) AS n FROM scan")[0]["n"] == 0
        assert box.sql("SELECT sum(stray) AS n FROM scan WHERE outcome = 1")[0]["n"] == 0
        schema = json.loads((SOURCE / "docs/schemas/record-1.json").read_text())
        for _, payload in box.taken("record"):
            jsonschema.validate(json.loads(payload), schema)
        heard = [row for row in box.records() if row["outcome"] == "answered"]
        assert heard and all(row["heard"] is True for row in heard), heard[:1]
        wait_for("the line row", 20, lambda: any("Nothing of the surface unit was heard" in row["cause"] for row in box.line_rows()))
        assert sum(1 for line in box.log("daemon").splitlines() if "Nothing of the surface unit" in line) <= 1
        assert all("heard" not in row for row in box.records() if row["outcome"] == "silent")
        box.stop(box.daemon)
        client.close()
        assert pair.sent.get("ours", 0) == 0, f"{pair.sent['ours']} bytes were sent by the listener"
        print(f"  {answered} scans heard; bytes on the pair by master {pair.sent['master']}, unit {pair.sent['unit']}, us 0")
        pair.close()


class Server(threading.Thread):
    """A Modbus TCP converter whose unit is silent: each question is answered with exception 0B (MAP V1.1b3, 7)."""

    def __init__(self):
        super().__init__(daemon=True)
        self.code, self.asked = 0x0B, []
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port = self.listener.getsockname()[1]
        self.start()

    def run(self):
        while True:
            try:
                connection, _ = self.listener.accept()
            except OSError:
                return
            with connection:
                while True:
                    try:
                        request = connection.recv(260)
                    except OSError:
                        break
                    if len(request) < 12:
                        break
                    self.asked.append(time.monotonic())
                    connection.sendall(request[:4] + bytes([0, 3, request[6], request[7] | 0x80, self.code]))


def a_converter_without_its_unit_is_named_and_asked_less_often():
    """Planted defects: 0A and 0B count as answers of the unit; no back-off."""
    server = Server()
    with Box("converter", f"tcp: '127.0.0.1:{server.port}', response_timeout: 300 ms") as box:
        box.start_daemon()
        wait_for("the line's sentence", 30, lambda: "behind it does not" in box.log("daemon"))
        time.sleep(6)
        wait_for("scans without their unit", 20, lambda: len(box.outcomes()) >= 3)
        until = time.monotonic()
        log = [line for line in box.log("daemon").splitlines() if "behind it does not" in line]
        assert len(log) == 1 and "The converter at 127.0.0.1 answers, but the surface unit behind it does not (exception 0B; unit id 1) since 20" in log[0], log
        assert set(box.outcomes()) == {8}, box.outcomes()  # path_down
        begun = server.asked[0]
        late = [at for at in server.asked if begun + 4 < at <= until]
        assert len(late) <= 1 + (until - begun - 4) / 2, f"{len(late)} questions in {until - begun - 4:.1f} s"  # 1, 2, 4 s apart, where it was each second
        assert box.line_rows()[0]["open"]
        status = subprocess.run([str(BINARY), "status", "--config", str(box.config), "--maps", str(SOURCE / "config/maps")], capture_output=True, text=True)
        assert "down" in status.stdout, status.stdout
        print("  " + log[0])
    server.listener.close()


def a_device_server_that_holds_an_earlier_connection_is_named_and_taken_when_it_lets_go():
    """A server for one client at a time (socat): the next one is accepted and gets nothing. Planted defects: tried without a pause; never again; no word."""
    port = free_port()
    with Box("held", f"tcp: '127.0.0.1:{port}', framing: rtu, speed: 38400 baud, response_timeout: 300 ms, listen_first: 0 s") as box:
        box.start_simulator()
        box._start("server", "socat", f"TCP-LISTEN:{port},bind=127.0.0.1,reuseaddr,fork,max-children=1", f"{box.sim_path},raw,echo=0")
        wait_for("the server", 10, lambda: box._listening(port))
        time.sleep(0.3)
        holder = socket.create_connection(("127.0.0.1", port))  # what an earlier run of ours left there, by the server's lights
        time.sleep(0.3)
        box.start_daemon()
        wait_for("the sentence", 30, lambda: any("accepts the connection and does not answer" in row["cause"] for row in box.line_rows()), step=0.5)
        cause = box.line_rows()[0]["cause"]
        assert "It may still hold an earlier one of ours." in cause, cause
        assert box.answered() == 0
        holder.close()
        wait_for("an answer", 60, lambda: box.answered() >= 3, step=0.5)
        print(f"  {cause}")
        # Killed without a word: the next run is served again.
        before = box.answered()
        box.daemon.send_signal(signal.SIGKILL)
        box.daemon.wait()
        box.start_daemon()
        wait_for("an answer after kill -9", 60, lambda: box.answered() >= before + 3, step=0.5)


def a_server_that_turns_a_second_client_away_is_tried_with_pauses():
    """ser2net with one connection: the second is told so and closed. Planted defect: a loop of connections."""
    server = pathlib.Path("/usr/sbin/ser2net")
    if not server.exists():
        raise Skip("no ser2net")
    port = free_port()
    with Box("turned-away", f"tcp: '127.0.0.1:{port}', framing: rtu, speed: 38400 baud, response_timeout: 300 ms, listen_first: 0 s") as box:
        box.start_simulator()
        conf = box.directory / "server.yaml"
        conf.write_text(f"%YAML 1.1\n---\nconnection: &pad\n    accepter: tcp,127.0.0.1,{port}\n    enable: on\n"
                        f"    options:\n      max-connections: 1\n    connector: serialdev,{box.sim_path},38400n81,local\n")
        box._start("server", server, "-n", "-u", "-c", conf)
        wait_for("the server", 10, lambda: box._listening(port))
        time.sleep(0.5)
        holder = socket.create_connection(("127.0.0.1", port))
        time.sleep(0.3)
        box.start_daemon()
        began = time.monotonic()
        time.sleep(5)
        wait_for("a try", 20, box.outcomes)
        tries, lasted_s = len(box.outcomes()), time.monotonic() - began
        assert box.answered() == 0, box.outcomes()
        assert tries <= lasted_s + 1, f"{tries} tries in {lasted_s:.1f} s"
        assert 9 in box.outcomes() or 10 in box.outcomes(), box.outcomes()  # no_connection
        assert "for one client at a time may still hold an earlier one of ours" in box.line_rows()[0]["cause"], box.line_rows()
        holder.close()
        wait_for("an answer", 70, lambda: box.answered() >= 3, step=0.5)
        print(f"  {tries} tries in 5 s; then it was taken. {box.line_rows()[0]['cause']}")


def processor_s(pid):
    fields = pathlib.Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def a_converter_that_vanishes_and_comes_back_under_its_name_is_taken_again():
    """S22. Planted defects: waits for the old device; a busy loop; a message each try; the gap begins when it was noticed."""
    with Box("vanishes", SERIAL.format(path="{directory}/by-id-rs485-a"), simulated="by-id-rs485-a") as box:
        box.start_simulator()
        box.start_daemon()
        wait_for("scans", 30, lambda: box.answered() >= 4)
        first_device = os.path.realpath(box.sim_path)
        box.stop(box.simulator)
        if box.sim_path.is_symlink():
            box.sim_path.unlink()
        time.sleep(1)  # it has let go of the old one
        others = [os.openpty()]  # until the old name is taken: the next one gets another, as a converter that is plugged again does
        while os.ttyname(others[-1][1]) != first_device and not os.path.exists(first_device) and len(others) < 200:
            others.append(os.openpty())
        before, began = processor_s(box.daemon.pid), time.monotonic()
        time.sleep(7)
        share = (processor_s(box.daemon.pid) - before) / (time.monotonic() - began)
        answered = box.answered()
        box.start_simulator()
        back = time.monotonic()
        assert os.path.realpath(box.sim_path) != first_device, "the pty came back under the same device: nothing was shown"
        wait_for("data again", 30, lambda: box.answered() > answered, step=0.2)
        took = time.monotonic() - back
        wait_for("the word that it is back", 10, lambda: "is back after" in box.log("daemon"))
        wait_for("the line row to close", 10, lambda: box.line_rows() and not any(row["open"] for row in box.line_rows()))
        log = box.log("daemon").splitlines()
        gone = [line for line in log if "is gone" in line or "can't be opened" in line]
        assert sum(1 for line in gone if "by-id-rs485-a" in line and "heron-7" not in line) == 1, "\n".join(gone)
        assert sum(1 for line in log if "is back after" in line) == 1, "\n".join(log)
        rows = box.line_rows()
        assert len(rows) == 1 and not rows[0]["open"] and "is gone or can't be opened" in rows[0]["cause"], rows
        assert share < 0.05, f"{100 * share:.1f} % of a processor while it was away"
        print(f"  away 7 s at {100 * share:.2f} % of a processor, data {took:.1f} s after it came back; {rows[0]['scans']} scans missed")
        for pair in others:
            for end in pair:
                os.close(end)


def a_float_in_the_wrong_order_is_shown_in_all_four():
    """S10. The unit sends the low word first, the map says high first. Planted defects: one order in all columns; the map's own isn't marked."""
    with Box("orders", SERIAL.format(path="{directory}/pad-sim")) as box:
        maps = box.directory / "maps"
        maps.mkdir()
        text = (SOURCE / "config/maps/float-low-first.yaml").read_text()
        (maps / "float-low-first.yaml").write_text(text.replace("words: low-first", "words: high-first"))
        for config in (box.config, box.sim_config):
            config.write_text(config.read_text().replace("map: scaled-16", "map: float-low-first"))
        box.start_simulator()
        box.daemon = box._start("daemon", BINARY, "run", "--config", box.config, "--maps", maps)
        wait_for("scans", 30, lambda: box.answered() >= 2)
        row = wait_for("the pressure's words", 10, lambda: next(
            (r for r in box.read(maps)["channels"] if r["channel"] == "intake_pressure" and r["raw"] and r["orders"]["high_first"] is not None), None))
        high, low = (struct.pack(">HH", *words) for words in (row["raw"], row["raw"][::-1]))  # IEEE 754, by Python's own library
        for name, data in (("high_first", high), ("low_first", low)):
            expected = struct.unpack(">f", data)[0]
            assert row["orders"][name] is not None and abs(row["orders"][name] - expected) <= abs(expected) * 1e-6, (name, row)
        assert 100 < row["orders"]["low_first"] < 8000 and row["reason"] != "good", row
        out = subprocess.run([str(BINARY), "read", "heron-7", "--config", str(box.config), "--maps", str(maps)], capture_output=True, text=True).stdout
        line = next(l for l in out.splitlines() if l.startswith("intake_pressure") and "low-first" in l)
        assert "high-first" in line and line.count("(map)") == 1 and f"low-first {row['orders']['low_first']:.4g}"[:14] in line, line
        assert re.search(r"  high-first \S+ \(map\)", line), line
        print("  " + line)


def check_says_what_a_line_is_and_what_listening_can_not():
    """Planted defects: RTU over TCP shown as if it were Modbus TCP; no word of what stays without data; no advice on a name that may change."""
    def checked(line):
        with Box("check", line) as box:
            out = subprocess.run([str(BINARY), "check", "--config", str(box.config), "--maps", str(SOURCE / "config/maps")], capture_output=True, text=True)
            assert out.returncode == 0, out.stderr + out.stdout
            return " ".join(out.stdout.split())
    over_tcp = checked("tcp: '192.0.2.7:4001', framing: rtu, speed: 19200 baud")
    assert "192.0.2.7:4001, RTU frames, 19200 baud" in over_tcp, over_tcp
    assert "RTU frames" not in checked("tcp: '192.0.2.7:502'")
    listens = checked("serial: /dev/ttyUSB0, speed: 9600 baud, frame: 8N1, share_line: listen")
    for words in ("only listened to: not a byte is sent", "what the other master does not read stays no_data", "status register in each round",
                  "raises RTS and DTR", "a name under /dev/serial/by-id stays"):
        assert words in listens, (words, listens)


if __name__ == "__main__":
    main(a_float_in_the_wrong_order_is_shown_in_all_four,
         check_says_what_a_line_is_and_what_listening_can_not,
         a_line_that_only_listens_sends_nothing_and_reads_what_the_other_master_reads,
         a_converter_without_its_unit_is_named_and_asked_less_often,
         a_device_server_that_holds_an_earlier_connection_is_named_and_taken_when_it_lets_go,
         a_server_that_turns_a_second_client_away_is_tried_with_pauses,
         a_converter_that_vanishes_and_comes_back_under_its_name_is_taken_again)
