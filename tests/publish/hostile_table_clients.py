# SPDX-License-Identifier: Apache-2.0
"""hostile_table_clients.py PROGRAM [SECONDS] - 22 hostile clients, each from an address of its own, against the real server, while 4 honest ones
read and check what they get. No honest read may fail, be wrong, or take longer than 2 s. Prints medians and 99th percentiles with and without.

Planted defects that it must catch: a receive that waits for the rest of a frame; no deadline for a frame that never ends (places run out);
answers queued without bound; a function that sleeps on what it doesn't know.
"""
import multiprocessing
import random
import socket
import struct
import sys
import threading
import time

from table_demo import Demo

HONEST = 4
LATEST_S = 2.0  # beside what this machine itself puts off: a control that no server takes part in
SECONDS = float(sys.argv[2]) if len(sys.argv) > 2 else 10.0


def connect(host, port, timeout=5.0):
    connection = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    connection.settimeout(timeout)
    connection.bind((f"127.0.0.{host}", 0))
    connection.connect(("127.0.0.1", port))
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return connection


def request(transaction, pdu, unit=1, protocol=0, length=None):
    return struct.pack(">HHHB", transaction, protocol, len(pdu) + 1 if length is None else length, unit) + pdu


def read_pdu(first, count, function=4):
    return struct.pack(">BHH", function, first, count)


# ---- the honest ones -------------------------------------------------------------------------------------------------------------------


def take(connection, n):
    data = b""
    while len(data) < n:
        got = connection.recv(n - len(data))
        if not got:
            raise ConnectionError("closed")
        data += got
    return data


def honest(port, seconds, pipe):
    """Reads registers 14 to 43: the seq, and points 1 to 3, whose values are the seq modulo 10,000 in the demo server."""
    times, failures = [], []
    try:
        connection = connect(1, port)
        end = time.monotonic() + seconds
        transaction = 0
        while time.monotonic() < end:
            transaction = (transaction + 1) % 65536
            begun = time.monotonic()
            connection.sendall(request(transaction, read_pdu(14, 30)))
            answer = take(connection, 9 + 60)
            times.append(time.monotonic() - begun)
            head = struct.unpack(">HHHBBB", answer[:9])
            registers = struct.unpack(">30H", answer[9:])
            seq = struct.unpack(">Q", struct.pack(">4H", *registers[:4]))[0]
            value = struct.unpack(">f", struct.pack(">2H", *registers[18:20]))[0]
            warmth = struct.unpack(">f", struct.pack(">2H", *registers[26:28]))[0]
            if head != (transaction, 0, 63, 1, 4, 60):
                failures.append(f"header {head}")
            elif seq > 0 and not (value == warmth == seq % 10000 and registers[20] == 192):
                failures.append(f"seq {seq} with {value} and {warmth}, quality {registers[20]}")
            time.sleep(0.002)
        connection.close()
    except OSError as error:
        failures.append(f"{type(error).__name__}: {error}")
    pipe.send((times, failures))
    pipe.close()


def echo(connection):
    while connection.recv(1):
        connection.sendall(b"x")


def control(seconds, pipe):
    """The longest that a byte took to another process and back, asked as often as an honest client asks."""
    mine, theirs = socket.socketpair()
    other = multiprocessing.Process(target=echo, args=(theirs,), daemon=False)
    other.start()
    theirs.close()
    longest, end = 0.0, time.monotonic() + seconds
    while time.monotonic() < end:
        begun = time.monotonic()
        mine.sendall(b"x")
        mine.recv(1)
        longest = max(longest, time.monotonic() - begun)
        time.sleep(0.002)
    other.kill()
    pipe.send(longest)


def run_honest(port, seconds):
    """Times in order, failures, and the control's longest."""
    workers = []
    control_pipe, theirs = multiprocessing.Pipe(False)
    controller = multiprocessing.Process(target=control, args=(seconds, theirs))
    controller.start()
    for _ in range(HONEST):
        mine, theirs = multiprocessing.Pipe(False)
        worker = multiprocessing.Process(target=honest, args=(port, seconds, theirs))
        worker.start()
        workers.append((worker, mine))
    times, failures = [], []
    for worker, pipe in workers:
        got = pipe.recv() if pipe.poll(seconds + 30) else ([], ["hung"])
        times += got[0]
        failures += got[1]
        worker.join(5)
    longest = control_pipe.recv() if control_pipe.poll(seconds + 30) else seconds
    controller.join(5)
    return sorted(times), failures, longest


# ---- the hostile ones; each is called again and again until the time is over ---------------------------------------------------------------


def drip(host, port, stop, pause):
    connection = connect(host, port)
    for byte in request(1, read_pdu(0, 10)) * 3:
        if stop.is_set():
            return
        connection.sendall(bytes([byte]))
        time.sleep(pause)


def send_and_hold(host, port, stop, data, hold=3.0):
    connection = connect(host, port)
    connection.sendall(data)
    stop.wait(hold)
    connection.close()


def thousand_connects(host, port, stop):
    for _ in range(1000):
        if stop.is_set():
            return
        connect(host, port).close()


def hold_many(host, port, stop):
    held = []
    for _ in range(200):
        held.append(connect(host, port))
    stop.wait(3)
    for connection in held:
        connection.close()


def abort(connection):
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    connection.close()


def reset_in_mid_frame(host, port, stop):
    connection = connect(host, port)
    connection.sendall(request(1, read_pdu(0, 125)) * 5 + b"\0\1\0\0\0")
    abort(connection)


def never_read(host, port, stop):
    connection = connect(host, port)
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    frames = request(1, read_pdu(0, 125)) * 100
    while not stop.is_set():
        connection.sendall(frames)


def flood(host, port, stop, pdu, unit=1):
    connection = connect(host, port)
    frames = request(1, pdu, unit) * 40
    for _ in range(50):
        if stop.is_set():
            return
        connection.sendall(frames)
        connection.recv(65536)


def every_function(host, port, stop):
    connection = connect(host, port)
    for function in range(256):
        connection.sendall(request(function, bytes([function]) + random.randbytes(random.randrange(0, 252))))
        connection.recv(4096)


def garbage(host, port, stop):
    connection = connect(host, port)
    connection.sendall(random.randbytes(3000))
    connection.recv(4096)


def half_closed(host, port, stop):
    connection = connect(host, port)
    connection.sendall(request(1, read_pdu(0, 125)) * 3 + b"\0\2\0")
    connection.shutdown(socket.SHUT_WR)
    stop.wait(3)


HELLO = bytes.fromhex("16030100c8010000c40303") + bytes(60)
HOSTILE = [
    ("drip, a byte each 0.4 s", lambda h, p, s: drip(h, p, s, 0.4)),
    ("drip, a byte each 50 ms", lambda h, p, s: drip(h, p, s, 0.05)),
    ("a header and no more", lambda h, p, s: send_and_hold(h, p, s, b"\0\1\0\0\0\6\1")),
    ("three bytes and no more", lambda h, p, s: send_and_hold(h, p, s, b"\0\1\0")),
    ("length 65535", lambda h, p, s: send_and_hold(h, p, s, request(1, read_pdu(0, 1), length=0xFFFF), 0.05)),
    ("length 255", lambda h, p, s: send_and_hold(h, p, s, request(1, read_pdu(0, 1), length=255), 0.05)),
    ("length 0", lambda h, p, s: send_and_hold(h, p, s, request(1, read_pdu(0, 1), length=0), 0.05)),
    ("protocol id 7", lambda h, p, s: send_and_hold(h, p, s, request(1, read_pdu(0, 1), protocol=7), 0.05)),
    ("garbage", garbage),
    ("a web browser", lambda h, p, s: send_and_hold(h, p, s, b"GET / HTTP/1.1\r\nHost: x\r\n\r\n", 0.05)),
    ("a TLS hello", lambda h, p, s: send_and_hold(h, p, s, HELLO, 0.05)),
    ("1,000 connects", thousand_connects),
    ("200 connections held", hold_many),
    ("connected and silent", lambda h, p, s: send_and_hold(h, p, s, b"", 8.0)),
    ("reset in mid-frame", reset_in_mid_frame),
    ("never reads", never_read),
    ("pipelined flood", lambda h, p, s: flood(h, p, s, read_pdu(0, 125))),
    ("flood of writes", lambda h, p, s: flood(h, p, s, struct.pack(">BHHBHH", 16, 14, 2, 4, 0xDEAD, 0xBEEF))),
    ("every function, random data", every_function),
    ("unknown unit ids", lambda h, p, s: flood(h, p, s, read_pdu(0, 1), 99)),
    ("flood of identification", lambda h, p, s: flood(h, p, s, b"\x2b\x0e\x03\x00")),
    ("half closed in mid-frame", half_closed),
]


def hostile_loop(index, port, stop, rounds):
    while not stop.is_set():
        try:
            HOSTILE[index][1](2 + index, port, stop)
        except OSError:
            pass  # closed or refused: what it deserves
        rounds[index] += 1
        time.sleep(0.005)


def run_hostile(port, stop_event, pipe):
    random.seed(1)
    rounds = [0] * len(HOSTILE)
    stop = threading.Event()
    threads = [threading.Thread(target=hostile_loop, args=(i, port, stop, rounds), daemon=True) for i in range(len(HOSTILE))]
    for thread in threads:
        thread.start()
    stop_event.wait()
    stop.set()
    for thread in threads:
        thread.join(6)
    pipe.send(rounds)


# ---- the comparison --------------------------------------------------------------------------------------------------------------------


def memory_kib(pid):
    with open(f"/proc/{pid}/status", encoding="ascii") as status:
        return next((int(line.split()[1]) for line in status if line.startswith("RssAnon")), 0)


def figures(name, times):
    if not times:
        raise SystemExit(f"{name}: no honest read at all")
    median, p99 = times[len(times) // 2], times[int(len(times) * 0.99)]
    print(f"{name:8} {len(times):6} honest reads, median {median * 1e3:.2f} ms, 99 % {p99 * 1e3:.2f} ms, longest {times[-1] * 1e3:.1f} ms")
    return median, p99


def main(program):
    with Demo(program, "--changing") as demo:
        quiet, failures, put_off_quiet = run_honest(demo.port, SECONDS / 2)
        before = memory_kib(demo.process.pid)
        stop = multiprocessing.Event()
        mine, theirs = multiprocessing.Pipe(False)
        attack = multiprocessing.Process(target=run_hostile, args=(demo.port, stop, theirs))
        attack.start()
        time.sleep(0.5)
        under, more_failures, put_off_under = run_honest(demo.port, SECONDS)
        grown = memory_kib(demo.process.pid) - before
        stop.set()
        rounds = mine.recv() if mine.poll(30) else None
        attack.join(10)
        if attack.is_alive():
            attack.terminate()
    failures += more_failures
    figures("without", quiet)
    figures("with", under)
    print(f"{len(HOSTILE)} hostile clients, {sum(rounds or [0])} rounds; private memory grew by {grown} KiB; counts {demo.counts}")
    if rounds is None or min(rounds) == 0:
        stuck = [HOSTILE[i][0] for i, n in enumerate(rounds or []) if n == 0]
        print(f"still in their first round: {stuck}")
    if failures:
        raise SystemExit(f"{len(failures)} honest reads failed: {failures[:5]}")
    print(f"a byte to another process and back took {put_off_quiet * 1e3:.1f} ms at most without, {put_off_under * 1e3:.1f} ms with")
    if quiet[-1] > LATEST_S + 3 * put_off_quiet or under[-1] > LATEST_S + 3 * put_off_under:
        raise SystemExit(f"an honest read took longer than {LATEST_S} s and what this machine put off")
    for count in ("bad_frame", "stalled", "not_reading", "refused_address", "writes_refused"):
        if demo.counts[count] == 0:
            raise SystemExit(f"nobody was counted as {count}: the attack didn't happen")
    print("0 honest reads failed, were wrong or late")


if __name__ == "__main__":
    main(sys.argv[1])
