#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""uphole compare as a technician runs it, at a real pseudo-terminal, beside a running Uphole and a simulated surface unit whose map isn't always ours.

What the screen says is taken from the simulator's truth log (what its registers say, in its own units), with factors of NIST SP 811 (2008), app. B.8.
"""
import json
import os
import pathlib
import pty
import re
import select
import signal
import shutil
import subprocess
import tempfile
import time

from walk import BINARY, PATIENCE, SOURCE, free_port, main, wait_for

PSI = 6.894757
CONFIG = """\
site: heron-ridge
box: heron-edge-1
lines:
  pad-line: {{tcp: 127.0.0.1:{port}, response_timeout: 2 s}}
wells:
  heron-7:
    table_block: 0
    sources:
      gauge:
        - {{from: 2025-01-10T08:00:00Z, line: pad-line, unit_id: 1, map: scaled-16, poll_every: 500 ms, refresh: 2 s, serial_number: G-0417}}
  heron-8:
    table_block: 1
    sources:
      gauge:
        - {{from: 2025-01-10T08:00:00Z, line: pad-line, unit_id: 2, map: float-low-first, poll_every: 500 ms, refresh: 2 s, serial_number: G-0418}}
journal: {{path: {directory}/journal}}
"""


class Box:
    """A surface unit by the simulator, with maps of its own where `unit` says (map, before, after); the daemon has the installed ones."""

    def __init__(self, *unit, simulate=()):
        self.directory = pathlib.Path(tempfile.mkdtemp(prefix="uphole-compare-"))
        self.maps = SOURCE / "config/maps"
        self.config = self.directory / "uphole.yaml"
        self.config.write_text(CONFIG.format(port=free_port(), directory=self.directory))
        (self.directory / "journal").mkdir(mode=0o750)
        theirs = self.directory / "maps"
        shutil.copytree(self.maps, theirs)
        for name, before, after in unit:
            path = theirs / (name + ".yaml")
            text = path.read_text()
            assert before in text, before
            path.write_text(text.replace(before, after))
        self.log = open(self.directory / "log", "w")
        self.processes = []
        self.start("simulate", "--config", self.config, "--maps", theirs, "--seed", "7", "--truth", self.directory / "truth.ndjson", "--refresh", "2 s", *simulate)
        self.daemon = self.start("run", "--config", self.config, "--maps", self.maps)

    def is_read(self):
        wait_for("readings", 30, lambda: all(self.value(well, "leakage_current") is not None for well in ("heron-7", "heron-8")))

    def start(self, *command):
        process = subprocess.Popen([BINARY, *map(str, command)], stdout=self.log, stderr=self.log, stdin=subprocess.DEVNULL)
        self.processes.append(process)
        return process

    def value(self, well, point):
        done = subprocess.run([BINARY, "read", well, "--json", "--config", self.config], capture_output=True, text=True)
        if done.returncode != 0:
            return None
        return next((c["value"] for c in json.loads(done.stdout)["channels"] if c["channel"] == point), None)

    def screen(self, unit_id, point):
        """What the unit's registers say now, in the point's unit: the newest refresh of its truth log."""
        for line in reversed((self.directory / "truth.ndjson").read_text().splitlines()):
            try:
                row = json.loads(line)
            except ValueError:
                continue  # half a line
            if row["unit_id"] == unit_id:
                return row["points"][point]["value"]
        return None

    def compare(self, well, *more, **options):
        return subprocess.run([BINARY, "compare", well, "--config", self.config, *more], capture_output=True, text=True, stdin=subprocess.DEVNULL, timeout=120, **options)

    def close(self):
        for process in reversed(self.processes):
            if process.poll() is None:
                process.terminate()
                process.wait(20 * PATIENCE)
        self.log.close()
        shutil.rmtree(self.directory, ignore_errors=True)

    def __enter__(self):
        return self

    def __exit__(self, kind, *_):
        if kind is not None:
            self.log.flush()
            print((self.directory / "log").read_text()[-2000:])
        self.close()


class Keyboard:
    """A session at a pseudo-terminal: what was said, and what is typed."""

    def __init__(self, box, well, *options):
        self.fd, screen = pty.openpty()
        self.run = subprocess.Popen([BINARY, "compare", well, "--config", box.config, *options], stdin=screen, stdout=screen, stderr=screen,
                                    start_new_session=True, preexec_fn=lambda: __import__("fcntl").ioctl(0, __import__("termios").TIOCSCTTY, 0))
        os.close(screen)
        self.said = ""  # since the last expect

    def expect(self, *words, seconds=20):
        """Reads on until all words were said, in their order; what follows is kept for the next."""
        end = time.monotonic() + seconds * PATIENCE
        wanted = re.compile(r"[\s\S]*?".join(re.escape(word).replace(r"\ ", r"\s+") for word in words))
        while True:
            found = wanted.search(self.said)
            if found:
                text, self.said = self.said[:found.end()], self.said[found.end():]
                return re.sub(r"\s+", " ", text)
            assert time.monotonic() < end, f"expected {words} within {seconds} s, heard: {self.said}"
            if select.select([self.fd], [], [], 0.1)[0]:
                try:
                    self.said += os.read(self.fd, 4096).decode()
                except OSError:
                    raise AssertionError(f"expected {words}, heard: {self.said}, and the program ended") from None

    def type(self, text):
        os.write(self.fd, text.encode() + b"\n")

    def end(self, seconds=20):
        """Reads to the end; (exit code, what was said)."""
        end = time.monotonic() + seconds * PATIENCE
        while time.monotonic() < end:
            try:
                if select.select([self.fd], [], [], 0.1)[0]:
                    more = os.read(self.fd, 4096)
                    if not more:
                        break
                    self.said += more.decode()
            except OSError:
                break
        code = self.run.wait(seconds * PATIENCE)
        os.close(self.fd)
        return code, re.sub(r"\s+", " ", self.said)


def psi(kpa):
    return f"{kpa / PSI:.0f} psi"


def a_unit_set_to_psi_while_the_map_says_kpa_is_named_with_its_ratio(box):
    """Planted defect: a unit that moves its point isn't tried (commission-point-stays)."""
    done = box.compare("heron-7", "intake_pressure=" + psi(box.screen(1, "intake_pressure")))
    assert done.returncode == 1, done.stderr + done.stdout
    text = re.sub(r"\s+", " ", done.stdout)
    assert re.search(r"psi x 6\.894757 = [0-9.]+ kPa; Uphole shows [0-9]+ kPa: 0\.14[45][0-9]* times", text), text
    assert "The register holds counts of psi, and the map says kPa (0.001 MPa)" in text and "kPa x 0.1450377 =" in text, text
    shown = re.search(r"\$ uphole compare heron-7 intake_pressure=\"1447 psi\"\n([\s\S]*?)```", (SOURCE / "docs/compare.md").read_text()).group(1)
    assert re.sub(r"[\d.]+", "N", re.sub(r"\s+", " ", shown)) in re.sub(r"[\d.]+", "N", text), "docs/compare.md shows what isn't printed: " + text
    out = box.compare("heron-7", "--json", "intake_pressure=" + psi(box.screen(1, "intake_pressure")))
    channel = json.loads(out.stdout)["channels"][0]
    assert channel["verdict"] == "cause" and abs(channel["ratio"] - 0.145) < 0.001, channel
    assert channel["causes"][0]["name"] == "psi, map says kPa (0.001 MPa)" and abs(channel["causes"][0]["ratio"] - 0.1450377) < 1e-6, channel
    assert not channel["can_confirm"] and len(channel["checks"]) >= 2, channel
    done = box.compare("heron-8", f"intake_pressure={box.screen(2, 'intake_pressure') / 1000:.3f} MPa")
    text = re.sub(r"\s+", " ", done.stdout)
    assert done.returncode == 1 and ": 6.89" in text and "The register holds kPa, and the map says psi: it is converted twice" in text, text
    wrong = box.compare("heron-7", "intake_pressure=1,790 psi")
    assert wrong.returncode == 65 and "without marks between thousands" in wrong.stderr and wrong.stdout == "", wrong
    wrong = box.compare("heron-7", "intake_pressure=1790")
    assert wrong.returncode == 65 and "a unit is missing" in wrong.stderr, wrong
    wrong = box.compare("heron-7", "gauge_status=1")
    assert wrong.returncode == 65 and "state" in wrong.stderr, wrong
    wrong = box.compare("heron-7", "intake_presure=1790 psi")
    assert wrong.returncode == 64 and "is no point" in wrong.stderr, wrong
    wrong = box.compare("heron-9", "intake_pressure=1790 psi")
    assert wrong.returncode == 66 and "There is no such well" in wrong.stderr, wrong
    wrong = box.compare("heron-7", "intake_pressure=1790 psi", "intake_temperature")
    assert wrong.returncode == 64 and "or for none" in wrong.stderr, wrong
    wrong = box.compare("heron-7")
    assert wrong.returncode == 64 and "nobody is at the keyboard" in wrong.stderr, wrong


def a_sensor_that_is_not_there_and_its_value_in_another_unit(box):
    """S13. Planted defect: what both show alike is the same (commission-marker-is-a-value)."""
    wait_for("the scene to be as it is meant", 10, lambda: box.value("heron-7", "discharge_pressure") == 9505)
    done = box.compare("heron-7", "discharge_pressure=9505 psi")
    text = re.sub(r"\s+", " ", done.stdout)
    assert done.returncode == 1 and "9505 psi is what surface units send for a sensor that isn't fitted, and Uphole takes it for a value" in text, text
    done = box.compare("heron-7", "discharge_pressure=---", "--json")
    assert json.loads(done.stdout)["channels"][0]["verdict"] == "marker", done.stdout
    done = box.compare("heron-8", "discharge_pressure=---", "discharge_temperature=none")
    text = re.sub(r"\s+", " ", done.stdout)
    assert done.returncode == 0 and text.count("same: not fitted") == 2, text


def words_in_another_order_and_a_register_beside_ours_are_named(box):
    """S10, S9. Planted defects: other orders, and neighbours, aren't looked at (commission-orders-untried, commission-neighbour-unseen)."""
    # the register before and this one make nearly the same number, since they share the high word: both may be said, never the neighbour alone
    done = box.compare("heron-8", "--json", f"motor_winding_temperature={box.screen(2, 'motor_winding_temperature') * 1.8 + 32:.2f} F")
    channel = json.loads(done.stdout)["channels"][0]
    assert channel["verdict"] in ("cause", "causes") and "order" in [c["kind"] for c in channel["causes"]], channel
    assert "Read with high word first it would be the screen's value; correct `words` or `bytes` in the map." in [c["sentence"] for c in channel["causes"]], channel
    assert re.search(r"Registers from 118, counted from 0: 0x[0-9A-F]{4} 0x[0-9A-F]{4}: high word first: f32 .*\| low word first: f32 .*\| high word first, bytes swapped: f32", channel["working"]), channel
    done = box.compare("heron-7", "--json", f"insulation_resistance={box.screen(1, 'insulation_resistance'):.0f} kohm")
    channel = json.loads(done.stdout)["channels"][0]
    assert channel["causes"][0]["kind"] == "neighbour" and "register behind (30, counted from 0)" in channel["causes"][0]["sentence"], channel


def at_the_screen_channel_by_channel_with_typing_errors_and_going_on(box):
    """Planted defects: Uphole's number is shown before (compare-shows-first); a typing error ends the channel; q drops what was done (compare-q-forgets, compare-tries-once)."""
    keyboard = Keyboard(box, "heron-7")
    said = keyboard.expect("1 of ", "intake_pressure (pump intake pressure)", "the screen says: ")
    assert "dangerous voltage" in said and "permit" in said, said
    assert "kPa" not in said, "Uphole's number, or its unit, is shown before the screen's was typed: " + said
    keyboard.type("?")
    keyboard.expect("press Enter in the moment", "the screen says: ")
    keyboard.type("1,790 psi")
    keyboard.expect("marks between thousands", "the screen says: ")
    keyboard.type("179o psi")
    keyboard.expect("no unit of pressure is known as 'o psi'", "the screen says: ")
    for length in (300, 1030):  # none of it is taken for a shorter line, as "s"
        keyboard.type("x" * length + "s")
        keyboard.expect("'(too long)' doesn't begin with a number", "the screen says: ")
    keyboard.type(psi(box.screen(1, "intake_pressure")))
    keyboard.expect("Same", "psi x 6.894757", "apart", "Confirm that the unit of intake_pressure is as configured? [y/N]")
    keyboard.type("n")
    keyboard.expect("2 of ", "discharge_pressure", "the screen says: ")
    keyboard.type("s")
    keyboard.expect("3 of ", "intake_temperature", "the screen says: ")
    for _ in range(5):
        keyboard.type("87.4 bar")
        keyboard.expect("bar is a unit of pressure")
    keyboard.expect("Skipped: nothing that could be read", "4 of ", "the screen says: ")
    keyboard.type("q")
    code, said = keyboard.end()
    assert code == 1 and re.search(r"intake_pressure [0-9]+ psi .* same", said) and "1 compared: 1 the same, 0 not; 0 confirmed; 2 skipped" in said, said
    rest = re.search(r"To go on: uphole compare heron-7 ((?:[a-z_]+ )+)", said).group(1).split()
    assert rest[0] == "discharge_temperature" and "intake_pressure" not in rest and "leakage_current" in rest, rest
    # going on, and a signal in the middle: what is done is printed, and the terminal's answer is whole
    keyboard = Keyboard(box, "heron-7", "--json", "leakage_current", "gauge_supply_voltage")
    keyboard.expect("1 of 2", "leakage_current", "the screen says: ")
    keyboard.type(f"{box.screen(1, 'leakage_current'):.2f} mA")
    keyboard.expect("2 of 2", "the screen says: ")
    os.write(keyboard.fd, b"\x03")  # Ctrl-C
    code, said = keyboard.end()
    found = json.loads(said[said.index("{"):])
    assert code == 1 and found["stopped"] and [c["state"] for c in found["channels"]] == ["compared", "open"], found
    assert found["channels"][0]["verdict"] == "same", found


def what_is_the_same_is_confirmed_at_once_and_nothing_else(box):
    """Planted defects: any answer is a yes (compare-any-answer-confirms); what differs is confirmed as well (compare-confirms-what-differs)."""
    def quality(well, point):
        out = subprocess.run([BINARY, "read", well, "--json", "--config", box.config], capture_output=True, text=True).stdout
        return next(c["reason"] for c in json.loads(out)["channels"] if c["channel"] == point)

    keyboard = Keyboard(box, "heron-7", "intake_pressure", "gauge_temperature", "motor_winding_temperature", "leakage_current")
    keyboard.expect("1 of 4", "the screen says: ")
    keyboard.type(psi(box.screen(1, "intake_pressure")))
    keyboard.expect("Same", "Confirm that the unit of intake_pressure is as configured? [y/N]")
    keyboard.type("y")
    keyboard.expect("In which role do you confirm")
    keyboard.type("field technician")
    keyboard.expect("intake_pressure", "2 of 4", "the screen says: ")
    keyboard.type(f"{box.screen(1, 'gauge_temperature'):.1f} C")
    keyboard.expect("Same", "[y/N]")
    keyboard.type("maybe")
    keyboard.expect("3 of 4", "the screen says: ")
    keyboard.type(f"{box.screen(1, 'motor_winding_temperature') * 1.8 + 32:.1f} C")  # what a person reads who takes degF for degC
    keyboard.expect("Different", "4 of 4", "the screen says: ")  # and nobody is asked to confirm it
    keyboard.type(f"{box.screen(1, 'leakage_current'):.2f} mA")
    code, said = keyboard.end()
    assert "[y/N]" not in said, "a kind that needs no confirmation was to be confirmed: " + said
    assert code == 1 and "3 the same, 1 not; 1 confirmed" in said and "same, confirmed" in said, said
    wait_for("the confirmed reading", 20, lambda: quality("heron-7", "intake_pressure") == "good")
    wait_for("another that is not", 10, lambda: quality("heron-7", "gauge_temperature") == "unit_unconfirmed")
    done = box.compare("heron-7", "--confirm", "--by", "field technician", f"gauge_temperature={box.screen(1, 'gauge_temperature'):.1f} C",
                       f"motor_winding_temperature={box.screen(1, 'motor_winding_temperature') + 20:.1f} C", "--json")
    found = {c["point"]: c for c in json.loads(done.stdout)["channels"]}
    assert found["gauge_temperature"]["confirmed"] and not found["motor_winding_temperature"]["confirmed"], found
    wait_for("the other", 20, lambda: quality("heron-7", "gauge_temperature") == "good")
    wait_for("the one that differed, as it was", 10, lambda: quality("heron-7", "motor_winding_temperature") == "unit_unconfirmed")
    again = box.compare("heron-7", "--confirm", "--by", "field technician", f"gauge_temperature={box.screen(1, 'gauge_temperature'):.1f} C", "--json")
    assert not json.loads(again.stdout)["channels"][0]["confirmed"] and again.returncode == 0, again.stdout  # it is already
    nobody = box.compare("heron-7", "--confirm", "gauge_temperature=70 C")
    assert nobody.returncode == 64 and "--by" in nobody.stderr, nobody.stderr


def a_session_ends_with_the_daemon_and_says_how_to_go_on(box):
    """Planted defect: a daemon that went away is waited for (compare-waits-for-ever)."""
    keyboard = Keyboard(box, "heron-7", "gauge_supply_voltage")
    keyboard.expect("1 of 1", "the screen says: ")
    box.daemon.send_signal(signal.SIGTERM)
    code, said = keyboard.end()
    assert code == 69 and "To go on: uphole compare heron-7 gauge_supply_voltage" in said, (code, said)


def run(box, *scenes):
    for scene in scenes:
        print(f"  {scene.__name__}: {scene.__doc__}", flush=True)
        scene(box)


def compare_beside_a_unit_as_configured_and_one_that_is_set_otherwise():
    """Two boxes that start together, the second with maps of its own in its unit."""
    # counts of psi where our map says counts of 0.001 MPa, which are kPa
    unit = ("scaled-16", "{input: 16, type: u16, scale: 0.001, unit: MPa, reference: absolute, instrument_range: 0 to 60 MPa, max_rate: 3 MPa/min, accuracy: 0.03 MPa",
            "{input: 16, type: u16, scale: 1, unit: psi, reference: absolute, instrument_range: 0 to 8700 psi, max_rate: 400 psi/min, accuracy: 4 psi")
    # and kPa already where our map converts from psi: twice
    twice = ("float-low-first", "intake_pressure:            {holding: 40111, type: f32, words: low-first, unit: psi, reference: gauge, instrument_range: 0 to 8000 psi, max_rate: 400 psi/min, accuracy: 5 psi",
             "intake_pressure:            {holding: 40111, type: f32, words: low-first, unit: kPa, reference: gauge, instrument_range: 0 to 55000 kPa, max_rate: 2700 kPa/min, accuracy: 35 kPa")
    # the unit was switched to psi and sends 9505 where our map expects 65535 counts of 0.001 MPa
    marker = ("scaled-16", "discharge_pressure:           {input: 20, type: u16, scale: 0.001, unit: MPa, reference: absolute, instrument_range: 0 to 60 MPa, max_rate: 6 MPa/min, accuracy: 0.03 MPa, not_fitted: [0xFFFF]}",
            "discharge_pressure:           {input: 20, type: u16, scale: 1, unit: psi, reference: absolute, instrument_range: 0 to 8700 psi, max_rate: 800 psi/min, accuracy: 4 psi, not_fitted: [9505]}")
    # float32 with its high word first, and a register that stands one further than our map says (and the next one out of its way)
    order = ("float-low-first", "motor_winding_temperature:  {holding: 40119, type: f32, words: low-first", "motor_winding_temperature:  {holding: 40119, type: f32, words: high-first")
    beside = ("scaled-16", "insulation_resistance:        {input: 29", "insulation_resistance:        {input: 30")
    away = ("scaled-16", "gauge_supply_voltage:         {input: 30", "gauge_supply_voltage:         {input: 32")
    with Box() as box, Box(unit, twice, marker, order, beside, away, simulate=("--no-discharge",)) as other:
        box.is_read()
        run(box, at_the_screen_channel_by_channel_with_typing_errors_and_going_on, what_is_the_same_is_confirmed_at_once_and_nothing_else,
            a_session_ends_with_the_daemon_and_says_how_to_go_on)
        other.is_read()
        run(other, a_unit_set_to_psi_while_the_map_says_kpa_is_named_with_its_ratio, words_in_another_order_and_a_register_beside_ours_are_named,
            a_sensor_that_is_not_there_and_its_value_in_another_unit)


if __name__ == "__main__":
    main(compare_beside_a_unit_as_configured_and_one_that_is_set_otherwise)
