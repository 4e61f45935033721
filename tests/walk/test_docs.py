#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""Every code block of README.md and docs/: run, validated, or listed by name with the test that runs it.

The tour of README.md is run as it stands, in one shell with job control; what it prints must have the shape that README shows (numbers may differ).
A command line that no rule below knows fails the test, so that no block is left out unseen. Planted: a wrong option in README; a JSON example with a key
that its schema doesn't know; an example trace with a wrong length.
"""
import concurrent.futures
import json
import os
import pty
import re
import shutil
import socket
import sqlite3
import subprocess
import sys
import tempfile
import time

import jsonschema

from ports import free_port

ROOT = os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
UPHOLE = os.environ.get("UPHOLE_BINARY", ROOT + "/build/release/daemon/uphole/uphole")
FAILURES, DONE, LISTED, UP_TO, TOUR = [], [], [], [], []
# A search mostly waits, beside a simulated unit of its own: two at a time go on while the pages are walked.
SEARCHES = concurrent.futures.ThreadPoolExecutor(2)
SEARCHED = []

# What needs root, a service manager, a compiler's quarter of an hour or hardware, and where that is run instead.
ELSEWHERE = [("uphole run --config exercise-", "walk_exercises"), ("uphole loop-check heron-7 --record /home/jo/records --reader-user", "walk_loop_check_resume, with a reader of its own"), ("bash config/demo/run.sh", "the demo, the second of the two commands of this project"), ("bash tests/run.sh", "this suite"),
             ("apt install", "package"), ("systemctl", "needs a service manager: package and walk_service, which plays it"), ("sudo systemctl", "needs a service manager: package and walk_service, which plays it"),
             ("journalctl", "walk_service"), ("install -", "package"), ("[Service]", "walk_service"), ("LoadCredential=", "walk_service"),
             ("IPAddress", "walk_service"), ("cmake -S", "package"), ("adduser", "package"), ("sudo tar", "walk_docs, the move below"),
             ("mosquitto_sub -h broker.heron.example", "walk_replay"), ("python3 docs/examples/", "walk_integrator"), ("UPHOLE_GOLDEN_WRITE=1", "test_golden"), ("git diff", "test_golden")]
# Figures of an invented site, to be read: what they show is asserted by the tests named.
SHOWN = [("surface unit ──", "a drawing"), ("  holds:", "the demo"), ("9f3c61:17", "test_gaps"), ("{schema", "")]


def blocks(path):
    """(first line, language, text) of each fenced block; a block in a list is taken out of its indent."""
    lines, out, number = open(path).read().split("\n"), [], 0
    while number < len(lines):
        fence = re.match(r"^( *)```(\w*)$", lines[number])
        number += 1
        if not fence:
            continue
        text, first = [], number + 1
        while not re.match(r"^ *```$", lines[number]):
            text.append(lines[number][len(fence.group(1)):] if lines[number].startswith(fence.group(1)) else lines[number])
            number += 1
        number += 1
        out.append((first, fence.group(2), "\n".join(text)))
    return out


def must(where, holds, what):
    if not holds:
        FAILURES.append("%s: %s" % (where, what))


def shape(line):
    """A line with its numbers, times and hexadecimal words taken out."""
    line = re.sub(r"0x[0-9A-Fa-f]+|\b[0-9a-f]{6}:\d+|\b[0-9a-f]{8,}\b|/dev/pts/\d+|/tmp/[\w./-]*|config/tour.yaml", "N", line)
    line = re.sub(r"\b(scan|reading|record)s\b", r"\1", line)
    line = re.sub(r"-?\d[\d,.:eE+-]*Z?( min| s| h)?", "N", line)
    return re.sub(r"(N ?)+", "N ", re.sub(r"\s+", " ", line)).strip()


class Shell:
    """One bash with job control, as the reader's."""

    def __init__(self, directory, port, table_port):
        self.replace = [("/tmp/uphole-tour", directory), ("18830", str(port)), ("config/tour.yaml", directory + "/tour.yaml"),
                        ("build/release/daemon/uphole/uphole", UPHOLE), ("1502", str(table_port))]
        self.bash = subprocess.Popen(["bash", "--norc"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, cwd=ROOT)
        self.bash.stdin.write("set -m\n")

    def run(self, command):
        for old, new in self.replace:
            command = re.sub(r"(?<![\w/])" + re.escape(old), lambda _: new, command)
        self.bash.stdin.write(command + "\ncode=$?; echo; echo \"END OF COMMAND $code\"\n")
        self.bash.stdin.flush()
        out = []
        for line in self.bash.stdout:
            if line.startswith("END OF COMMAND"):
                return int(line.split()[-1]), "".join(out)
            out.append(line)
        raise SystemExit("the shell ended: " + "".join(out))

    def end(self):
        self.bash.stdin.write("kill $(jobs -p); sleep 1; exit\n")
        self.bash.stdin.close()
        try:
            self.bash.wait(20)
        except subprocess.TimeoutExpired:
            self.bash.kill()


def commands_of(text):
    """(command, what is shown of its output up to `...`)."""
    out = []
    for line in text.split("\n"):
        if line.startswith("$ "):
            out.append([line[2:], []])
        elif out:
            out[-1][1].append(line)
    return out


def keys_of(value):
    return set(value) | set().union(*[keys_of(inner) for inner in value.values()]) if isinstance(value, dict) else set()


def answered(shell):
    for _ in range(100):
        if "gauge" in shell.run("%s read heron-7 --config config/tour.yaml" % UPHOLE)[1]:
            return
        time.sleep(0.2)


def pressure(shell):
    """Waited for: a surface unit that starts has none yet."""
    for _ in range(300):
        code, output = shell.run("%s read heron-7 --json --config config/tour.yaml" % UPHOLE)
        value = [row["value"] for row in json.loads(output)["channels"] if row["channel"] == "intake_pressure"] if code == 0 else []
        if value and value[0] is not None:
            return value[0]
        time.sleep(0.2)
    raise SystemExit("intake_pressure has no value: " + output[-500:])


def latest_of_values(shell, command):
    """The first `latest` of a run may still say that nothing was read; a retained one comes at once."""
    for _ in range(100):
        if '"reason":"not_fitted"' in shell.run("timeout --foreground 15 " + command)[1]:
            return
        time.sleep(0.2)


def tour(shell):
    for first, _, text in blocks(ROOT + "/README.md"):
        for command, shown in commands_of(text):
            where = "README.md:%d: $ %s" % (first, command)
            if "mosquitto_sub" in command:
                latest_of_values(shell, command)
            if " read " in command or " gaps " in command:
                answered(shell)
            code, output = shell.run(command)
            for _ in range(120):  # a reader looks again: readings, and the row of an outage, take their time
                if code != 0 or not re.search(" (read|gaps) ", command) or all(shape(line) in map(shape, output.split("\n")) for line in shown if line.strip() and line != "..."):
                    break
                time.sleep(0.5)
                code, output = shell.run(command)
            must(where, code == 0, "exit %d: %s" % (code, output[-300:]))
            background = command.endswith("&")
            if command.endswith("&"):
                time.sleep(1.5)
            lines = {shape(line) for line in output.split("\n")}
            if shown and shown[0].startswith("{"):
                got = json.loads(next(line for line in output.split("\n") if line.startswith('{"schema"')))
                must(where, set(re.findall(r'"(\w+)":', "".join(shown))) <= keys_of(got), "keys differ: %s" % got)
                must(where, got["points"]["discharge_pressure"]["reason"] == "not_fitted", "discharge pressure: %s" % got["points"]["discharge_pressure"])
            elif not background:
                for line in shown:
                    if line.strip() and line != "...":
                        must(where, shape(line) in lines, "does not print what is shown: %s\n  it prints: %s" % (line, output[:1500]))
            DONE.append(where)


def known(line, rules):
    return next((test for start, test in rules if line.startswith(start)), None)


def a_command(shell, where, line):
    """A command of docs/, with this test's names in place of the invented site's."""
    command = re.sub(r"^sudo ", "", re.sub(r" {3,}.*$", "", line))
    if command.startswith("uphole simulate --exercise") and "--answer" in command:
        return judged(where, command)
    if command.startswith("uphole simulate"):
        return simulate(where, command)
    if re.match(r"uphole (find|draft-map) ", command):
        return SEARCHED.append(SEARCHES.submit(find, where, command))
    if command.startswith("uphole loop-check "):
        return loop_check(where, command)
    if command.startswith("uphole compare "):
        return compare(where, command)
    if " watch " in command:
        command = for_a_while(2, command)
    swaps = [("plant-broker heron-7 88120..89000", "tour-broker heron-7 1..3"), ("--last 24h", "--last 24h --into %s/support.tar" % shell.replace[0][1]),
             ("--from 2031-03-01T06:00:00Z --to 2031-03-02T06:00:00Z", "--from 2025-03-01T06:00:00Z"), ("--into heron-7", "--into %s/heron-7" % shell.replace[0][1])]
    if "2031-03-01T18:00:00Z" in command:  # one interval for all that is printed and compared
        # behind what is stored by now nothing is stored later
        newest = sqlite3.connect("file:%s/journal/journal.sqlite?mode=ro" % shell.replace[0][1], uri=True, timeout=30).execute("SELECT max(utc_ms) FROM scan").fetchone()[0]
        UP_TO.append(time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(newest // 1000 - 3)))
        swaps += [("--from 2031-03-01T06:00:00Z --to 2031-03-01T18:00:00Z", "--from 2025-03-01T06:00:00Z --to " + UP_TO[0]),
                  ("here.ndjson", shell.replace[0][1] + "/here.ndjson")]
    if " note " in command:
        ident = re.findall(r"^([0-9a-f]{6,}:\d+)", shell.run("%s gaps --config config/tour.yaml" % UPHOLE)[1], re.M)
        swaps.append((re.search(r"note (\S+)", command).group(1), ident[0] if ident else "none:0"))
    if " confirm " in command and "--screen" in command:  # what this screen would say now
        swaps.append(("1790 psi", "%.1f kPa" % pressure(shell)))
    if re.match(r"uphole (pause|resume) ", command):
        swaps.append(("plant-broker", "tour-broker"))
    for old, new in swaps:
        command = command.replace(old, new)
    command = command.replace("--for 10min", "--for 1min").replace("uphole ", UPHOLE + " ", 1)
    command = command.replace(" /etc/uphole/uphole.yaml", " config/tour.yaml")
    config = "" if "tour.yaml" in command else " config/tour.yaml" if re.match(r"\S+ check", command) else " --config config/tour.yaml"
    command = re.sub(r"(\s*#.*)?$", "", command)
    if " trace " in command:
        command = for_a_while(5, command)
    code, output = shell.run(command + config)
    must(where, code in (0, 124), "%s: exit %d: %s" % (command + config, code, output[-400:]))
    DONE.append(where)


def for_a_while(seconds, command):
    """Ended from outside. In its own group `timeout` would send SIGCONT behind SIGTERM; where that comes while the leak check of a build with sanitizers
    stops the program, the stop is lost and the check waits for good."""
    return "timeout --foreground %d %s" % (seconds, command)


def compare(where, command):
    """At a terminal, where `q` is typed; a value of the invented site may differ from the tour's."""
    keyboard, screen = pty.openpty()
    run = subprocess.Popen(["bash", "-c", command.replace("uphole ", UPHOLE + " ", 1) + " --config " + TOUR[0]], stdin=screen, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    os.close(screen)
    os.write(keyboard, b"q\n")
    out, told = run.communicate(timeout=120)
    os.close(keyboard)
    must(where, run.returncode in (0, 1) and "intake_pressure" in out, "exit %d: %s" % (run.returncode, (out + told)[-400:]))
    DONE.append(where)


def loop_check(where, command):
    """As far as the first channel: what was typed before it is all that a document can know."""
    with tempfile.TemporaryDirectory() as directory:
        command = command.replace("/home/jo/records", directory).replace("uphole ", UPHOLE + " ", 1) + " --config " + TOUR[0]
        run = subprocess.run(["bash", "-c", command], input="yes\nJo, technician\nq\n", capture_output=True, text=True, timeout=120)
        must(where, run.returncode == 75 and "Screen: " in run.stdout and os.listdir(directory), "exit %d: %s" % (run.returncode, (run.stdout + run.stderr)[-600:]))
    DONE.append(where)


def simulate(where, command):
    with tempfile.TemporaryDirectory() as directory:
        port = free_port()
        shutil.copy(ROOT + "/config/tour.yaml", directory + "/uphole.yaml")
        text = open(directory + "/uphole.yaml").read().replace("/tmp/uphole-tour", directory)
        open(directory + "/uphole.yaml", "w").write(text)
        command = command.replace("/tmp/pad-line", directory + "/pad-line").replace("127.0.0.1:1502", "127.0.0.1:%d" % port)
        command = command.replace("uphole simulate", UPHOLE + " simulate", 1) + " --maps %s/config/maps" % ROOT
        run = subprocess.Popen(["bash", "-c", "exec " + command], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, cwd=directory)
        lines = []
        for line in run.stdout:
            lines.append(line.strip())
            if lines[-1] == "ready":
                break
        run.terminate()
        run.wait(60)
        must(where, lines and lines[-1] == "ready", "is not ready: %s" % lines)
    DONE.append(where)


def judged(where, command):
    done = subprocess.run(["bash", "-c", command.replace("uphole ", UPHOLE + " ", 1) + " --maps %s/config/maps" % ROOT], capture_output=True, text=True)
    must(where, done.returncode in (0, 1) and re.search(r"(?s)ight.*\nEvidence: .*\nTrap: ", done.stdout), "exit %d: %s" % (done.returncode, done.stdout + done.stderr))
    DONE.append(where)


def find(where, command):
    """At a simulated unit, by a pseudo-terminal or a port; quicker than a person would be, and with consent."""
    with tempfile.TemporaryDirectory() as directory:
        port = free_port()
        run = subprocess.Popen([UPHOLE, "simulate", "--line", directory + "/unit", "--unit", "1:scaled-16", "--line", "127.0.0.1:%d" % port, "--unit", "1:scaled-16",
                                "--maps", ROOT + "/config/maps", "--refresh", "1 s"], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
        for line in run.stdout:
            if line.strip() == "ready":
                break
        command = command.replace("/dev/serial/by-id/usb-rs485-a", directory + "/unit").replace("192.0.2.7:502", "127.0.0.1:%d" % port).replace("my-unit.yaml", directory + "/my-unit.yaml")
        more = " --yes --listen '200 ms' --watch '1 s' --watch-every '500 ms' --registers 0..63 --maps %s/config/maps" % ROOT
        done = subprocess.run(["bash", "-c", command.replace("uphole ", UPHOLE + " ", 1) + more], capture_output=True, text=True, cwd=directory)
        run.terminate()
        run.wait(60)
        must(where, done.returncode == 0, "exit %d: %s%s" % (done.returncode, done.stdout[-400:], done.stderr[-400:]))
        must(where, "listen-only" in command or "unit id 1" in done.stdout or '"unit_id":' in done.stdout or os.path.exists(directory + "/my-unit.yaml"), "found nothing: " + done.stdout[-400:])
    DONE.append(where)


def script_of_faults(where, text):
    with tempfile.TemporaryDirectory() as directory:
        open(directory + "/faults", "w").write(text + "\n")
        run = subprocess.Popen([UPHOLE, "simulate", "--line", directory + "/pad-line", "--unit", "1:scaled-16", "--unit", "2:float-low-first", "--maps", ROOT + "/config/maps",
                                "--faults", directory + "/faults"], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
        lines = []
        for line in run.stdout:
            lines.append(line.strip())
            if lines[-1] == "ready":
                break
        run.terminate()
        run.wait(60)
        must(where, lines and lines[-1] == "ready", "the script of faults is refused: %s" % lines)
    DONE.append(where)


def a_section(where, text):
    """A `lines:` or `journal:` section, in the tour's configuration in place of its own."""
    with tempfile.TemporaryDirectory() as directory:
        tour_text = open(ROOT + "/config/tour.yaml").read()
        open(directory + "/uphole.yaml", "w").write(re.sub(r"(?m)^" + text.split(":")[0] + r":.*\n(  .*\n)*", lambda _: text + "\n", tour_text, count=1).replace("/tmp/uphole-tour", directory))
        done = subprocess.run([UPHOLE, "check", directory + "/uphole.yaml", "--maps", ROOT + "/config/maps"], capture_output=True, text=True)
    must(where, done.returncode == 0, "uphole check: exit %d: %s%s" % (done.returncode, done.stdout[-300:], done.stderr[-300:]))
    DONE.append(where)


def a_json(where, text):
    text = re.sub(r",?\s*(\.\.\.|…)", "", text)  # more of the same, left out for the reader
    try:
        values = [json.loads(text)]
    except ValueError:
        values = [json.loads(line) for line in text.split("\n")]
    for value in values:
        if "schema" in value:
            schema = json.load(open("%s/docs/schemas/%s-%s.json" % (ROOT, *value["schema"].split("/")[1:])))
            try:
                jsonschema.validate(value, schema)
            except jsonschema.ValidationError as error:
                must(where, False, "its schema doesn't allow it: " + error.message[:200])
    DONE.append(where)


def a_trace(where, text):
    with tempfile.NamedTemporaryFile("w", suffix=".txt") as file:
        file.write(text + "\n")
        file.flush()
        done = subprocess.run([UPHOLE, "trace", "--explain", file.name], capture_output=True, text=True)
    must(where, done.returncode == 0, "is no trace: " + done.stderr)
    DONE.append(where)


def calculations(where, text):
    """`$ uphole calculate ...`, in the project's directory; each line shown, up to `...`, is printed, figures and all."""
    for command, shown in commands_of(re.sub(r"\\\n\s*", "", text)):
        done = subprocess.run(["bash", "-c", command.replace("uphole ", UPHOLE + " ", 1)], capture_output=True, text=True, cwd=ROOT)
        must("%s: %s" % (where, command), done.returncode == 0, "exit %d: %s" % (done.returncode, (done.stdout + done.stderr)[-400:]))
        printed = done.stdout.split("\n")
        for line in shown[:shown.index("...")] if "..." in shown else shown:
            must("%s: %s" % (where, command), line in printed, "does not print what is shown: %s\n  it prints: %s" % (line, done.stdout[:3000]))
        DONE.append("%s: %s" % (where, command))


def a_key_of_a_map(where, text):
    """In the place of the shipped map's own key; the map still reads."""
    with tempfile.TemporaryDirectory() as directory:
        shipped = open(ROOT + "/config/maps/scaled-16.yaml").read()
        key = text.split(":")[0]
        changed = re.sub(r"(?m)^%s:.*$" % key, lambda _: text, shipped.replace("never: [{holding: 0 to 199}]", "never: [{holding: 100 to 199}]"))
        must(where, changed.count(text) == 1, "the shipped map has no %s" % key)
        open(directory + "/scaled-16.yaml", "w").write(changed)
        out = subprocess.run([UPHOLE, "decode", "--map", directory + "/scaled-16.yaml", "--channel", "intake_pressure", "12345"], capture_output=True, text=True)
        must(where, out.returncode == 0, out.stderr)
        if key == "unit_register":
            must(where, "12345 kPa while the unit-setting register holds 0 (MPa)" in out.stdout and "(psi)" in out.stdout, out.stdout)
    DONE.append(where)


def a_block(shell, name, first, language, text):
    where = "docs/%s:%d" % (name, first)
    start = text.split("\n")[0]
    if language == "json":
        return a_json(where, text)
    if text.startswith("uphole-trace 1"):
        return a_trace(where, text)
    if start.startswith("$ uphole calculate "):
        return calculations(where, text)
    if start.startswith("at ") and name == "simulator.md":
        return script_of_faults(where, text)
    if start in ("lines:", "journal:"):
        return a_section(where, text)
    if start.startswith("unit_register:"):
        return a_key_of_a_map(where, text)
    if start.startswith("[at D]"):
        return LISTED.append(where + ": a grammar; the script below it is run")
    lines = [line for line in re.sub(r"\\\n\s*", "", text).split("\n") if line.strip()]
    prompts = any(line.startswith("$ ") for line in lines)
    for line in lines:
        command = line[2:] if line.startswith("$ ") else line
        if prompts and not line.startswith("$ ") or line.startswith("      "):
            continue
        elsewhere = known(command, ELSEWHERE)
        if elsewhere:
            LISTED.append("%s: %s: run by %s" % (where, command[:60], elsewhere))
        elif name == "commissioning.md" and command.startswith("uphole find "):
            LISTED.append("%s: %s: run by walk_exercises, step by step" % (where, command[:60]))
        elif re.match(r"(sudo )?uphole ", command):
            a_command(shell, where + ": " + command, command)
        else:
            FAILURES.append("%s: no rule knows this line: %s" % (where, line))


def the_move(shell):
    """docs/moving.md by its own steps, as far as no service manager is needed: stopped, packed, unpacked elsewhere, started; nothing lost."""
    directory = shell.replace[0][1]
    shell.run("p=$(cat %s/journal/journal.lock 2>/dev/null | tr -dc 0-9); kill -TERM $p 2>/dev/null; for i in $(seq 600); do kill -0 $p 2>/dev/null || break; sleep 0.1; done"
              % directory)
    code, output = shell.run("tar -C / --numeric-owner -czf %s/move.tar.gz %s/journal && mkdir %s/new && tar -C %s/new -xzf %s/move.tar.gz && ls %s/new%s/journal"
                             % ((directory,) * 7))
    must("docs/moving.md", code == 0 and "journal.sqlite" in output, "packing and unpacking: " + output)
    code, output = shell.run("%s gaps --journal %s/new%s/journal" % (UPHOLE, directory, directory))
    must("docs/moving.md", code == 0, "the moved journal is not read: " + output)
    DONE.append("docs/moving.md: the move")


def main():
    for tool in ("mosquitto", "mosquitto_sub", "bash"):
        if shutil.which(tool) is None:
            print("skipped: %s is not installed" % tool)
            return 77
    directory = tempfile.mkdtemp()
    port, table_port = free_port(), free_port()
    text = open(ROOT + "/config/tour.yaml").read().replace("/tmp/uphole-tour", directory).replace("18830", str(port)).replace("1502", str(table_port))
    open(directory + "/tour.yaml", "w").write(text)
    TOUR.append(directory + "/tour.yaml")
    os.symlink(ROOT + "/config/maps", directory + "/maps")
    shell = Shell(directory, port, table_port)
    # A broker without any subscriber accepts nothing for good; this one waits for the tour's broker.
    reader = subprocess.Popen(["bash", "-c", "until mosquitto_sub -p %d -t '#'; do sleep 0.3; done" % port], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
                              start_new_session=True)
    try:
        tour(shell)
        pressure(shell)
        for name in sorted(os.listdir(ROOT + "/docs")):
            if not name.endswith(".md"):
                continue
            for first, language, text in blocks("%s/docs/%s" % (ROOT, name)):
                a_block(shell, name, first, language, text)
        the_move(shell)
        for search in SEARCHED:
            search.result()
    finally:
        shell.end()
        os.killpg(reader.pid, 15)
        shutil.rmtree(directory, ignore_errors=True)
    for line in LISTED:
        print("listed:", line)
    for line in FAILURES:
        print("FAILED:", line)
    print("%d commands, examples and blocks run or validated, %d listed with the test that runs them, %d failed" % (len(DONE), len(LISTED), len(FAILURES)))
    return 1 if FAILURES else 0


if __name__ == "__main__":
    sys.exit(main())
