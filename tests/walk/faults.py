"""The faults of test_broker_faults.py: what is broken, the sentence that must name it, and how it is put right."""
import re
import socket
import subprocess
import time

import paho.mqtt.client as mqtt

from brokers import CONNACK, Broker, Fake, answering, packets, puback
from ports import free_port

WELLS = ("heron-7", "heron-8")


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
    """With TLS: the client library alone would turn in a circle here."""
    scheme, sentence = "mqtts", r"nothing listens at 127\.0\.0\.1"


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
        self.first = []

        def script(connection):
            self.first.append(connection.recv(4096)[:1])
            connection.sendall(b"HTTP/1.1 400 Bad Request\r\n\r\n")
            time.sleep(1)
        self.fake = Fake(self.port, script)

    def cure(self):
        # RFC 8446, 5.1: a handshake begins with 22. An MQTT CONNECT (16) here would be the password, in the clear.
        assert set(self.first) <= {b"\x16", b""}, f"no-tls: what came first: {self.first}"
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
        self.fake = Fake(self.port, answering(lambda topic, number: b"" if topic.endswith("/record") else puback(number)))


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
