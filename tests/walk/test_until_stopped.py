#!/usr/bin/env python3
# SPDX-License-Identifier: Apache-2.0
"""Commands that wait end when they are told to, whatever their terminal, their reader or the daemon does, and leave the terminal as it was.

Planted defects, each seen to be caught by the test named behind it: output that is written without a look for a stop (nobody_reads); the terminal taken
from the background (another_in_front); Ctrl-Z that leaves the terminal as a picture's (pauses); an answer in drips that is waited for byte by byte (drips);
a pause that cuts an answer short (drips).
"""
import os
import pty
import select
import signal
import socket
import subprocess
import tempfile
import termios
import threading
import time

from walk import BINARY, PATIENCE, Walk, main, wait_for

OTHER, SAME = b"\x1b[?1049h\x1b[?25l", b"\x1b[?25h\x1b[?1049l"


def ends(process, what):
    try:
        return process.wait(20 * PATIENCE)
    except subprocess.TimeoutExpired:
        process.kill()
        raise AssertionError(what) from None


def nobody_reads():
    """A pipe that is full, and a terminal told to stop: the first SIGTERM ends `watch` and `trace`."""
    with Walk("until-stopped") as walk:
        walk.start_broker()
        walk.start_simulator()
        walk.start_daemon()
        journal = ["--journal", str(walk.journal)]
        wait_for("the local socket", 10, lambda: subprocess.run([str(BINARY), "status", *journal], capture_output=True).returncode == 0)
        for words in (["watch", "heron-7"], ["trace", "pad-line", "--for", "60s"]):
            reader, writer = os.pipe()
            os.set_blocking(writer, False)
            try:
                while True:
                    os.write(writer, b"\n" * 4096)
            except BlockingIOError:
                os.set_blocking(writer, True)
            process = subprocess.Popen([str(BINARY), *words, *journal], stdout=writer, stderr=subprocess.PIPE)
            time.sleep(1.5)  # it may not have begun to write by then: so much the easier
            process.terminate()
            ends(process, f"{words} does not end while nobody reads")
            process.stderr.close()
            os.close(reader)
            os.close(writer)
        screen, side = pty.openpty()
        before = termios.tcgetattr(side)
        process = subprocess.Popen([str(BINARY), "watch", "heron-7", *journal], stdin=side, stdout=side, env=dict(os.environ, TERM="xterm"))
        wait_for("the picture", 10, lambda: select.select([screen], [], [], 0)[0])
        os.write(screen, b"\x13")  # Ctrl-S
        time.sleep(2.5)
        process.terminate()
        assert ends(process, "watch does not end on a terminal that stands still") == 0
        assert termios.tcgetattr(side) == before, "the terminal's settings are not as they were"
        another_in_front(journal)
        pauses(journal)


def on_terminal(part, words, wanted=b""):
    """What `part` does with a command in a session of its own on a terminal, as a shell would; what it says, and what the terminal saw. `part` may wait for
    the terminal to have shown `wanted`."""
    say, told = os.pipe()
    shown, show = os.pipe()
    pid, screen = pty.fork()
    if pid == 0:
        code = 1
        try:
            os.environ["TERM"] = "xterm"
            signal.signal(signal.SIGTTOU, signal.SIG_IGN)
            process = subprocess.Popen([str(BINARY), *words], process_group=0, restore_signals=True,
                                       preexec_fn=lambda: signal.signal(signal.SIGTTOU, signal.SIG_DFL))
            os.close(show)
            os.write(told, repr(part(process, lambda: os.read(shown, 1))).encode())
            code = 0
        except BaseException as error:
            os.write(told, repr(error).encode())
        finally:
            os._exit(code)
    os.close(told)
    os.close(shown)
    seen, until = b"", time.monotonic() + 40 * PATIENCE
    while time.monotonic() < until:
        if wanted and wanted in seen and show >= 0:
            os.close(show)
            show = -1
        if select.select([screen], [], [], 0.1)[0]:
            try:
                seen += os.read(screen, 65536)
            except OSError:  # the session has ended
                break
        if b"PAUSE\r\n" in seen:
            seen = seen.replace(b"PAUSE\r\n", b"")
            os.write(screen, b"\x1a")
        if b"STOP\r\n" in seen:
            seen = seen.replace(b"STOP\r\n", b"")
            os.write(screen, b"q")
    if show >= 0:
        os.close(show)
    os.waitpid(pid, 0)
    with os.fdopen(say) as answer:
        return answer.read(), seen


def another_in_front(journal):
    """As under `timeout`, or with `&`: nothing is taken from the program in front; plain lines, and an end."""
    def in_background(process, until_shown):
        until_shown()
        process.terminate()
        return ends(process, "does not end")

    said, seen = on_terminal(in_background, ["watch", "heron-7", *journal], wanted=b" heron-7 line ")
    assert said == "0", f"watch in the background: {said}"
    assert b"\x1b" not in seen and b" heron-7 line " in seen, seen[-300:]


def pauses(journal):
    """Ctrl-Z gives the terminal back as it was; going on takes it again; `q` ends."""
    def as_shell(process, _):
        echo = lambda: bool(termios.tcgetattr(0)[3] & termios.ECHO)  # noqa: E731

        def without_echo():
            end = time.monotonic() + 10 * PATIENCE
            while time.monotonic() < end and echo():
                time.sleep(0.05)
            time.sleep(0.3)  # the picture behind it
            return echo()

        os.tcsetpgrp(0, process.pid)
        before = without_echo()
        os.write(1, b"PAUSE\n")
        end = time.monotonic() + 15 * PATIENCE
        while time.monotonic() < end and not os.WIFSTOPPED(os.waitpid(process.pid, os.WUNTRACED | os.WNOHANG)[1]):
            time.sleep(0.05)
        paused = echo()
        os.kill(process.pid, signal.SIGCONT)
        again = without_echo()
        os.write(1, b"STOP\n")
        return before, paused, again, ends(process, "does not end"), echo()

    said, seen = on_terminal(as_shell, ["watch", "heron-7", *journal])
    assert said == repr((False, True, False, 0, True)), f"echo at the picture, paused, again; code; echo at the end: {said}"
    assert seen.count(OTHER) == 2 and seen.count(SAME) == 2, seen.replace(b"\x1b", b"~")[-400:]


def drips():
    """A daemon that sends a byte now and then: given up after its time in all. One that is slow while the command is paused: heard in full."""
    def serve(parts, pause_s):
        with tempfile.TemporaryDirectory() as directory:
            listener = socket.socket(socket.AF_UNIX)
            listener.bind(directory + "/uphole.socket")
            listener.listen(1)

            def one():
                client, _ = listener.accept()
                with client:
                    client.recv(1000)
                    for part in parts:
                        try:
                            client.sendall(part)
                        except OSError:
                            return
                        time.sleep(pause_s)

            thread = threading.Thread(target=one, daemon=True)
            thread.start()
            process = subprocess.Popen([str(BINARY), "status", "--journal", directory], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
            if pause_s > 1.5:
                time.sleep(1)
                process.send_signal(signal.SIGSTOP)
                time.sleep(0.2)
                process.send_signal(signal.SIGCONT)
            try:
                out, told = process.communicate(timeout=30 * PATIENCE)
            except subprocess.TimeoutExpired:
                process.kill()
                raise AssertionError("an answer in drips is waited for") from None
            thread.join()
            listener.close()
            return process.returncode, out, told

    # Drips for longer than anybody would wait: whoever waits byte by byte isn't done by then.
    code, out, told = serve([b"0 3", b"00\n"] + [b"x"] * 300, 0.5)
    assert code == 69 and "did not answer in full" in told, f"an answer in drips: {code}, {told}"
    code, out, told = serve([b"0 5\n", b"whole"], 2.5)
    assert code == 0 and out == "whole\n", f"an answer during which the command was paused: {code} {out} {told}"


if __name__ == "__main__":
    main(nobody_reads, beside=[drips])
