"""Ports for tests that run side by side."""
import random
import socket
import threading

FIRST, LAST = 12000, 32000  # below those that the kernel gives to outgoing connections (32768 and more on Linux)
HELD, LOCK = {}, threading.Lock()


def free_port():
    """A port of 127.0.0.1 that nobody listens on, that no outgoing connection takes meanwhile, and that no other test gets while this one runs: each
    holds an abstract local socket of the port's name until its process ends."""
    with LOCK:
        for _ in range(1000):
            port = random.SystemRandom().randrange(FIRST, LAST)
            if port in HELD:
                continue
            mine = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
            try:
                mine.bind(f"\0uphole-test-port-{port}")
                with socket.socket() as probe:
                    probe.bind(("127.0.0.1", port))
            except OSError:
                mine.close()
                continue
            HELD[port] = mine
            return port
    raise AssertionError(f"no free port between {FIRST} and {LAST}")
