#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""The exercises of `uphole simulate --exercise`, found by following docs/commissioning.md alone.

The commands are those of the page's steps, with the exercise's port, paper and well in place of the page's; what is decided from their output is decided by the
signs that stand in the page's tables, and each sign used here must stand there. Nothing else of the exercise is looked at: the person has the briefing, the
files of its directory, and the output of the commands. The judge is asked once, at the end.

  test_exercises.py            two exercises, in short (for the usual run)
  test_exercises.py --long     all eight with three seeds, in which all ways of the wires occur: about 7 min (UPHOLE_SEEDS="1 2": others)
  test_exercises.py --table    all eight, at the page's own times: the table of docs/commissioning.md

Planted: simulate-settings-ignored (speed and parity of the port make no difference), exercises-page-lacks-sign (the page does not lead there).
"""
import os
import pathlib
import pty
import re
import select
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time

from walk import BINARY, SOURCE

PAGE = (SOURCE / "docs/commissioning.md").read_text()
MAPS = str(SOURCE / "config/maps")
# In the usual runs the page's commands are given shorter times than a person has; the order of what they do is the same.
SHORT = ["--listen", "12 s", "--watch", "11 s", "--registers", "0..199"]
SHORTEST = ["--listen", "1 s", "--watch", "0 s", "--registers", "0..127"]


def steps():
    """{step: its command lines} of the page."""
    out = {}
    for part in re.split(r"(?m)^## ", PAGE)[1:]:
        name = re.match(r"Step (\d+)", part)
        if name:
            out[int(name.group(1))] = [line[2:] for block in re.findall(r"(?s)```\n(.*?)```", part) for line in block.split("\n") if line.startswith("$ ")]
    return out


STEPS = steps()


def sign(text):
    """A sign that is used here stands in one of the page's tables, in backquotes."""
    assert any("`" + text + "`" in row.split("|")[1] for row in PAGE.split("\n") if row.startswith("| ") and row.count("|") > 2), "docs/commissioning.md has no sign `%s`" % text
    return text


class Person:
    """At an exercise: reads the briefing, gives the page's commands, counts them, and says what it was."""

    def __init__(self, directory, number, seed, options):
        self.number, self.seed, self.options = number, seed, options
        self.directory = str(directory / ("exercise-%d-%d" % (number, seed)))
        self.commands, self.said = 0, []
        self.running = None
        self.cabinet = subprocess.Popen([BINARY, "simulate", "--exercise", str(number), "--seed", str(seed), "--maps", MAPS, "--at", self.directory],
                                        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
        self.briefing = ""
        for line in self.cabinet.stdout:
            if line == "ready\n":
                break
            self.briefing += line
        assert "Port:" in self.briefing, self.briefing
        self.began = time.monotonic()
        self.port = re.search(r"Port:  ([^,\s]+)", self.briefing).group(1)
        self.unit_id = re.search(r"paper: unit id (\d+)", self.briefing).group(1)
        settings = re.search(r"at (\d+) baud (8[NEO]\d)", self.briefing)
        self.speed, self.frame = settings.groups() if settings else (None, None)
        self.map = re.search(r", map ([\w-]+)", self.briefing).group(1)
        self.ordered = set(re.findall(r"\w+", re.search(r"(?s)Sensors as ordered: (.*?)\n\n", self.briefing).group(1)))

    # ---- commands of the page ----

    def give(self, line, typed=()):
        """A command line of the page, with this exercise's names."""
        line = line.replace("/dev/serial/by-id/usb-rs485-a", self.port).replace("192.0.2.7:502", self.port).replace("--speed 9600", "--speed %s" % self.speed)
        line = line.replace("--frame 8N1", "--frame %s" % self.frame).replace("--unit-id 1", "--unit-id %s" % self.unit_id)
        words = line.split()
        assert words[0] == "uphole", line
        command = [BINARY] + words[1:]
        if words[1] == "find":
            command += ["--yes", "--maps", self.directory + "/maps"] + self.options
        elif words[1] == "check":
            command[-1] = self.directory + "/uphole.yaml"
        else:
            command += ["--config", self.directory + "/uphole.yaml"]
        command += typed
        self.commands += 1
        done = subprocess.run(command, capture_output=True, text=True, stdin=subprocess.DEVNULL, timeout=2000)
        output = done.stdout + done.stderr
        self.said.append("$ %s\n%s" % (line, output))
        return output

    def page(self, step, which=0, start="uphole "):
        """The `which`th command of a step that begins so."""
        return [line for line in STEPS[step] if line.startswith(start)][which]

    def screen(self):
        """{point: (number, unit) as shown, or None}."""
        out = {}
        for line in pathlib.Path(self.directory, "screen.txt").read_text().split("\n"):
            words = line.split()
            if words:
                out[words[0]] = None if words[1] == "---" else (words[1], words[2])
        return out

    # ---- the page's steps ----

    def of_the_map(self, output):
        """What find says about the office's map."""
        part = output.split("Known maps", 1)[-1]
        found = re.search(r"(?ms)^ +\d+ %%  %s\n(.*?)(?=^ +\d+ %%  |^\S|\Z)" % re.escape(self.map), part)
        return found.group(1) if found else ""

    def step_4(self):
        is_serial = self.port.startswith("/")
        output = self.give(self.page(4, 0 if is_serial else 1, "uphole find "))
        if sign("Another master asks on this line") in output:
            return "another master every %s s" % re.search(r"every ([\d.]+) s", output).group(1)
        causes = re.findall(r"(?m)^ +\d+ %  (.*)\.$", output.split("What may be off", 1)[1]) if "What may be off" in output else []
        if "Found: " not in output:
            if causes and sign("The two wires of the pair are swapped") in causes[0]:
                return "swapped pair"
            if causes and sign("A converter or gateway answers") in causes[0]:
                exception = re.search(r"exception (0[AB])", causes[0]).group(1)
                sign("exception " + exception)
                return "converter exception " + exception
            if causes and sign("Speed or parity are not those of the unit") in causes[0]:
                return self.step_5_settings()
            assert causes and sign("Nobody there") in causes[0], output
            return self.step_5()
        if any(sign("Bias or termination of the pair is missing") in cause for cause in causes):
            return "missing bias"
        return self.look_at_map(output) or self.step_6()

    def look_at_map(self, output):
        of_map = self.of_the_map(output)
        moved = re.search(sign("addresses may be off by one: each higher").replace("higher", "(higher|lower)"), of_map)
        if moved:
            return "off by one " + moved.group(1)
        order = re.search(sign("word order:") + r".* fit better (.*)", of_map)
        return "word order " + order.group(1) if order else None

    def step_5(self):
        output = self.give(self.page(5, 0))
        found = re.search(r"Found: unit id (\d+)", output)
        if found:
            return "unit id " + found.group(1)
        return self.step_5_settings()

    def step_5_settings(self):
        output = self.give(self.page(5, 1))
        found = re.search(r"Found: unit id \d+ at (\d+) baud (8..)", output)
        assert found, output
        return "settings %s %s" % found.groups()

    def start(self):
        self.commands += 1
        log = open(self.directory + "/run.log", "w")
        self.running = subprocess.Popen([BINARY, "run", "--config", self.directory + "/uphole.yaml"], stdout=log, stderr=log, stdin=subprocess.DEVNULL)
        log.close()

    def step_6(self):
        self.give(self.page(6, 0, "uphole check"))
        self.start()
        end = time.monotonic() + 60
        while time.monotonic() < end:
            time.sleep(5)
            status = self.give(self.page(6, 0, "uphole status"))
            exception = re.search(r"exception (0[AB])", status)
            if exception:
                sign("exception 0A"), sign("exception 0B")
                return "converter exception " + exception.group(1)
            if re.search(r"(?m)^  gauge +live", status):
                break
        return self.step_7(self.give(self.page(6, 0, "uphole read")))

    def step_7(self, read):
        for point, quality in re.findall(r"(?m)^(\w+) .*  (?:[\d.]+|-)  (\w+): ", read):
            if quality in ("good", "unit_unconfirmed", "impossible") and point in self.screen() and point not in self.ordered and self.screen()[point] is not None:
                if self.is_of_gauge(point):
                    return "not fitted " + point
        return self.step_8()

    def is_of_gauge(self, point):
        return not re.match(r"surface_unit|tubing|casing|wellhead", point)

    def step_8(self):
        """All that the screen shows is typed, in its own words."""
        line = self.page(8, 1, "uphole compare")
        assert re.match(r'uphole compare heron-7 \w+="', line), line
        typed = ["%s=%s" % (point, " ".join(shown) if shown else "---") for point, shown in self.screen().items()]
        output = self.give("uphole compare heron-7", typed)
        verdicts = re.findall(r"(?m)^(\w+) .*  (differs: .*|no measurement.*|same.*)$", output)
        assert verdicts, output
        for point, verdict in verdicts:
            if verdict.startswith(sign("no measurement")) and point not in self.ordered:
                return "not fitted " + point
            unit = re.match(r"differs: (?:[\d.]+ )?(\S+), %s \S+" % sign("map says"), verdict)
            if unit and "or otherwise" not in verdict:
                return "unit %s %s" % (point, unit.group(1))
        return "nothing"

    # ---- the end ----

    def stop(self):
        for process in (self.running, self.cabinet):
            if process and process.poll() is None:
                process.send_signal(signal.SIGTERM)
                try:
                    process.wait(60)
                except subprocess.TimeoutExpired:
                    process.kill()
                    process.wait()

    def work(self):
        """Finds what it was; then asks the judge, once."""
        try:
            self.give(self.page(1))
            answer = self.step_4()
            minutes = (time.monotonic() - self.began) / 60
        finally:
            self.stop()
        spoiled = re.search(r"(\d+) of its exchanges were spoiled", self.cabinet.stdout.read())
        judged = subprocess.run([BINARY, "simulate", "--exercise", str(self.number), "--seed", str(self.seed), "--maps", MAPS, "--answer", answer],
                                capture_output=True, text=True)
        return answer, judged, minutes, int(spoiled.group(1)) if spoiled else None


def at_work(exercises, options):
    """All of them at once: a person waits most of the time. Returns [(person, answer, judged, minutes, spoiled)]."""
    directory = pathlib.Path(tempfile.mkdtemp(prefix="uphole-exercise-"))
    results, failures = [], []

    def one(number, seed):
        person = None
        try:
            person = Person(directory, number, seed, options)
            results.append((person,) + person.work())
        except Exception as error:  # each is reported with what was seen
            failures.append("exercise %d, seed %d: %r\n%s" % (number, seed, error, "\n".join(person.said)[-6000:] if person else ""))

    threads = [threading.Thread(target=one, args=exercise) for exercise in exercises]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    shutil.rmtree(directory, ignore_errors=True)
    return sorted(results, key=lambda result: (result[0].seed, result[0].number)), failures


def check(results_and_failures):
    results, failures = results_and_failures
    for person, answer, judged, minutes, spoiled in results:
        print("  seed %d, exercise %d: %-50s %d commands, %.1f min" % (person.seed, person.number, answer, person.commands, minutes), flush=True)
        assert judged.returncode == 0 and judged.stdout.startswith("Right: "), "%s\n%s%s\n%s" % (answer, judged.stdout, judged.stderr, "\n".join(person.said)[-8000:])
        if answer.startswith("another master"):
            assert spoiled == 0, "%s exchanges of the other master were spoiled" % spoiled
    assert not failures, "\n\n".join(failures)
    # The judge that calls these right says of each other's answers that they are not.
    for person, answer, _, _, _ in results:
        for other, others, _, _, _ in results:
            if others.split()[0:2] != answer.split()[0:2]:
                judged = subprocess.run([BINARY, "simulate", "--exercise", str(person.number), "--seed", str(person.seed), "--maps", MAPS, "--answer", others], capture_output=True, text=True)
                assert judged.returncode == 1 and judged.stdout.startswith("Not right"), (answer, others, judged.stdout)


def at_a_keyboard():
    """What is typed where it asks: words that are no answer are asked for again; an answer ends it, and leaves what the person may have changed."""
    for typed, code, said in (("swapped wires", None, "no answer in one of these forms"), ("unit id 9", 1, "Not right. It was: swapped pair"), ("Swapped pair", 0, "Right: swapped pair")):
        directory = pathlib.Path(tempfile.mkdtemp(prefix="uphole-exercise-"))
        keyboard, screen = pty.openpty()
        command = [BINARY, "simulate", "--exercise", "6", "--seed", "1", "--maps", MAPS, "--at", str(directory / "here")]
        run = subprocess.Popen(command, stdin=screen, stdout=screen, stderr=screen)
        os.close(screen)
        try:
            seen = until(keyboard, "", "What was it? ")
            assert (directory / "here/port").is_symlink() and (directory / "here/screen.txt").exists(), seen
            os.write(keyboard, typed.encode() + b"\n")
            seen = until(keyboard, "", said)
            if code is None:
                until(keyboard, seen, "What was it? ")
                again = subprocess.run(command, capture_output=True, text=True, stdin=subprocess.DEVNULL)
                assert again.returncode == 73 and "nothing in it is replaced" in again.stderr, again.stderr
                run.send_signal(signal.SIGTERM)
            assert run.wait(60) == (code or 0), run.returncode
            left = sorted(path.name for path in (directory / "here").iterdir())
            assert left == ["journal", "maps", "uphole.yaml"], left
        finally:
            if run.poll() is None:
                run.kill()
                run.wait()
            os.close(keyboard)
            shutil.rmtree(directory, ignore_errors=True)


def a_directory_that_can_t_be_made_leaves_nothing():
    """A map is missing: the exercise doesn't begin, and what it had made is gone."""
    directory = pathlib.Path(tempfile.mkdtemp(prefix="uphole-exercise-"))
    for name in ("scaled-16", "float-low-first"):
        shutil.copy("%s/%s.yaml" % (MAPS, name), directory)
    done = subprocess.run([BINARY, "simulate", "--exercise", "6", "--seed", "1", "--maps", str(directory), "--at", str(directory / "here")], capture_output=True, text=True)
    assert done.returncode == 66 and "drive-a.yaml" in done.stderr and not (directory / "here").exists(), (done.returncode, done.stderr)
    shutil.rmtree(directory)


def until(terminal, seen, words):
    """What a terminal shows up to and with these words."""
    end = time.monotonic() + 80
    while words not in seen:
        assert time.monotonic() < end, "waited for '%s': %s" % (words, seen)
        if select.select([terminal], [], [], 0.2)[0]:
            try:
                seen += os.read(terminal, 4096).decode()
            except OSError:
                assert words in seen, "it ended before '%s': %s" % (words, seen)
    return seen


KINDS = {"unit id": "another unit id", "settings": "other speed or parity", "off by": "map off by one", "word order": "other word order", "unit": "other unit in the registers",
         "not fitted": "marker of a sensor that isn't there", "another master": "another master on the line", "swapped pair": "wires: swapped pair", "missing bias": "wires: missing bias", "converter exception": "wires: silent behind the converter"}


def table(results):
    """A row for each kind, the first that was met."""
    print("| what was wrong | commands | machine time |\n|---|---|---|")
    seen = set()
    for person, answer, judged, minutes, _ in results:
        kind = next(words for start, words in KINDS.items() if answer.startswith(start + " ") or answer == start)
        if kind in seen:
            continue
        seen.add(kind)
        print("| %s | %d | %.1f min |" % (kind, person.commands, minutes))


def main():
    which = sys.argv[1] if len(sys.argv) > 1 else ""
    if which == "--table":
        results = []
        for seed in (int(text) for text in os.environ.get("UPHOLE_SEEDS", "7 1 2 4").split()):
            found = at_work([(number, seed) for number in range(1, 9)], [])
            check(found)
            results += found[0]
        table(results)
    elif which == "--long":
        for seed in (int(text) for text in os.environ.get("UPHOLE_SEEDS", "2 3 6").split()):
            check(at_work([(number, seed) for number in range(1, 9)], SHORT))
    elif which:
        check(at_work([tuple(int(n) for n in which.split(","))], SHORT))
    else:
        at_a_keyboard()
        a_directory_that_can_t_be_made_leaves_nothing()
        check(at_work([(6, 1), (4, 2)], SHORTEST))
    print("all found")
    return 0


if __name__ == "__main__":
    sys.exit(main())
