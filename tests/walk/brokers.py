"""Brokers for test_broker_faults.py: the real one (mosquitto) with whatever limits, and broken ones that no real part can play.

Every real broker has two doors: the one under test, and a plain one on another port for the subscriber, which needs no rights.
"""
import json
import os
import shutil
import socket
import subprocess
import threading
import time

import paho.mqtt.client as mqtt

from ports import free_port
from walk import wait_for

AS_ROOT = "user root\n" if os.geteuid() == 0 else ""


class Certificates:
    """An authority, another one that nobody trusts, and leaves with whatever name and dates; made by the openssl command."""

    def __init__(self, directory):
        self.directory = directory
        directory.mkdir()
        directory.chmod(0o755)
        for name in ("ca", "stranger"):
            self.run("req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-keyout", f"{name}.key",
                     "-out", f"{name}.pem", "-days", "3650", "-subj", f"/CN={name}")
        (directory / "ca.conf").write_text(
            "[ca]\ndefault_ca = x\n[x]\ndatabase = index.txt\nrand_serial = yes\nnew_certs_dir = .\ndefault_md = sha256\n"
            "policy = p\ncopy_extensions = copy\nunique_subject = no\n[p]\ncommonName = supplied\n")
        (directory / "index.txt").write_text("")

    def run(self, *arguments):
        subprocess.run(["openssl", *arguments], cwd=self.directory, check=True, capture_output=True)

    def leaf(self, name, host, start="20200101000000Z", end="20491231000000Z", authority="ca"):
        address = "IP" if host[0].isdigit() else "DNS"
        self.run("req", "-new", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-keyout", f"{name}.key",
                 "-out", f"{name}.csr", "-subj", f"/CN={host}", "-addext", f"subjectAltName={address}:{host}")
        self.run("ca", "-config", "ca.conf", "-batch", "-notext", "-cert", f"{authority}.pem", "-keyfile", f"{authority}.key",
                 "-in", f"{name}.csr", "-out", f"{name}.pem", "-startdate", start, "-enddate", end)
        (self.directory / f"{name}.key").chmod(0o600)
        return f"certfile {self.directory}/{name}.pem\nkeyfile {self.directory}/{name}.key\n"


class Broker:
    """mosquitto on `port`; `lines` are of the door under test."""

    def __init__(self, walk, name, port, queued=100000):
        self.walk, self.name, self.port, self.eye, self.queued = walk, name, port, free_port(), queued
        self.conf = walk.directory / f"{name}.conf"
        self.process = self.client = None
        self.messages, self.lock = [], threading.Lock()

    def start(self, lines="allow_anonymous true\n", more=""):
        self.conf.write_text(f"per_listener_settings true\nmax_queued_messages {self.queued}\n{AS_ROOT}{more}"
                             f"listener {self.eye} 127.0.0.1\nallow_anonymous true\n"
                             f"listener {self.port} 127.0.0.1\n{lines}")
        binary = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
        self.process = self.walk._start(self.name, binary, "-c", self.conf)
        wait_for(f"broker {self.name}", 20, lambda: self.process.poll() is not None or (self.listens(self.port) and self.listens(self.eye)))
        assert self.process.poll() is None, f"broker {self.name} ended at once: {self.walk.log(self.name)[-600:]}"
        if self.client is None:
            self.subscribe()
        wait_for(f"the subscriber of {self.name}", 10, self.client.is_connected)
        assert self.subscribed.wait(60), f"the subscriber of {self.name} could not subscribe"

    @staticmethod
    def listens(port):
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", port)) == 0

    def stop(self):
        self.subscribed.clear()
        self.walk.stop(self.process)

    def subscribe(self):
        self.subscribed = threading.Event()
        self.client = mqtt.Client(client_id=f"eye-{self.name}-{os.getpid()}", clean_session=False, protocol=mqtt.MQTTv311)
        self.client.max_inflight_messages_set(1000)
        self.client.reconnect_delay_set(0.1, 0.2)
        self.client.on_connect = lambda client, *_: client.subscribe("uphole/#", qos=1)
        self.client.on_subscribe = lambda *_: self.subscribed.set()
        self.client.on_message = self.keep
        self.client.connect("127.0.0.1", self.eye, keepalive=5)
        self.client.loop_start()

    def keep(self, _client, _data, message):
        with self.lock:
            self.messages.append((time.monotonic(), message.topic, message.payload))

    def rows(self, well):
        """(when it came, message, seq, after) of every row of a well, in the order of arrival."""
        with self.lock:
            taken = [m for m in self.messages if m[1].endswith(f"/{well}/record")]
        found = []
        for when, _, payload in taken:
            message = json.loads(payload)
            after = message["after"]
            for row in message["rows"]:
                found.append((when, message["sent"], row["seq"], after[1] if after else 0))
                after = (message["run"], row["seq"])
        return found

    def newest(self, kind):
        with self.lock:
            taken = [m for m in self.messages if m[1].endswith(kind)]
        return json.loads(taken[-1][2]) if taken else None

    def close(self):
        if self.client is not None:
            self.client.loop_stop()
            self.client.disconnect()


class Fake:
    """Takes connections on `port` and plays `script(connection)` with each, in a thread of its own, until it is closed."""

    def __init__(self, port, script):
        self.script, self.is_open, self.connections = script, True, []
        self.listener = socket.create_server(("127.0.0.1", port))
        self.thread = threading.Thread(target=self.serve, daemon=True)
        self.thread.start()

    def serve(self):
        while self.is_open:
            try:
                connection, _ = self.listener.accept()
            except OSError:
                return
            self.connections.append(connection)
            connection.settimeout(600)
            threading.Thread(target=self.play, args=(connection,), daemon=True).start()

    def play(self, connection):
        try:
            self.script(connection)
        except OSError:
            pass
        finally:
            connection.close()

    def close(self):
        self.is_open = False
        for end in [self.listener, *self.connections]:
            try:
                end.shutdown(socket.SHUT_RDWR)
            except OSError:
                pass
            end.close()
        self.thread.join(5)


# ---- MQTT 5.0 by hand: section 2.1.4 (lengths), 3.1 to 3.4

CONNACK = bytes.fromhex("2003000000")


def packets(connection):
    """Type and body of each packet that comes."""
    kept = b""
    while True:
        while True:
            length = shift = at = 0
            for at in range(1, min(len(kept), 5)):
                length |= (kept[at] & 0x7F) << shift
                shift += 7
                if not kept[at] & 0x80:
                    break
            else:
                break
            if len(kept) < at + 1 + length:
                break
            yield kept[0], kept[at + 1:at + 1 + length]
            kept = kept[at + 1 + length:]
        chunk = connection.recv(65536)
        if not chunk:
            return
        kept += chunk


def answering(answer):
    """Accepts, then answers a PUBLISH (topic, id) by what answer(topic, id) gives; the rest as a broker would."""
    def script(connection):
        for kind, body in packets(connection):
            if kind == 0x10:
                connection.sendall(CONNACK)
            elif kind == 0x82:
                connection.sendall(b"\x90\x04" + body[:2] + b"\0\x01")
            elif kind == 0xC0:
                connection.sendall(b"\xD0\0")
            elif kind >> 4 == 3:
                n = body[0] << 8 | body[1]
                connection.sendall(answer(body[2:2 + n].decode(), body[2 + n] << 8 | body[3 + n]))
    return script


def puback(number, code=0):
    return bytes([0x40, 4, number >> 8, number & 255, code, 0])
