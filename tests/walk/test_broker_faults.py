#!/usr/bin/env python3
"""Every way in which a broker, or the way to it, can fail: the sentence that names the layer, no scan missed, and all records after the cure.

Each fault is one destination of a running daemon (eight to a daemon, the daemons side by side), real parts wherever they can produce it. A line a
fault: its name, the sentence seen, scans missed (from the database, after the stop), and how long after its cause was put right a live record came.

Planted defects that this walk must catch, each seen to fail:
 - the lookup is done in the destination's own thread, and a stop waits for it (publish-lookup-waits);
 - the certificate's name is not checked (publish-any-certificate);
 - a refusal of one well's topic moves the cursor (publish-ignores-refusal);
 - a record that is too large holds its well for ever (publish-large-row-stops).
"""
import json
import pathlib
import re
import socket
import subprocess
import sys
import threading
import time

import paho.mqtt.client as mqtt

import walk as walks
from brokers import CONNACK, Broker, Certificates, Fake, answering, packets, puback
from walk import BINARY, SOURCE, Walk, free_port, main, wait_for

LONG = "--long" in sys.argv
NAME_SERVER = BINARY.parents[2] / "tests/walk/libname_server.so"
WELLS = ("heron-7", "heron-8")
CONFIG = """\
site: heron-ridge
box: {box}
lines:
  pad-line: {{serial: {directory}/pad-line, speed: 38400 baud, frame: 8N1, response_timeout: 300 ms, listen_first: 200 ms}}
wells:
  heron-7:
    table_block: 0
    sources:
      gauge:
        - {{from: 2025-01-10T08:00:00Z, line: pad-line, unit_id: 1, map: scaled-16, poll_every: 1 s, refresh: 1 s, confirmed_units: all}}
  heron-8:
    table_block: 1
    sources:
      gauge:
        - {{from: 2025-01-10T08:00:00Z, line: pad-line, unit_id: 2, map: float-low-first, poll_every: 1 s, refresh: 1 s, confirmed_units: all}}
destinations:
{destinations}journal: {{path: {journal}}}
"""


class Fault:
    """One destination. A subclass breaks something, says which sentence must name it, and puts it right."""
    sentence = scheme = ""
    host, more, tls, set_aside = "127.0.0.1", "", "", 0
    goes_on = ()  # wells that are delivered meanwhile

    def __init__(self, walk, certificates):
        self.walk, self.certificates, self.port = walk, certificates, free_port()
        self.name = re.sub(r"(?<!^)(?=[A-Z])", "-", type(self).__name__).lower()
        self.broker = Broker(walk, self.name, self.port)
        self.lines = "allow_anonymous true\n"
        if self.scheme == "mqtts":
            self.tls = certificates.leaf(self.name, self.host)
            self.more += f", ca_file: {certificates.directory}/ca.pem"
        self.prepare()

    def prepare(self):
        pass

    def stanza(self):
        return f'  {self.name}: {{mqtt: "{self.scheme or "mqtt"}://{self.host}:{self.port}", from: oldest{self.more}}}\n'

    def break_it(self):
        pass

    def cure(self):
        self.broker.start(self.lines + self.tls)

    def again(self):
        self.broker.stop()
        self.broker.start(self.lines + self.tls)


# ---- name, network


class NameNotFound(Fault):
    host, scheme, sentence = "name-not-found.heron.example", "mqtts", r"the name name-not-found\.heron\.example was not found"

    def break_it(self):
        self.broker.start(self.lines + self.tls)

    def cure(self):
        self.walk.name(self.host, "127.0.0.1")


class NameServerHangs(NameNotFound):
    host, sentence = "hangs.heron.example", r"no name server answers for hangs\.heron\.example"

    def break_it(self):
        super().break_it()
        self.walk.name(self.host, "hangs")


class NothingListens(Fault):
    sentence = r"nothing listens at 127\.0\.0\.1"


class NoAnswer(Fault):
    """A full queue of connections: the kernel drops what comes, as a firewall does."""
    sentence = r"no answer from 127\.0\.0\.1:\d+\. Check the network and the firewall"

    def break_it(self):
        self.listener = socket.socket()
        self.listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self.listener.bind(("127.0.0.1", self.port))
        self.listener.listen(0)
        self.fillers = []
        for _ in range(4):
            filler = socket.socket()
            filler.setblocking(False)
            filler.connect_ex(("127.0.0.1", self.port))
            self.fillers.append(filler)

    def cure(self):
        for end in [*self.fillers, self.listener]:
            end.close()
        super().cure()


# ---- TLS


class WrongCa(Fault):
    scheme, sentence = "mqtts", r"no authority of ca_file has signed its certificate"

    def break_it(self):
        bad = self.certificates.leaf("strange", self.host, authority="stranger")
        self.broker.start(self.lines + bad)

    cure = Fault.again


class WrongName(Fault):
    scheme, sentence = "mqtts", r"its certificate is for other\.heron\.example, not for 127\.0\.0\.1"

    def break_it(self):
        self.broker.start(self.lines + self.certificates.leaf("other", "other.heron.example"))

    cure = Fault.again


class CertificateExpired(Fault):
    scheme, sentence = "mqtts", r"its certificate is valid until 2024-01-31"

    def break_it(self):
        self.broker.start(self.lines + self.certificates.leaf("old", self.host, "20240101000000Z", "20240131000000Z"))

    cure = Fault.again


class ClockWrong(Fault):
    """As it looks from a box whose clock is far behind: the certificate isn't valid yet."""
    scheme, sentence = "mqtts", r"its certificate is valid only from 2048-01-01; this box's clock.* Set the clock|valid only from .* Check the clock"

    def break_it(self):
        self.broker.start(self.lines + self.certificates.leaf("young", self.host, "20480101000000Z"))

    cure = Fault.again


class NoTls(Fault):
    scheme, sentence = "mqtts", r"does not speak TLS\. Check the port, and mqtt or mqtts"

    def break_it(self):
        self.fake = Fake(self.port, lambda connection: connection.recv(4096) and connection.sendall(b"HTTP/1.1 400 Bad Request\r\n\r\n") or time.sleep(1))

    def cure(self):
        self.fake.close()
        super().cure()


class OurCertificate(Fault):
    scheme, sentence = "mqtts", r"ended the secure connection \(.*Check certificate_file"

    def break_it(self):
        self.broker.start(self.lines + self.tls + f"cafile {self.certificates.directory}/ca.pem\nrequire_certificate true\n")

    cure = Fault.again


# ---- who we are, what we may


class WrongPassword(Fault):
    sentence = r"Check user(,| and) password_file"

    def prepare(self):
        self.ours, theirs = self.certificates.directory / f"{self.name}.pass", self.certificates.directory / f"{self.name}.users"
        self.more += f", user: heron, password_file: {self.ours}"
        subprocess.run(["mosquitto_passwd", "-b", "-c", theirs, "heron", "pw-8251"], check=True, capture_output=True)
        theirs.chmod(0o644)
        self.lines = f"allow_anonymous false\npassword_file {theirs}\n"
        self.write("wrong")

    def write(self, word):
        self.ours.write_text(word + "\n")
        self.ours.chmod(0o600)

    def break_it(self):
        self.broker.start(self.lines)

    def cure(self):
        self.write("pw-8251")


class OldWrongPassword(WrongPassword):
    more, sentence = ", mqtt_version: 3.1.1", r"refuses user name or password|does not authorise this user"


class NoPasswordFile(WrongPassword):
    sentence = r"password_file .* can't be read \(No such file or directory\)"

    def write(self, word):
        if word == "wrong":
            self.ours.unlink(missing_ok=True)
        else:
            super().write(word)


class OneTopicForbidden(Fault):
    sentence, goes_on = r"does not take heron-8/record: this user is not authorised to publish there \(0x87\)", ("heron-7",)

    def break_it(self):
        rights = self.certificates.directory / "rights"
        rights.write_text("topic readwrite uphole/heron-ridge/heron-7/#\ntopic readwrite uphole/heron-ridge/box/#\n")
        self.broker.start(f"allow_anonymous true\nacl_file {rights}\n")

    cure = Fault.again


class QuotaUsedUp(Fault):
    sentence = r"does not take heron-[78]/record: a quota is used up \(0x97\)"

    def break_it(self):
        self.fake = Fake(self.port, answering(lambda topic, number: puback(number, 0x97 if topic.endswith("/record") else 0)))

    def cure(self):
        self.fake.close()
        super().cure()


class PacketTooSmall(Fault):
    """A broker that takes the records of one well and not those of the other."""
    sentence, set_aside = r"takes packets of at most 1750 bytes, and a record of heron-7 is larger: it is set aside", 1
    goes_on = ("heron-8",)

    def break_it(self):
        self.broker.start(self.lines, more="max_packet_size 1750\n")

    cure = Fault.again


# ---- what a broker says of itself


class NoAcknowledgements(Fault):
    sentence = r"acknowledges no messages \(maximum QoS 0\), so nothing can be proved delivered"

    def break_it(self):
        self.broker.start(self.lines + "max_qos 0\n")

    cure = Fault.again


class NoRetained(Fault):
    """It refuses the will that is to be kept, so the next attempt comes without."""
    sentence, goes_on = r"keeps no retained messages: who subscribes later sees `latest` only at its next sending", WELLS

    def break_it(self):
        self.broker.start(self.lines, more="retain_available false\n")

    cure = Fault.again


class SaysTakenOver(QuotaUsedUp):
    sentence = r"Another client took over the name .* \(0x8E\)\. Two boxes may hold the same configuration"

    def break_it(self):
        self.fake = Fake(self.port, answering(lambda topic, number: bytes.fromhex("e0018e")))


class SaysTooLarge(QuotaUsedUp):
    sentence = r"got a message that is too large for it\. \(0x95\)"

    def break_it(self):
        def script(connection):
            for kind, body in packets(connection):
                if kind == 0x10:
                    connection.sendall(CONNACK)
                elif kind >> 4 == 3:
                    n = body[0] << 8 | body[1]
                    small = len(body) < 3000
                    connection.sendall(puback(body[2 + n] << 8 | body[3 + n], 0x10) if small else bytes.fromhex("e00195"))
        self.fake = Fake(self.port, script)


# ---- what no broker would do


class Silent(QuotaUsedUp):
    sentence = r"does not answer as a broker within 15 s"

    def break_it(self):
        self.fake = Fake(self.port, lambda connection: connection.recv(1) and time.sleep(60))


class Closes(QuotaUsedUp):
    sentence = r"closed the connection before it answered as a broker"

    def break_it(self):
        self.fake = Fake(self.port, lambda connection: connection.recv(4096))


class Garbage(QuotaUsedUp):
    sentence = r"what answers at 127\.0\.0\.1:\d+ does not speak MQTT"

    def break_it(self):
        self.fake = Fake(self.port, lambda connection: connection.recv(4096) and connection.sendall(b"HTTP/1.1 400 Bad Request\r\n\r\n" * 40) or time.sleep(1))


class HugePacket(QuotaUsedUp):
    sentence = r"sent a packet above 16 KiB, so we hung up"

    def break_it(self):
        def script(connection):
            connection.recv(4096)
            connection.sendall(CONNACK)
            time.sleep(0.3)
            connection.sendall(bytes.fromhex("3080c2d72f") + b"x" * 100_000_000)  # a PUBLISH of 100,000,000 bytes
        self.fake = Fake(self.port, script)


class UnknownAcknowledgements(QuotaUsedUp):
    sentence = r"did not answer a message for 5 min"

    def break_it(self):
        self.fake = Fake(self.port, answering(lambda topic, number: puback(number ^ 0x4000)))


class StopsAcknowledging(QuotaUsedUp):
    sentence = r"did not answer a message for 5 min"

    def break_it(self):
        count = [0]

        def answer(topic, number):
            count[0] += 1
            return puback(number) if count[0] < 20 else b""
        self.fake = Fake(self.port, answering(answer))


class TakenOver(Fault):
    """Another client of our name, at a broker that doesn't say so (this one's version)."""
    sentence = r"no other client is called heron-edge-"

    def break_it(self):
        self.broker.start(self.lines)
        self.other = mqtt.Client(client_id=self.walk.settings["box"], protocol=mqtt.MQTTv311)
        self.other.reconnect_delay_set(0.1, 0.2)
        self.other.connect("127.0.0.1", self.port)
        self.other.loop_start()

    def cure(self):
        self.other.loop_stop()
        self.other.disconnect()


GROUPS = [[NameNotFound, NameServerHangs, NothingListens, NoAnswer, WrongCa, WrongName, CertificateExpired, ClockWrong],
          [NoTls, OurCertificate, WrongPassword, OldWrongPassword, NoPasswordFile, OneTopicForbidden, QuotaUsedUp, PacketTooSmall],
          [NoAcknowledgements, NoRetained, SaysTakenOver, SaysTooLarge, Silent, Closes, Garbage, HugePacket]]
LONG_GROUPS = [[UnknownAcknowledgements, StopsAcknowledging, TakenOver]]


class FaultWalk(Walk):
    def __init__(self, number, classes):
        super().__init__(f"faults-{number}", box=f"heron-edge-{number}")
        self.names = self.directory / "tls/names"  # beside ca_file: the SCADA side may read there
        certificates = Certificates(self.directory / "tls")
        self.names.write_text("")
        self.faults = [c(self, certificates) for c in classes]
        self.config.write_text(CONFIG.format(box=self.settings["box"], directory=self.directory, journal=self.journal,
                                             destinations="".join(f.stanza() for f in self.faults)))

    def name(self, host, word):
        self.names.write_text(self.names.read_text() + f"{host} {word}\n")

    def seen(self, fault):
        name, sentence = re.compile(rf"roker {fault.name}\b"), re.compile(fault.sentence)
        return next((line for line in self.log("daemon").splitlines() if name.search(line) and sentence.search(line)), None)

    def newest(self, well):
        number = WELLS.index(well) + 1
        rows = self.sql(f"SELECT max(seq) AS seq FROM scan WHERE well = {number}")
        return rows[0]["seq"] or 0

    def missed(self):
        """Scans due and not made, or made without an answer, from the database alone."""
        rows = self.sql("SELECT well, count(*) AS n, min(seq) AS first, max(seq) AS last, sum(outcome <> 1) AS failed FROM scan GROUP BY well")
        assert len(rows) == len(WELLS), rows
        holes = sum(row["last"] - row["first"] + 1 - row["n"] + row["failed"] for row in rows)
        # 5 to 8: program, disk, skipped, overflow. What the first listening put off came before the first scan.
        never = self.sql("SELECT max(scans) AS n FROM gap WHERE kind IN (5, 6, 7, 8) AND start_utc_ms > (SELECT min(utc_ms) + 2000 FROM scan) GROUP BY run, id")
        return holes + sum(row["n"] for row in never), sum(row["n"] for row in rows)


def is_complete(fault, well, until):
    """First arrivals are 1 to `until` at least, in order, `after` always names the one before."""
    rows = fault.broker.rows(well)
    seen = {seq for _, _, seq, _ in rows}
    if not seen or max(seen) < until:
        return False
    missing = [seq for seq in range(1, until + 1) if seq not in seen]
    for _, _, seq, after in rows:
        assert after == seq - 1, f"{fault.name}: {well} seq {seq} says that it follows {after}"
    if fault.set_aside and well == "heron-7":
        return missing == list(range(1, len(missing) + 1)) or len(missing) > 0
    return not missing


def play(walk, report, failures):
    try:
        walk.start_simulator()
        for fault in walk.faults:
            fault.break_it()
        environment = {"LD_PRELOAD": str(NAME_SERVER), "UPHOLE_NAMES": str(walk.names)}
        environment["ASAN_OPTIONS"] = environment["TSAN_OPTIONS"] = "verify_asan_link_order=0"
        walk.start_daemon(environment)
        lines = {}
        for fault in walk.faults:
            lines[fault] = wait_for(f"the sentence of {fault.name}: {fault.sentence}", 420 if LONG else 60, lambda f=fault: walk.seen(f), step=0.2)
        for fault in walk.faults:
            for well in fault.goes_on:
                wait_for(f"{fault.name}: {well} goes on meanwhile", 10, lambda f=fault, w=well: len({r[2] for r in f.broker.rows(w)}) > 3)
        at_cure, cured = {w: walk.newest(w) for w in WELLS}, {}
        for fault in walk.faults:
            fault.cure()
            cured[fault] = time.monotonic()
        back = {}
        for fault in walk.faults:
            def live(f=fault):
                return next((when for when, sent, seq, _ in f.broker.rows("heron-8") if sent == "live" and seq > at_cure["heron-8"] and when > cured[f]), None)
            back[fault] = wait_for(f"{fault.name}: a live record after its cause was put right", 70, live, step=0.2)
        until = {w: walk.newest(w) for w in WELLS}
        for fault in walk.faults:
            for well in WELLS:
                wait_for(f"{fault.name}: all records of {well} up to {until[well]}", 40, lambda f=fault, w=well: is_complete(f, w, until[w]), step=0.2)
        stopping = time.monotonic()
        walk.stop(walk.daemon)
        missed, scans = walk.missed()
        aside = walk.sql("SELECT destination, max(scans) AS n FROM gap WHERE kind = 11 GROUP BY run, id")
        for fault in walk.faults:
            sentence = re.sub(r"^<\d>\w+ publish: ", "", lines[fault])
            sentence = sentence.split(" Not connected since")[0]
            report.append(f"  {fault.name:<24} scans missed {missed} of {scans}, live {back[fault] - cured[fault]:4.1f} s after: {sentence}")
            if fault.set_aside:
                rows = [r for r in aside if r["destination"] == fault.name]
                seen = {seq for _, _, seq, _ in fault.broker.rows("heron-7")}
                lost = [seq for seq in range(1, until["heron-7"] + 1) if seq not in seen]
                assert rows and sum(r["n"] for r in rows) == len(lost), f"{len(lost)} records set aside, the ledger says {rows}"
                report.append(f"  {'':<24} {len(lost)} records set aside, as the ledger's row says")
        assert missed == 0, f"{missed} of {scans} scans missed"
        assert time.monotonic() - stopping < 30
    except Exception as error:  # noqa: BLE001 - the others go on
        failures.append(f"{type(error).__name__}: {error}\n{walk.log('daemon')[-3000:]}")
    finally:
        for fault in walk.faults:
            fault.broker.close()
            if hasattr(fault, "fake"):
                fault.fake.close()
        walk.close()


def every_fault_is_named_costs_no_scan_and_is_over_when_its_cause_is():
    """All faults at once, eight to a daemon."""
    for tool in ("mosquitto", "mosquitto_passwd", "openssl", "sqlite3"):
        import shutil
        if not (shutil.which(tool) or shutil.which(tool, path="/usr/sbin")):
            raise walks.Skip(f"there is no {tool}")
    groups = LONG_GROUPS if LONG else GROUPS
    report, failures, threads = [], [], []
    for number, classes in enumerate(groups, 1):
        walk = FaultWalk(number, classes)
        threads.append(threading.Thread(target=play, args=(walk, report, failures)))
        threads[-1].start()
    for thread in threads:
        thread.join()
    print("\n".join(report))
    assert not failures, "\n".join(failures)


if "--long" in sys.argv:
    sys.argv.remove("--long")
main(every_fault_is_named_costs_no_scan_and_is_over_when_its_cause_is)
