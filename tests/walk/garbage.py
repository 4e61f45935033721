"""Seeded garbage for the SCADA side's sockets: masters that send anything at all, brokers that speak MQTT up to a point, and a master in order."""
import random
import socket
import struct
import threading
import time


def mutated(chance, frame):
    data = bytearray(frame)
    for _ in range(chance.randrange(1, 5)):
        what = chance.randrange(4)
        at = chance.randrange(len(data)) if data else 0
        if what == 0 and data:
            data[at] = chance.randrange(256)
        elif what == 1:
            data[at:at] = chance.randbytes(chance.randrange(1, 9))
        elif what == 2 and data:
            del data[at:at + chance.randrange(1, 9)]
        else:
            data += chance.randbytes(chance.choice((1, 7, 300)))
    return bytes(data)


def requests(chance):
    """A Modbus TCP request, mostly well formed, of any function."""
    function = chance.choice((1, 2, 3, 3, 4, 4, 5, 6, 7, 8, 15, 16, 17, 20, 21, 22, 23, 24, 43, chance.randrange(256)))
    body = struct.pack(">BBHH", chance.choice((0, 1, 2, 255, chance.randrange(256))), function, chance.randrange(65536), chance.randrange(300))
    if function in (15, 16, 23, 43):
        body += chance.randbytes(chance.randrange(250))
    return struct.pack(">HHH", chance.randrange(65536), 0, len(body)) + body


class TableFuzzer(threading.Thread):
    def __init__(self, port, seed, until):
        super().__init__(daemon=True)
        self.port, self.chance, self.until, self.frames, self.connections = port, random.Random(seed), until, 0, 0
        self.start()

    def run(self):
        while time.monotonic() < self.until:
            try:
                with socket.create_connection(("127.0.0.1", self.port), 2) as client:
                    self.connections += 1
                    self.feed(client)
            except OSError:
                time.sleep(0.01)

    def feed(self, client):
        chance = self.chance
        client.settimeout(0.05)
        for _ in range(chance.randrange(1, 60)):
            frame = requests(chance)
            if chance.random() < 0.6:
                frame = mutated(chance, frame)
            if chance.random() < 0.2:
                frame = frame[:chance.randrange(len(frame) + 1)]
            client.sendall(frame)
            self.frames += 1
            if chance.random() < 0.3:
                try:
                    client.recv(4096)
                except TimeoutError:
                    pass
            if time.monotonic() > self.until:
                return


class Master(threading.Thread):
    """A well-behaved master beside the fuzzers: one connection, every answer whole."""

    def __init__(self, port, until):
        super().__init__(daemon=True)
        self.socket, self.until, self.answers, self.fault, self.slowest_s = socket.create_connection(("127.0.0.1", port), 60), until, 0, None, 0.0
        self.start()

    def take(self, n):
        data = b""
        while len(data) < n:
            chunk = self.socket.recv(n - len(data))
            if not chunk:
                raise OSError("the table closed the connection")
            data += chunk
        return data

    def run(self):
        try:
            while time.monotonic() < self.until:
                began = time.monotonic()
                self.socket.sendall(struct.pack(">HHHBBHH", self.answers & 0xFFFF, 0, 6, 1, 4, 0, 100))
                head = self.take(9)
                if head[:2] != struct.pack(">H", self.answers & 0xFFFF) or head[7:] != bytes((4, 200)):
                    raise OSError(f"an answer begins {head.hex()}")
                self.take(200)
                self.answers += 1
                self.slowest_s = max(self.slowest_s, time.monotonic() - began)
                time.sleep(0.02)
        except OSError as error:
            self.fault = error


def mqtt_string(data):
    return struct.pack(">H", len(data)) + data


def packet(kind, body):
    """MQTT 5.0, 2.1: type and flags, remaining length, the rest."""
    length, n = b"", len(body)
    while True:
        length += bytes(((n % 128) | (128 if n >= 128 else 0),))
        n //= 128
        if n == 0:
            return bytes((kind,)) + length + body


class FakeBroker(threading.Thread):
    """Speaks MQTT up to a point, and then whatever chance says: packets mutated, cut, repeated, of ids and codes that nobody asked for."""

    def __init__(self, seed, until):
        super().__init__(daemon=True)
        self.chance, self.until, self.connections, self.packets = random.Random(seed), until, 0, 0
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port = self.listener.getsockname()[1]
        self.start()

    def run(self):
        while True:
            client, _ = self.listener.accept()
            self.connections += 1
            try:
                with client:
                    client.settimeout(0.05)
                    self.converse(client)
            except OSError:
                pass

    def hear(self, client):
        try:
            return client.recv(65536)
        except TimeoutError:
            return b""

    def converse(self, client):
        chance = self.chance
        heard = self.hear(client)
        manner = chance.randrange(5)
        if manner == 0:
            client.sendall(chance.randbytes(chance.choice((1, 20, 3000))))
            self.hear(client)
            return
        connack = packet(0x20, bytes((chance.choice((0, 0, 1)), 0 if manner > 1 else chance.randrange(256), 0)))
        client.sendall(connack if manner > 1 else mutated(chance, connack))
        end = time.monotonic() + chance.uniform(0.2, 2.5)
        while time.monotonic() < end:
            heard = self.hear(client)
            for _ in range(chance.randrange(1, 6)):
                client.sendall(self.answer(heard))
                self.packets += 1

    def answer(self, heard):
        chance = self.chance
        mid = struct.pack(">H", chance.choice((chance.randrange(65536), chance.randrange(1, 40))))
        code = bytes((chance.choice((0, 0, 0x10, 0x80, 0x87, 0x97, chance.randrange(256))),))
        good = chance.choice((
            packet(0x40, mid), packet(0x40, mid + code + b"\x00"), packet(0x50, mid + code), packet(0x62, mid), packet(0x70, mid + code),
            packet(0x90, mid + b"\x00" + code), packet(0xB0, mid + b"\x00" + code), packet(0xD0, b""), packet(0xC0, b""), packet(0xE0, code + b"\x00"),
            packet(0x20, b"\x00\x00\x00"), packet(0x10, mqtt_string(b"MQTT") + b"\x05\x02\x00\x1e\x00" + mqtt_string(b"x")),
            packet(0x32, mqtt_string(b"uphole/heron-ridge/box/heron-edge-1") + mid + b"\x00" + b'{"running":true}'),
            packet(0x30, mqtt_string(b"a/b") + b"\x00" + chance.randbytes(50)),
            # properties that the standard doesn't name, in three kinds of packets
            packet(0x40, mid + code + b"\x02\x7f\x00"), packet(0xE0, code + b"\x02\x05\x00"), packet(0x90, mid + b"\x02\x7e\x00" + code),
            packet(0x40, mid + code + b"\x05\x1f" + mqtt_string(b"\xff\xfe")), heard[:chance.randrange(200)],
            bytes((chance.randrange(256), 0xFF, 0xFF, 0xFF, 0x7F)), b""))
        return mutated(chance, good) if chance.random() < 0.4 else good
